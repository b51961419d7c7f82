"""What hangs on the pack: parts, modes, programmes, and the point where pack and load agree.

Every part is reduced to the same three terms of what it takes at voltage V,
``I(V) = current + conductance x V + power / V``, so that any sum of parts has a
closed-form operating point.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Draw:
    """What a load takes at voltage V: ``current_a + conductance_s x V + power_w / V``."""

    current_a: float = 0.0
    conductance_s: float = 0.0
    power_w: float = 0.0

    def __add__(self, other: "Draw") -> "Draw":
        return Draw(
            self.current_a + other.current_a,
            self.conductance_s + other.conductance_s,
            self.power_w + other.power_w,
        )


class Part(Protocol):
    """Anything that takes current; ``pulses`` are its switched shares (see ``Pulsed``)."""

    def draw(self) -> Draw:
        """What it takes all the time."""

    def pulses(self) -> tuple["Pulse", ...]:
        """What it takes only now and then."""


@dataclass(frozen=True)
class Pulse:
    """A share of the draw that is there during ``duty`` of every period."""

    draw: Draw
    frequency_hz: float
    duty: float
    phase: float = 0.0

    def on_s(self, time_s: FloatArray) -> FloatArray:
        """Time in s for which it was on between 0 and ``time_s``, same shape."""
        turns = time_s * self.frequency_hz
        turns += self.phase
        whole = np.floor(turns)
        turns -= whole
        np.minimum(turns, self.duty, out=turns)
        whole *= self.duty
        turns += whole
        turns /= self.frequency_hz
        return turns

    def share(self, start_s: float, span_s: float) -> float:
        """Share of [start, start + span] during which it is on; ``span_s`` above 0."""
        on_s = self.on_s(np.array((start_s, start_s + span_s)))
        return float(on_s[1] - on_s[0]) / span_s


@dataclass(frozen=True)
class ConstantCurrent:
    """Takes the same current at any voltage (electronic load, linear LED driver)."""

    current_a: float

    def draw(self) -> Draw:
        return Draw(current_a=self.current_a)

    def pulses(self) -> tuple[Pulse, ...]:
        return ()


@dataclass(frozen=True)
class Resistor:
    """Ohmic load."""

    resistance_ohm: float

    def draw(self) -> Draw:
        return Draw(conductance_s=1.0 / self.resistance_ohm)

    def pulses(self) -> tuple[Pulse, ...]:
        return ()


@dataclass(frozen=True)
class ConstantPower:
    """Takes the same power at any voltage (any switching converter in regulation)."""

    power_w: float

    def draw(self) -> Draw:
        return Draw(power_w=self.power_w)

    def pulses(self) -> tuple[Pulse, ...]:
        return ()


@dataclass(frozen=True)
class Pulsed:
    """A part that is switched on for ``duty`` of each period (pulse-width-dimmed LEDs, blinking)."""

    part: Part
    frequency_hz: float
    duty: float
    phase: float = 0.0

    def __post_init__(self) -> None:
        if not (self.frequency_hz > 0.0 and 0.0 <= self.duty <= 1.0):
            raise ValueError(
                f"pulse of {self.frequency_hz} Hz and duty {self.duty}: frequency above 0, duty 0 to 1"
            )
        if self.part.pulses():
            raise ValueError("a pulsed part cannot hold another pulsed part")

    def draw(self) -> Draw:
        return Draw()

    def pulses(self) -> tuple[Pulse, ...]:
        return (Pulse(self.part.draw(), self.frequency_hz, self.duty, self.phase),)


@dataclass(frozen=True)
class Converter:
    """Boost converter between pack and circuit.

    In regulation the parts behind it see ``output_v`` and the pack gives their power
    divided by ``efficiency``, and ``quiescent_a`` on top. Below ``minimum_v`` at its
    input, or when the pack cannot give the power at all, it gives up: brown-out. It
    tries again ``restart_delay_s`` later if its input is above ``restart_v``, and the
    circuit behind it starts from the beginning of its programme.
    """

    output_v: float = 5.0
    efficiency: float = 0.87
    quiescent_a: float = 0.0005
    minimum_v: float = 2.7
    restart_v: float = 2.9
    restart_delay_s: float = 0.5
    off_current_a: float = 2e-6

    def input_draw(self, output: Draw) -> Draw:
        """Draw at the input for a draw at the output."""
        amperes = output.current_a + output.conductance_s * self.output_v
        return Draw(power_w=(self.output_v * amperes + output.power_w) / self.efficiency)


@dataclass(frozen=True)
class Mode:
    """What the circuit does for a while: its parts, all on at once."""

    name: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Step:
    """One mode for one duration."""

    mode: Mode
    duration_s: float

    def __post_init__(self) -> None:
        if not self.duration_s > 0.0:
            raise ValueError(f"step {self.mode.name!r} lasts {self.duration_s} s: must be above 0")


@dataclass(frozen=True)
class LoadProgramme:
    """Steps one after the other, from the start again if ``repeat``, else the last one stays."""

    steps: tuple[Step, ...]
    repeat: bool = True
    converter: Converter | None = None
    starts_s: tuple[float, ...] = field(init=False, default=())
    period_s: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("a load programme needs at least one step")
        ends = np.cumsum([step.duration_s for step in self.steps])
        object.__setattr__(self, "starts_s", (0.0, *(float(end) for end in ends[:-1])))
        object.__setattr__(self, "period_s", float(ends[-1]))

    def at(self, time_s: float) -> tuple[Mode, float]:
        """Mode at this time since the start, and the time in s until it changes (inf: never)."""
        if len(self.steps) == 1:
            return self.steps[0].mode, math.inf
        if not self.repeat and time_s >= self.starts_s[-1]:
            return self.steps[-1].mode, math.inf
        place = time_s % self.period_s
        index = bisect_right(self.starts_s, place) - 1
        step = self.steps[index]
        return step.mode, self.starts_s[index] + step.duration_s - place


def constant_load(part: Part, name: str = "on") -> LoadProgramme:
    """Programme that is one part for ever."""
    return LoadProgramme((Step(Mode(name, (part,)), 1.0),))


_LEAST_OHM: Final = 1e-9


def operating_point(emf_v: float, source_ohm: float, draw: Draw) -> tuple[float, float] | None:
    """(voltage at the load in V, current in A) where source and load agree; None if nowhere.

    Source: ``V = emf - source_ohm x I``. With ``I = c + g V + p / V`` this is
    ``(1/R + g) V^2 - (emf/R - c) V + p = 0``; the greater root is the one on which a converter
    runs. There is none when the power asked for is beyond what the source can give.
    A constant current beyond the short-circuit current gives what the source can: V = 0.
    """
    if emf_v <= 0.0:
        return 0.0, 0.0
    ohm = max(source_ohm, _LEAST_OHM)
    quadratic = 1.0 + draw.conductance_s * ohm
    linear = emf_v - draw.current_a * ohm
    if draw.power_w == 0.0:
        voltage_v = max(linear / quadratic, 0.0)
        return voltage_v, (emf_v - voltage_v) / ohm if ohm > 1e-6 else _direct(draw, voltage_v)
    discriminant = linear * linear - 4.0 * quadratic * draw.power_w * ohm
    if linear <= 0.0 or discriminant < 0.0:
        return None
    voltage_v = (linear + math.sqrt(discriminant)) / (2.0 * quadratic)
    return voltage_v, _direct(draw, voltage_v)


def _direct(draw: Draw, voltage_v: float) -> float:
    power_a = draw.power_w / voltage_v if draw.power_w else 0.0
    return draw.current_a + draw.conductance_s * voltage_v + power_a


@dataclass(frozen=True)
class Situation:
    """What the load does right now: the steady draw, and the pulses on top.

    Both are at the pack's side of the converter. ``left_s``: time until it changes.
    """

    mode: str
    steady: Draw
    pulses: tuple[Pulse, ...]
    left_s: float


@dataclass(frozen=True)
class OperatingStates:
    """Operating points for every on/off combination of the pulses.

    ``voltage_v`` and ``current_a`` have shape (2**pulses,); bit k of the index says whether pulse k
    is on. Means over a stretch weigh them with the shares of time, taking pulses of
    different frequency as independent: exact for one pulse.
    """

    pulses: tuple[Pulse, ...]
    voltage_v: FloatArray
    current_a: FloatArray

    def means(self, start_s: float, span_s: float, drop_ohm: float) -> tuple[float, float]:
        """Mean current in A over [start, start + span], and mean power in W given by the pack.

        ``drop_ohm`` lies between pack and load: its loss belongs to the pack's power.
        """
        powers_w = (self.voltage_v + self.current_a * drop_ohm) * self.current_a
        if not self.pulses:
            return float(self.current_a[0]), float(powers_w[0])
        shares = [pulse.share(start_s, span_s) for pulse in self.pulses]
        return float(_mix(self.current_a, shares)), float(_mix(powers_w, shares))

    def pair_means(
        self, start_s: float, count: int, shunt_s: float, pair_s: float
    ) -> tuple[FloatArray | float, FloatArray | float]:
        """(current, voltage) as ``count`` conversion pairs in a row see them.

        A pair takes ``pair_s``: the current is the mean over its first ``shunt_s``, the voltage over
        the rest. Scalars if nothing is pulsed, else of shape (count,).
        """
        if not self.pulses:
            return float(self.current_a[0]), float(self.voltage_v[0])
        edges_s = start_s + np.arange(count + 1, dtype=np.float64) * pair_s
        first, second = [], []
        for pulse in self.pulses:
            edge, middle = pulse.on_s(edges_s), pulse.on_s(edges_s[:-1] + shunt_s)
            first.append((middle - edge[:-1]) / shunt_s)
            second.append((edge[1:] - middle) / (pair_s - shunt_s))
        return _mix(self.current_a, first), _mix(self.voltage_v, second)

    def means_over(
        self, ends_s: FloatArray, span_s: float
    ) -> tuple[FloatArray | float, FloatArray | float]:
        """(current, voltage) over the ``span_s`` before each of ``ends_s``; scalars if nothing is pulsed."""
        if not self.pulses:
            return float(self.current_a[0]), float(self.voltage_v[0])
        shares = [(p.on_s(ends_s) - p.on_s(ends_s - span_s)) / span_s for p in self.pulses]
        return _mix(self.current_a, shares), _mix(self.voltage_v, shares)


def _mix(values: FloatArray, shares: Sequence[FloatArray | float]) -> FloatArray:
    """Mean of values per on/off state, weighted with each pulse's share of time."""
    mixed: list[FloatArray] = list(values)
    for share in reversed(shares):
        half = len(mixed) // 2
        mixed = [
            off + (on - off) * share for off, on in zip(mixed[:half], mixed[half:], strict=True)
        ]
    return np.asarray(mixed[0])


