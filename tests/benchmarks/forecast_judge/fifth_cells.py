"""What stands between the cells of the fifth sealed set and the load, row by row.

Cells as in `third_cells`. At the node behind the contact, C backward Euler over a row of dt:

    (E - V) / R + (Vc - V) / (esr + dt/C) + given = I(V) + past,   Vc' = Vc + dt/C (V - Vc) / (esr + dt/C)

`given` flows back (panel, charger), `past` does not run through the sensor. A boost converter draws
P / eff, eff = best - worse (1 - V/full). All from memory.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from .cell import load_current_ma
from .rundown import Floats
from .third_cells import Part, Run, State

LEAST_EFFICIENCY = 0.4


@dataclass(frozen=True)
class Guard:
    """Opens the pack for good when one cell is below `trips_v` at the end of a row."""

    trips_v: float


@dataclass(frozen=True)
class Capacitor:
    """Across the pack, charged to its open voltage; the sensor is behind it."""

    farad: float
    esr_ohm: float


@dataclass(frozen=True)
class Boost:
    """Stops below `stops_v`, is back above `again_v` after `rest_s`, its first row at `surge`."""

    full_v: float
    best: float
    worse: float
    stops_v: float
    again_v: float
    rest_s: float
    surge: float

    def efficiency(self, volts: float) -> float:
        return max(self.best - self.worse * (1 - volts / self.full_v), LEAST_EFFICIENCY)


@dataclass(frozen=True)
class Buck:
    """In every cell: `set_v` behind `out_ohm`, `low_v` once the inner one is below `warns_v` under
    load, nothing once it is below `cuts_v`. Both for good."""

    set_v: float
    low_v: float
    warns_v: float
    cuts_v: float
    out_ohm: float
    efficiency: float


@dataclass(frozen=True, eq=False)
class Demand:
    """Per row of `step_s`: `factor` of the load, air, contact, `given_ma`.

    `kind` and `level` as in `third_cells.Load`; `pauses` are s without rows after a row, by its
    number; `full_v` is where what is given stops. Before the row `alone_from` a second pack like
    this one hangs in parallel; its strap breaks, and never is it back.
    """

    kind: str
    level: float
    factor: Floats
    temperature_c: Floats
    contact_ohm: Floats
    given_ma: Floats
    step_s: float
    past_ma: float = 0.0
    full_v: float = np.inf
    pauses: Mapping[int, float] = field(default_factory=dict)
    guard: Guard | None = None
    capacitor: Capacitor | None = None
    boost: Boost | None = None
    alone_from: int = 0


class Resting(State):
    """A part that also rests for longer than a row."""

    def rest(self, k: int, long_s: float) -> None:
        rows = long_s / self.step_s
        self.eta *= self.keep_eta**rows
        self.w = [w * keep[k] ** rows for w, keep in zip(self.w, self.keep_w, strict=True)]
        self.film = 1 - (1 - self.film) * float(np.exp(-long_s / self.film_s))


class _Converter:
    """The boost converter while it runs: how much of the power asked for it draws."""

    def __init__(self, boost: Boost) -> None:
        self.boost, self.volts, self.off_s, self.starts = boost, boost.full_v, -1.0, True

    def draws(self, step_s: float) -> float:
        if self.off_s >= 0:
            self.off_s += step_s
            if self.off_s < self.boost.rest_s or self.volts < self.boost.again_v:
                return 0.0
            self.off_s, self.starts = -1.0, True
        surge = self.boost.surge if self.starts else 1.0
        self.starts = False
        return surge / self.boost.efficiency(self.volts)

    def saw(self, volts: float) -> None:
        self.volts = volts
        if self.off_s < 0 and volts < self.boost.stops_v:
            self.off_s = 0.0


def _flow_ma(kind: str, level: float, factor: float, open_v: float, ohm: float) -> float:
    if factor <= 0 or open_v <= 0:
        return 0.0
    return load_current_ma(kind, level / factor if kind == "resistor" else level * factor, open_v, ohm)  # fmt: skip


class _Node:
    """Behind the contact: pack and capacitor as one source for the load."""

    def __init__(self, demand: Demand, open_v: float) -> None:
        self.demand, self.held_v = demand, open_v
        part = demand.capacitor
        self.per_farad = demand.step_s / part.farad if part else 0.0
        self.esr = part.esr_ohm + self.per_farad if part else np.inf

    def solve(
        self, k: int, factor: float, open_v: float, ohm: float, past_ma: float
    ) -> tuple[float, float, float]:
        """Current of the load, what is given, mA; voltage."""
        by = self.demand
        r = 1 / (1 / ohm + 1 / self.esr)
        source_v = r * (open_v / ohm + self.held_v / self.esr)
        given = float(by.given_ma[k])
        base_v = source_v + (given - past_ma) * r / 1000
        flow = _flow_ma(by.kind, by.level, factor, base_v, r)
        volts = base_v - flow * r / 1000
        if given > 0 and volts > by.full_v:
            less = min(given, (volts - by.full_v) / r * 1000)
            given, volts = given - less, volts - less * r / 1000
        if by.capacitor is not None:
            self.held_v += self.per_farad * (volts - self.held_v) / self.esr
        return flow, given, volts


def run(parts: Sequence[Part], demand: Demand, over: Callable[[float, float], bool]) -> Run:
    """Run the pack until `over(time_s, pack_v)`, asked row by row, or there are no more rows.

    Current as the sensor has it: less what flows back, without what goes past it.
    """
    states = [Resting(part, demand.temperature_c, demand.step_s) for part in parts]
    node = _Node(demand, sum(state.open_v(0) for state in states))
    converter = _Converter(demand.boost) if demand.boost else None
    rows, factor = len(demand.factor), demand.factor.tolist()
    time_s, current, volts, depth = (np.zeros(rows) for _ in range(4))
    paused_s, end, tripped = 0.0, rows, False
    for k in range(rows):
        time_s[k], depth[k] = k * demand.step_s + paused_s, states[0].x
        share = 1.0 if k >= demand.alone_from else 0.5
        if not tripped:
            open_v = sum(state.open_v(k) for state in states)
            ohm = float(demand.contact_ohm[k]) + share * sum(state.ohm(k) for state in states)
            wanted = factor[k] * (converter.draws(demand.step_s) if converter else 1.0)
            flow, given, volt = node.solve(k, wanted, open_v, ohm, demand.past_ma)
            current[k] = flow - given
            volts[k] = max(volt, 0.0)
            if converter:
                converter.saw(volt)
        if over(float(time_s[k]), float(volts[k])):
            end = k + 1
            break
        if tripped:
            continue
        amps = share * (open_v - volt) / ohm
        tripped = demand.guard is not None and any(
            state.open_v(k) - amps * state.ohm(k) < demand.guard.trips_v * state.count
            for state in states
        )
        for state in states:
            state.advance(k, amps)
        if k in demand.pauses:
            paused_s += demand.pauses[k]
            for state in states:
                state.rest(k, demand.pauses[k])
    return Run(time_s[:end], current[:end], volts[:end], depth[:end])


def run_bucked(
    parts: Sequence[Part], bucks: Sequence[Buck], demand: Demand, over: Callable[[float, float], bool]
) -> Run:  # fmt: skip
    """As `run`, each part one cell behind a converter of its own; the first that is off ends it."""
    states = [Resting(part, demand.temperature_c, demand.step_s) for part in parts]
    rows, factor = len(demand.factor), demand.factor.tolist()
    time_s, current, volts, depth = (np.zeros(rows) for _ in range(4))
    out_v, off, end = [buck.set_v for buck in bucks], False, rows
    for k in range(rows):
        time_s[k], depth[k] = k * demand.step_s, states[0].x
        if not off:
            ohm = float(demand.contact_ohm[k]) + sum(buck.out_ohm for buck in bucks)
            flow = _flow_ma(demand.kind, demand.level, factor[k], sum(out_v), ohm)
            current[k], volts[k] = flow, sum(out_v) - flow * ohm / 1000
        if over(float(time_s[k]), float(volts[k])):
            end = k + 1
            break
        if off:
            continue
        for n, (state, buck) in enumerate(zip(states, bucks, strict=True)):
            needs_mw = out_v[n] * flow / buck.efficiency
            inside_v, inside_ohm = state.open_v(k), state.ohm(k)
            amps = load_current_ma("power", needs_mw, inside_v, inside_ohm) / 1000 if needs_mw > 0 and inside_v > 0 else 0.0  # fmt: skip
            loaded_v = inside_v - amps * inside_ohm
            if loaded_v < buck.warns_v:
                out_v[n] = buck.low_v
            off = off or loaded_v < buck.cuts_v
            state.advance(k, amps)
    return Run(time_s[:end], current[:end], volts[:end], depth[:end])
