"""Makes of cell of the second sealed set, group by group: constants from memory of data sheets.

Whoever works on the forecast does not read on.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from .second_cells import Cell, Curve, Part

HOUR_S = 3600.0
DAY_S = 86400.0
# On and off again, s, as the standard's tests do: toy or lamp, game, radio, and half-hours of both.
SCHEDULES = (
    (HOUR_S, DAY_S),
    (HOUR_S, DAY_S / 2),
    (4 * HOUR_S, DAY_S),
    (HOUR_S / 2, 2 * HOUR_S),
    (300.0, 900.0),
)


@dataclass(frozen=True)
class Wish:
    """What a group fixes of a rundown.

    `hours` under load from full. `end`: range of the share of the charge to `dead_v` (per cell, V)
    at which the cutoff is set. `used`: range of the first part's start depth and how often it is
    not zero. `schedule`: (on, period) in s. `air`: "room", "step in" from the cold or "slow".
    """

    said: str
    parts: tuple[Part, ...]
    hours: float
    dead_v: float
    end: tuple[float, float]
    rated_mah: float
    used: tuple[float, float, float] = (0.05, 0.6, 0.5)
    pulses: bool = False
    schedule: tuple[float, float] | None = None
    air: str = "room"


def logs(rng: Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def label(rng: Generator, mah: float, low: float, high: float) -> float:
    """The capacity printed on a cell that holds `low` to `high` of it."""
    return float(f"{mah / rng.uniform(low, high):.2g}")


def either(rng: Generator, *words: str, first: float) -> str:
    """The first word so often, else one of the others."""
    return words[0] if rng.random() < first else str(rng.choice(words[1:]))


def _relaxing(rng: Generator, r_ohm: float) -> dict[str, float]:
    return {
        "r_ohm": r_ohm,
        "fast_ohm": r_ohm * rng.uniform(0.2, 0.8),
        "fast_s": logs(rng, 15, 150),
        "slow_ohm": r_ohm * rng.uniform(0.2, 0.8),
        "slow_s": logs(rng, 600, 4000),
    }


def _iron_disulfide(rng: Generator) -> Wish:
    """Lithium iron disulfide AA: 1.8 V falling to two steps at about 1.5 and 1.4 V, sharp end."""
    curve = Curve(
        e0_v=rng.uniform(1.74, 1.80),
        tilt_v=rng.uniform(0.03, 0.10),
        first_v=rng.uniform(0.14, 0.22),
        first_width=rng.uniform(0.008, 0.03),
        steps=((rng.uniform(0.4, 0.6), rng.uniform(0.02, 0.06), rng.uniform(0.04, 0.09)),),
        knee_v=rng.uniform(0.2, 0.4),
        knee_width=rng.uniform(0.008, 0.02),
    )
    mah = rng.uniform(2800, 3300)
    cell = Cell(
        curve, mah, growth=rng.uniform(0, 1), available=rng.uniform(0.85, 1.0),
        diffusion_s=logs(rng, 600, 3600), **_relaxing(rng, rng.uniform(0.08, 0.2)),
    )  # fmt: skip
    said = either(rng, "li-fes2", "alkaline", first=0.7)
    parts = (Part(cell, int(rng.choice([1, 2, 3, 4]))),)
    return Wish(said, parts, logs(rng, 6, 40), 0.8, (0.9, 1.0), label(rng, mah, 0.92, 1.05))


def _silver_oxide(rng: Generator) -> Wish:
    """Silver oxide button: 1.55 V flat to a sharp knee; one make in four begins at 1.8 V (AgO)."""
    steps: tuple[tuple[float, float, float], ...] = ()
    if rng.random() < 0.25:
        steps = ((rng.uniform(0.1, 0.3), rng.uniform(0.005, 0.02), rng.uniform(0.18, 0.25)),)
    curve = Curve(
        e0_v=rng.uniform(1.56, 1.60) + sum(height for _, _, height in steps),
        tilt_v=rng.uniform(0.0, 0.03),
        steps=steps,
        knee_v=rng.uniform(0.15, 0.4),
        knee_width=rng.uniform(0.006, 0.02),
    )
    mah = logs(rng, 25, 180)
    hours = logs(rng, 12, 80)
    r_ohm = rng.uniform(0.01, 0.06) * 1.55 / (mah / hours) * 1000
    cell = Cell(curve, mah, growth=rng.uniform(0, 2), available=rng.uniform(0.9, 1.0), **_relaxing(rng, r_ohm))  # fmt: skip
    parts = (Part(cell, int(rng.choice([1, 1, 2]))),)
    return Wish("silver-oxide", parts, hours, 1.0, (0.92, 1.0), label(rng, mah, 0.9, 1.05))


def _lfp_pulses(rng: Generator) -> Wish:
    """Lithium iron phosphate under pulses: flat, with the small step of graphite, and a knee."""
    curve = Curve(
        e0_v=rng.uniform(3.37, 3.42),
        tilt_v=rng.uniform(0.01, 0.04),
        first_v=rng.uniform(0.05, 0.10),
        first_width=rng.uniform(0.01, 0.04),
        steps=((rng.uniform(0.25, 0.45), 0.02, rng.uniform(0.02, 0.04)),),
        nernst_v=rng.uniform(0.0, 0.008),
        knee_v=rng.uniform(0.4, 0.8),
        knee_width=rng.uniform(0.012, 0.04),
    )
    mah, hours = logs(rng, 400, 3000), logs(rng, 2, 15)
    r_ohm = rng.uniform(0.01, 0.04) * 3.3 / (mah / hours) * 1000
    cell = Cell(
        curve, mah, growth=rng.uniform(0, 1), available=rng.uniform(0.85, 1.0),
        diffusion_s=logs(rng, 300, 2400), **_relaxing(rng, r_ohm),
    )  # fmt: skip
    parts = (Part(cell, int(rng.choice([1, 1, 2]))),)
    return Wish("lifepo4", parts, hours, 2.3, (0.93, 1.0), label(rng, mah, 0.85, 1.05), pulses=True)


def _nimh_part_used(rng: Generator) -> Wish:
    """NiMH of low self-discharge, always part-used: weeks in a drawer, never topped up."""
    curve = Curve(
        e0_v=rng.uniform(1.34, 1.39),
        tilt_v=rng.uniform(0.02, 0.08),
        first_v=rng.uniform(0.06, 0.09),
        first_width=rng.uniform(0.03, 0.08),
        nernst_v=rng.uniform(0.005, 0.02),
        knee_v=rng.uniform(0.12, 0.25),
        knee_width=rng.uniform(0.015, 0.04),
    )
    mah, hours = logs(rng, 700, 2600), logs(rng, 3, 25)
    r_ohm = rng.uniform(0.01, 0.05) * 1.25 / (mah / hours) * 1000
    cell = Cell(
        curve, mah, growth=rng.uniform(0, 1.5), available=rng.uniform(0.8, 1.0),
        diffusion_s=logs(rng, 600, 7200), **_relaxing(rng, r_ohm),
    )  # fmt: skip
    parts = (Part(cell, int(rng.choice([1, 2, 3, 4]))),)
    return Wish(
        "nimh", parts, hours, 0.8, (0.88, 1.0), label(rng, mah, 0.8, 1.05), used=(0.15, 0.75, 1.0)
    )


def _alkaline(rng: Generator, hours: float) -> Cell:
    """Alkaline manganese AA or AAA: slopes all along, polarises, recovers."""
    curve = Curve(
        e0_v=rng.uniform(1.57, 1.62),
        tilt_v=rng.uniform(0.26, 0.38),
        first_v=rng.uniform(0.07, 0.14),
        first_width=rng.uniform(0.03, 0.08),
        nernst_v=rng.uniform(0.0, 0.015),
        knee_v=rng.uniform(0.25, 0.45),
        knee_width=rng.uniform(0.04, 0.10),
    )
    mah = float(rng.choice([1150.0, 2550.0])) * rng.uniform(0.85, 1.15)
    r_ohm = rng.uniform(0.01, 0.05) * 1.3 / (mah / hours) * 1000
    return Cell(
        curve, mah, growth=rng.uniform(0.5, 2.5), available=rng.uniform(0.5, 0.85),
        diffusion_s=logs(rng, 1200, 9000), activation_ev=rng.uniform(0.2, 0.4),
        **_relaxing(rng, r_ohm),
    )  # fmt: skip


def _alkaline_intermittent(rng: Generator) -> Wish:
    """Alkaline by a timetable of load and rest, as the standard's service tests have it."""
    hours = logs(rng, 3, 12)
    cell = _alkaline(rng, hours)
    on_s, period_s = SCHEDULES[int(rng.integers(len(SCHEDULES)))]
    parts = (Part(cell, int(rng.choice([1, 2, 3, 4]))),)
    rated = label(rng, cell.capacity_mah, 0.85, 1.05)
    return Wish("alkaline", parts, max(hours, 5 * on_s / HOUR_S), 0.7, (0.6, 0.98), rated, schedule=(on_s, period_s))  # fmt: skip


