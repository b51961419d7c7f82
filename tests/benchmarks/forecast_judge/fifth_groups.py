"""What each group of the fifth sealed set is: kinds and troubles that no set before it holds.

Whoever works on the forecast does not read on. Capacities, resistances, levels of makers' sheets
from memory (SOURCES.md B41), drawn wide; alkaline capacities by rate agree with SOURCES.md B3.
"""

from dataclasses import replace

import numpy as np
from numpy.random import Generator

from . import fifth_sheets as sheets
from .fifth_cells import Boost, Buck, Capacitor, Guard
from .fifth_loads import LIVELY, Build, Wish
from .second_groups import HOUR_S, logs
from .third_cells import Cell, Part
from .third_groups import (
    air_c,
    alkaline_cell,
    label_mah,
    mostly,
    night_mean_ma,
    nimh_cell,
    pouch_cell,
    used_share,
)
from .third_sheets import COBALT, of_a_make


def _pattern(rng: Generator, *of: str) -> str:
    return str(rng.choice(of or LIVELY))


def _sodium_18650(rng: Generator) -> Wish:
    """Sodium-ion 18650 (0.7 Ah fluorophosphate, 1.3 Ah Prussian white), to 2.0 V or a bit more."""
    phosphate = rng.random() < 0.5
    mah = rng.uniform(600, 850) if phosphate else rng.uniform(1150, 1500)
    depth = used_share(rng, 0.05, 0.6, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.93)
    points = sheets.FLUOROPHOSPHATE if phosphate else sheets.PRUSSIAN
    cell = pouch_cell(rng, points, mah, mean, logs(rng, 0.02, 0.08))
    cutoff_v = (2.4, 2.9) if phosphate else (1.8, 2.7)
    said = mostly(rng, "sodium-ion", 0.5, "li-ion", "unknown")
    return Wish(said, (Part(cell, 1, depth),), label_mah(rng, mah, 0.92, 1.05), mean, cutoff_v, _pattern(rng), air_c=air_c(rng))  # fmt: skip


def _manganese_iron(rng: Generator) -> Wish:
    """Manganese iron phosphate pouch: 4.0 V for 50 to 70 % of its charge, then 3.4 V."""
    mah, depth = logs(rng, 400, 2500), used_share(rng, 0.05, 0.45, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    points = sheets.manganese_iron(rng.uniform(0.5, 0.7))
    cell = pouch_cell(rng, points, mah, mean, logs(rng, 0.05, 0.15))
    said = mostly(rng, "li-ion", 0.6, "lifepo4", "unknown")
    return Wish(said, (Part(cell, 1, depth),), label_mah(rng, mah, 0.92, 1.05), mean, (2.6, 3.2), _pattern(rng), air_c=air_c(rng))  # fmt: skip


def _fluoride(rng: Generator) -> Wish:
    """Carbon monofluoride cylinder (1.2 or 1.8 Ah): dips, rises for an hour or so, flat, knee."""
    mah, depth = float(rng.choice([1200.0, 1800.0])) * rng.uniform(0.92, 1.05), used_share(rng, 0.05, 0.6, 0.4)  # fmt: skip
    mean = night_mean_ma(rng, mah, depth, 0.88, 150)
    cell = Cell(
        of_a_make(rng, sheets.FLUORIDE, 0.02), mah, r_ohm=logs(rng, 0.3, 0.8), growth=rng.uniform(0, 1),
        diffusion_s=rng.uniform(1, 4) * HOUR_S, exchange_a=mean / 1000 * logs(rng, 0.05, 0.4),
        exchange_s=logs(rng, 5, 60), activation_ev=rng.uniform(0.25, 0.4),
        film_ohm=rng.uniform(0.12, 0.35) / mean * 1000, film_mah=mah * rng.uniform(0.03, 0.1),
    )  # fmt: skip
    count = int(rng.choice([1, 1, 2]))
    said = mostly(rng, "li-cfx", 0.4, "li-mno2", "lithium")
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.95, 1.05), mean, (1.8 * count, 2.25 * count), _pattern(rng, "steady", "breathing", "motion"), air_c=air_c(rng))  # fmt: skip


def _cadmium(rng: Generator) -> Wish:
    """Nickel-cadmium AA (0.6 to 1.0 Ah) or C (2.4 Ah) that remembers: 40 to 90 mV less from a depth on."""
    mah = 2400 * rng.uniform(0.85, 1.0) if rng.random() < 0.3 else rng.uniform(550, 1000)
    depth, at = used_share(rng, 0.05, 0.25, 0.3), rng.uniform(0.35, 0.7)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    points = sheets.remembered(sheets.CADMIUM, at, rng.uniform(0.04, 0.09))
    cell = replace(nimh_cell(rng, mah, mean), sheet=of_a_make(rng, points, 0.006), r_ohm=logs(rng, 0.015, 0.04) * 800 / mah, diffusion_s=logs(rng, 0.1, 0.6) * HOUR_S)  # fmt: skip
    count = int(rng.choice([3, 4, 5]))
    said = mostly(rng, "nicd", 0.5, "nimh")
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (0.9 * count, 1.08 * count), _pattern(rng, "steady", "motion", "sleep"), air_c=air_c(rng))  # fmt: skip


