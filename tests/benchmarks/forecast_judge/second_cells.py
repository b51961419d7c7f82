"""Cells of the second sealed set as a few closed-form terms, in series under a load.

Per cell, x the share of its charge gone, w the depletion at the electrodes, I in A, T in K:

    E(z) = e0 - tilt z - first (1 - exp(-z/first_width)) - sum of height / (1 + exp(-(z - at)/width))
           + nernst ln((1 - z + d) / (z + d)) - knee exp((z - 1)/knee_width),   z = x + w, d = 0.01
    V = E(x + w) - I R a(T) (1 + growth x^2) - u1 - u2
    du/dt = (I r a(T) - u)/tau,   dw/dt = ((1-c)/c) I/Q - w/(tau_w a(T))
    a(T) = exp(Ea/k (1/T - 1/295 K)),   k = 8.617e-5 eV/K

The equation for w is the two-well kinetic model (Manwell & McGowan 1993) in its one free variable,
c the share in the available well: capacity falls with the rate as Peukert found, and recovers in a
pause. a(T) is Arrhenius. Formulas and constants from memory of textbooks and data sheets.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .cell import load_current_ma
from .rundown import Floats

REST_K = 295.0
BOLTZMANN_EV_K = 8.617e-5
GRID_STEP = 0.001
GRID_MOST = 1.6
NERNST_END = 0.01
REVERSED_V = -0.3


@dataclass(frozen=True)
class Curve:
    """Open-circuit voltage of one cell; `steps` are (at, width, height in V)."""

    e0_v: float
    tilt_v: float = 0.0
    first_v: float = 0.0
    first_width: float = 0.02
    steps: tuple[tuple[float, float, float], ...] = ()
    nernst_v: float = 0.0
    knee_v: float = 0.3
    knee_width: float = 0.02

    def volts(self, z: Floats) -> Floats:
        """E(z) for z of shape (n,); a reversed cell goes no lower than -0.3 V."""
        inside = np.clip(z, 0.0, 1.0)
        volts = self.e0_v - self.tilt_v * z - self.first_v * (1 - np.exp(-z / self.first_width))
        for at, width, height in self.steps:
            volts = volts - height / (1 + np.exp(-(z - at) / width))
        volts = volts + self.nernst_v * np.log((1 - inside + NERNST_END) / (inside + NERNST_END))
        volts = volts - self.knee_v * np.exp(np.minimum((z - 1) / self.knee_width, 50.0))
        return np.asarray(np.maximum(volts, REVERSED_V), dtype=np.float64)


@dataclass(frozen=True)
class Cell:
    """One cell; resistances in ohm, times in s, `available` is c, `activation_ev` is Ea."""

    curve: Curve
    capacity_mah: float
    r_ohm: float
    growth: float = 0.0
    fast_ohm: float = 0.0
    fast_s: float = 60.0
    slow_ohm: float = 0.0
    slow_s: float = 1800.0
    available: float = 1.0
    diffusion_s: float = 3600.0
    activation_ev: float = 0.0


@dataclass(frozen=True)
class Part:
    """`count` like cells in series, all at `depth` at the start."""

    cell: Cell
    count: int
    depth: float = 0.0


@dataclass(frozen=True, eq=False)
class Load:
    """What is drawn, per row: `kind` is "current" (mA), "power" (mW) or "resistor" (ohm)."""

    kind: str
    level: float
    factor: Floats
    temperature_c: Floats
    step_s: float


@dataclass(frozen=True, eq=False)
class Run:
    """Rows without noise; `depth` of the first part, `given_mah` until then."""

    time_s: Floats
    current_ma: Floats
    pack_v: Floats
    depth: Floats
    given_mah: Floats


def arrhenius(temperature_c: Floats, activation_ev: float) -> Floats:
    """a(T): how many times slower than at 22 deg C."""
    kelvin = np.asarray(temperature_c) + 273.15
    return np.asarray(np.exp(activation_ev / BOLTZMANN_EV_K * (1 / kelvin - 1 / REST_K)))


class _State:
    """One part while it runs."""

    def __init__(self, part: Part, slower: Floats, step_s: float) -> None:
        cell = part.cell
        self.count, self.x, self.w, self.fast_v, self.slow_v = part.count, part.depth, 0.0, 0.0, 0.0
        grid = np.arange(0, GRID_MOST, GRID_STEP)
        self.volts = cell.curve.volts(grid).tolist()
        self.last = len(self.volts) - 2
        self.r = (cell.r_ohm * slower).tolist()
        self.growth = cell.growth
        self.fast = (cell.fast_ohm * slower).tolist()
        self.slow = (cell.slow_ohm * slower).tolist()
        self.keep_fast = float(np.exp(-step_s / cell.fast_s))
        self.keep_slow = float(np.exp(-step_s / cell.slow_s))
        tau = cell.diffusion_s * slower
        self.keep_w = np.exp(-step_s / tau).tolist()
        share = (1 - cell.available) / cell.available
        self.rest_w = (share * tau / (3.6 * cell.capacity_mah)).tolist()
        self.per_a = step_s / (3.6 * cell.capacity_mah)

    def open_v(self) -> float:
        place = min((self.x + self.w) / GRID_STEP, self.last)
        i = int(place)
        low = self.volts[i]
        e_v = low + (place - i) * (self.volts[i + 1] - low)
        return self.count * float(e_v - self.fast_v - self.slow_v)

    def ohm(self, k: int) -> float:
        return self.count * float(self.r[k] * (1 + self.growth * min(self.x, 1.0) ** 2))

    def advance(self, k: int, amps: float) -> None:
        self.fast_v += (amps * self.fast[k] - self.fast_v) * (1 - self.keep_fast)
        self.slow_v += (amps * self.slow[k] - self.slow_v) * (1 - self.keep_slow)
        self.w = self.w * self.keep_w[k] + amps * self.rest_w[k] * (1 - self.keep_w[k])
        self.x += amps * self.per_a


def run(parts: Sequence[Part], load: Load, dead_v: float) -> Run:
    """Run the pack until it is below `dead_v` under load, or the rows of the load are over."""
    states = [
        _State(p, arrhenius(load.temperature_c, p.cell.activation_ev), load.step_s) for p in parts
    ]
    rows = len(load.factor)
    factor = load.factor.tolist()
    current, volts, depth = (np.zeros(rows) for _ in range(3))
    end = rows
    for k in range(rows):
        open_v = sum(s.open_v() for s in states)
        ohm = sum(s.ohm(k) for s in states)
        flow_ma = 0.0
        if factor[k] > 0:
            level = load.level / factor[k] if load.kind == "resistor" else load.level * factor[k]
            flow_ma = load_current_ma(load.kind, level, open_v, ohm)
        current[k], volts[k], depth[k] = flow_ma, open_v - flow_ma * ohm / 1000, states[0].x
        if factor[k] > 0 and volts[k] < dead_v:
            end = k + 1
            break
        for s in states:
            s.advance(k, flow_ma / 1000)
    time_s: Floats = np.arange(end, dtype=np.float64) * load.step_s
    given = np.concatenate(([0.0], np.cumsum(current[: end - 1]))) * load.step_s / 3600
    return Run(time_s, current[:end], np.maximum(volts[:end], 0.0), depth[:end], given)


def held_s(time_s: Floats, pack_v: Floats, cutoff_v: float, hold_s: float) -> float | None:
    """Start of the first stay below the cutoff that lasts the hold; None: never, or from the first.

    Interpolated between the rows on either side.
    """
    below = pack_v < cutoff_v
    edges = np.flatnonzero(np.diff(np.concatenate(([False], below, [False])).astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if time_s[stop - 1] - time_s[start] >= hold_s:
            if start == 0:
                return None
            before, after = pack_v[start - 1], pack_v[start]
            part = (cutoff_v - after) / (before - after)
            return float(time_s[start] - part * (time_s[start] - time_s[start - 1]))
    return None
