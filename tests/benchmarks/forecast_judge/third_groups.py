"""Groups of the third sealed set: makes, chemistries and troubles the other two have not.

Whoever works on the forecast does not read on. Capacities, resistances and end voltages as on
makers' sheets, all from memory and drawn wide; end voltages agree with SOURCES.md B10, B24, alkaline
capacities by rate with SOURCES.md B3. Resistances in ohm of one cell. A contact that
worsens slowly counts in the truth: the circuit sits behind it, and nothing brings it back.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from . import third_sheets as sheets
from .second_groups import HOUR_S, logs
from .third_cells import Cell, Part, Regulator

LEAST_MA, MOST_MA = 5.0, 800.0
ANY = ("current", "power", "resistor")


@dataclass(frozen=True)
class Wish:
    """What a group fixes of a rundown.

    `mean_ma` of the load over time; `cutoff_v` range for the pack, as seen at the load; `air_c` at
    the start, and `warms_k` from there with `warms_in` of the life as time constant. `contact`
    is what a worsening contact takes of the voltage in the end, `recharged` whether the pack is
    put on a charger half-way by mistake.
    """

    said: str
    parts: tuple[Part, ...]
    rated_mah: float
    mean_ma: float
    cutoff_v: tuple[float, float]
    pattern: str = "steady"
    kinds: tuple[str, ...] = ANY
    air_c: float = 22.0
    warms_k: float = 0.0
    warms_in: float = 1.0
    contact: float = 0.0
    recharged: bool = False
    regulator: Regulator | None = None

    @property
    def cells(self) -> int:
        return sum(part.count for part in self.parts)

    @property
    def half_v(self) -> float:
        """Open voltage of the pack half-way through its charge, V."""
        half = np.array([0.5])
        return sum(p.count * float(p.cell.sheet.volts(half)[0]) for p in self.parts)


def _hours(rng: Generator) -> float:
    """A night mostly, else a performance or a whole day."""
    return logs(rng, 6, 12) if rng.random() < 0.8 else logs(rng, 3, 18)


def label_mah(rng: Generator, mah: float, low: float, high: float) -> float:
    """The capacity printed on a cell that holds `low` to `high` of it."""
    return float(f"{mah / rng.uniform(low, high):.2g}")


def night_mean_ma(
    rng: Generator, mah: float, depth: float, had: float, most: float = MOST_MA
) -> float:
    """Mean draw for one of the usual times from a cell that gives `had` of its charge."""
    return float(np.clip(mah * had * (1 - depth) / _hours(rng), LEAST_MA, most))


def used_share(rng: Generator, low: float, high: float, often: float) -> float:
    return float(rng.uniform(low, high)) if rng.random() < often else 0.0


def mostly(rng: Generator, first: str, often: float, *others: str) -> str:
    return first if rng.random() < often else str(rng.choice(others))


def air_c(rng: Generator) -> float:
    return float(22 + rng.uniform(-4, 4))


def _cr2_flashes(rng: Generator) -> Wish:
    """CR2: 850 mAh to 2.0 V, open 3.2 V; LED flashes of some hundred mA."""
    mah, depth = rng.uniform(760, 920), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.88, 160)
    cell = Cell(
        sheets.of_a_make(rng, sheets.MANGANESE, 0.02), mah, r_ohm=logs(rng, 0.25, 0.6),
        growth=rng.uniform(0.5, 2.5), diffusion_s=rng.uniform(1, 4) * HOUR_S,
        exchange_a=mean / 1000 * logs(rng, 0.3, 2), exchange_s=logs(rng, 3, 40),
        activation_ev=rng.uniform(0.25, 0.4),
    )  # fmt: skip
    count = int(rng.choice([1, 1, 2]))
    cutoff_v = (1.9 * count, 2.4 * count)
    said = mostly(rng, "li-mno2", 0.8, "lithium")
    return Wish(said, (Part(cell, count, depth),), 850.0, mean, cutoff_v, "flashes", air_c=air_c(rng))  # fmt: skip


def alkaline_cell(rng: Generator, mah: float, hours: float, r_ohm: float) -> Cell:
    """Alkaline manganese; at `hours` from full a tenth to a third stays inside (SOURCES.md B3)."""
    return Cell(
        sheets.of_a_make(rng, sheets.ALKALINE, 0.012), mah, r_ohm=r_ohm, growth=rng.uniform(1, 4),
        diffusion_s=3 * hours * rng.uniform(0.08, 0.3) * HOUR_S,
        exchange_a=mah / hours / 1000 * logs(rng, 0.3, 2), exchange_s=logs(rng, 10, 120),
        activation_ev=rng.uniform(0.2, 0.35),
    )  # fmt: skip


def _alkaline_motor(rng: Generator) -> Wish:
    """Alkaline C (7.8 Ah at a crawl) or D (17 Ah) that turns a motor: 250 to 800 mA."""
    big = rng.random() < 0.4
    mah = rng.uniform(14500, 18000) if big else rng.uniform(6800, 8300)
    depth = used_share(rng, 0.3, 0.75, 0.7) if big else used_share(rng, 0.1, 0.6, 0.4)
    mean = max(night_mean_ma(rng, mah, depth, 0.7, 650), 200.0)
    r_ohm = logs(rng, 0.06, 0.15) if big else logs(rng, 0.08, 0.2)
    cell, count = alkaline_cell(rng, mah, mah / mean, r_ohm), int(rng.choice([2, 3, 4]))
    said, rated = mostly(rng, "alkaline", 0.95, "unknown"), label_mah(rng, mah, 0.9, 1.05)
    cutoff_v = (0.75 * count, 1.05 * count)
    return Wish(said, (Part(cell, count, depth),), rated, mean, cutoff_v, "motor", ("resistor", "current"), air_c(rng))  # fmt: skip


def _aaa_frost(rng: Generator) -> Wish:
    """Alkaline AAA (1.2 Ah) that stays at about 0 deg C."""
    mah, depth = rng.uniform(1050, 1280), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.42, 200)
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.15, 0.35))
    count = int(rng.choice([2, 3, 4]))
    cutoff_v = (0.8 * count, 1.05 * count)
    pattern = str(rng.choice(["steady", "steady", "flashes"]))
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v, pattern, air_c=rng.uniform(-3, 3))  # fmt: skip


def nimh_cell(rng: Generator, mah: float, mean: float) -> Cell:
    return Cell(
        sheets.of_a_make(rng, sheets.NIMH, 0.008), mah, r_ohm=logs(rng, 0.02, 0.07) * 2000 / mah,
        growth=rng.uniform(0, 2), diffusion_s=rng.uniform(0.3, 2) * HOUR_S,
        exchange_a=mean / 1000 * logs(rng, 0.5, 3), exchange_s=logs(rng, 10, 200),
        activation_ev=rng.uniform(0.15, 0.3), entropy_v_k=rng.uniform(-0.0004, 0.0),
    )  # fmt: skip


def _nimh_weak(rng: Generator) -> Wish:
    """NiMH of low self-discharge (AAA 0.8, AA 2.0 Ah), fresh or half-used, one weak in the row."""
    mah = float(rng.choice([780.0, 1950.0])) * rng.uniform(0.93, 1.06)
    depth, weak = used_share(rng, 0.3, 0.6, 0.5), rng.uniform(0.55, 0.88)
    mean = night_mean_ma(rng, mah * weak, depth, 0.95)
    good, count = nimh_cell(rng, mah, mean), int(rng.choice([3, 4]))
    bad = replace(good, capacity_mah=mah * weak, r_ohm=good.r_ohm * rng.uniform(1, 3))
    # Same charge out of both: the weak one is the emptier.
    parts = (Part(bad, 1, min(depth / weak, 0.8)), Part(good, count - 1, min(depth, 0.8 * weak)))
    cutoff_v = (0.85 * count, 1.12 * count)
    pattern = str(rng.choice(["steady", "modes"]))
    return Wish("nimh", parts, label_mah(rng, mah, 0.93, 1.02), mean, cutoff_v, pattern, air_c=air_c(rng))  # fmt: skip


def pouch_cell(
    rng: Generator, points: sheets.Points, mah: float, mean: float, ohm_ah: float
) -> Cell:
    """Rechargeable pouch of `ohm_ah` ohm at 1 Ah."""
    return Cell(
        sheets.of_a_make(rng, points, 0.01), mah, r_ohm=ohm_ah * 1000 / mah,
        growth=rng.uniform(0, 2), diffusion_s=rng.uniform(0.3, 2) * HOUR_S,
        exchange_a=mean / 1000 * logs(rng, 0.4, 4), exchange_s=logs(rng, 5, 90),
        activation_ev=rng.uniform(0.3, 0.5), entropy_v_k=rng.uniform(-0.0003, 0.0002),
    )  # fmt: skip


def _sodium(rng: Generator) -> Wish:
    """Sodium-ion pouch: 3.95 V sloping to 1.5 or 2.0 V."""
    mah, depth = logs(rng, 300, 2500), used_share(rng, 0.05, 0.6, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.92)
    cell = pouch_cell(rng, sheets.SODIUM, mah, mean, logs(rng, 0.05, 0.15))
    pattern = str(rng.choice(["steady", "modes", "flashes"]))
    said = mostly(rng, "sodium-ion", 0.5, "li-ion")
    return Wish(said, (Part(cell, 1, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (1.6, 2.9), pattern, air_c=air_c(rng))  # fmt: skip


def _titanate(rng: Generator) -> Wish:
    """Lithium titanate: 2.5 V flat against spinel, or 2.6 to 2.1 V against NMC; then a knee."""
    mah, depth = logs(rng, 200, 2500), used_share(rng, 0.05, 0.7, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.96)
    flat = rng.random() < 0.5
    points = sheets.TITANATE_SPINEL if flat else sheets.TITANATE_NMC
    cell = pouch_cell(rng, points, mah, mean, logs(rng, 0.02, 0.08))
    count = int(rng.choice([1, 2]))
    cutoff_v = (1.5 * count, 2.0 * count)
    pattern = str(rng.choice(["steady", "flashes", "modes"]))
    said = mostly(rng, "lto", 0.6, "li-ion")
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v, pattern, air_c=air_c(rng))  # fmt: skip


def _thionyl_rests(rng: Generator) -> Wish:
    """Lithium thionyl chloride, spirally wound AA (2.0 Ah): its film comes back in every rest."""
    mah, depth = rng.uniform(1600, 2200), used_share(rng, 0.05, 0.7, 0.6)
    mean = night_mean_ma(rng, mah, depth, 0.9, 200)
    cell = Cell(
        sheets.of_a_make(rng, sheets.THIONYL, 0.01), mah, r_ohm=logs(rng, 0.3, 1.2),
        growth=rng.uniform(0, 2), diffusion_s=rng.uniform(0.5, 3) * HOUR_S,
        exchange_a=mean / 1000 * logs(rng, 0.3, 2), exchange_s=logs(rng, 5, 60),
        activation_ev=rng.uniform(0.2, 0.4), film_ohm=rng.uniform(0.04, 0.16) / mean * 1000,
        film_mah=logs(rng, 2, 15), film_s=logs(rng, 0.5, 8) * HOUR_S,
    )  # fmt: skip
    rated = label_mah(rng, mah, 0.8, 1.02)
    return Wish("li-socl2", (Part(cell, 1, depth),), rated, mean, (2.2, 2.9), "rests", air_c=air_c(rng))  # fmt: skip


def _after_regulator(rng: Generator) -> Wish:
    """Three alkaline AA or a lithium-ion pouch, measured behind a linear regulator."""
    three = rng.random() < 0.5
    mah = rng.uniform(2300, 2900) if three else logs(rng, 300, 2000)
    depth = used_share(rng, 0.05, 0.6, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.75, 250)
    set_v = float(rng.choice([3.3, 3.0, 2.8] if three else [3.3, 3.0, 2.8, 2.5]))
    part = (
        Part(alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.25)), 3, depth)
        if three
        else Part(pouch_cell(rng, sheets.COBALT, mah, mean, logs(rng, 0.05, 0.15)), 1, depth)
    )
    regulator = Regulator(
        set_v * rng.uniform(0.985, 1.015), rng.uniform(0.05, 0.3) / mean * 1000,
        rng.uniform(0.0, 0.002), logs(rng, 0.005, 2),
    )  # fmt: skip
    cutoff_v = (0.86 * set_v, 0.96 * set_v)
    pattern = str(rng.choice(["steady", "modes", "flashes"]))
    said, rated = "alkaline" if three else "li-ion", label_mah(rng, mah, 0.85, 1.05)
    return Wish(said, (part,), rated, mean, cutoff_v, pattern, ANY, air_c(rng), regulator=regulator)


def _aged_modes(rng: Generator) -> Wish:
    """Pouch at 62 to 78 % of its charge, two to three times its resistance; the show has modes."""
    rated, depth = float(round(logs(rng, 300, 1800), -1)), used_share(rng, 0.05, 0.5, 0.4)
    mah = rated * rng.uniform(0.62, 0.78)
    mean = night_mean_ma(rng, mah, depth, 0.9)
    cell = pouch_cell(rng, sheets.COBALT, mah, mean, logs(rng, 0.06, 0.15) * rng.uniform(2, 3))
    cell = replace(cell, growth=rng.uniform(1, 4), diffusion_s=cell.diffusion_s * rng.uniform(1, 2))
    return Wish("li-ion", (Part(cell, 1, depth),), rated, mean, (2.9, 3.4), "modes", air_c=air_c(rng))  # fmt: skip


def _warming(rng: Generator) -> Wish:
    """18650 (NCA, 2.5 to 3.3 Ah) from the cold car under the coat: 15 K warmer while it runs."""
    mah, depth = rng.uniform(2300, 3300), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.9, 700)
    cell = pouch_cell(rng, sheets.NCA, mah, mean, logs(rng, 0.15, 0.4))
    return Wish(
        "li-ion", (Part(cell, 1, depth),), label_mah(rng, mah, 0.85, 1.0), mean, (2.7, 3.3),
        str(rng.choice(["steady", "flashes"])), air_c=rng.uniform(3, 9),
        warms_k=rng.uniform(13, 17), warms_in=rng.uniform(0.1, 0.6),
    )  # fmt: skip


def _worse_contact(rng: Generator) -> Wish:
    """AAA alkaline or AA NiMH in a holder whose springs corrode: a tenth to a fifth is lost there."""
    nimh, depth = rng.random() < 0.5, used_share(rng, 0.05, 0.5, 0.4)
    mah = rng.uniform(1850, 2500) if nimh else rng.uniform(1050, 1280)
    mean, count = night_mean_ma(rng, mah, depth, 0.85), int(rng.choice([2, 3, 4]))
    cell = (
        nimh_cell(rng, mah, mean)
        if nimh
        else alkaline_cell(rng, mah, mah / mean, logs(rng, 0.15, 0.35))
    )
    cutoff_v = (0.85 * count, 1.0 * count)
    said, pattern = "nimh" if nimh else "alkaline", str(rng.choice(["steady", "flashes"]))
    return Wish(
        said, (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v, pattern,
        ("current", "power"), air_c(rng), contact=rng.uniform(0.06, 0.2),
    )  # fmt: skip


def _recharged(rng: Generator) -> Wish:
    """NiMH AA or a pouch that somebody puts on the charger half-way, and back again."""
    nimh, depth = rng.random() < 0.5, used_share(rng, 0.05, 0.3, 0.4)
    mah = rng.uniform(1850, 2500) if nimh else logs(rng, 400, 2000)
    mean = night_mean_ma(rng, mah, depth, 1.2)
    cell = (
        nimh_cell(rng, mah, mean) if nimh else pouch_cell(rng, sheets.COBALT, mah, mean, logs(rng, 0.05, 0.15))
    )  # fmt: skip
    count = int(rng.choice([2, 3, 4])) if nimh else 1
    cutoff_v = (0.95 * count, 1.12 * count) if nimh else (2.9, 3.4)
    said, rated = "nimh" if nimh else "li-ion", label_mah(rng, mah, 0.88, 1.03)
    return Wish(said, (Part(cell, count, depth),), rated, mean, cutoff_v, air_c=air_c(rng), recharged=True)  # fmt: skip


def _nickel_zinc(rng: Generator) -> Wish:
    """Nickel-zinc AA (1.5 Ah): 1.7 V flat, sharp end; taken for NiMH by half of its users."""
    mah, depth = rng.uniform(1250, 1650), used_share(rng, 0.05, 0.6, 0.5)
    mean, count = night_mean_ma(rng, mah, depth, 0.95), int(rng.choice([1, 2, 3]))
    cell = replace(nimh_cell(rng, mah, mean), sheet=sheets.of_a_make(rng, sheets.NICKEL_ZINC, 0.01))
    cutoff_v = (1.1 * count, 1.45 * count)
    pattern = str(rng.choice(["steady", "modes"]))
    said = mostly(rng, "nimh", 0.5, "ni-zn")
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.03), mean, cutoff_v, pattern, air_c=air_c(rng))  # fmt: skip


def _draw_creeps(rng: Generator) -> Wish:
    """Three or four alkaline AA; wet seams leak, and the draw grows by a fifth to a half."""
    mah, depth = rng.uniform(2300, 2900), used_share(rng, 0.05, 0.5, 0.4)
    mean, count = night_mean_ma(rng, mah, depth, 0.75), int(rng.choice([3, 4]))
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.25))
    cutoff_v = (0.8 * count, 1.1 * count)
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v, "creep", ("current", "power"), air_c(rng))  # fmt: skip


GROUPS: dict[str, Callable[[Generator], Wish]] = {
    "CR2 flashes": _cr2_flashes,
    "alkaline C or D, motor": _alkaline_motor,
    "alkaline AAA in frost": _aaa_frost,
    "NiMH, weak one in the row": _nimh_weak,
    "sodium-ion": _sodium,
    "lithium titanate": _titanate,
    "thionyl with rests": _thionyl_rests,
    "after a regulator": _after_regulator,
    "aged pouch, modes": _aged_modes,
    "18650 warming": _warming,
    "contact worsens": _worse_contact,
    "recharged half-way": _recharged,
    "nickel-zinc": _nickel_zinc,
    "draw creeps up": _draw_creeps,
}
