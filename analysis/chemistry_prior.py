"""What is known of a chemistry before a run: typical curves, their spread, usual capacities.

Stated priors for the forecast. Sources, by word in ``source``:

- "sheet": cell makers' sheets as quoted in the project's outside values (LR6: 2200 mAh on
  43 Ohm 4 h a day to 0.9 V, GB/T 8897.2; CR2032: 225 mAh; ends of discharge per chemistry),
- "typical": the shape and size a maker's sheet for such a cell usually shows, from memory; the
  spreads are our own judgement, then set so that intervals hold on the rundowns that
  tests/benchmarks keep for that ("tune"), not on those that judge,
- "Ecker 2015", "Kim 2011", "Marquis 2019", "Prada 2013": shape of that published cell's simulated
  curve (PyBaMM's parameter sets).

Volts are per cell. Depth is charge taken out over the charge that the cell gives, under the
run's mean current, from full down to the chemistry's floor voltage (``logger.pack``): 0 to 1.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from logger.pack import CHEMISTRIES, Pack

Array = NDArray[np.float64]

# The rate the typical curves were drawn at, in 1/h (current over capacity).
TYPICAL_RATE_PER_H: Final = 0.1


@dataclass(frozen=True)
class CurveFamily:
    """Typical loaded voltage of one kind of cell against depth, and how real cells differ from it.

    ``depth``, ``volts``: knots, depth rising from 0 to 1. ``slow_v``: standard deviation of what
    shifts long stretches of the curve; ``fine_v``: of bends over a tenth of the depth;
    ``warp``: of the depth at which its features stand. ``drop_v_h``: volts lost per unit of rate
    (current over capacity, 1/h), relative spread ``drop_spread``. ``start_v``: of the fresh
    cell's extra height. ``modes``: ways in which cells of this kind differ together, volts per
    standard deviation at the knots.
    """

    chemistry: str
    name: str
    weight: float
    depth: tuple[float, ...]
    volts: tuple[float, ...]
    slow_v: float
    fine_v: float
    warp: float
    drop_v_h: float
    source: str = "typical"
    drop_spread: float = 0.6
    start_v: float = 0.05
    modes: tuple[tuple[float, ...], ...] = ()


@dataclass(frozen=True)
class CapacityPrior:
    """Log-normal belief about the charge from full to floor at a mean current.

    ``median_mah``; ``log_sd``: standard deviation of its natural logarithm. ``worn``: weight of the
    case that the cell has aged to ``WORN_SHARE`` of it, which no label tells.
    """

    median_mah: float
    log_sd: float
    text: str
    worn: float = 0.0

    def log_density(self, log_q: Array) -> Array:
        """Logarithm of the belief's density at natural logarithms of mAh."""
        z = (log_q - np.log(self.median_mah)) / self.log_sd
        fresh = -0.5 * z**2 - np.log(self.log_sd)
        if not self.worn:
            return np.asarray(fresh)
        z = (log_q - np.log(WORN_SHARE * self.median_mah)) / WORN_LOG_SD
        aged = -0.5 * z**2 - np.log(WORN_LOG_SD)
        both = np.logaddexp(np.log(1 - self.worn) + fresh, np.log(self.worn) + aged)
        return np.asarray(both, dtype=np.float64)

    def log_range(self) -> tuple[float, float]:
        """Natural logarithms of mAh between which nearly all of the belief lies."""
        centre = float(np.log(self.median_mah))
        low = 4 * self.log_sd
        if self.worn:
            low = max(low, 2.5 * WORN_LOG_SD - float(np.log(WORN_SHARE)))
        return centre - low, centre + 4 * self.log_sd


# Rechargeable cells: how often worn, how far, relative spread. Judgement, no source.
_WORN: Final = {"nimh": 0.12, "li-ion": 0.12, "lifepo4": 0.12}
RECHARGEABLE: Final = frozenset(_WORN)
WORN_SHARE: Final = 0.80
WORN_LOG_SD: Final = 0.12

_D: Final = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)

