"""Small pieces that stand only so much voltage, and what fresh packs give: for the table of packs.

Fresh open voltage per cell: alkaline 1.6 V (tests/SOURCES.md B4: 1.56 to 1.65), lithium AA 1.8 V, lithium-ion
4.2 V, NiMH just charged 1.45 V, lithium-iron 3.65 V, lithium coin 3.3 V (from memory of makers' sheets);
USB 5.25 V (tests/SOURCES.md C9). Imports nothing of the tool; all pieces are invented.
Those from memory are the figures that the tool has, from the same memory: for them this judges what is made of
a voltage, not the voltage.
"""

import re
from dataclasses import dataclass
from typing import Final

FRESH_V: Final = {
    "alkaline": 1.6,
    "zinc-carbon": 1.6,
    "lithium-aa": 1.8,
    "li-ion": 4.2,
    "nimh": 1.45,
    "lifepo4": 3.65,
    "lithium-coin": 3.3,
}
USB_V: Final = 5.25
_CELLS: Final = re.compile(r"(\d+)x\b")


@dataclass(frozen=True)
class LimitedPiece:
    """``pack``: its own; ``toml``: the budget; ``most_v``: the most that anything at the pack's terminals stands, as the file says."""

    name: str
    pack: str
    toml: str
    most_v: float


def fresh_v(pack: str) -> float:
    """Open voltage of a fresh pack, by the words for it: 3x AA alkaline. Raises ValueError for another kind."""
    if "USB" in pack:
        return USB_V
    cells = _CELLS.search(pack)
    kinds = sorted((kind for kind in FRESH_V if kind in pack), key=len)
    if cells is None or not kinds:
        raise ValueError(f"no such pack: {pack!r}")
    return int(cells[1]) * FRESH_V[kinds[-1]]


# Judged besides those of the tool's own list.
OTHER_PACKS: Final = (
    "1x AA lithium-aa",
    "2x AA lithium-aa",
    "3x AA lithium-aa",
    "4x AA lithium-aa",
    "2x AA alkaline",
    "3x AA alkaline",
    "4x AA alkaline",
    "4x AA nimh",
    "1x pouch li-ion 1000 mAh",
    "2x pouch li-ion 1000 mAh",
    "3x 18650 li-ion",
)


def _piece(
    name: str,
    most_v: float,
    *,
    pack: str,
    piece: str = "",
    supply: str = 'converter = "none"',
    part: str = "",
) -> LimitedPiece:
    toml = f"""[piece]
name = "{name}"
give_up_v = 2.0
{piece}

[supply]
pack = "{pack}"
{supply}

[[part]]
name = "controller"
tolerance_percent = 10
{part}
[part.current_ma]
on = 12

[[mode]]
name = "on"
hours = 4
parts.controller = "on"
"""
    return LimitedPiece(name, pack, toml, most_v)


_LINEAR: Final = 'converter = "linear"\noutput_v = 3.3\nquiescent_ma = 0.1'
_BOOST: Final = 'converter = "boost"\noutput_v = 5.0\nefficiency_percent = 88'
_BUCK: Final = 'converter = "buck"\noutput_v = 1.8\nefficiency_percent = 90'


def limited_pieces() -> list[LimitedPiece]:
    """Limits of the piece, of the converter and of a part at the pack."""
    return [
        _piece("3 V circuit, 4x AA", 3.6, pack="4x AA alkaline", piece="max_v = 3.6"),
        _piece("3 V circuit, 2x AA", 3.6, pack="2x AA alkaline", piece="max_v = 3.6"),
        _piece("3 V circuit by its part", 3.6, pack="2x AA alkaline", part="max_v = 3.6"),
        _piece("5 V part at the pack", 5.5, pack="3x AA alkaline", part="max_v = 5.5"),
        _piece(
            "linear of 6 V, two pouches",
            6.0,
            pack="2x pouch li-ion",
            supply=f"{_LINEAR}\nmax_v = 6.0",
        ),
        _piece(
            "linear of 6 V, one pouch",
            6.0,
            pack="1x pouch li-ion",
            supply=f"{_LINEAR}\nmax_v = 6.0",
        ),
        _piece(
            "boost of 4.5 V",
            4.5,
            pack="2x AA nimh",
            supply=f"{_BOOST}\nmax_v = 5.0",
            piece="max_v = 4.5",
        ),
        _piece("boost of 5 V", 5.0, pack="3x AA alkaline", supply=f"{_BOOST}\nmax_v = 5.0"),
        _piece("buck of 6.5 V", 6.5, pack="4x AA alkaline", supply=f"{_BUCK}\nmax_v = 6.5"),
        _piece("coin circuit", 3.4, pack="1x CR2032 lithium-coin", piece="max_v = 3.4"),
    ]
