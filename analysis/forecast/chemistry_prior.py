"""What is known of a chemistry before a run: typical curves, their spread, usual capacities.

Stated priors for the forecast. Sources:

- cell makers' sheets (LR6: 2200 mAh on 43 Ohm 4 h a day to 0.9 V, GB/T 8897.2; CR2032: 225 mAh;
  ends of discharge per chemistry; tests/SOURCES.md B4, B8, B10),
- bench table: PowerStream, "Discharge tests of AA batteries", 2006-2020 (usual alkaline AA; tests/SOURCES.md B3),
- the rest from memory; the spreads are judgement, checked on rundowns kept for that ("tune" in
  tests/benchmarks), not on those that judge.

The curves themselves: ``learned_curves`` and ``typical_curves``.

Volts are per cell. Depth is charge taken out over the charge that the cell gives, under the
run's mean current, from full down to the chemistry's floor voltage (``logger.base.pack``): 0 to 1.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from analysis.curve.curve_family import CurveFamily
from analysis.curve.learned_curves import LEARNED
from analysis.curve.rate import cold_share
from analysis.curve.typical_curves import TYPICAL
from logger.base.pack import CHEMISTRIES, OTHER, RECHARGEABLE, Pack

Array = NDArray[np.float64]

# The rate the typical curves were drawn at, in 1/h (current over capacity).
TYPICAL_RATE_PER_H: Final = 0.1


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


# Rechargeable cells: how often worn where nobody has said so and where the maker says "used"; to
# what share of the label, relative spread. Judgement, no source.
WORN_UNSTATED: Final = 0.12
WORN_STATED: Final = 0.85
WORN_SHARE: Final = 0.80
WORN_LOG_SD: Final = 0.12

# Every family that may stand behind a run.
FAMILIES: Final = (*TYPICAL, *LEARNED)
# Chemistries and makes (a family's ``source``) that are taken for unknown: what leave-one-out judging asks for.
_LEFT_OUT: ContextVar[frozenset[str]] = ContextVar("left_out", default=frozenset())


@contextmanager
def left_out(*names: str) -> Iterator[None]:
    """Within, nothing is known of these chemistries and makes: no curves, no usual capacities, no rate loss."""
    token = _LEFT_OUT.set(_LEFT_OUT.get() | frozenset(names))
    try:
        yield
    finally:
        _LEFT_OUT.reset(token)


def known_families() -> tuple[CurveFamily, ...]:
    """Every family that may stand behind a run, but those left out."""
    out = _LEFT_OUT.get()
    if not out:
        return FAMILIES
    return tuple(item for item in FAMILIES if not {item.chemistry, item.source, item.name} & out)


def is_known(chemistry: str) -> bool:
    return chemistry != OTHER and chemistry not in _LEFT_OUT.get()


# mAh at light load where nothing is stated; (median, standard deviation of the logarithm)
_USUAL_MAH: Final = {
    # With the rate's loss: within 5 % of the mean of the bench table's cells at 0.1, 0.5, 1 and 2 A
    # (PowerStream, "Discharge tests of AA batteries", 2006-2020).
    ("alkaline", "AA"): (2350.0, 0.10),
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
    "li-ion": (0.975, 0.045),
    "lifepo4": (0.98, 0.05),
    "lithium-coin": (0.98, 0.08),
    "lithium-aa": (1.0, 0.06),
    "usb-bank": (1.0, 0.1),
}
_STATED_UNKNOWN: Final = (0.95, 0.15)  # of a chemistry that is left out
# Capacity falls as (rate / reference)^-p beyond the reference rate: (p, reference 1/h, spread of p)
_RATE_LOSS: Final = {
    "alkaline": (0.20, 0.03, 0.05),
    "zinc-carbon": (0.40, 0.02, 0.1),
    "nimh": (0.04, 0.2, 0.02),
    "li-ion": (0.01, 0.2, 0.02),
    "lifepo4": (0.03, 0.2, 0.02),
    "lithium-coin": (0.25, 0.001, 0.08),
    "lithium-aa": (0.04, 0.1, 0.02),
}
_RATE_LOSS_UNKNOWN: Final = (0.1, 0.1, 0.08)
# The loss grows with the rate: times exp(-bend log(rate / reference)^2); bench table as above.
_RATE_BEND: Final = {"alkaline": 0.04}
_GAIN_RANGE: Final = float(
    np.log(4.0)
)  # below a quarter of the reference rate nothing more is gained
# Logarithm: to less than a quarter no load that a cell still feeds brings it (bench table as above, 2 A).
_LOSS_MOST: Final = 1.4
_BOUNDS_SDS: Final = 3.3  # least and greatest of what is usual: nine in ten lie between
# What comes out of a power bank against its label: spread, typical.
BANK_LOG_SD: Final = 0.12


def bank_charge_mah(label_mah: float, output_v: float = 5.0, efficiency: float = 0.87) -> float:
    """Charge a power bank gives at its output: label times cell voltage over output times efficiency.

    The label counts the cells' charge at 3.7 V (common practice, no source).
    """
    return label_mah * 3.7 / output_v * efficiency


def families(chemistry: str) -> tuple[CurveFamily, ...]:
    """Curve families of a chemistry; empty for a source that shows no curve (power bank)."""
    return tuple(family for family in known_families() if family.chemistry == chemistry)


def capacity_prior(pack: Pack, mean_ma: float, temperature_c: float | None = None) -> CapacityPrior:
    """Belief about the charge down to the floor at this mean current, before the run is looked at.

    ``temperature_c``: where it was told; else a room is meant.
    """
    stated = pack.capacity_mah is not None and pack.capacity_mah > 0
    if stated:
        assert pack.capacity_mah is not None
        known = is_known(pack.chemistry)
        factor, log_sd = _STATED[pack.chemistry] if known else _STATED_UNKNOWN
        label = pack.capacity_mah
        median, text = label * factor, f"stated capacity {label:g} mAh"
    else:
        key = (pack.chemistry, pack.size)
        known = key in _USUAL_MAH and is_known(pack.chemistry)
        median, log_sd = _USUAL_MAH[key] if known else _UNKNOWN_MAH
        label = median
        text = f"usual capacity of {pack.size} {pack.chemistry}" if known else "capacity not known"
    if pack.chemistry == "usb-bank":
        return CapacityPrior(bank_charge_mah(median), float(np.hypot(log_sd, BANK_LOG_SD)), text)
    loss = _RATE_LOSS[pack.chemistry] if is_known(pack.chemistry) else _RATE_LOSS_UNKNOWN
    exponent, reference_per_h, exponent_sd = loss
    log_ratio = np.log(max(mean_ma / label / reference_per_h, 1e-3))
    if pack.chemistry not in RECHARGEABLE:  # labels of these are for light loads
        log_ratio = max(log_ratio, 0.0)
    log_ratio = max(log_ratio, -_GAIN_RANGE)
    bend = _RATE_BEND.get(pack.chemistry, 0.0) if is_known(pack.chemistry) else 0.0
    lost = exponent * log_ratio + bend * log_ratio**2
    median *= float(np.exp(-min(lost, _LOSS_MOST)))
    log_sd = float(np.hypot(log_sd, exponent_sd * log_ratio))
    if temperature_c is not None and is_known(pack.chemistry):
        least, most = cold_share(pack.chemistry, temperature_c)
        median *= float(np.sqrt(least * most))
        log_sd = float(np.hypot(log_sd, np.log(most / least) / _BOUNDS_SDS))
    worn = WORN_STATED if pack.used else WORN_UNSTATED
    if pack.chemistry not in RECHARGEABLE:
        worn = 0.0
    return CapacityPrior(float(median), log_sd, text, worn)


def capacity_words(pack: Pack | None) -> str:
    """How a rechargeable pack's stated capacity is taken; empty where there is nothing to say."""
    if pack is None or not pack.capacity_mah or pack.chemistry not in RECHARGEABLE:
        return ""
    if pack.used:
        return ", and the stated capacity less what use takes from such cells"
    return ", and the stated capacity taken as nearly true (worn cells end sooner: say --used)"


