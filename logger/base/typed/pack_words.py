"""Which cells, how many, of which chemistry: ``3 AA``, ``3xLR6``, ``AAx3``, ``2x AA lithium``, ``1S LiPo 500mAh``?

IEC 60086-1 names primary cells by letters: none zinc-carbon, L alkaline, F (FR) lithium iron disulfide, C (CR)
lithium manganese dioxide; a number before them counts cells in series. IEC 61951: HR nickel-metal hydride. IEC
61960: ICR, INR, IMR lithium-ion, IFR lithium iron phosphate. SOURCES.md B25 (from memory). Words in six languages.
"""

import re
from dataclasses import dataclass
from typing import Final

from logger.base.typed.number import NUMBER, TwoReadings, read_number
from logger.base.typed.signs import plain_signs
from logger.base.typed.words import counted, word_set

_SIZES: Final = {
    **{size.lower(): size for size in ("AAAA", "AAA", "AA", "C", "D", "pouch")},
    **dict.fromkeys(("mignon", "stilo", "penlite"), "AA"),
    **dict.fromkeys(("micro", "ministilo"), "AAA"),
    **dict.fromkeys(("baby",), "C"),
    **dict.fromkeys(("mono",), "D"),
    **dict.fromkeys(("pp3", "e-block", "block"), "9V"),
}
_CHEMISTRIES: Final = {
    "alkaline": "alkaline alkali alkalisk alkaliska alkalisch alkalische alkalin alkali-mangan alcaline alcalines alcalina alcalinas alcalino",
    "zinc-carbon": "zinc-carbon zinc-carbone carbon-zinc zink-kohle zinkkohle saline salines salina salinas zinkkool zinco-carbone",
    "nimh": "nimh ni-mh",
    "li-ion": "icr inr imr li-ion liion lithium-ion lipo li-po li-poly lithium-polymer lithiumpolymer litio-ion",
    "lifepo4": "ifr lifepo4 lifepo₄ lifepo lfp lithium-eisenphosphat",
    "usb-bank": "usb-bank powerbank power-bank",
    "lithium-coin": "lithium-coin",
    "lithium-aa": "lithium-aa",
    "other": "other",
}
_CHEMISTRY_OF: Final = {
    word: name for name, words in _CHEMISTRIES.items() for word in words.split()
}
_TOGETHER: Final = (  # words of two
    (r"\bli ion\b", "li-ion"),
    (r"\blithium (ion|ionen|polymer|polymère|polimero)\b", "li-ion"),
    (r"\b(?:ion de litio|ioni di litio|lithium-ionen)\b", "li-ion"),
    (r"\blithium iron (?:phosphate)\b", "lifepo4"),
    (r"\blithium iron disul(?:f|ph)ide\b", "lithium-aa"),
    (r"\b(?:zinc|zink) (?:carbon|carbone|kohle|kool)\b", "zinc-carbon"),
    (r"\b(?:ni mh|nickel[- ]metal hydride|nickel-metallhydrid)\b", "nimh"),
    (r"\b(?:usb|power) bank\b", "usb-bank"),
    (r"\blithium coin\b", "lithium-coin"),
    (r"\b(cr|br|[lhf]r|i[cnmf]r) (6|03|14|20|\d{4,5})\b", r"\1\2"),
    (r"\b(?:coin|button) cells?\b|\bknopfzellen?\b", " "),
)
_LITHIUM_RECHARGED: Final = frozenset(("li-ion", "lifepo4"))
_NEVER_CHARGED: Final = frozenset(("alkaline", "zinc-carbon", "lithium-coin", "lithium-aa"))
_LITHIUM: Final = frozenset(("lithium", "litio", "lithiumbatterie", "li"))
_RECHARGEABLE: Final = word_set(
    "rechargeable rechargeables akku akkus accu accus accus ricaricabile ricaricabili recargable recargables herlaadbare oplaadbare oplaadbaar"
)
_USED: Final = frozenset(
    ("used", "gebraucht", "usagé", "usagés", "usado", "usados", "gebruikt", "usate", "usata")
)
_SAID_ANYWAY: Final = word_set(
    "battery batteries cell cells batterie batterien zelle zellen pile piles pila pilas batería baterías batteria batterij batterijen batterier batteri "
    "stück pack of x mal fois fresh in series reihe serie")  # fmt: skip
