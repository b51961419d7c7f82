"""Which fuse goes next to the pack: above what the piece draws, below what wires and pack bear.

A miniature fuse (IEC 60127-2, quick-acting) carries its rated current for ever and may take half an hour at 2.1 times
of it; so the wire has to bear 2.1 I_n as an overload, at most 1.45 times what it carries for as long as it likes
(IEC 60364-4-43, 433.1): I_n <= 0.69 I_z. It melts in seconds at 2.75 I_n, which the pack has to be able to give
(SOURCES.md D13, D14).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.electric.pack_table import limits_ma, short_circuit_ma
from logger.base.pack import Pack

# Rated currents of IEC 60127-2, mA (SOURCES.md D13); R10 series of ISO 3.
STANDARD_MA: Final = (
    32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800,
    1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10_000,
)  # fmt: skip
# Peaks and warm pockets age a fuse that is loaded to the full: common practice, no source.
ABOVE_PEAK: Final = 1.5
SLOWLY: Final = 2.1
BEARS: Final = 1.45
MELTS: Final = 2.75
# Hold currents that resettable fuses usually come in, mA at 23 C; what is left of it at 40 C on the body; trip over
# hold: typical of radial ones, from memory.
HOLDS_MA: Final = (
    100, 160, 200, 250, 300, 400, 500, 650, 750, 900, 1100, 1350, 1600, 1850, 2500, 3000, 4000, 5000,
)  # fmt: skip
HOLD_AT_40_C: Final = 0.85
TRIPS: Final = 2.0


@dataclass(frozen=True)
class FuseChoice:
    """``rated_ma``: quick-acting glass or ceramic fuse, ``hold_ma``: a resettable one; None: none fits.

    ``why_not``: what stands against a fuse of the standard's values, empty where one fits. ``peak_ma``: what it has to let pass.
    """

    peak_ma: float
    rated_ma: int | None
    hold_ma: int | None
    why_not: str = ""


def fuse_for(
    pack: Pack | None,
    peak_ma: float,
    *,
    wire_ma: float | None = None,
    stated_ma: Sequence[float | None] = (),
) -> FuseChoice | None:
    """The fuse next to this pack (None: not known which); None: it limits its current itself (a power bank).

    ``stated_ma``: what pack and holder are stated to carry, None: not said; else as ``choose_fuse``.
    """
    if pack is None:
        return choose_fuse(peak_ma, wire_ma=wire_ma, pack_ma=None, short_ma=None)
    if pack.chemistry == "usb-bank":
        return None
    cells = limits_ma(pack)
    bears = [*stated_ma, cells[0] if cells else None]
    return choose_fuse(
        peak_ma,
        wire_ma=wire_ma,
        pack_ma=min((limit_ma for limit_ma in bears if limit_ma is not None), default=None),
        short_ma=short_circuit_ma(pack),
    )


def choose_fuse(
    peak_ma: float, *, wire_ma: float | None, pack_ma: float | None, short_ma: float | None
) -> FuseChoice:
    """``wire_ma``: what the thinnest wire behind the pack carries for as long as it likes, ``pack_ma``: what the pack,
    or its holder, is made for, ``short_ma``: what it gives into a short circuit; None: not known."""
    least_ma = ABOVE_PEAK * peak_ma
    rated_ma = next((value for value in STANDARD_MA if value >= least_ma), None)
    hold_ma = next((value for value in HOLDS_MA if value * HOLD_AT_40_C >= peak_ma), None)
    if hold_ma is not None and not _bears(hold_ma * TRIPS, hold_ma, wire_ma, pack_ma, short_ma):
        hold_ma = None
    if rated_ma is None:
        why = f"{ABOVE_PEAK:g} times the peak is beyond {STANDARD_MA[-1] / 1000:g} A, the greatest of this kind"
        return FuseChoice(peak_ma, None, hold_ma, why)
    why_not = _against(rated_ma, wire_ma, pack_ma, short_ma)
    return FuseChoice(peak_ma, None if why_not else rated_ma, hold_ma, why_not)


def _against(
    rated_ma: int, wire_ma: float | None, pack_ma: float | None, short_ma: float | None
) -> str:
    asked = f"the peak asks for {current_words(rated_ma)}"
    if wire_ma is not None and SLOWLY * rated_ma > BEARS * wire_ma:
        bears = current_words(BEARS / SLOWLY * wire_ma)
        return f"{asked}, and the thinnest wire bears no fuse over {bears}: take it thicker"
    if pack_ma is not None and rated_ma > pack_ma:
        return f"{asked}, more than the {current_words(pack_ma)} that the pack or its holder is made for: take a bigger one"
    if short_ma is not None and MELTS * rated_ma > short_ma:
        return (
            f"{asked}, and even shorted this pack gives about {current_words(short_ma)}, too little to melt it at once: "
            "its own resistance limits the current"
        )
    return ""


def _bears(
    trip_ma: float, hold_ma: float, wire_ma: float | None, pack_ma: float | None, short_ma: float | None
) -> bool:  # fmt: skip
    return (
        (wire_ma is None or trip_ma <= BEARS * wire_ma)
        and (pack_ma is None or hold_ma <= pack_ma)
        and (short_ma is None or short_ma > 2 * trip_ma)
    )


def current_words(current_ma: float) -> str:
    """``315 mA``, ``1.25 A``."""
    return f"{current_ma:.0f} mA" if current_ma < 1000 else f"{current_ma / 1000:.3g} A"