@cache
def curve_table(family: CurveFamily) -> tuple[Array, Array, Array]:
    """Depth (0 to 1.3), typical volts per cell and slope (V per unit depth), fine enough to interpolate.

    Monotone cubic through the family's knots; beyond depth 1 it goes on with its last slope.
    """
    shape = scipy.interpolate.PchipInterpolator(np.asarray(family.depth), np.asarray(family.volts))
    depth = np.linspace(0.0, 1.3, 1301)
    inside = np.minimum(depth, 1.0)
    slope = np.asarray(shape(inside, 1), dtype=np.float64)
    # the cubic's end slope may be zero; the last knots' chord is the true fall
    last = (family.volts[-1] - family.volts[-2]) / (family.depth[-1] - family.depth[-2])
    slope[depth > 1.0] = last
    volts = np.asarray(shape(inside), dtype=np.float64) + last * np.maximum(depth - 1.0, 0.0)
    return depth, volts, slope


def depth_at(family: CurveFamily, cell_v: ArrayLike, current_ma: float, full_mah: float) -> Array:
    """Depth at which a typical cell of ``full_mah`` stands at this voltage (V per cell) under this current, shape of ``cell_v``."""
    knots, volts, _ = curve_table(family)
    drop_v = family.drop_v_h * (current_ma / full_mah - TYPICAL_RATE_PER_H)
    return np.asarray(np.interp(-(np.asarray(cell_v) + drop_v), -volts, knots))


@cache
def mode_table(family: CurveFamily) -> tuple[Array, Array]:
    """Depth (0 to 1.3) and the family's modes there, shape (modes, depths); none beyond depth 1."""
    depth = np.linspace(0.0, 1.3, 1301)
    rows = [
        scipy.interpolate.PchipInterpolator(np.asarray(family.depth), np.asarray(m))(
            np.minimum(depth, 1.0)
        )
        for m in family.modes
    ]
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
