"""Alkaline and nickel-metal hydride rundowns from simple cell physics, for judging the forecast.

None of this is in the fitted models: each cell is a positive electrode of particles of several
sizes in parallel (spherical diffusion, Fick, finite volumes), a solid-solution potential
(Nernst term with interaction), linear kinetics, an ohmic part that grows as the cell empties
and a limiting current of the electrolyte. Cells of one pack differ. Parameters are set so that
the mean AA alkaline cell comes near two outside sources: a maker's digitised curve at 100 mA
(first 7 h) and a cell supplier's published bench table (PowerStream, "Discharge tests of AA
batteries", 2006-2020): test_forecast_skill checks both.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
SHELLS: Final = 8
RT_F: Final = 0.0257


@dataclass(frozen=True)
class Cells:
    """Parameters per cell, arrays of one length; ``tau_h`` and ``share`` (cells, sizes)."""

    capacity_ah: Array
    tau_h: Array
    share: Array
    e0_v: Array
    nernst: Array
    slope_v: Array
    gain: Array
    ohm_ah: Array
    ohm_growth: Array
    limit_per_h: Array
    start: Array
    fresh_v: Array


def alkaline_cells(count: int, rng: np.random.Generator | None, capacity_ah: float = 2.9) -> Cells:
    """AA alkaline brands (``rng`` None: the mean cell)."""

    def vary(mean: float, sd: float) -> Array:
        spread = np.zeros(count) if rng is None else rng.normal(0, sd, count)
        return np.asarray(mean * np.exp(spread))

    def shift(mean: float, sd: float) -> Array:
        return mean + (np.zeros(count) if rng is None else rng.normal(0, sd, count))

    tau = np.stack([vary(15.0, 0.25), vary(250.0, 0.25), vary(1500.0, 0.25)], axis=1)
    share = np.stack([vary(0.42, 0.06), vary(0.34, 0.06), vary(0.24, 0.06)], axis=1)
    return Cells(
        vary(capacity_ah, 0.06),
        tau,
        share / share.sum(axis=1, keepdims=True),
        shift(1.285, 0.012),
        vary(1.7, 0.1),
        shift(0.18, 0.03),
        vary(9.0, 0.3),
        vary(0.35, 0.3),
        vary(1.5, 0.3),
        vary(1.0, 0.2),
        np.clip(shift(0.012, 0.004), 0.002, 0.05),
        vary(0.09, 0.3),
    )


def nimh_cells(count: int, rng: np.random.Generator | None, capacity_ah: float = 2.0) -> Cells:
    """AA NiMH cells of several makes (``rng`` None: the mean cell)."""

    def vary(mean: float, sd: float) -> Array:
        spread = np.zeros(count) if rng is None else rng.normal(0, sd, count)
        return np.asarray(mean * np.exp(spread))

    def shift(mean: float, sd: float) -> Array:
        return mean + (np.zeros(count) if rng is None else rng.normal(0, sd, count))

    return Cells(
        np.full(count, capacity_ah),
        np.stack([vary(1.5, 0.3), vary(6.0, 0.3)], axis=1),
        np.stack([np.full(count, 0.7), np.full(count, 0.3)], axis=1),
        shift(1.293, 0.008),
        vary(0.85, 0.12),
        shift(0.055, 0.012),
        vary(14.0, 0.3),
        vary(0.05, 0.35),
        vary(0.6, 0.3),
        vary(8.0, 0.2),
        np.clip(shift(0.015, 0.008), 0.003, 0.06),
        vary(0.02, 0.5),
    )


# Ah of AA alkaline cells at 0.1, 0.5, 1 and 2 A to 0.1 V: PowerStream, "Discharge tests of AA
# batteries", 2006-2020; cell A is what the mean judging cell is held against.
BENCH_AMPS: Final = (0.1, 0.5, 1.0, 2.0)
BENCH_AH: Final = {
    "A": (2.13, 1.31, 0.98, 0.72),
    "B": (2.20, 1.30, 0.83, 0.54),
    "C": (np.nan, 1.17, 0.93, 0.70),
    "D": (np.nan, 1.28, 0.95, 0.78),
    "E": (np.nan, 1.84, 1.41, 1.18),
}
# A maker's sheet, digitised, shape only: AA alkaline at 100 mA (h, V).
SHEET: Final = np.array(
    [
        (0.8750, 1.4829),
        (2.1299, 1.4138),
        (3.9493, 1.3624),
        (5.0513, 1.3390),
        (6.5210, 1.3122),
        (7.2560, 1.3006),
    ]
)


def alkaline_builds(count: int, rng: np.random.Generator) -> Cells:
    """AA alkaline cells of builds far apart, for setting the prior without the cells that judge.

    Drawn from wide ranges (two to four particle sizes). Kept where they come within 25 mV (rms) of
    the maker's curve, give 10 to 24 % of their charge at 100 mA between 1.1 and 0.8 V (makers'
    sheets, from memory), and lie within 10 % of one of the measured cells B to E at every current.
    """
    kept: list[Cells] = []
    while sum(len(cells.capacity_ah) for cells in kept) < count:
        cells = _any_alkaline(2000, rng)
        hours, volts = steady_discharge(cells, 0.1, 0.1)
        sheet_v = np.stack([np.interp(SHEET[:, 0], hours, row) for row in volts])
        tail = 1 - (volts >= 1.1).sum(axis=1) / np.maximum((volts >= 0.8).sum(axis=1), 1)
        near = np.sqrt(((sheet_v - SHEET[:, 1]) ** 2).mean(axis=1)) < 0.025
        near &= (tail > 0.10) & (tail < 0.24)
        cells = _chosen(cells, near)
        off = np.log(bench_ah(cells)[:, None, :] / np.array([BENCH_AH[name] for name in "BCDE"]))
        kept.append(_chosen(cells, np.nanmax(np.abs(off), axis=2).min(axis=1) < np.log(1.10)))
    return _chosen(
        Cells(**{n: np.concatenate([getattr(c, n) for c in kept]) for n in vars(kept[0])}),
        slice(count),
    )


def _chosen(cells: Cells, which: NDArray[np.bool_] | slice) -> Cells:
    return Cells(**{name: value[which] for name, value in vars(cells).items()})


def steady_discharge(cells: Cells, amps: float, end_v: float) -> tuple[Array, Array]:
    """Hours, and volts (cells, hours) at a constant current; 0 once below ``end_v``."""
    count, rows = len(cells.capacity_ah), 300
    step_h = 3.4 / amps / rows
    volts, _ = run_down(
        cells,
        1,
        np.zeros(count),
        np.full(count, 1000 * amps),
        np.ones((count, rows)),
        np.full(count, step_h),
        end_v,
        0.02 if amps < 0.3 else 0.005,
    )
    return np.asarray((np.arange(rows) + 1) * step_h, dtype=np.float64), np.nan_to_num(volts)


def bench_ah(cells: Cells, end_v: float = 0.1) -> Array:
    """Ah of each cell at ``BENCH_AMPS`` down to ``end_v``, shape (cells, currents)."""
    amounts = []
    for amps in BENCH_AMPS:
        hours, volts = steady_discharge(cells, amps, end_v)
        amounts.append(np.maximum((volts >= end_v).sum(axis=1), 1) * hours[0] * amps)
    return np.stack(amounts, axis=1)


def _any_alkaline(count: int, rng: np.random.Generator) -> Cells:
    def between(low: float, high: float) -> Array:
        return rng.uniform(low, high, count)

    def log_between(low: float, high: float) -> Array:
        return np.asarray(np.exp(rng.uniform(np.log(low), np.log(high), count)))

    sizes = 4
    tau_h = np.sort(np.exp(rng.uniform(np.log(2.0), np.log(3000.0), (count, sizes))), axis=1)
    share = rng.dirichlet(np.full(sizes, 2.0), count)
    share[np.arange(sizes)[None, :] >= rng.integers(2, sizes + 1, count)[:, None]] = 1e-6
    return Cells(
        between(2.4, 3.4),
        tau_h,
        share / share.sum(axis=1, keepdims=True),
        between(1.22, 1.36),
        between(0.7, 2.2),
        between(0.08, 0.5),
        log_between(4.0, 25.0),
        log_between(0.12, 0.8),
        between(0.3, 4.0),
        log_between(0.6, 2.5),
        between(0.004, 0.03),
        between(0.0, 0.15),
    )


def nimh_builds(count: int, rng: np.random.Generator) -> Cells:
    """AA NiMH cells of builds away from, and farther apart than, those that judge."""
    cells = nimh_cells(count, rng)

    def times(middle: float, sd: float = 0.2) -> Array:
        return np.asarray(middle * np.exp(rng.normal(0, sd, count)))

    return replace(
        cells,
        tau_h=cells.tau_h * np.stack([times(0.5), times(2.0)], axis=1),
        nernst=cells.nernst * times(1.25, 0.1),
        slope_v=cells.slope_v * times(0.7),
        e0_v=cells.e0_v + rng.normal(-0.01, 0.008, count),
        ohm_ah=cells.ohm_ah * times(1.6),
    )


class Particles:
    """State of the particles of many cells; ``step`` advances them and gives terminal voltage."""

    def __init__(self, cells: Cells) -> None:
        self.cells = cells
        radius = np.linspace(0, 1, SHELLS + 1)
        self.volume = np.diff(radius**3)
        self.area = 3 * radius[1:-1] ** 2
        self.x = np.repeat(cells.start[:, None, None], SHELLS, axis=2) * np.ones(
            (1, cells.tau_h.shape[1], 1)
        )

    def voltage(self, rate_per_h: Array) -> tuple[Array, Array]:
        """Terminal volts and the share-weighted flux of each particle size, at this rate (1/h)."""
        cells = self.cells
        x = np.clip(self.x[:, :, -1], 1e-8, 1 - 1e-8)
        equilibrium = (
            cells.e0_v[:, None]
            + RT_F * cells.nernst[:, None] * np.log((1 - x) / x)
            - cells.slope_v[:, None] * (x - 0.5)
            + cells.fresh_v[:, None] * np.exp(-x / 0.03)
        )
        gain = cells.gain[:, None] * np.sqrt(x * (1 - x)) * 2 + 0.05
        weight = cells.share * gain
        level = ((weight * equilibrium).sum(axis=1) - rate_per_h) / weight.sum(axis=1)
        flux = gain * (equilibrium - level[:, None])
        mean = (self.x * self.volume).sum(axis=2)
        depth = (mean * cells.share).sum(axis=1)
        left = np.maximum(1 - rate_per_h / (cells.limit_per_h * (1 - 0.5 * depth)), 1e-3)
        ohmic = rate_per_h * cells.ohm_ah * (1 + cells.ohm_growth * depth**2)
        return level - ohmic + 2 * RT_F * np.log(left), flux

    def advance(self, flux: Array, hours: Array) -> None:
        conduct = (SHELLS * self.area)[None, None, :] / self.cells.tau_h[:, :, None]
        between = conduct * np.diff(self.x, axis=2)
        change = np.zeros_like(self.x)
        change[:, :, :-1] += between
        change[:, :, 1:] -= between
        change[:, :, -1] += flux
        self.x = np.clip(self.x + change / self.volume * hours[:, None, None], 1e-8, 1 - 1e-8)


def run_down(
    cells: Cells,
    in_series: int,
    kind: Array,
    mean_ma: Array,
    pattern: Array,
    step_h: Array,
    stop_cell_v: float,
    sub_h: float = 0.01,
) -> tuple[Array, Array]:
    """Pack volts and mA (runs, rows) until the voltage is below ``stop_cell_v`` per cell (then nan).

    ``cells``: runs times ``in_series`` cells. ``kind``: load exponent per run (0 constant
    current, 1 resistor, -1 constant power, above 1 LEDs behind a resistor). ``pattern``
    (runs, rows): multiplier of the load. ``step_h``: row length per run.
    """
    runs, rows = pattern.shape
    state = Particles(cells)
    volts = np.full((runs, rows), np.nan)
    amps_ma = np.full((runs, rows), np.nan)
    alive = np.ones(runs, dtype=bool)
    first, _ = state.voltage(np.zeros(len(cells.capacity_ah)))
    pack_v = first.reshape(runs, in_series).sum(axis=1)
    reference_v = pack_v * 0.85
    sub = max(int(np.ceil(step_h.max() / sub_h)), 4)
    for row in range(rows):
        for _ in range(sub):
            current = mean_ma * pattern[:, row] * (np.maximum(pack_v, 0.2) / reference_v) ** kind
            rate = np.repeat(current / 1000, in_series) / cells.capacity_ah
            cell_v, flux = state.voltage(rate)
            pack_v = 0.5 * pack_v + 0.5 * cell_v.reshape(runs, in_series).sum(axis=1)
            state.advance(flux, np.repeat(step_h / sub, in_series))
        volts[alive, row], amps_ma[alive, row] = pack_v[alive], current[alive]
        alive &= pack_v > stop_cell_v * in_series
        if not alive.any():
            break
    return volts, amps_ma