# Set by leaving one cell out: each published cell forecast with the families of the others.
_LI_SLOW_V: Final = 0.07
_LI_FINE_V: Final = 0.04
_LI_WARP: Final = 0.05

FAMILIES: Final = (
    CurveFamily(
        "alkaline",
        "zinc-manganese dioxide",
        1.0,
        _D,
        (
            1.57,
            1.505,
            1.455,
            1.40,
            1.335,
            1.29,
            1.25,
            1.22,
            1.19,
            1.155,
            1.105,
            1.035,
            0.985,
            0.91,
            0.80,
        ),
        0.025,
        0.012,
        0.04,
        0.45,
    ),
    CurveFamily(
        "zinc-carbon",
        "zinc-carbon",
        1.0,
        _D,
        (1.56, 1.50, 1.46, 1.41, 1.33, 1.265, 1.21, 1.16, 1.11, 1.06, 1.0, 0.92, 0.87, 0.83, 0.80),
        0.035,
        0.012,
        0.03,
        0.8,
    ),
    CurveFamily(
        "nimh",
        "nickel-metal hydride",
        1.0,
        _D,
        (
            1.40,
            1.345,
            1.32,
            1.295,
            1.27,
            1.255,
            1.245,
            1.237,
            1.228,
            1.215,
            1.195,
            1.155,
            1.115,
            1.065,
            1.0,
        ),
        0.015,
        0.005,
        0.025,
        0.10,
    ),
    CurveFamily(
        "li-ion",
        "nickel-rich oxide",
        0.25,
        _D,
        (4.15, 4.1, 4.06, 4.01, 3.91, 3.83, 3.74, 3.66, 3.6, 3.55, 3.48, 3.37, 3.27, 3.15, 3.0),
        _LI_SLOW_V,
        _LI_FINE_V,
        _LI_WARP,
        0.22,
        "typical",
    ),
    CurveFamily(
        "li-ion",
        "cobalt oxide",
        0.25,
        _D,
        (4.16, 4.12, 4.08, 4.03, 3.945, 3.88, 3.82, 3.77, 3.74, 3.7, 3.65, 3.53, 3.42, 3.26, 3.0),
        _LI_SLOW_V,
        _LI_FINE_V,
        _LI_WARP,
        0.22,
        "typical",
    ),
    CurveFamily(
        "li-ion",
        "mixed oxide",
        0.2,
        _D,
        (
            4.17,
            4.148,
            4.112,
            4.06,
            3.955,
            3.86,
            3.8,
            3.775,
            3.75,
            3.695,
            3.595,
            3.48,
            3.385,
            3.24,
            3.0,
        ),
        _LI_SLOW_V,
        _LI_FINE_V,
        _LI_WARP,
        0.22,
        "Ecker 2015",
    ),
    CurveFamily(
        "li-ion",
        "nickel-cobalt-aluminium oxide",
        0.15,
        _D,
        (
            4.17,
            4.145,
            4.115,
            4.068,
            3.97,
            3.867,
            3.765,
            3.683,
            3.6,
            3.5,
            3.39,
            3.27,
            3.205,
            3.14,
            3.0,
        ),
        _LI_SLOW_V,
        _LI_FINE_V,
        _LI_WARP,
        0.22,
        "Kim 2011",
    ),
    CurveFamily(
        "li-ion",
        "cobalt oxide, long and flat",
        0.15,
        _D,
        (
            4.07,
            4.04,
            3.96,
            3.88,
            3.83,
            3.782,
            3.75,
            3.728,
            3.695,
            3.675,
            3.66,
            3.64,
            3.56,
            3.4,
            3.0,
        ),
        _LI_SLOW_V,
        _LI_FINE_V,
        _LI_WARP,
        0.22,
        "Marquis 2019",
    ),
    CurveFamily(
        "lifepo4",
        "iron phosphate",
        0.6,
        _D,
        (
            3.40,
            3.335,
            3.315,
            3.305,
            3.295,
            3.285,
            3.27,
            3.26,
            3.25,
            3.225,
            3.19,
            3.12,
            3.03,
            2.85,
            2.5,
        ),
        0.030,
        0.010,
        0.035,
        0.16,
    ),
    CurveFamily(
        "lifepo4",
        "iron phosphate, soft knee",
        0.4,
        _D,
        (
            3.36,
            3.31,
            3.29,
            3.285,
            3.275,
            3.25,
            3.242,
            3.237,
            3.22,
            3.18,
            3.13,
            3.0,
            2.87,
            2.70,
            2.5,
        ),
        0.030,
        0.010,
        0.035,
        0.16,
        "Prada 2013",
    ),
    CurveFamily(
        "lithium-coin",
        "lithium-manganese dioxide",
        1.0,
        _D,
        (3.05, 2.98, 2.95, 2.93, 2.91, 2.90, 2.89, 2.88, 2.865, 2.84, 2.79, 2.66, 2.50, 2.27, 2.0),
        0.05,
        0.012,
        0.04,
        3.0,
    ),
    CurveFamily(
        "lithium-aa",
        "lithium-iron disulphide",
        1.0,
        _D,
        (
            1.68,
            1.58,
            1.54,
            1.52,
            1.505,
            1.495,
            1.485,
            1.475,
            1.465,
            1.455,
            1.44,
            1.40,
            1.34,
            1.20,
            0.90,
        ),
        0.025,
        0.008,
        0.03,
        0.2,
    ),
)