def solve_states(emf_v: float, source_ohm: float, situation: Situation) -> OperatingStates | None:
    """Operating points of all pulse states; None if any of them has none."""
    draws = [situation.steady]
    for pulse in situation.pulses:
        draws += [draw + pulse.draw for draw in draws]
    points = [operating_point(emf_v, source_ohm, draw) for draw in draws]
    if any(point is None for point in points):
        return None
    voltage_v, current_a = zip(*(point for point in points if point is not None), strict=True)
    return OperatingStates(situation.pulses, np.array(voltage_v), np.array(current_a))


class LoadState:
    """A programme being played: its clock, and whether its converter runs."""

    def __init__(self, programme: LoadProgramme) -> None:
        self.programme = programme
        self.time_s = 0.0
        self.converter_on = True
        self.brown_outs = 0
        self._off_left_s = 0.0
        self._reduced: dict[int, tuple[Draw, tuple[Pulse, ...]]] = {}

    def situation(self) -> Situation:
        """What the load does now; off after a brown-out until the converter tries again."""
        converter = self.programme.converter
        if converter and not self.converter_on:
            return Situation("off", Draw(converter.off_current_a), (), self._off_left_s)
        mode, left_s = self.programme.at(self.time_s)
        steady, pulses = self._reduce(mode)
        return Situation(mode.name, steady, pulses, left_s)

    def states(self, emf_v: float, source_ohm: float) -> tuple[Situation, OperatingStates]:
        """Operating states now; a converter that cannot run gives up first, one that can starts."""
        converter = self.programme.converter
        if converter and not self.converter_on and self._off_left_s <= 0.0:
            if emf_v >= converter.restart_v:
                self.restart()
            else:
                self._off_left_s = converter.restart_delay_s
        situation = self.situation()
        states = solve_states(emf_v, source_ohm, situation)
        too_low = converter is not None and (
            states is None or float(states.voltage_v.min()) < converter.minimum_v
        )
        if converter and self.converter_on and too_low:
            self.converter_on = False
            self.brown_outs += 1
            self._off_left_s = converter.restart_delay_s
            situation = self.situation()
            states = solve_states(emf_v, source_ohm, situation)
        if states is None:
            # Constant power without a converter that gives up: the voltage collapses.
            ohm = max(source_ohm, _LEAST_OHM)
            states = OperatingStates((), np.array([0.0]), np.array([max(emf_v, 0.0) / ohm]))
        return situation, states

    def restart(self) -> None:
        """The circuit behind the converter starts, from the beginning of its programme."""
        self.converter_on = True
        self.time_s = 0.0
        self._off_left_s = 0.0

    def advance(self, duration_s: float) -> None:
        self.time_s += duration_s
        if not self.converter_on:
            self._off_left_s -= duration_s

    def _reduce(self, mode: Mode) -> tuple[Draw, tuple[Pulse, ...]]:
        """Steady draw and pulses of a mode as the pack sees them."""
        if id(mode) not in self._reduced:
            converter = self.programme.converter
            steady = sum((part.draw() for part in mode.parts), Draw())
            pulses = [pulse for part in mode.parts for pulse in part.pulses()]
            if converter:
                steady = converter.input_draw(steady) + Draw(converter.quiescent_a)
                pulses = [
                    Pulse(converter.input_draw(p.draw), p.frequency_hz, p.duty, p.phase)
                    for p in pulses
                ]
            self._reduced[id(mode)] = steady, tuple(pulses)
        return self._reduced[id(mode)]