# Known of the trade, and none of ours: nothing is known here of their voltages.
_NOT_OURS: Final = {
    **dict.fromkeys(("nicd", "ni-cd", "kr"), "nickel-cadmium"),
    **dict.fromkeys(("silver", "silver-oxide", "sr", "silberoxid"), "silver oxide"),
    **dict.fromkeys(("zinc-air", "pr", "zink-luft"), "zinc-air"),
    **dict.fromkeys(("lead", "lead-acid", "blei", "sla", "agm"), "lead-acid"),
    **dict.fromkeys(("br",), "lithium carbon monofluoride"),
}
_IEC_SIZE: Final = {"6": "AA", "03": "AAA", "14": "C", "20": "D", "8d425": "AAAA"}
_IEC_KIND: Final = {"": "zinc-carbon", "l": "alkaline", "f": "lithium-aa", "h": "nimh"}
_FLAT_BLOCK: Final = "6f22"  # zinc-carbon, 9 V
_IEC: Final = re.compile(r"(\d{0,2})([lfhksp]?)r(6|03|14|20|61|12|8d425|1|41|43|44|54)")
_ROUND: Final = re.compile(r"(?:(i[cnmf]r|cr|br|lir)-?)?(\d{4,5})")
_COUNT: Final = re.compile(r"(?<![\w.,])(\d{1,2}) ?(?:x|s(?:1p)?(?![a-z]))|x ?(\d{1,2})(?!\d)")
_VOLTS: Final = re.compile(r"(?:(?<![\w.,])|(?<=\dx))(\d{1,2}(?:[.,]\d{1,2})?) ?v(?:olts?)?\b")
_CAPACITY: Final = re.compile(rf"(?<![x\d.,])({NUMBER}) ?(m?ah)\b")
# Nothing else counts the cells: LiPo 2 500 mAh.
_COUNT_OR_THOUSANDS: Final = re.compile(
    r"(?<![\dx.,])([1-9]|1\d|2[0-4]) ([1-9]\d\d(?:[.,]\d+)? ?m?ah)\b"
)


@dataclass(frozen=True)
class PackWords:
    """What was typed. ``volts``: nominal, as the label says it; ``taken``: what was added, to be said."""

    chemistry: str
    cells: int
    size: str
    capacity_mah: float | None
    used: bool
    volts: float | None = None
    taken: str = ""


class NotAPack(ValueError):
    """What is wrong with the words, and what to write."""

    def __init__(self, why: str, next_step: str = "") -> None:
        super().__init__(why)
        self.why, self.next_step = why, next_step


class MixedPack(ValueError):
    """Cells of different chemistry."""


@dataclass
class _Seen:
    cells: list[int]
    sizes: list[str]
    chemistries: list[str]
    volts: float | None = None
    lithium: bool = False
    rechargeable: bool = False
    used: bool = False


def read_pack_words(text: str) -> PackWords | None:
    """None if the text cannot be understood. Raises NotAPack where it is understood and cannot be meant."""
    plain = counted(plain_signs(text)).casefold()
    for written, meant in _TOGETHER:
        plain = re.sub(written, meant, plain)
    if re.search(r"\blifepo 4\b", plain):
        raise NotAPack("it may be four cells, or one", 'write "4x lifepo4" or "1x lifepo4".')
    written = plain
    plain, capacity_mah = _capacity(plain)
    seen = _Seen([], [], [])
    plain = _VOLTS.sub(lambda match: _volts(seen, match), plain)
    plain = _COUNT.sub(lambda match: _count(seen, match), plain)
    for word in re.split(r"[\s,;+()]+", plain):
        if word and not _take(seen, word):
            return None
    if not seen.cells and (match := _COUNT_OR_THOUSANDS.search(written)):
        raise NotAPack(
            f"{match[0]} may be {match[1]} cells of {match[2]}, or {match[1]}{match[2]}",
            f'write "1x" in front if that is one figure, or "{match[1]}x".',
        )
    return _together(seen, capacity_mah)


