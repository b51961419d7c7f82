"""What each group of the fourth sealed set is: kinds that no set before it holds.

Whoever works on the forecast does not read on. Curves and resistances are points of makers' sheets,
all from memory and drawn anew for every make; physics and loads are those of the third set.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from . import third_sheets as sheets
from .second_groups import HOUR_S, logs
from .third_cells import Cell, Part, Sheet
from .third_groups import (
    ANY,
    Wish,
    air_c,
    alkaline_cell,
    label_mah,
    mostly,
    night_mean_ma,
    nimh_cell,
    pouch_cell,
    used_share,
)

Points = sheets.Points

# Lead-acid, gelled: 2.13 V full, a line to 1.95 V, then the bend; per cell.
LEAD: Points = (
    (0.0, 2.14), (0.1, 2.115), (0.3, 2.075), (0.5, 2.035), (0.7, 1.99), (0.85, 1.945), (0.94, 1.89),
    (0.98, 1.80), (1.0, 1.70), (1.03, 1.2), (1.1, 0.2),
)  # fmt: skip
# Lithium iron phosphate: 3.40 V just charged, two steps of 3.33 and 3.29 V, sharp end.
PHOSPHATE: Points = (
    (0.0, 3.45), (0.03, 3.345), (0.3, 3.330), (0.38, 3.305), (0.6, 3.292), (0.72, 3.270), (0.85, 3.225),
    (0.93, 3.13), (0.98, 2.90), (1.0, 2.50), (1.02, 1.9), (1.1, 0.3),
)  # fmt: skip
# Zinc-air: 1.42 V, 1.30 V flat, sharp end.
ZINC_AIR: Points = (
    (0.0, 1.43), (0.02, 1.37), (0.1, 1.325), (0.4, 1.305), (0.7, 1.29), (0.88, 1.265), (0.95, 1.22),
    (0.985, 1.10), (1.0, 0.90), (1.03, 0.3), (1.1, 0.0),
)  # fmt: skip
# A double-layer capacitor: charge goes with the voltage; `x` is the share of the charge at 2.7 V.
CAPACITOR: Points = tuple((n / 10, 2.7 * (1 - n / 10)) for n in range(11))
# Nickel-rich oxide against graphite with silicon oxide: a knee where the silicon takes over.
SILICON: Points = (
    (0.0, 4.18), (0.1, 4.04), (0.25, 3.89), (0.4, 3.76), (0.55, 3.63), (0.7, 3.52), (0.8, 3.42), (0.86, 3.31),
    (0.92, 3.12), (0.97, 2.90), (1.0, 2.55), (1.03, 1.9), (1.1, 0.4),
)  # fmt: skip
# Lithium-sulphur: 2.40 V falling, then a long shelf at 2.10 V.
SULPHUR: Points = (
    (0.0, 2.46), (0.06, 2.37), (0.15, 2.30), (0.22, 2.19), (0.26, 2.105), (0.32, 2.115), (0.6, 2.10), (0.85, 2.075),
    (0.94, 2.02), (0.98, 1.90), (1.0, 1.70), (1.03, 1.1), (1.1, 0.2),
)  # fmt: skip
# Nickel-metal hydride after months on a trickle: a shelf 60 to 90 mV lower comes early.
DEPRESSED: Points = (
    (0.0, 1.42), (0.03, 1.355), (0.1, 1.31), (0.25, 1.285), (0.4, 1.270), (0.48, 1.235), (0.55, 1.205),
    (0.7, 1.190), (0.85, 1.170), (0.93, 1.135), (0.98, 1.05), (1.0, 0.92), (1.03, 0.2), (1.06, -0.2),
)  # fmt: skip


def _lead_gel(rng: Generator) -> Wish:
    """6 V gel block (1.2 or 3.2 Ah): an exhibition piece; a third less is had at a high rate."""
    rated = float(rng.choice([1200.0, 3200.0]))
    mah, depth = rated * rng.uniform(0.8, 1.05), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.75)
    cell = Cell(
        sheets.of_a_make(rng, LEAD, 0.008), mah, r_ohm=logs(rng, 0.02, 0.05) * 1200 / rated,
        growth=rng.uniform(1, 4), diffusion_s=rng.uniform(2, 6) * HOUR_S,
        exchange_a=mean / 1000 * logs(rng, 0.5, 3), exchange_s=logs(rng, 20, 200),
        activation_ev=rng.uniform(0.15, 0.3), entropy_v_k=0.0002,
    )  # fmt: skip
    pattern = str(rng.choice(["steady", "motor", "modes"]))
    return Wish(mostly(rng, "lead-acid", 0.6, "unknown"), (Part(cell, 3, depth),), rated, mean, (5.2, 5.7), pattern, air_c=air_c(rng))  # fmt: skip


def _phosphate_flashes(rng: Generator) -> Wish:
    """LiFePO4 14500 or 18650 (0.6 to 1.6 Ah) in the autumn: 5 to 15 deg C."""
    mah, depth = logs(rng, 550, 1600), used_share(rng, 0.05, 0.7, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    cell = pouch_cell(rng, PHOSPHATE, mah, mean, logs(rng, 0.05, 0.15))
    count = int(rng.choice([1, 1, 2]))
    pattern = str(rng.choice(["flashes", "modes", "steady"]))
    cutoff_v = (2.5 * count, 3.0 * count)
    said = mostly(rng, "lifepo4", 0.6, "li-ion")
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.92, 1.05), mean, cutoff_v, pattern, air_c=rng.uniform(5, 15))  # fmt: skip


def _nine_volt(rng: Generator) -> Wish:
    """Alkaline 9 V block: six small cells (550 mAh), 1.5 to 3 ohm in all."""
    mah, depth = rng.uniform(480, 600), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.75, 60)
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.25, 0.5))
    pattern = str(rng.choice(["steady", "modes", "flashes"]))
    return Wish("alkaline", (Part(cell, 6, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (5.4, 7.2), pattern, air_c=air_c(rng))  # fmt: skip


def _zinc_air(rng: Generator) -> Wish:
    """Zinc-air 675 (600 mAh): flat, sharp end, some ohm; jewellery of 5 to 25 mA."""
    mah, depth = rng.uniform(540, 650), used_share(rng, 0.05, 0.6, 0.5)
    mean = night_mean_ma(rng, mah, depth, 0.93, 25)
    cell = Cell(
        sheets.of_a_make(rng, ZINC_AIR, 0.008), mah, r_ohm=logs(rng, 1.5, 4), growth=rng.uniform(0, 2),
        diffusion_s=rng.uniform(0.3, 1.5) * HOUR_S, exchange_a=mean / 1000 * logs(rng, 0.3, 2),
        exchange_s=logs(rng, 20, 200), activation_ev=rng.uniform(0.2, 0.35),
    )  # fmt: skip
    count = int(rng.choice([1, 2, 3]))
    cutoff_v = (1.0 * count, 1.15 * count)
    said = mostly(rng, "zinc-air", 0.6, "unknown")
    return Wish(said, (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v, "steady", air_c=air_c(rng))  # fmt: skip


def _alkaline_button(rng: Generator) -> Wish:
    """Three alkaline button cells (LR44, 110 to 150 mAh) at 5 to 12 mA: some ohm each."""
    mah, depth = rng.uniform(105, 150), used_share(rng, 0.05, 0.4, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.7, 12)
    cell = replace(alkaline_cell(rng, mah, mah / mean, logs(rng, 3, 8)), growth=rng.uniform(1, 5))
    count = int(rng.choice([2, 3]))
    pattern = str(rng.choice(["steady", "flashes"]))
    cutoff_v = (0.85 * count, 1.1 * count)
    return Wish("alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.1), mean, cutoff_v, pattern, air_c=air_c(rng))  # fmt: skip


def _from_storage(rng: Generator) -> Wish:
    """Two pouch cells in series, put on as they were stored: 40 to 60 % full, said to be charged."""
    mah, depth = logs(rng, 400, 1800), rng.uniform(0.38, 0.6)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    cell = pouch_cell(rng, sheets.COBALT, mah, mean, logs(rng, 0.05, 0.12))
    pattern = str(rng.choice(["steady", "modes", "flashes"]))
    return Wish("li-ion", (Part(cell, 2, depth),), label_mah(rng, mah, 0.92, 1.05), mean, (6.0, 6.8), pattern, air_c=air_c(rng))  # fmt: skip


def _capacitor(rng: Generator) -> Wish:
    """Two double-layer capacitors of 50 to 400 F in series, 5.0 V; a light that costs little."""
    farad = logs(rng, 50, 400)
    mah = farad * 2.7 / 3.6
    depth = rng.uniform(0.04, 0.12)
    mean = float(np.clip(mah * 0.45 / logs(rng, 3, 10), 5, 60))
    cell = Cell(
        Sheet(CAPACITOR), mah, r_ohm=logs(rng, 0.01, 0.05), diffusion_s=rng.uniform(0.02, 0.3) * HOUR_S,
    )  # fmt: skip
    return Wish(mostly(rng, "unknown", 0.7, "supercapacitor"), (Part(cell, 2, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (2.2, 3.2), str(rng.choice(["steady", "modes"])), air_c=air_c(rng))  # fmt: skip


def _silicon_cold(rng: Generator) -> Wish:
    """18650 or 21700 with silicon (3.0 to 4.8 Ah) out in the cold: -3 to 5 deg C."""
    mah, depth = rng.uniform(2900, 4800), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.85, 700)
    cell = pouch_cell(rng, SILICON, mah, mean, logs(rng, 0.12, 0.3))
    pattern = str(rng.choice(["steady", "flashes", "modes"]))
    return Wish("li-ion", (Part(cell, 1, depth),), label_mah(rng, mah, 0.9, 1.02), mean, (2.6, 3.2), pattern, air_c=rng.uniform(-3, 5))  # fmt: skip


def _sulphur(rng: Generator) -> Wish:
    """Lithium-sulphur pouch: falls to a shelf and stays there."""
    mah, depth = logs(rng, 500, 2500), used_share(rng, 0.05, 0.5, 0.4)
    mean = night_mean_ma(rng, mah, depth, 0.93)
    cell = pouch_cell(rng, SULPHUR, mah, mean, logs(rng, 0.1, 0.25))
    said = mostly(rng, "li-s", 0.5, "unknown")
    return Wish(said, (Part(cell, 1, depth),), label_mah(rng, mah, 0.9, 1.05), mean, (1.6, 1.95), str(rng.choice(["steady", "modes"])), air_c=air_c(rng))  # fmt: skip


def _depressed(rng: Generator) -> Wish:
    """NiMH AA or AAA after months on a trickle charger: the lower shelf comes early."""
    mah = float(rng.choice([780.0, 1950.0])) * rng.uniform(0.85, 1.03)
    depth = used_share(rng, 0.05, 0.4, 0.3)
    mean = night_mean_ma(rng, mah, depth, 0.95)
    cell = replace(nimh_cell(rng, mah, mean), sheet=sheets.of_a_make(rng, DEPRESSED, 0.008))
    count = int(rng.choice([3, 4]))
    cutoff_v = (0.85 * count, 1.1 * count)
    pattern = str(rng.choice(["steady", "modes", "flashes"]))
    return Wish("nimh", (Part(cell, count, depth),), label_mah(rng, mah, 0.85, 1.03), mean, cutoff_v, pattern, air_c=air_c(rng))  # fmt: skip


def _cooling(rng: Generator) -> Wish:
    """Three alkaline AA on a night ride: from the warm room out to 15 to 22 K less."""
    mah, depth = rng.uniform(2300, 2900), used_share(rng, 0.05, 0.5, 0.4)
    mean, count = night_mean_ma(rng, mah, depth, 0.6), int(rng.choice([3, 4]))
    cell = alkaline_cell(rng, mah, mah / mean, logs(rng, 0.1, 0.25))
    cutoff_v = (0.8 * count, 1.1 * count)
    return Wish(
        "alkaline", (Part(cell, count, depth),), label_mah(rng, mah, 0.9, 1.05), mean, cutoff_v,
        str(rng.choice(["steady", "flashes", "modes"])), ANY, rng.uniform(18, 24),
        warms_k=-rng.uniform(15, 22), warms_in=rng.uniform(0.1, 0.5),
    )  # fmt: skip


GROUPS: dict[str, Callable[[Generator], Wish]] = {
    "lead gel": _lead_gel,
    "iron phosphate, cool": _phosphate_flashes,
    "alkaline 9 V": _nine_volt,
    "zinc-air button": _zinc_air,
    "alkaline button": _alkaline_button,
    "pouches from storage": _from_storage,
    "double-layer capacitor": _capacitor,
    "silicon 18650, cold": _silicon_cold,
    "lithium-sulphur": _sulphur,
    "NiMH, lower shelf": _depressed,
    "alkaline cooling": _cooling,
}
