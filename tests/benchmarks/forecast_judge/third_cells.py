"""Cells of the third sealed set: a sheet's curve, and closed forms of what is between it and the load.

Per cell, x the share of its charge gone, I in A, T in K, Q in As:

    V = U(x + w) + s (T - 298) - I a(T) R (1 + growth x^4) - I film f - eta
    w = w1 + w2 + w3,   dwn/dt = (gn I tau a(T)/Q - wn) / tn,   tn = tau a(T) / (n pi)^2
    d(eta)/dt = (2 k T/q asinh(I a(T) / 2 I0) - eta) / t_eta
    df/dt = -f I / q_film + (1 - f) / t_film
    a(T) = exp(Ea/k (1/T - 1/298 K))

w: surface of a slab of diffusion time tau (at 298 K) at constant flux, 2/(n pi)^2 each of its series,
what is left of the whole 1/3 in the third; so less is had at a high rate or in the cold, and it
recovers (SOURCES.md B22). eta: Butler-Volmer with both transfer coefficients 1/2 (SOURCES.md B23).
f: a passivating film of resistance `film`, worn off by charge, grown again in time; first order,
common practice, no source. All from memory.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from .cell import load_current_ma
from .rundown import Floats

SHEET_K = 298.0
ZERO_C_K = 273.15
BOLTZMANN_EV_K = 8.617e-5
GRID_STEP = 0.001
GRID_MOST = 2.2
FIRST_GAIN, SECOND_GAIN = 2 / np.pi**2, 2 / (2 * np.pi) ** 2
GAINS = (FIRST_GAIN, SECOND_GAIN, 1 / 3 - FIRST_GAIN - SECOND_GAIN)


@dataclass(frozen=True)
class Sheet:
    """Open voltage of one cell through (share of its charge gone, V); flat beyond the last."""

    points: tuple[tuple[float, float], ...]

    def volts(self, x: Floats) -> Floats:
        """U(x) for x of shape (n,): monotone cubic (Fritsch & Carlson 1980)."""
        shares, levels = (np.array(part) for part in zip(*self.points, strict=True))
        inside = PchipInterpolator(shares, levels)
        return np.asarray(inside(np.clip(x, shares[0], shares[-1])), dtype=np.float64)


@dataclass(frozen=True)
class Cell:
    """One cell; ohm, A, s, `film_mah` what wears the film down to 1/e, `film_s` its regrowth."""

    sheet: Sheet
    capacity_mah: float
    r_ohm: float
    growth: float = 0.0
    diffusion_s: float = 0.0
    exchange_a: float = np.inf
    exchange_s: float = 10.0
    activation_ev: float = 0.0
    entropy_v_k: float = 0.0
    film_ohm: float = 0.0
    film_mah: float = 1.0
    film_s: float = np.inf


@dataclass(frozen=True)
class Part:
    """`count` like cells in series, all at `depth` at the start."""

    cell: Cell
    count: int
    depth: float = 0.0


@dataclass(frozen=True)
class Regulator:
    """Linear: holds `set_v` until its input is less than `pass_ohm` I above it, then follows.

    `line` is the rise of its output per volt of input, `idle_ma` what it draws itself.
    """

    set_v: float
    pass_ohm: float
    line: float = 0.0
    idle_ma: float = 0.0


@dataclass(frozen=True)
class Recharge:
    """The pack is taken out after `row`, and back `away_s` later with `back` of its charge more."""

    row: int
    away_s: float
    back: float


@dataclass(frozen=True, eq=False)
class Load:
    """Per row of `step_s`: `factor` of the load (0: none), `temperature_c` and `contact_ohm`.

    `kind` is what the load holds constant: "current" (`level` in mA), "power" (mW), "resistor" (ohm).
    """

    kind: str
    level: float
    factor: Floats
    temperature_c: Floats
    contact_ohm: Floats
    step_s: float
    regulator: Regulator | None = None
    recharge: Recharge | None = None


@dataclass(frozen=True, eq=False)
class Run:
    """Rows without noise, as behind contact and regulator; `depth` of the first part.

    While the pack is away there are no rows.
    """

    time_s: Floats
    current_ma: Floats
    pack_v: Floats
    depth: Floats


def slower(temperature_c: Floats, activation_ev: float) -> Floats:
    """a(T): how many times slower than at 25 deg C (Arrhenius)."""
    kelvin = np.asarray(temperature_c) + ZERO_C_K
    return np.asarray(np.exp(activation_ev / BOLTZMANN_EV_K * (1 / kelvin - 1 / SHEET_K)))


class State:
    """One part while it runs; per row what depends on the temperature."""

    def __init__(self, part: Part, temperature_c: Floats, step_s: float) -> None:
        cell, by = part.cell, slower(temperature_c, part.cell.activation_ev)
        kelvin = temperature_c + ZERO_C_K
        self.count, self.x, self.eta, self.film = part.count, part.depth, 0.0, 1.0
        self.volts = cell.sheet.volts(np.arange(0, GRID_MOST, GRID_STEP)).tolist()
        self.last = len(self.volts) - 2
        self.r, self.growth = (cell.r_ohm * by).tolist(), cell.growth
        self.entropy = (cell.entropy_v_k * (kelvin - SHEET_K)).tolist()
        self.two_kt = (2 * BOLTZMANN_EV_K * kelvin).tolist()
        self.per_two_a = (by / (2 * cell.exchange_a)).tolist()
        self.keep_eta = float(np.exp(-step_s / cell.exchange_s))
        self.per_a = step_s / (3.6 * cell.capacity_mah)
        self.w = [0.0, 0.0, 0.0]
        tau = np.maximum(cell.diffusion_s * by, 1e-9)
        squares = [(n * np.pi) ** 2 for n in (1, 2, 3)]
        self.keep_w = [np.exp(-step_s * square / tau).tolist() for square in squares]
        self.gain_w = [(gain * tau / (3.6 * cell.capacity_mah)).tolist() for gain in GAINS]
        self.film_ohm, self.film_s = cell.film_ohm, cell.film_s
        self.film_per_a = 1 / (3.6 * cell.film_mah)
        self.step_s = step_s

    def open_v(self, k: int) -> float:
        place = min(max(self.x + self.w[0] + self.w[1] + self.w[2], 0.0) / GRID_STEP, self.last)
        i = int(place)
        low = self.volts[i]
        u_v = low + (place - i) * (self.volts[i + 1] - low)
        return self.count * float(u_v + self.entropy[k] - self.eta)

    def ohm(self, k: int) -> float:
        grown = 1 + self.growth * min(self.x, 1.0) ** 4
        return self.count * float(self.r[k] * grown + self.film_ohm * self.film)

    def advance(self, k: int, amps: float) -> None:
        if self.per_two_a[k] > 0:
            aim = self.two_kt[k] * float(np.arcsinh(amps * self.per_two_a[k]))
            self.eta = aim + (self.eta - aim) * self.keep_eta
        for n in range(3):
            aim = amps * self.gain_w[n][k]
            self.w[n] = aim + (self.w[n] - aim) * self.keep_w[n][k]
        if self.film_ohm > 0:
            rate = amps * self.film_per_a + 1 / self.film_s
            aim = 1 / self.film_s / rate if rate > 0 else self.film
            self.film = aim + (self.film - aim) * float(np.exp(-rate * self.step_s))
        self.x += amps * self.per_a

    def refill(self, share: float) -> None:
        """Charged: that much back, rested, no more than full."""
        self.x, self.w, self.eta = max(self.x - share, 0.0), [0.0, 0.0, 0.0], 0.0


def _at_load(load: Load, factor: float, open_v: float, ohm: float) -> tuple[float, float]:
    """Current in mA and voltage at the load."""
    level = load.level / max(factor, 1e-9) if load.kind == "resistor" else load.level * factor
    if load.regulator is not None:
        set_v, ohm = load.regulator.set_v, ohm + load.regulator.pass_ohm
        flow_ma = load_current_ma(load.kind, level, set_v, 0.0) if factor > 0 else 0.0
        over_v = open_v - (flow_ma + load.regulator.idle_ma) * ohm / 1000 - set_v
        if over_v >= 0:
            return flow_ma, set_v + load.regulator.line * over_v
        open_v -= load.regulator.idle_ma * ohm / 1000
    flow_ma = load_current_ma(load.kind, level, open_v, ohm) if factor > 0 else 0.0
    return flow_ma, open_v - flow_ma * ohm / 1000


def run(parts: Sequence[Part], load: Load, over: Callable[[float, float], bool]) -> Run:
    """Run the pack until `over(time_s, pack_v)`, asked row by row, or the load has no more rows."""
    states = [State(part, load.temperature_c, load.step_s) for part in parts]
    rows, idle_ma = len(load.factor), load.regulator.idle_ma if load.regulator else 0.0
    factor, contact = load.factor.tolist(), load.contact_ohm.tolist()
    time_s, current, volts, depth = (np.zeros(rows) for _ in range(4))
    away_s, end = 0.0, rows
    for k in range(rows):
        if load.recharge is not None and k == load.recharge.row + 1:
            away_s = load.recharge.away_s
            for state in states:
                state.refill(load.recharge.back)
        open_v = sum(state.open_v(k) for state in states)
        ohm = contact[k] + sum(state.ohm(k) for state in states)
        flow_ma, volt = _at_load(load, factor[k], open_v, ohm)
        time_s[k], current[k], volts[k] = k * load.step_s + away_s, flow_ma, max(volt, 0.0)
        depth[k] = states[0].x
        if over(float(time_s[k]), float(volts[k])):
            end = k + 1
            break
        for state in states:
            state.advance(k, (flow_ma + idle_ma) / 1000)
    return Run(time_s[:end], current[:end], volts[:end], depth[:end])
