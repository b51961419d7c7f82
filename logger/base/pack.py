"""Packs: chemistry, cells in series, the cells' own floor, and the caution that goes with them.

Volts per cell: cell makers' sheets (tests/SOURCES.md B10), except where a line says "from
memory". Cautions: cell makers' notes, 16 CFR 1263; local codes and licensed practice come first.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from logger.base.errors import BenchError
from logger.base.typed.pack_words import MixedPack, NotAPack, PackWords, read_pack_words


@dataclass(frozen=True)
class Chemistry:
    """What a kind of cell brings along; volts are per cell. ``floor_v`` is where discharge must stop.

    ``brief``: the caution in one line, for who has read the whole of it this evening.
    """

    name: str
    nominal_v: float
    full_v: float
    floor_v: float
    caution: str
    brief: str


OTHER: Final = "other"
_CELLS_MOST: Final = 24
_NO_CHARGE = "Never charge a primary cell; never mix brands, ages or chemistries in one pack."
# What `start` takes where nobody says another.
PACK_DEFAULT: Final = "3x AA alkaline"
CHEMISTRIES: Final = {
    item.name: item
    for item in (
        Chemistry(
            "alkaline",
            1.5,
            1.65,
            0.8,
            f"Stop at 0.8 V per cell and take the cells out: run further down they leak caustic liquid. {_NO_CHARGE}",
            "Stop at 0.8 V per cell and take them out; never charge, never mix.",
        ),
        Chemistry(
            "zinc-carbon",
            1.5,
            1.65,
            0.8,
            f"Stop at 0.8 V per cell and take the cells out: they leak early. {_NO_CHARGE}",
            "Stop at 0.8 V per cell and take them out; never charge, never mix.",
        ),
        Chemistry(
            "nimh",
            1.2,
            1.45,
            1.0,
            "Stop at 1.0 V per cell: in series the weakest cell is driven into reverse. Never mix brands, ages or chemistries in one pack.",
            "Stop at 1.0 V per cell; never mix cells.",
        ),
        Chemistry(
            "li-ion",
            3.6,
            4.2,
            3.0,
            "Protected cell only. Never leave it alone without a hardware cutoff (load switch); stop at 3.0 V, and at once on swelling, smell or heat.",
            "Never alone without a hardware cutoff; stop at 3.0 V, at once on swelling, smell or heat.",
        ),
        # full and floor from memory
        Chemistry(
            "lifepo4",
            3.2,
            3.65,
            2.5,
            "Protected cell only. Never leave it alone without a hardware cutoff (load switch); stop at 2.5 V, and at once on swelling, smell or heat.",
            "Never alone without a hardware cutoff; stop at 2.5 V, at once on swelling, smell or heat.",
        ),
        Chemistry(
            "lithium-coin",
            3.0,
            3.3,
            2.0,
            "Swallowed coin cells burn and kill: out of children's reach, compartment with a screw. No short circuit, no charging.",
            "Swallowed coin cells burn and kill: out of children's reach; never charge.",
        ),
        # from memory
        Chemistry(
            "lithium-aa",
            1.5,
            1.8,
            0.9,
            f"No short circuit, no heat, no crushing. {_NO_CHARGE}",
            "No short circuit, no heat; never charge, never mix.",
        ),
        Chemistry(
            "usb-bank",
            5.0,
            5.25,
            4.4,
            "A power bank keeps its voltage flat to the end and may switch off under a light load. Stop on swelling or heat.",
            "May switch off under a light load; stop on swelling or heat.",
        ),
        # A kind without a word here: nothing is known of its volts.
        Chemistry(
            OTHER,
            0.0,
            float("inf"),
            0.0,
            "Nothing is known here of these cells: stop at the voltage and mind the cautions that their maker gives. "
            "Never leave unknown cells alone without a hardware cutoff.",
            "Stop where these cells' maker says; never leave them alone without a hardware cutoff.",
        ),
    )
}
RECHARGEABLE: Final = frozenset({"nimh", "li-ion", "lifepo4"})
USED_HELP: Final = (
    "These rechargeable cells have seen much use: do not count on the stated capacity."
)
SAFETY_CLOSING: Final = "Local codes and licensed practice come first."

_SENTENCE_END: Final = re.compile(r"(?<=[.!?]) (?=[A-Z])")


def brief_caution(caution: str) -> str:
    """A caution that was shown whole this evening, in one line: the cells' own, else its first sentence."""
    for kind in CHEMISTRIES.values():
        if kind.caution in caution:
            return kind.brief
    return _SENTENCE_END.split(caution)[0]


