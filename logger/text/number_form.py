"""How numbers are written in a foreign file: decimal sign, sign between thousands, what stands for "no reading".

A sign followed by any count of digits but three is a decimal sign; one that comes twice stands between
thousands; ``1,234`` alone can be both. Signs as in Unicode CLDR's number formats (from memory): comma, point,
apostrophe, and the plain, no-break, narrow no-break and thin space.
"""

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

MISSING_WORDS: Final = frozenset((
    "", "-", "--", "---", "----", "-----", "------", "-.-", "-.--", "-.---", "--.-", "--.--", "----.-", "nan",
    "null", "none", "n/a", "na", "ol", "o.l", "o.l.", ".ol", "0l", "-ol", "+ol", "ovl", "ovld", "ovrng", "ofl",
    "ovfl", "ovr", "o/l", "over", "overload", "overflow", "overrange", "inf", "+inf", "-inf", "infinity",
    "error", "err", "fault", "1.#inf", "-1.#inf", "1.#qnan", "-1.#ind", "#n/a", "#value!", "#div/0!", "#num!",
    "#ref!", "?", "*", "***", "****",
))  # fmt: skip
OVER_RANGE: Final = (
    9.8e36  # meters write 9.9E37 (IEEE 488.2, from memory) or 1E38 for beyond the range
)
_GROUP_SIGNS: Final = "'\u2019\x92\u00a0\u202f\u2009"
_BODY: Final = rf"(?:\d{{1,3}}(?:[.,{_GROUP_SIGNS} ]\d{{3}})+(?:[.,]\d*)?|\d+(?:[.,]\d*)?|[.,]\d+)"
# "3.31", "3.31 V", "V: 3.31", "U=3.31V": sketches print labels and units beside numbers
CELL: Final = re.compile(
    rf"(?:(?P<label>[A-Za-z_][\w .-]{{0,30}}?)\s*[:=]\s*)?"
    rf"(?P<number>[+\-\u2212]?\s?{_BODY}(?:[eE][+-]?\d{{1,3}})?)\s*(?P<unit>[A-Za-zµμ]{{1,4}})?"
)
_GROUPED: Final = {
    sign: re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:{re.escape(sign)}\d{{3}})+") for sign in ".,"
}
_SPACED: Final = re.compile(rf"(?<=\d)[{_GROUP_SIGNS} ](?=\d{{3}}(?!\d))")
THOUSANDS: Final = {"none": "", "comma": ",", "point": ".", "space": " ", "apostrophe": "'"}


@dataclass(frozen=True)
class NumberForm:
    """``decimal``: "." or ",". ``thousands``: "", ".", "," (spaces and apostrophes can be nothing else).

    ``firm``: the decimal sign was given or seen beyond doubt. ``other``: what it may be as well.
    """

    decimal: str
    thousands: str = ""
    firm: bool = False
    other: "NumberForm | None" = None

    def read(self, cell: str) -> tuple[float, str] | None:
        """Number and unit of a cell; NaN for one that says "no reading"; None if it holds no number."""
        text = cell
        if self.decimal == ",":
            text = cell.replace(",", ".") if "." not in cell else ""
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if -OVER_RANGE < number < OVER_RANGE and "_" not in text:  # float() takes "1_0" for ten
            return number, ""
        if cell.strip().lower() in MISSING_WORDS:
            return math.nan, ""
        match = CELL.fullmatch(cell)
        plain = None if match is None else self._plain(match["number"])
        if match is None or plain is None:
            return None
        number = float(plain)
        return (number if abs(number) < OVER_RANGE else math.nan), match["unit"] or ""

    def decimals(self, cell: str) -> int | None:
        """Count of digits behind the decimal sign; None for a cell without a number, or with an exponent."""
        match = CELL.fullmatch(cell)
        plain = None if match is None else self._plain(match["number"])
        if plain is None or "e" in plain.lower():
            return None
        return len(plain.partition(".")[2])

    def _plain(self, number: str) -> str | None:
        """The number as ``float`` reads it, None if its signs do not fit this form."""
        text = _SPACED.sub("", number.replace("\u2212", "-")).replace(" ", "")
        other = "," if self.decimal == "." else "."
        if other in text:
            whole, _, rest = text.partition(self.decimal)
            if not (self.thousands == other or self.firm) or not _GROUPED[other].fullmatch(whole):
                return None
            text = whole.replace(other, "") + (self.decimal + rest if rest else "")
        if text.count(self.decimal) > 1:
            return None
        return text.replace(self.decimal, ".")