# mAh at light load where nothing is stated; (median, standard deviation of the logarithm)
_USUAL_MAH: Final = {
    ("alkaline", "AA"): (2500.0, 0.12),
    ("alkaline", "AAA"): (1100.0, 0.13),
    ("alkaline", "AAAA"): (550.0, 0.2),
    ("alkaline", "C"): (7500.0, 0.15),
    ("alkaline", "D"): (15000.0, 0.15),
    ("alkaline", "9V"): (550.0, 0.15),
    ("zinc-carbon", "AA"): (900.0, 0.25),
    ("zinc-carbon", "AAA"): (400.0, 0.25),
    ("nimh", "AA"): (2000.0, 0.15),
    ("nimh", "AAA"): (800.0, 0.15),
    ("lithium-aa", "AA"): (3100.0, 0.07),
    ("lithium-aa", "AAA"): (1200.0, 0.07),
    ("lithium-coin", "CR2032"): (225.0, 0.10),
    ("lithium-coin", "CR2025"): (160.0, 0.10),
    ("lithium-coin", "CR2016"): (85.0, 0.12),
    ("lithium-coin", "CR2450"): (600.0, 0.10),
    ("li-ion", "18650"): (2600.0, 0.2),
    ("lifepo4", "18650"): (1500.0, 0.15),
}
_UNKNOWN_MAH: Final = (1200.0, 0.9)
# With a stated capacity: median of true over stated, standard deviation of its logarithm. Labels
# are seldom beaten; rechargeable cells lose with age.
_STATED: Final = {
    "alkaline": (1.0, 0.10),
    "zinc-carbon": (1.0, 0.2),
    "nimh": (0.97, 0.05),
    "li-ion": (0.96, 0.05),
    "lifepo4": (0.98, 0.05),
    "lithium-coin": (0.98, 0.08),
    "lithium-aa": (1.0, 0.06),
    "usb-bank": (1.0, 0.1),
}
# Capacity falls as (rate / reference)^-p beyond the reference rate: (p, reference 1/h, spread of p)
_RATE_LOSS: Final = {
    "alkaline": (0.33, 0.03, 0.08),
    "zinc-carbon": (0.40, 0.02, 0.1),
    "nimh": (0.03, 0.2, 0.02),
    "li-ion": (0.02, 0.2, 0.02),
    "lifepo4": (0.02, 0.2, 0.02),
    "lithium-coin": (0.25, 0.001, 0.08),
    "lithium-aa": (0.04, 0.1, 0.02),
}
# What comes out of a power bank against its label: spread, typical.
BANK_LOG_SD: Final = 0.12