_BUTTON: Final = re.compile(r"LR(?:4|5)\d")
_NEAR: Final = (
    0.15  # a label's volts and a chemistry's nominal ones differ by so much at most (3.7 V, 3.6 V)
)


@dataclass(frozen=True)
class Pack:
    """Cells in series; ``capacity_mah`` is the label's or the user's figure, None if not given.

    ``used``: rechargeable cells that have seen much use, so that this figure no longer holds.
    """

    chemistry: str
    cells: int = 1
    size: str = ""
    capacity_mah: float | None = None
    used: bool = False

    @property
    def nominal_v(self) -> float:
        return CHEMISTRIES[self.chemistry].nominal_v * self.cells

    @property
    def full_v(self) -> float:
        return CHEMISTRIES[self.chemistry].full_v * self.cells

    @property
    def floor_v(self) -> float:
        """Voltage of the whole pack at which its cells must not be discharged further."""
        return round(CHEMISTRIES[self.chemistry].floor_v * self.cells, 3)

    @property
    def caution(self) -> str:
        swallowed = CHEMISTRIES["lithium-coin"].caution if _BUTTON.fullmatch(self.size) else ""
        return " ".join(
            filter(None, (CHEMISTRIES[self.chemistry].caution, swallowed, SAFETY_CLOSING))
        )

    def __str__(self) -> str:
        size = f"{self.size} " if self.size else ""
        cells = self.cells // 6 if self.size == "9V" and self.cells % 6 == 0 else self.cells
        return f"{cells}x {size}{self.chemistry}{', used' if self.used else ''}"

    @property
    def text(self) -> str:
        """The pack as ``parse_pack`` reads it back, with its capacity."""
        said = f" {self.capacity_mah:.12g} mAh" if self.capacity_mah is not None else ""
        return f"{replace(self, used=False)}{said}{', used' if self.used else ''}"


def parse_pack(
    text: str,
    capacity_mah: float | None = None,
    used: bool = False,
    *,
    other: bool = False,
    say: Callable[[str], None] | None = None,
) -> Pack:
    """Pack from words such as ``3x AA alkaline``, ``3xLR6``, ``1S LiPo 500mAh``, ``2x AA nimh, used`` or ``usb-bank``.

    ``capacity_mah``: the label's figure where the words do not say it. ``other``: whether cells of another kind
    (``2x other 180 mAh``), of which only the label's capacity is known, will do. ``say``: is told what was taken
    where the words leave the chemistry open; without it that is refused. Raises BenchError with the known
    chemistries if it cannot be understood, if both say different capacities, or if cells that are not
    recharged are called used.
    """
    words = _read(text, other)
    if words.taken:
        if say is None:
            raise BenchError(
                f"The pack {text!r} does not name its chemistry.",
                next_step=f'write "{_of(words).text}" if it is that; chemistries: {_known(other)}.',
            )
        say(f"{text!r} is taken as {_of(words).text} ({words.taken}).")
    said_mah = capacity_mah if words.capacity_mah is None else words.capacity_mah
    if capacity_mah is not None and said_mah != capacity_mah:
        raise BenchError(
            f"The pack {text!r} and its capacity do not go together.",
            evidence=f"{said_mah:g} mAh in its words, {capacity_mah} beside them",
            next_step="say the capacity once, as the label has it.",
        )
    if words.chemistry == OTHER:
        _check_other(text, said_mah, other)
    pack = replace(_of(words), capacity_mah=said_mah, used=False)
    _check_volts(text, pack, words.volts)
    return as_used(pack) if used or words.used else pack