def _capacity(plain: str) -> tuple[str, float | None]:
    """The text without its capacity, and that in mAh."""
    found = list(_CAPACITY.finditer(plain))
    if len(found) > 1:
        raise NotAPack("it names two capacities", "say the capacity once, as the label has it.")
    if not found:
        return plain, None
    factor = 1000.0 if found[0][2] == "ah" else 1.0
    try:
        number = read_number(found[0][1], lambda value: value * factor <= 200_000.0)
    except TwoReadings as two:
        raise NotAPack(
            f"{two} mAh", "write the capacity without a sign between thousands."
        ) from None
    if not number:
        raise NotAPack(f"{found[0][1]!r} is no capacity", "write the capacity like 500 mAh.")
    return f"{plain[: found[0].start()]} {plain[found[0].end() :]}", number * factor


def _volts(seen: _Seen, match: re.Match[str]) -> str:
    """Nine volts are a kind of battery; any others are said of one."""
    if match[1] == "9":
        seen.sizes.append("9V")
    else:
        seen.volts = float(match[1].replace(",", "."))
    return " "


def _count(seen: _Seen, match: re.Match[str]) -> str:
    seen.cells.append(int(match[1] or match[2]))
    return " "


def _take(seen: _Seen, word: str) -> bool:
    """Whether the word is one of a pack's."""
    word = word.strip(".")
    if word in _SIZES:
        seen.sizes.append(_SIZES[word])
    elif word in _CHEMISTRY_OF:
        seen.chemistries.append(_CHEMISTRY_OF[word])
        if word in ("lipo", "li-po", "li-poly", "lithium-polymer", "lithiumpolymer"):
            seen.sizes.append("pouch")
    elif word in _LITHIUM:
        seen.lithium = True
    elif word in _RECHARGEABLE:
        seen.rechargeable = True
    elif word in _USED:
        seen.used = True
    elif word in _NOT_OURS:
        raise NotAPack(f"{_NOT_OURS[word]} cells are not known here", _OTHER_STEP)
    elif word == _FLAT_BLOCK:
        seen.sizes.append("9V")
        seen.chemistries.append("zinc-carbon")
    elif match := _IEC.fullmatch(word):
        _take_iec(seen, match)
    elif match := _ROUND.fullmatch(word):
        _take_round(seen, match)
    elif re.fullmatch(r"\d{1,2}", word):
        seen.cells.append(int(word))
    elif "-" in word and all(part for part in word.split("-")):
        return all(_take(seen, part) for part in word.split("-"))  # LiPo-Akku, AA-Zellen
    elif not word or word in _SAID_ANYWAY:
        return True
    else:
        glued = re.fullmatch(r"(\d{1,2})(aaaa|aaa|aa|c|d)s?|(aaaa|aaa|aa)s", word)
        if glued is None:
            return False
        seen.sizes.append((glued[2] or glued[3]).upper())
        if glued[1]:
            seen.cells.append(int(glued[1]))
    return True


_OTHER_STEP: Final = 'name a chemistry that is, or give only the label: "2x other 180 mAh" where a forecast is asked.'


def _take_iec(seen: _Seen, match: re.Match[str]) -> None:
    """LR6, 6LR61, HR03: IEC 60086 and 61951."""
    series, letter, code = match.groups()
    if letter not in _IEC_KIND:
        raise NotAPack(f"{_NOT_OURS[letter + 'r']} cells are not known here", _OTHER_STEP)
    seen.chemistries.append(_IEC_KIND[letter])
    if code == "61":
        seen.sizes.append("9V")
        if series not in ("", "6"):
            raise NotAPack("only blocks of six such cells are known here", "write 9V alkaline.")
        return
    seen.sizes.append(_IEC_SIZE.get(code, f"{letter.upper()}R{code}"))
    if series:
        seen.cells.append(int(series))


def _take_round(seen: _Seen, match: re.Match[str]) -> None:
    """CR2032, 18650, IFR26650: IEC 60086-3 and 61960; ``2450`` alone is no name of a cell."""
    letters, digits = match.groups()
    if letters == "cr" and len(digits) == 4:
        seen.sizes.append(f"CR{digits}")
        seen.chemistries.append("lithium-coin")
    elif letters == "br":
        raise NotAPack("lithium carbon monofluoride cells are not known here", _OTHER_STEP)
    elif not letters and len(digits) == 4:
        raise NotAPack(f"{digits} has no unit", f"write {digits} mAh if that is the capacity.")
    elif len(digits) == 5 and letters != "cr" and digits[0] in "123":
        seen.sizes.append(digits)
        if letters:
            seen.chemistries.append("lifepo4" if letters == "ifr" else "li-ion")
    else:
        raise NotAPack(f"{match[0].upper()} is not known here", _OTHER_STEP)