def bank_charge_mah(label_mah: float, output_v: float = 5.0, efficiency: float = 0.87) -> float:
    """Charge a power bank gives at its output: label times cell voltage over output times efficiency.

    The label counts the cells' charge at 3.7 V (common practice, no source).
    """
    return label_mah * 3.7 / output_v * efficiency


def families(chemistry: str) -> tuple[CurveFamily, ...]:
    """Curve families of a chemistry; empty for a source that shows no curve (power bank)."""
    return tuple(family for family in FAMILIES if family.chemistry == chemistry)


def capacity_prior(pack: Pack, mean_ma: float) -> CapacityPrior:
    """Belief about the charge down to the floor at this mean current, before the run is looked at."""
    stated = pack.capacity_mah is not None and pack.capacity_mah > 0
    if stated:
        assert pack.capacity_mah is not None
        factor, log_sd = _STATED[pack.chemistry]
        label = pack.capacity_mah
        median, text = label * factor, f"stated capacity {label:g} mAh"
    else:
        key = (pack.chemistry, pack.size)
        median, log_sd = _USUAL_MAH.get(key, _UNKNOWN_MAH)
        label = median
        known = key in _USUAL_MAH
        text = f"usual capacity of {pack.size} {pack.chemistry}" if known else "capacity not known"
    if pack.chemistry == "usb-bank":
        return CapacityPrior(bank_charge_mah(median), float(np.hypot(log_sd, BANK_LOG_SD)), text)
    exponent, reference_per_h, exponent_sd = _RATE_LOSS[pack.chemistry]
    log_ratio = np.log(max(mean_ma / label / reference_per_h, 1e-3))
    if exponent * log_ratio > 0:
        median *= float(np.exp(-exponent * log_ratio))
    log_sd = float(np.hypot(log_sd, exponent_sd * max(log_ratio, 0.0)))
    return CapacityPrior(float(median), log_sd, text, _WORN.get(pack.chemistry, 0.0))


@cache
def curve_table(family: CurveFamily) -> tuple[Array, Array, Array]:
    """Depth (0 to 1.3), typical volts per cell and slope (V per unit depth), fine enough to interpolate.

    Monotone cubic through the family's knots; beyond depth 1 it goes on with its last slope.
    """
    shape = PchipInterpolator(np.asarray(family.depth), np.asarray(family.volts))
    depth = np.linspace(0.0, 1.3, 1301)
    inside = np.minimum(depth, 1.0)
    slope = np.asarray(shape(inside, 1), dtype=np.float64)
    # the cubic's end slope may be zero; the last knots' chord is the true fall
    last = (family.volts[-1] - family.volts[-2]) / (family.depth[-1] - family.depth[-2])
    slope[depth > 1.0] = last
    volts = np.asarray(shape(inside), dtype=np.float64) + last * np.maximum(depth - 1.0, 0.0)
    return depth, volts, slope


@cache
def mode_table(family: CurveFamily) -> tuple[Array, Array]:
    """Depth (0 to 1.3) and the family's modes there, shape (modes, depths); none beyond depth 1."""
    depth = np.linspace(0.0, 1.3, 1301)
    rows = [PchipInterpolator(np.asarray(family.depth), np.asarray(m))(np.minimum(depth, 1.0)) for m in family.modes]
    return depth, np.array(rows).reshape(len(rows), len(depth))


def candidates(start_v: float) -> list[tuple[Pack, float]]:
    """Packs that could stand behind an unstated source with this first loaded voltage, with weights.

    A cell is a candidate where the first voltage per cell lies between its mid-curve and its
    full voltage; light preference for few cells.
    """
    found: list[tuple[Pack, float]] = []
    for name, chemistry in CHEMISTRIES.items():
        kinds = families(name)
        if not kinds:
            continue
        mid_v = min(float(np.interp(0.5, kind.depth, kind.volts)) for kind in kinds)
        for cells in range(1, 9):
            if mid_v <= start_v / cells <= chemistry.full_v * 1.01:
                found.append((Pack(name, cells), 1.0 / cells))
    total = sum(weight for _, weight in found)
    return [(pack, weight / total) for pack, weight in found]