def _of(words: PackWords) -> Pack:
    return Pack(words.chemistry, words.cells, words.size, words.capacity_mah, words.used)


def _read(text: str, other: bool) -> PackWords:
    """Raises BenchError for what is no pack, or none that can be meant."""
    why, step = "", f'write it like "3x AA alkaline"; chemistries: {_known(other)}.'
    try:
        words = read_pack_words(text)
    except MixedPack:
        raise BenchError(
            f"The pack {text!r} mixes cells of different chemistry.",
            evidence="the weaker kind is driven into reverse, heats up and leaks or bursts",
            next_step=f"use one kind, one brand, one age. {SAFETY_CLOSING}",
        ) from None
    except NotAPack as error:
        words, why, step = None, error.why, error.next_step
    if words is None or not 1 <= words.cells <= _CELLS_MOST:
        raise BenchError(
            f"The pack {text!r} is not understood.",
            evidence=why or "expected: number x size chemistry, with 1 to 24 cells in series",
            next_step=step,
        )
    return words


def _check_volts(text: str, pack: Pack, volts: float | None) -> None:
    """Raises BenchError where the label's volts are neither the pack's nor one cell's."""
    if volts is None or pack.chemistry == OTHER:
        return
    kind = CHEMISTRIES[pack.chemistry]
    known = (pack.nominal_v, pack.full_v, kind.nominal_v, kind.full_v)
    if not any(abs(volts - one) <= _NEAR * one for one in known):
        raise BenchError(
            f"The pack {text!r} and its volts do not go together.",
            evidence=f"{pack} has {pack.nominal_v:g} V",
            next_step=f'give the number of cells in series, such as "{max(2, round(volts / kind.nominal_v))}x {kind.name}".',
        )


def _known(other: bool) -> str:
    return ", ".join(name for name in CHEMISTRIES if other or name != OTHER)


def _check_other(text: str, capacity_mah: float | None, will_do: bool) -> None:
    """Raises BenchError where cells of another kind will not do, or tell nothing."""
    if not will_do:
        raise BenchError(
            f"The pack {text!r} will not do here: nothing is known of its voltage.",
            evidence="cells of another kind tell a forecast their capacity, and nothing else",
            next_step=f"name its chemistry: {_known(other=False)}.",
        )
    if capacity_mah is None:
        raise BenchError(
            f"The pack {text!r} says nothing without its capacity.",
            evidence="of cells of another kind only the label's capacity is known",
            next_step='give it, such as "2x other 180 mAh".',
        )


def as_used(pack: Pack | None) -> Pack:
    """The pack as one of much-used cells; BenchError if that says nothing of it."""
    if pack is None:
        raise BenchError(
            "The cells were called used, but not of which pack.",
            evidence="--used",
            next_step='give --pack with it, such as --pack "2x AA nimh".',
        )
    if pack.chemistry not in RECHARGEABLE:
        bank = pack.chemistry == "usb-bank"
        raise BenchError(
            f"The pack {str(pack)!r} cannot be called used.",
            evidence=f"only rechargeable cells wear with use: {', '.join(sorted(RECHARGEABLE))}"
            + (
                "; what a worn power bank still gives is not known"
                if bank
                else "; a primary cell that was used before is partly empty instead"
            ),
            next_step="leave --used out, and give --capacity as you measured it."
            if bank
            else "leave --used out: the forecast sees by itself where the pack began part-used.",
        )
    return replace(pack, used=True)


def cutoff_to_try(pack: Pack | None) -> str:
    """Volts to begin with where nobody knows the circuit's: two thirds of the nominal, not under the cells' floor."""
    return f"{max(pack.floor_v, pack.nominal_v * 2 / 3):.1f}" if pack and pack.floor_v else "3.0"
