"""How the packs of the third sealed set are used: loads of wearables row by row, drawn at random.

Whoever works on the forecast does not read on. Common practice, no source: what a wearable does.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from .cell import load_level
from .rundown import Floats
from .second_groups import HOUR_S, logs
from .third_cells import Load, Recharge
from .third_groups import MOST_MA, Wish

STEPS_S = (1.0, 2.0, 5.0, 10.0)
ROWS_WANTED = 5000
LONGER = 2.2


@dataclass(frozen=True, eq=False)
class Plan:
    """The load; from when on the pattern has shown itself, s; whether zeros are recorded while
    the pack is away."""

    load: Load
    settled_s: float
    goes_on: bool


def _flashes(rng: Generator, time_s: Floats, step_s: float) -> tuple[Floats, float]:
    """Bright for `on_s`, dim or dark between; shown after two of them."""
    on_s = max(logs(rng, 10, 60), 5 * step_s, 45.0)
    period_s = on_s / rng.uniform(0.15, 0.5)
    low = rng.uniform(0.02, 0.25) if rng.random() < 0.7 else 0.0
    return np.where(time_s % period_s < on_s, 1.0, low), 2 * period_s


def _modes(rng: Generator, time_s: Floats) -> tuple[Floats, float]:
    """Three or four levels, minutes each, in random order; shown when each was there."""
    levels = np.sort(rng.uniform(0.15, 0.9, int(rng.integers(2, 4))))
    levels = np.append(levels, 1.0)
    mean_s = logs(rng, 120, 900)
    factor, seen, at_s, now = np.ones(len(time_s)), dict[int, float](), 0.0, -1
    while at_s <= time_s[-1]:
        others = [n for n in range(len(levels)) if n != now]
        now = int(rng.choice(others))
        long_s = max(rng.gamma(3, mean_s / 3), 60.0)
        factor[(time_s >= at_s) & (time_s < at_s + long_s)] = levels[now]
        seen.setdefault(now, at_s + long_s)
        at_s += long_s
    return factor, max(seen.values())


def _motor(rng: Generator, time_s: Floats, step_s: float) -> tuple[Floats, float]:
    """Torque that wanders (first-order, log-normal, 4 to 12 %), mostly with stops."""
    keep = float(np.exp(-step_s / logs(rng, 10, 120)))
    shocks = rng.normal(0, np.sqrt(1 - keep**2), len(time_s))
    wander, _ = lfilter([1.0], [1.0, -keep], shocks, zi=[keep * rng.normal()])
    factor = np.exp(rng.uniform(0.04, 0.12) * wander)
    if rng.random() < 0.3:
        return np.asarray(factor), 0.0
    period_s = logs(rng, 300, 2400)
    factor[time_s % period_s >= rng.uniform(0.5, 0.85) * period_s] = 0.0
    return np.asarray(factor), 2 * period_s


def _rests(rng: Generator, time_s: Floats) -> tuple[Floats, float]:
    """On and off by the clock, 10 min to an hour each; shown after two rounds."""
    on_s, off_s = logs(rng, 600, 2400), logs(rng, 600, 3600)
    return np.where(time_s % (on_s + off_s) < on_s, 1.0, 0.0), 2 * (on_s + off_s)


def _factor(
    rng: Generator, wish: Wish, time_s: Floats, step_s: float, life_s: float
) -> tuple[Floats, float]:
    """Load factor per row, and from when on it has shown itself, s. ValueError: no such pattern."""
    steady = np.ones(len(time_s))
    match wish.pattern:
        case "steady":
            return steady, 0.0
        case "creep":
            return steady + rng.uniform(0.2, 0.5) * np.minimum(time_s / life_s, 1.5), 0.0
        case "flashes":
            return _flashes(rng, time_s, step_s)
        case "modes":
            return _modes(rng, time_s)
        case "motor":
            return _motor(rng, time_s, step_s)
        case "rests":
            return _rests(rng, time_s)
    raise ValueError(f"no pattern {wish.pattern!r}")


def _contact_ohm(
    rng: Generator, wish: Wish, time_s: Floats, life_s: float, full_ma: float
) -> Floats:
    """A sound one (20 to 80 mohm), or one that gets worse from the start, unevenly."""
    sound = np.full(len(time_s), rng.uniform(0.02, 0.08))
    if wish.contact == 0:
        return sound
    most_ohm = wish.contact * wish.half_v / full_ma * 1000
    share = np.minimum(time_s / life_s, 1.5) ** rng.uniform(0.6, 1.4)
    keep = float(np.exp(-(time_s[1] - time_s[0]) / logs(rng, 300, 2000)))
    shocks = rng.normal(0, np.sqrt(1 - keep**2), len(time_s))
    return np.asarray(
        sound + most_ohm * share * np.exp(0.08 * lfilter([1.0], [1.0, -keep], shocks))
    )


def plan(rng: Generator, wish: Wish) -> Plan:
    """The load of a rundown for this wish."""
    depth = max(part.depth for part in wish.parts)
    mah = wish.parts[0].cell.capacity_mah * (1 - depth)
    life_s = mah / wish.mean_ma * HOUR_S
    step_s = next((s for s in STEPS_S if life_s / s <= ROWS_WANTED), 30.0)
    time_s = np.asarray(np.arange(int(LONGER * life_s / step_s) + 200) * step_s, dtype=np.float64)
    factor, settled_s = _factor(rng, wish, time_s, step_s, life_s)
    inside = time_s <= life_s
    volts = wish.regulator.set_v if wish.regulator else wish.half_v
    kind = str(rng.choice(wish.kinds))
    # Power draws more the lower the voltage, a resistor less.
    most_ma = MOST_MA * (1.0 if kind == "current" else 0.75) / float(np.max(factor[inside]))
    full_ma = min(wish.mean_ma / float(np.mean(factor[inside])), most_ma)
    level = load_level(kind, full_ma, volts)
    # Newton's law of warming; it is under way from the first row, so nothing nobody could foresee.
    warm = wish.warms_k * (1 - np.exp(-time_s / (wish.warms_in * life_s)))
    contact = _contact_ohm(rng, wish, time_s, life_s, full_ma)
    recharge = None
    if wish.recharged:
        back = rng.uniform(0.15, 0.5)
        row = int(rng.uniform(0.25, 0.55) * life_s / step_s)
        recharge = Recharge(row, logs(rng, 900, 5400), back)
    load = Load(
        kind, level, factor, wish.air_c + warm, contact, step_s, wish.regulator, recharge
    )  # fmt: skip
    return Plan(load, settled_s, goes_on=bool(rng.random() < 0.5))
