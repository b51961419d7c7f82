"""How a pack is used, drawn at random, and what a logger records of it.

Common practice, no source: the ranges are what a wearable's pack meets.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from .cell import REFERENCE_C, Make, Use, load_level, run
from .rundown import Fault, Floats, Rundown

KINDS = ("current", "power", "resistor")
PATTERNS = ("steady", "steps", "pulses", "pauses")
STEPS_S = (1.0, 2.0, 5.0, 10.0, 30.0)
ROWS_WANTED = 5000
TRIES = 200


@dataclass(frozen=True)
class Wish:
    """What the caller fixes of a use; None is drawn."""

    pattern: str | None = None
    kind: str | None = None
    start_used: float | None = None
    faults: tuple[int, int] | None = None
    pulse_s: tuple[float, float] | None = None
    pulse_low: tuple[float, float] = (0.05, 0.5)
    cells: int | None = None
    shortest_s: float = 1200.0


def _end_volts(make: Make) -> float:
    """Voltage of one cell at its end depth under the usual current, at rest from the surface, V."""
    if make.cutoff_v is not None:
        return make.cutoff_v
    depth = np.array([make.end_depth])
    ohm = float(make.resistance_ohm(depth)[0]) + make.relax_ohm
    return float(make.curve(depth)[0]) - make.usual_ma / 1000 * ohm


def _pattern(
    rng: Generator, wish: Wish, pattern: str, rows: int, life_s: float, step_s: float
) -> tuple[Floats, list[float]]:
    """Load factor per row, and the times at which something unforeseeable is over, s."""
    factor = np.ones(rows)
    time_s = np.arange(rows) * step_s
    over_s: list[float] = []
    if pattern == "steps":
        for at in np.sort(rng.uniform(0.05, 0.6, rng.integers(1, 4))):
            factor[time_s >= at * life_s] = rng.uniform(0.5, 1.8)
            over_s.append(float(at * life_s))
    elif pattern == "pulses":
        low_s, high_s = wish.pulse_s or (20.0, 1200.0)
        period_s = float(np.exp(rng.uniform(np.log(low_s), np.log(high_s))))
        period_s = min(max(period_s, 6 * step_s), life_s / 12)
        on_s = max(rng.uniform(0.15, 0.7) * period_s, 2 * step_s)
        off = rng.uniform(*wish.pulse_low) if rng.random() < 0.7 else 0.0
        factor[time_s % period_s >= on_s] = off
    elif pattern == "pauses":
        for at in np.sort(rng.uniform(0.05, 0.75, rng.integers(1, 4))):
            until_s = at * life_s + rng.uniform(0.02, 0.1) * life_s
            factor[(time_s >= at * life_s) & (time_s < until_s)] = 0.0
            over_s.append(float(until_s))
    return factor, over_s


def _faults(rng: Generator, count: int, life_s: float) -> tuple[Fault, ...]:
    """Contact faults of 1 s to 10 min (log-uniform), at most 5 % of the life each."""
    faults: list[Fault] = []
    free_s = 0.02 * life_s
    for at in np.sort(rng.uniform(0.03, 0.9, count)):
        start_s = float(max(at * life_s, free_s))
        long_s = min(float(np.exp(rng.uniform(0.0, np.log(600.0)))), 0.05 * life_s)
        faults.append(Fault(start_s, start_s + long_s, bool(rng.random() < 0.6)))
        free_s = start_s + long_s + 60.0
    return tuple(faults)


def _temperature(rng: Generator, rows: int, step_s: float, life_s: float) -> Floats:
    """Room that stays, drifts (up to 12 K), or swings with the heating, deg C per row."""
    start_c = REFERENCE_C + rng.uniform(-4, 4)
    share = np.minimum(np.arange(rows) * step_s / life_s, 1.2)
    kind = rng.random()
    if kind < 0.5:
        return np.full(rows, start_c)
    if kind < 0.8:
        return np.asarray(start_c + rng.uniform(-12, 8) * share)
    period_s = rng.uniform(1800, 14400)
    swing = np.sin(2 * np.pi * (np.arange(rows) * step_s / period_s + rng.random()))
    return np.asarray(start_c + rng.uniform(0.5, 3) * swing)


def _use(rng: Generator, make: Make, wish: Wish) -> tuple[Use, list[float], str]:
    """A use, the times at which its unforeseeable changes are over (faults aside), its pattern."""
    cells = wish.cells or int(rng.choice([1, 1, 2, 3, 3, 4]))
    kind = wish.kind or str(rng.choice(KINDS))
    pattern = wish.pattern or str(rng.choice(PATTERNS, p=[0.4, 0.2, 0.2, 0.2]))
    used = wish.start_used
    if used is None:
        used = 0.0 if rng.random() < 0.4 else float(rng.uniform(0.05, 0.7))
    start = used * make.end_depth
    life_s = 3600 * make.capacity_mah / make.usual_ma * (make.end_depth - start)
    step_s = next((s for s in STEPS_S if life_s / s <= ROWS_WANTED), STEPS_S[-1])
    rows = int(5 * life_s / step_s) + 200
    factor, over_s = _pattern(rng, wish, pattern, rows, life_s, step_s)
    level_v = float(np.mean(make.curve(np.linspace(0, make.end_depth, 50)))) * cells
    level = load_level(kind, make.usual_ma, level_v)
    counts = wish.faults or ((1, 4) if rng.random() < 0.15 else (0, 1))
    faults = _faults(rng, int(rng.integers(*counts)), life_s)
    use = Use(
        cells=cells,
        kind=kind,
        level=level,
        step_s=step_s,
        factor=factor,
        temperature_c=_temperature(rng, rows, step_s, life_s),
        start_depth=start,
        faults=faults,
        fault_ohm=rng.uniform(0.1, 0.6) * 1000 * level_v / make.usual_ma,
    )
    return use, over_s, pattern


def recorded(rng: Generator, pack_v: Floats, current_ma: Floats) -> tuple[Floats, Floats]:
    """Rows as a cheap board records them: noise, gain error, steps of 1, 4 or 10 mV and 0.1 mA."""
    step_v = float(rng.choice([0.001, 0.004, 0.010]))
    noise_v = rng.uniform(0.0003, 0.003)
    gain_ma = rng.normal(1, 0.003)
    volts = pack_v + rng.normal(0, noise_v, len(pack_v)) * (pack_v > 0.01)
    amps = current_ma * gain_ma * (1 + rng.normal(0, 0.003, len(current_ma)))
    return np.round(volts / step_v) * step_v, np.round(amps, 1)


def rundown(rng: Generator, make: Make, group: str, name: str, wish: Wish | None = None) -> Rundown:
    """A rundown of this make to a cutoff near the voltage at its end depth.

    Drawn again (at most 200 times) where the cutoff is not reached or nothing is left to forecast.
    """
    wish = wish or Wish()
    for _ in range(TRIES):
        use, over_s, pattern = _use(rng, make, wish)
        cutoff_v = round(_end_volts(make) * use.cells, 2)
        hold_s = max(float(rng.choice([10.0, 30.0, 60.0])), 3 * use.step_s)
        course = run(make, use, cutoff_v, hold_s)
        if course is None or course.end_s < wish.shortest_s:
            continue
        pack_v, current_ma = recorded(rng, course.pack_v, course.current_ma)
        used = use.start_depth / max(float(course.depth[-1]), 1e-9)
        met = tuple(f for f in use.faults if f.start_s < course.end_s)
        open_s = [f.end_s for f in met if f.open and f.end_s - f.start_s > 0.01 * course.end_s]
        return Rundown(
            name=name,
            group=group,
            chemistry_said=make.chemistry_said,
            cells=use.cells,
            time_s=course.time_s,
            current_ma=current_ma,
            pack_v=pack_v,
            temperature_c=use.temperature_c[: len(course.time_s)],
            cutoff_v=cutoff_v,
            hold_s=hold_s,
            rated_mah=make.rated_mah,
            end_s=course.end_s,
            regulated=make.regulated,
            said_fresh=None if rng.random() < 0.7 else use.start_depth == 0,
            start_used=used,
            settled_s=max(s for s in (0.0, *over_s, *open_s) if s < course.end_s),
            faults=met,
            load=use.kind,
            pattern=pattern,
            record=make.name,
        )
    raise RuntimeError(f"{name}: no rundown in {TRIES} draws")