def _alkaline_cold(rng: Generator) -> Wish:
    """Alkaline that begins in the cold: brought indoors, or slowly warmer through the run."""
    hours = logs(rng, 6, 30)
    cell = _alkaline(rng, hours)
    parts = (Part(cell, int(rng.choice([2, 3, 4]))),)
    air = either(rng, "step in", "slow", first=0.5)
    rated = label(rng, cell.capacity_mah, 0.85, 1.05)
    return Wish("alkaline", parts, hours, 0.7, (0.6, 0.98), rated, air=air)


def _old_with_new(rng: Generator) -> Wish:
    """Old cells in series with new ones, of two makes: the old ones are empty first, even turned."""
    hours = logs(rng, 4, 25)
    new, old = _alkaline(rng, hours), _alkaline(rng, hours)
    mah, ohms = new.capacity_mah * rng.uniform(0.75, 1.1), rng.uniform(1, 2.5)
    old = replace(old, capacity_mah=mah, r_ohm=old.r_ohm * ohms)
    count = int(rng.choice([2, 3, 4]))
    worn = int(rng.integers(1, count))
    parts = (Part(old, worn, rng.uniform(0.25, 0.7)), Part(new, count - worn))
    return Wish("alkaline", parts, hours, 0.6, (0.6, 0.98), label(rng, new.capacity_mah, 0.85, 1.05), used=(0, 0, 0))  # fmt: skip