ANY_FORM: Final = NumberForm(".")
_OTHER: Final = {".": ",", ",": "."}
Sign = Literal["", "decimal", "thousands", "either"]


def sign_of(cell: str) -> tuple[Sign, str]:
    """What the sign in a number's cell must be, and which it is; "" without one."""
    match = CELL.fullmatch(cell)
    if match is None:
        return "", ""
    body = re.sub(r"[eE][+-]?\d+$", "", _SPACED.sub("", match["number"])).lstrip("+-\u2212 ")
    signs = re.findall(r"[.,]", body)
    if not signs:
        return "", ""
    last = signs[-1]
    if len(set(signs)) == 2:
        return ("decimal", last) if signs.count(last) == 1 else ("", "")
    if len(signs) > 1:
        return "thousands", last
    if re.search(rf"[{_GROUP_SIGNS} ]", match["number"].strip("+- \u2212")) or not _GROUPED[
        last
    ].fullmatch(body):
        return "decimal", last
    return "either", last


def find_number_form(columns: Sequence[Sequence[str]]) -> tuple[NumberForm, set[str]]:
    """Form that the cells of number columns are written in; and the decimal signs seen if there are both."""
    sure: Counter[tuple[Sign, str]] = Counter()
    either: Counter[str] = Counter()
    for cells in columns:
        found = Counter(sign_of(cell) for cell in cells)
        for (kind, sign), count in found.items():
            if kind in ("decimal", "thousands"):
                sure[kind, sign] += count
            if kind == "either":
                settled = _by_size(cells, sign) if not found["decimal", sign] else "decimal"
                if settled:
                    sure[settled, sign] += count
                else:
                    either[sign] += count
    decimals = {sign for kind, sign in sure if kind == "decimal"}
    grouped = {sign for kind, sign in sure if kind == "thousands"}
    if len(decimals) == 2 or decimals & grouped:
        return NumberForm("."), {".", ","}
    if decimals:
        decimal = decimals.pop()
        other = _OTHER[decimal]
        return NumberForm(decimal, other if other in grouped or either[other] else "", True), set()
    if len(grouped) == 2:
        return NumberForm("."), {".", ","}
    if len(either) == 2:
        return NumberForm(".", ",", True, NumberForm(",", ".", True)), set()
    if grouped:
        sign = grouped.pop()
        return NumberForm(_OTHER[sign], sign, True), set()
    if either:
        sign = next(iter(either))
        return NumberForm(sign, "", True, NumberForm(_OTHER[sign], sign, True)), set()
    return NumberForm("."), set()


def _by_size(cells: Sequence[str], sign: str) -> Sign:
    """Whether the sign in a column's numbers is decimal, from how well numbers with and without it agree."""
    numbers = [match["number"] for cell in cells if (match := CELL.fullmatch(cell))]
    plain = [text for text in numbers if sign not in text]
    signed = [text for text in numbers if sign in text]
    if not plain or not signed:
        return ""
    size = _middle([float(text.replace(sign, "")) for text in plain if _is_float(text)])
    small = _middle([float(text.replace(sign, ".")) for text in signed if _is_float(text, sign)])
    if size == 0 or small == 0:
        return ""
    as_decimal, as_thousands = (abs(math.log(size / value)) for value in (small, 1000 * small))
    if abs(as_decimal - as_thousands) < math.log(10):
        return ""
    return "decimal" if as_decimal < as_thousands else "thousands"


def _is_float(text: str, sign: str = "") -> bool:
    return (
        re.fullmatch(r"[+-]?\d+(?:\.\d+)?", text.replace(sign, ".") if sign else text) is not None
    )


def _middle(values: Sequence[float]) -> float:
    return abs(sorted(values)[len(values) // 2]) if values else 0.0