def _drawer_d(rng: Generator) -> Wish:
    """Alkaline D after years in a drawer: 5 to 20 % gone, a film, two to four times the resistance.

    Some were used too; half of their owners say that they are fresh.
    """
    mah, depth = rng.uniform(14000, 17500), rng.uniform(0.05, 0.2) + used_share(rng, 0.1, 0.4, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.65, 600)
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.06, 0.15) * rng.uniform(2, 4))
    cell = replace(cell, film_ohm=rng.uniform(0.03, 0.1) / mean * 1000, film_mah=mah * rng.uniform(0.005, 0.03))  # fmt: skip
    count = int(rng.choice([2, 3]))
    fresh = True if rng.random() < 0.5 else None
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.02), mean, (0.8 * count, 1.05 * count), _pattern(rng, "steady", "motion", "breathing"), air_c=air_c(rng), fresh=fresh)  # fmt: skip


def _small_breathing(rng: Generator) -> Wish:
    """Alkaline AAAA (550 mAh) or N (850 mAh) behind breathing LEDs."""
    tiny, depth = rng.random() < 0.5, used_share(rng, 0.05, 0.5, 0.4)
    mah = rng.uniform(480, 600) if tiny else rng.uniform(750, 950)
    mean = night_mean_ma(rng, mah, depth, 0.7, 80)
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.25, 0.6))
    count = int(rng.choice([2, 3]))
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (0.8 * count, 1.1 * count), "breathing", air_c=air_c(rng))  # fmt: skip


def _guarded(rng: Generator) -> Wish:
    """Two pouches in series, one weaker by 3 to 15 %; the protection opens at 2.5 to 3.0 V of one."""
    mah, depth = logs(rng, 400, 1800), used_share(rng, 0.05, 0.5, 0.4)
    less, behind = rng.uniform(0.85, 0.97), rng.uniform(0, 0.05)
    mean = night_mean_ma(rng, mah * less, depth + behind, 0.95)
    good = pouch_cell(rng, COBALT, mah, mean, logs(rng, 0.05, 0.12))
    weak = replace(good, capacity_mah=mah * less, r_ohm=good.r_ohm * rng.uniform(1, 1.5))
    parts = (Part(weak, 1, min(depth / less + behind, 0.7)), Part(good, 1, depth))
    guard = Guard(float(rng.choice([2.5, 2.8, 3.0])))
    return Wish("li-ion", parts, label_mah(rng, mah, 0.92, 1.05), mean, (5.2, 6.0), _pattern(rng), air_c=air_c(rng), guard=guard)  # fmt: skip


def _bucked(rng: Generator) -> Wish:
    """Lithium AA or AAA of 1.5 V with a converter in each: flat, 1.1 V near the end, then nothing."""
    inner, count = float(rng.choice([800.0, 300.0])) * rng.uniform(0.9, 1.05), int(rng.choice([1, 2, 3]))  # fmt: skip
    depth, out_mah = used_share(rng, 0.05, 0.6, 0.5), inner * 3.75 * 0.9 / 1.5
    mean = min(night_mean_ma(rng, out_mah, depth, 0.95), out_mah / 3)
    cells = [pouch_cell(rng, COBALT, inner * rng.uniform(0.96, 1.0), mean * 0.45, logs(rng, 0.04, 0.1)) for _ in range(count)]  # fmt: skip
    buck = Buck(
        rng.uniform(1.48, 1.55), rng.uniform(1.05, 1.15), rng.uniform(3.25, 3.5), rng.uniform(2.6, 3.0),
        rng.uniform(0.02, 0.08), rng.uniform(0.85, 0.93),
    )  # fmt: skip
    bucks = tuple(replace(buck, set_v=buck.set_v + rng.normal(0, 0.008)) for _ in range(count))
    cutoff_v = (0.9 * count, 1.0 * count) if rng.random() < 0.5 else (1.46 * count - 0.25, 1.46 * count - 0.15)  # fmt: skip
    said = mostly(rng, "unknown", 0.4, "alkaline", "li-fes2", "li-ion")
    return Wish(said, tuple(Part(cell, 1, depth) for cell in cells), label_mah(rng, out_mah, 0.9, 1.05), mean, cutoff_v, _pattern(rng), air_c=air_c(rng), bucks=bucks)  # fmt: skip


