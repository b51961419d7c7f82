"""Which length of time was typed: 6h30, 6,5 Stunden, 1 1/2 heures, 6:30?

Words of six languages (English, German, French, Spanish, Dutch, Italian) and a few Nordic ones (from memory). Largest unit first, each
once. What has no unit, or may be another time as well, is refused with its readings.
"""

import re
from typing import Final

from logger.base.typed.number import (
    FRACTION,
    NUMBER,
    TwoReadings,
    both_words,
    number_text,
    read_fraction,
    read_number,
)
from logger.base.typed.signs import plain_signs
from logger.base.typed.words import counted, word_set

USUAL: Final = "write 10h, 90min, 30s or 100ms"
_WORDS: Final = {
    "ms": "ms msec millisecond milliseconds millisekunde millisekunden milliseconde millisecondes milliseconden milisegundo milisegundos "
    "millisecondo millisecondi",
    "s": "s sec secs second seconds sek sekunde sekunden sekund sekunder seconde secondes seconden seg segs segundo segundos secondo secondi",
    "min": "m min mins minute minutes minuten minut minuut mn minuter minutter minuto minutos minuti",
    "h": "h hr hrs std stdn hour hours stunde stunden timme timmar tim timer time heure heures hora horas hs ora ore uur uren u",
    "d": "d day days tag tage tagen dygn jour jours j dia dias día días dag dagen giorno giorni",
    "w": "w week weeks woche wochen semaine semaines semana semanas weken settimana settimane",
}
UNIT_OF: Final = {word: unit for unit, words in _WORDS.items() for word in words.split()}
_S: Final = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "w": 604800.0}
_NO_LENGTH: Final = word_set(
    "month months monat monate monaten mois mes meses maand maanden mese mesi year years jahr jahre jahren an ans année "
    "années año años jaar jaren anno anni y yr yrs mo"
)
_HALVES: Final = (
    (re.compile(r"(?<=\d)'(?=[^\W\d])"), " "),  # un'ora
    # half an hour, eine halbe Stunde, une demi-heure, media hora, mezz'ora, een half uur
    (re.compile(r"^(?:(?:1|a|an) )?(?:half(?: an?)?|halbe?|demie?[- ]?|media|mezza|mezz')\s*(?=[^\W\d])"), "1/2 "),
    # 6 1/2 from: 6 and a half hours, 6 hours and a half, 6 heures et demie, 6 horas y media, 6 ore e mezza
    (re.compile(r"^an? (?=[^\W\d])"), "1 "),
    (re.compile(r"^(\d+) and a half (?=[^\W\d])"), r"\1 1/2 "),
    (re.compile(r"^(\d+) ?([^\W\d_]+) (?:and a half|et demie?|y media|e mezz[ao])$"), r"\1 1/2 \2"),
)  # fmt: skip
_COLON: Final = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d(?:[.,]\d+)?))?(?: ?([^\W\d_]+)\.?)?")
_PART: Final = re.compile(
    rf"(?P<number>{FRACTION}|{NUMBER}) ?(?P<unit>[^\W\d_]+)(?:\.(?!\d))?(?: ?(?:,|&|\+|\b(?i:and|und|et|y|en|e|och|og)\b) ?| ?)"
)
_BARE_NUMBER: Final = re.compile(rf"{FRACTION}|{NUMBER}")
_DAY_H: Final = 24  # from there on 90:00 may well be minutes
# What people write for minutes past the hour, and hardly for hundredths: 6.30, not 6.25.
_MINUTES: Final = re.compile(r"(\d+)[.,]([0-5][05])")


def read_span(text: str, *, colon_is_hours: bool = False) -> float:
    """Seconds. ``colon_is_hours``: whether 6:30 is 6 h 30 min here; else it may be minutes and seconds as well.

    Raises ValueError in words.
    """
    plain = counted(plain_signs(text))
    for written, meant in _HALVES:
        plain = written.sub(meant, plain)
    if match := _COLON.fullmatch(plain):
        return _clock(text, match, colon_is_hours)
    if _BARE_NUMBER.fullmatch(plain):
        raise ValueError(
            f"{text!r} is not a length of time: it has no unit. {_with_units(text, plain, colon_is_hours)}"
        )
    return _sum(text, plain)