def _hybrid_capacitor(rng: Generator) -> Wish:
    """Lithium-ion capacitor: voltage falls in a line, with a slow redistribution of its charge."""
    low, high = rng.uniform(2.1, 2.5), rng.uniform(3.7, 3.85)
    curve = Curve(e0_v=high, tilt_v=high - low, first_v=rng.uniform(0, 0.03), knee_v=rng.uniform(0.0, 0.05), knee_width=0.05)  # fmt: skip
    mah, hours = logs(rng, 15, 250), logs(rng, 1, 12)
    r_ohm = rng.uniform(0.003, 0.03) * 3.2 / (mah / hours) * 1000
    cell = Cell(
        curve, mah, available=rng.uniform(0.6, 0.9), diffusion_s=logs(rng, 900, 10000),
        **_relaxing(rng, r_ohm),
    )  # fmt: skip
    said = either(rng, "li-ion", "lithium-ion capacitor", first=0.6)
    return Wish(said, (Part(cell, 1),), hours, 1.9, (0.5, 1.0), label(rng, mah, 0.8, 1.05))


def _zinc_carbon_daily(rng: Generator) -> Wish:
    """Zinc-carbon used an hour a day: falls steeply under load and recovers until the next."""
    curve = Curve(
        e0_v=rng.uniform(1.58, 1.68),
        tilt_v=rng.uniform(0.35, 0.55),
        first_v=rng.uniform(0.08, 0.16),
        first_width=rng.uniform(0.02, 0.06),
        nernst_v=rng.uniform(0.0, 0.02),
        knee_v=rng.uniform(0.2, 0.4),
        knee_width=rng.uniform(0.06, 0.15),
    )
    mah, hours = rng.uniform(500, 1100), logs(rng, 4, 12)
    r_ohm = rng.uniform(0.02, 0.08) * 1.25 / (mah / hours) * 1000
    cell = Cell(
        curve, mah, growth=rng.uniform(1, 5), available=rng.uniform(0.4, 0.65),
        diffusion_s=logs(rng, 2 * HOUR_S, 7 * HOUR_S), **_relaxing(rng, r_ohm),
    )  # fmt: skip
    parts = (Part(cell, int(rng.choice([1, 2, 3]))),)
    return Wish(
        "zinc-carbon", parts, hours, 0.7, (0.6, 0.98), label(rng, mah, 0.6, 1.0), schedule=(HOUR_S, DAY_S)
    )  # fmt: skip


GROUPS: dict[str, Callable[[Generator], Wish]] = {
    "lithium iron disulfide": _iron_disulfide,
    "silver oxide": _silver_oxide,
    "LFP pulses": _lfp_pulses,
    "NiMH part-used": _nimh_part_used,
    "alkaline intermittent": _alkaline_intermittent,
    "alkaline cold": _alkaline_cold,
    "old with new": _old_with_new,
    "hybrid capacitor": _hybrid_capacitor,
    "zinc-carbon daily": _zinc_carbon_daily,
}