def _hybrid(rng: Generator) -> Wish:
    """Two coin cells (225 or 620 mAh) with a capacitor across them that gives the bursts."""
    big, depth = rng.random() < 0.5, used_share(rng, 0.05, 0.5, 0.4)
    mah = rng.uniform(560, 640) if big else rng.uniform(205, 235)
    mean = rng.uniform(5, 10) if big else rng.uniform(2.5, 6)
    hours = mah / mean
    cell = Cell(
        of_a_make(rng, sheets.COIN, 0.015), mah, r_ohm=rng.uniform(7, 14) if big else rng.uniform(10, 22),
        growth=rng.uniform(1, 4), diffusion_s=3 * hours * rng.uniform(0.08, 0.25) * HOUR_S,
        exchange_a=mean / 1000 * logs(rng, 0.3, 2), exchange_s=logs(rng, 20, 200),
        activation_ev=rng.uniform(0.25, 0.4),
    )  # fmt: skip
    capacitor = Capacitor(logs(rng, 0.1, 1.5), logs(rng, 0.1, 2))
    return Wish("li-mno2", (Part(cell, 2, depth),), 620.0 if big else 225.0, mean, (3.8, 4.8), _pattern(rng, "bursts", "bursts", "sleep"), ("current", "power"), air_c(rng), capacitor=capacitor)  # fmt: skip


def _evenings(rng: Generator) -> Wish:
    """Three alkaline AA or AAA worn on one or two evenings before, the recorder off between."""
    mah = rng.uniform(2300, 2900) if rng.random() < 0.6 else rng.uniform(1050, 1280)
    depth, hours = used_share(rng, 0.05, 0.4, 0.3), rng.uniform(14, 26)
    mean, count = float(np.clip(mah * (1 - depth) * 0.75 / hours, 20, 250)), int(rng.choice([3, 4]))
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.3))
    evenings = 1 if rng.random() < 0.7 else 2
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (0.8 * count, 1.1 * count), _pattern(rng, "steady", "motion", "breathing"), air_c=air_c(rng), evenings=evenings, latest_settled=0.79)  # fmt: skip


def _dimmed(rng: Generator) -> Wish:
    """Manganese spinel 14500 or 18350 (0.6 to 1.1 Ah); somebody changes the brightness once."""
    mah, depth = rng.uniform(550, 1100), used_share(rng, 0.05, 0.4, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    cell = pouch_cell(rng, sheets.SPINEL, mah, mean, logs(rng, 0.04, 0.1))
    changes = (0.35, 0.7) if rng.random() < 0.5 else (1.3, 2.2)
    return Wish("li-ion", (Part(cell, 1, depth),), label_mah(rng, mah, 0.9, 1.03), mean, (2.8, 3.3), _pattern(rng, "steady", "breathing", "sleep"), air_c=air_c(rng), changes=changes)  # fmt: skip


def _doors(rng: Generator) -> Wish:
    """Rechargeable alkaline AA (5 to 25 charges old: 1.0 to 1.5 of 2.0 Ah), in and out of doors."""
    mah, depth = rng.uniform(1000, 1500), used_share(rng, 0.05, 0.3, 0.3)
    mean, count = night_mean_ma(rng, mah, depth, 0.6), int(rng.choice([3, 4]))
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.15, 0.35))
    return Wish("alkaline", (Part(cell, count, depth),), float(rng.choice([1800.0, 2000.0])), mean, (0.85 * count, 1.1 * count), _pattern(rng, "steady", "motion"), air_c=rng.uniform(20, 24), doors_k=rng.uniform(10, 18))  # fmt: skip


def _body_warm(rng: Generator) -> Wish:
    """NiMH AA or AAA put on cold, against the body: from 10 to about 30 deg C."""
    mah = float(rng.choice([780.0, 1950.0, 2400.0])) * rng.uniform(0.9, 1.03)
    depth = used_share(rng, 0.05, 0.5, 0.4)
    mean, count = night_mean_ma(rng, mah, depth, 0.95), int(rng.choice([2, 3, 4]))
    cell = nimh_cell(rng, mah, mean)
    return Wish("nimh", (Part(cell, count, depth),), label_mah(rng, mah, 0.92, 1.03), mean, (0.9 * count, 1.1 * count), _pattern(rng), air_c=rng.uniform(8, 12), warms_k=rng.uniform(18, 21), warms_in=rng.uniform(0.05, 0.3))  # fmt: skip