def _sum(text: str, plain: str) -> float:
    total_s, position, before = 0.0, 0, ""
    while position < len(plain):
        rest = plain[position:]
        if before and re.fullmatch(r"\d{1,2}", rest):
            if plain[position - 1] == ",":  # 26min,15: or 26.15 min
                raise ValueError(f"{text!r} is not a length of time: give {rest} its unit")
            return total_s + _bare(text, rest, before)
        part = _PART.match(plain, position)
        if part is None:
            raise ValueError(f"{text!r} is not a length of time: {USUAL}")
        # Under hours there are no months.
        unit = "min" if before and part["unit"] == "M" else _unit(text, part["unit"])
        amount_s = _number(text, part["number"], unit) * _S[unit]
        if before and not amount_s < _S[before]:
            raise ValueError(
                f"{text!r} is not a length of time: the largest unit first, each once, such as 6h30min"
            )
        position, before, total_s = part.end(), unit, total_s + amount_s
        if position < len(plain) and not part["number"].isdigit():
            raise ValueError(
                f"{text!r} is not a length of time: a fraction stands at the end only, such as 6h30min"
            )
    return total_s


def _unit(text: str, word: str) -> str:
    if word == "M":
        raise ValueError(f"{text!r} is not a length of time: M may be minutes or months; write min")
    if word == "T":
        raise ValueError(
            f"{text!r} is not a length of time: T may be days ({text.replace('T', 'd')}) or hours ({text.replace('T', 'h')})"
        )
    unit = UNIT_OF.get(word.casefold())
    if unit is None and word.casefold() in _NO_LENGTH:
        raise ValueError(
            f"{text!r} is not a length of time: months and years differ in length; write days, such as 30d"
        )
    if unit is None:
        raise ValueError(f"{text!r} is not a length of time: {USUAL}")
    return unit


def _number(text: str, written: str, unit: str) -> float:
    if unit == "h" and (match := _MINUTES.fullmatch(written)) and match[2] not in ("00", "25"):
        hours = float(f"{match[1]}.{match[2]}")
        minutes = f"{match[1]}h{match[2]}"
        raise ValueError(
            f"{text!r} may be {match[1]} h {match[2]} min or {hours:g} h: write {minutes} or {hours:g}h"
        )
    try:
        number = _plain_number(written)
    except TwoReadings as two:
        thousands, decimal = number_text(two.thousands), number_text(two.decimal)
        raise ValueError(
            f"{text!r} may be {both_words(two.thousands, two.decimal)} {unit}: write {thousands}{unit} or {decimal}{unit}"
        ) from None
    if number is None:
        raise ValueError(f"{text!r} is not a length of time: {USUAL}")
    return number


def _plain_number(written: str) -> float | None:
    return read_fraction(written) if "/" in written else read_number(written)


def _bare(text: str, rest: str, before: str) -> float:
    """The 30 of 6h30."""
    if before not in ("h", "min"):
        raise ValueError(f"{text!r} is not a length of time: {rest} has no unit")
    smaller = {"h": "min", "min": "s"}[before]
    if len(rest) == 1:
        raise ValueError(
            f"{text!r} may end with {int(rest)} {smaller} or with a tenth: give {rest} its unit"
        )
    if int(rest) >= 60:
        raise ValueError(
            f"{text!r} is not a length of time: {rest} {smaller} are more than a {before}"
        )
    return int(rest) * _S[smaller]


def _clock(text: str, match: re.Match[str], colon_is_hours: bool) -> float:
    """Seconds of 6:30 and 6:30:00, with or without a unit behind."""
    first, second, third, word = match.groups()
    unit = None if word is None else _unit(text, word)
    if unit not in (None, "h", "min") or (third is not None and unit == "min"):
        raise ValueError(f"{text!r} is not a length of time: {USUAL}")
    if third is not None:
        return int(first) * 3600.0 + int(second) * 60.0 + float(third.replace(",", "."))
    if unit is None and not (colon_is_hours and int(first) < _DAY_H):
        hours, minutes = f"{int(first)}h{second}min", f"{int(first)}min{second}s"
        raise ValueError(
            f"{text!r} may be {int(first)} h {second} min or {int(first)} min {second} s: write {hours} or {minutes}"
        )
    return (int(first) * 60.0 + int(second)) * (1.0 if unit == "min" else 60.0)


def _with_units(text: str, plain: str, colon_is_hours: bool) -> str:
    match = re.fullmatch(r"(\d+)[.,]([0-5]\d)", plain)
    if match and colon_is_hours:
        return f"{match[1]} h {match[2]} min or {match[1]}.{match[2].rstrip('0') or 0} h?"
    try:
        number = _plain_number(plain)
    except TwoReadings as two:
        return f"It may be {both_words(two.thousands, two.decimal)}; hours, minutes or seconds?"
    if number is None:
        return USUAL.capitalize()
    return f"{number:g}h, {number:g}min or {number:g}s?"
