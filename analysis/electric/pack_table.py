"""Packs that can be bought anywhere: mass, internal resistance, whether they can be charged.

Masses and resistances are typical of such cells, from memory; nobody has read them in a
source, so results that rest on them say so. Voltage curves and usual capacities
come from ``chemistry_prior``.
"""

from dataclasses import dataclass
from typing import Final

from logger.base.pack import Pack


@dataclass(frozen=True)
class CellFacts:
    """One cell: mass, internal resistance fresh and at the end, ohm (typical, from memory)."""

    mass_g: float
    fresh_ohm: float
    end_ohm: float
    rechargeable: bool


CELLS: Final = {
    ("alkaline", "AA"): CellFacts(23.0, 0.15, 0.60, False),
    ("alkaline", "AAA"): CellFacts(11.5, 0.25, 0.90, False),
    ("nimh", "AA"): CellFacts(28.0, 0.03, 0.06, True),
    ("nimh", "AAA"): CellFacts(13.0, 0.06, 0.12, True),
    ("lithium-coin", "CR2032"): CellFacts(3.0, 12.0, 40.0, False),
    ("li-ion", "pouch"): CellFacts(0.0, 0.10, 0.18, True),
    ("li-ion", "18650"): CellFacts(46.0, 0.05, 0.09, True),
    ("usb-bank", ""): CellFacts(0.0, 0.10, 0.10, True),
}


@dataclass(frozen=True)
class CurrentLimit:
    """What a cell gives for long and for moments, in mA, or in mA for each mAh of its capacity (``per_mah``)."""

    steady: float
    peak: float
    per_mah: bool = False


# Usual limits of cell makers' sheets (SOURCES.md B21, from memory); a pouch's own sheet or label may allow more or less.
LIMITS: Final = {
    ("alkaline", "AA"): CurrentLimit(1000.0, 2000.0),
    ("alkaline", "AAA"): CurrentLimit(500.0, 1000.0),
    ("nimh", "AA"): CurrentLimit(4000.0, 6000.0),
    ("nimh", "AAA"): CurrentLimit(1600.0, 2400.0),
    ("lithium-aa", "AA"): CurrentLimit(2500.0, 4000.0),
    ("lithium-coin", "CR2032"): CurrentLimit(3.0, 15.0),
    ("li-ion", "pouch"): CurrentLimit(1.0, 3.0, per_mah=True),
    ("li-ion", "18650"): CurrentLimit(5000.0, 7500.0),
}
# A coin cell of another size is not taken to give more than this.
_ANY_COIN: Final = CurrentLimit(3.0, 15.0)


def limits_ma(pack: Pack) -> tuple[float, float] | None:
    """Steady and peak current that the pack's cells are made for, mA; None where that is not known."""
    known = LIMITS.get((pack.chemistry, pack.size))
    if known is None and pack.chemistry == "lithium-coin":
        known = _ANY_COIN
    if known is None and pack.chemistry in ("li-ion", "lifepo4"):
        known = LIMITS["li-ion", "pouch"]
    if known is None or (known.per_mah and pack.capacity_mah is None):
        return None
    unit = (pack.capacity_mah or 0.0) if known.per_mah else 1.0
    return known.steady * unit, known.peak * unit


def short_circuit_ma(pack: Pack) -> float:
    """What a fresh pack gives into a short circuit, mA, by its cells' own resistance (typical, from memory)."""
    return 1000.0 * pack.nominal_v / (pack.cells * facts(pack).fresh_ohm)


POUCH_G_PER_MAH: Final = 0.020
BANK_G_PER_MAH: Final = 0.022
# A resistance for cells that stand in no row, wide on purpose.
UNKNOWN_CELL: Final = CellFacts(0.0, 0.3, 1.0, False)

# Share of capacity lost per kelvin below 20 C, and by a rechargeable cell in use for
# some time: typical, from memory.
COLD_LOSS_PER_K: Final = {
    "alkaline": 0.012,
    "zinc-carbon": 0.015,
    "nimh": 0.006,
    "li-ion": 0.006,
    "lifepo4": 0.009,
    "lithium-coin": 0.007,
    "lithium-aa": 0.003,
    "usb-bank": 0.006,
}
AGEING_LOSS: Final = 0.10
# Many power banks switch off under about this load: typical, from memory.
BANK_LEAST_MA: Final = 80.0

# USB 2.0, 7.2.2 (as cited second-hand): 4.75 to 5.25 V at the source, down to 4.4 V at the device.
USB_SOURCE_LEAST_V: Final = 4.75
USB_DEVICE_LEAST_V: Final = 4.4
# A port's current once the device is configured, USB 2.0: from memory.
USB_PORT_MA: Final = 500.0

# Order in which to offer what serves: common practice, no source.
BEGINNER_ORDER: Final = (
    "alkaline",
    "nimh",
    "usb-bank",
    "li-ion",
    "lifepo4",
    "lithium-aa",
    "zinc-carbon",
    "lithium-coin",
)

CANDIDATES: Final = (
    *(Pack("alkaline", cells, size) for size in ("AA", "AAA") for cells in (2, 3, 4)),
    *(Pack("nimh", cells, size) for size in ("AA", "AAA") for cells in (2, 3, 4)),
    Pack("lithium-coin", 1, "CR2032"),
    Pack("li-ion", 1, "pouch", 500.0),
    Pack("li-ion", 1, "pouch", 1000.0),
    Pack("li-ion", 1, "pouch", 2000.0),
    Pack("li-ion", 1, "18650"),
    Pack("usb-bank", 1, "", 5000.0),
    Pack("usb-bank", 1, "", 10000.0),
)


def facts(pack: Pack) -> CellFacts:
    """Facts of the pack's cell; a wide guess where the table has none."""
    return CELLS.get((pack.chemistry, pack.size), UNKNOWN_CELL)


def mass_g(pack: Pack) -> float | None:
    """Mass of the cells alone, without holder; None if not known."""
    if pack.chemistry == "usb-bank":
        return None if pack.capacity_mah is None else BANK_G_PER_MAH * pack.capacity_mah
    if pack.size == "pouch":
        return (
            None if pack.capacity_mah is None else POUCH_G_PER_MAH * pack.capacity_mah * pack.cells
        )
    known = facts(pack).mass_g
    return known * pack.cells if known else None