def _together(seen: _Seen, capacity_mah: float | None) -> PackWords | None:
    sizes, kinds = set(seen.sizes), set(seen.chemistries)
    if len(kinds) > 1 or (
        seen.lithium and kinds - {"lithium-coin", "lithium-aa", "li-ion", "lifepo4"}
    ):
        raise MixedPack
    if "C" in sizes and kinds & _LITHIUM_RECHARGED:
        raise NotAPack(
            "C is how fast such a cell may be emptied, or a size of other cells",
            'leave it out, such as "2S LiPo 1000 mAh".',
        )
    if len(sizes) > 1 and sizes - {"pouch"}:
        sizes -= {"pouch"}
    if len(sizes) > 1 or len(seen.cells) > 1:
        return None
    size = sizes.pop() if sizes else ""
    chemistry, taken = _chemistry(kinds.pop() if kinds else "", size, seen)
    if not chemistry:
        return None
    _check_kind(chemistry, size, seen)
    cells = seen.cells[0] if seen.cells else 1
    if size == "9V":
        if chemistry not in ("alkaline", "zinc-carbon"):
            raise NotAPack(
                f"a 9 V block of {chemistry} may hold six, seven or eight cells, or a converter",
                'write the cells in it and no size, such as "7x nimh 200 mAh": the label says 8.4 V.',
            )
        cells *= 6
    return PackWords(chemistry, cells, size, capacity_mah, seen.used, seen.volts, taken)


def _check_kind(chemistry: str, size: str, seen: _Seen) -> None:
    """Raises NotAPack for words that contradict each other: a floor of the wrong kind ruins cells, or worse."""
    if seen.rechargeable and chemistry in _NEVER_CHARGED:
        raise NotAPack(
            f"{chemistry} cells are not recharged",
            "name what the label says: nimh, li-ion, lifepo4.",
        )
    if (_is_cylinder(size) or size == "pouch") and chemistry not in (*_LITHIUM_RECHARGED, "other"):
        raise NotAPack(
            f"a {size} cell is not {chemistry}", f'write "{size} li-ion" or "{size} lifepo4".'
        )


def _is_cylinder(size: str) -> bool:
    """18650 and its like."""
    return size.isdigit()


def _chemistry(kind: str, size: str, seen: _Seen) -> tuple[str, str]:
    """The chemistry, and what is to be said where it was not named; empty if it cannot be told."""
    dry = size in ("AAAA", "AAA", "AA", "C", "D", "9V")
    if seen.lithium and size in ("AA", "AAA") and kind in ("", "lithium-aa"):
        return "lithium-aa", "" if kind else "1.5 V, never charged; rechargeable: say li-ion"
    if kind:
        return kind, ""
    if seen.rechargeable and size in ("AA", "AAA", "C", "D"):
        return "nimh", "1.2 V; lithium: say li-ion"
    if _is_cylinder(size):
        one_v = {seen.volts, seen.volts / (seen.cells or [1])[0]} if seen.volts else set()
        if any(abs(volts - 3.2) < 0.15 for volts in one_v):
            raise NotAPack(
                "such a size is lithium-ion as a rule, but 3.2 V is lithium iron phosphate",
                "name it: lifepo4 or li-ion.",
            )
        return "li-ion", "it stops at 3.0 V a cell; lithium iron phosphate: say lifepo4"
    if seen.lithium:
        raise NotAPack(
            "lithium may be rechargeable (3.6 V), a coin cell (3 V) or an AA cell (1.5 V)",
            'write li-ion, lithium-coin or "2x AA lithium".',
        )
    if dry and not seen.rechargeable:
        return (
            "alkaline",
            "rechargeable: say its cells" if size == "9V" else "rechargeable: say nimh",
        )
    return "", ""