def _boosted(rng: Generator) -> Wish:
    """Two or three AA before a boost converter: draws more the lower it gets, hiccups at the end."""
    nimh, depth, count = rng.random() < 0.4, used_share(rng, 0.05, 0.5, 0.4), int(rng.choice([2, 3]))  # fmt: skip
    mah = rng.uniform(1850, 2500) if nimh else rng.uniform(2300, 2900)
    mean = night_mean_ma(rng, mah, depth, 0.9 if nimh else 0.55, 400)
    cell = nimh_cell(rng, mah, mean) if nimh else alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.25))  # fmt: skip
    stops_v = count * rng.uniform(0.75, 0.9)
    boost = Boost(
        1.5 * count, rng.uniform(0.85, 0.94), rng.uniform(0.15, 0.4), stops_v,
        stops_v + count * rng.uniform(0.1, 0.25), logs(rng, 2, 60), rng.uniform(1.3, 2.5),
    )  # fmt: skip
    cutoff_v = (stops_v + 0.01 * count, stops_v + 0.15 * count)
    said = "nimh" if nimh else "alkaline"
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v, _pattern(rng), ("power",), air_c(rng), boost=boost)  # fmt: skip


def _given_back(rng: Generator) -> Wish:
    """A pouch, half of them under a small panel for some hours, half plugged in for a while."""
    mah, depth = logs(rng, 400, 2000), rng.uniform(0.15, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    cell = pouch_cell(rng, COBALT, mah, mean, logs(rng, 0.05, 0.12))
    sun = rng.random() < 0.5
    given = rng.uniform(0.4, 1.6) if sun else rng.uniform(1.5, 4)
    return Wish("li-ion", (Part(cell, 1, depth),), label_mah(rng, mah, 0.92, 1.05), mean, (3.0, 3.4), _pattern(rng), air_c=air_c(rng), given=given, given_by="sun" if sun else "plug", full_v=4.2)  # fmt: skip


def _past_the_sensor(rng: Generator) -> Wish:
    """Three or four alkaline AA; 15 to 45 % of the draw is wired past the sensor."""
    mah, depth = rng.uniform(2300, 2900), used_share(rng, 0.05, 0.5, 0.4)
    mean, count = night_mean_ma(rng, mah, depth, 0.7), int(rng.choice([3, 4]))
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.25))
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (0.8 * count, 1.1 * count), _pattern(rng, "steady", "breathing", "motion", "bursts"), air_c=air_c(rng), past=rng.uniform(0.15, 0.45))  # fmt: skip


def _twins(rng: Generator) -> Wish:
    """Two like pouches in parallel; after a while the strap of one breaks, and half is out of reach."""
    mah, depth = logs(rng, 300, 1200), used_share(rng, 0.05, 0.4, 0.4)
    mean = night_mean_ma(rng, 1.2 * mah, depth, 0.95)
    cell = pouch_cell(rng, COBALT, mah, mean, logs(rng, 0.05, 0.12))
    return Wish("li-ion", (Part(cell, 1, depth),), label_mah(rng, 2 * mah, 0.92, 1.05), mean, (3.0, 3.4), _pattern(rng), air_c=air_c(rng), twin=True)  # fmt: skip


def _taken_for_another(rng: Generator) -> Wish:
    """AA whose owner says the wrong kind: NiMH said to be alkaline, or the other way round."""
    nimh, depth, count = rng.random() < 0.6, used_share(rng, 0.05, 0.5, 0.4), int(rng.choice([3, 4]))  # fmt: skip
    mah = rng.uniform(1850, 2500) if nimh else rng.uniform(2300, 2900)
    mean = night_mean_ma(rng, mah, depth, 0.95 if nimh else 0.7)
    cell = nimh_cell(rng, mah, mean) if nimh else alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.25))  # fmt: skip
    cutoff_v = (0.9 * count, 1.1 * count)
    said, rated = "alkaline" if nimh else "nimh", 2500.0 if nimh else 2000.0
    return Wish(said, (Part(cell, count, depth),), rated, mean, cutoff_v, _pattern(rng), air_c=air_c(rng))  # fmt: skip


GROUPS: dict[str, Build] = {
    "sodium-ion 18650": _sodium_18650,
    "manganese iron phosphate": _manganese_iron,
    "carbon monofluoride": _fluoride,
    "NiCd that remembers": _cadmium,
    "alkaline D from a drawer": _drawer_d,
    "alkaline AAAA or N, breathing": _small_breathing,
    "two pouches, protection": _guarded,
    "1.5 V lithium, converter inside": _bucked,
    "coins with a capacitor": _hybrid,
    "alkaline, evenings before": _evenings,
    "spinel, brightness changed": _dimmed,
    "rechargeable alkaline, doors": _doors,
    "NiMH, body-warmed": _body_warm,
    "before a boost converter": _boosted,
    "panel or plug for a while": _given_back,
    "draw past the sensor": _past_the_sensor,
    "one of two packs drops off": _twins,
    "taken for another kind": _taken_for_another,
}
