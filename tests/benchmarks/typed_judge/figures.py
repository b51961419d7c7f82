"""Which numbers could this text be? CLDR's number formats (SOURCES.md G1, by ``babel``), read strictly in each language."""

import unicodedata
from decimal import Decimal
from typing import Final

from babel.numbers import (
    NumberFormatError,
    get_decimal_symbol,
    get_group_symbol,
    parse_decimal,
)

MAIN: Final = ("de", "fr", "es", "nl", "it", "en_US", "en_GB", "sv", "de_CH", "fr_CH", "it_CH")
"""Languages whose habits are asked for."""
MORE: Final = ("da", "nb", "fi", "pl", "pt_PT", "en_IN")
"""Others that a class may bring; what they make ambiguous is ambiguous."""
FRACTIONS: Final = {"½": "0.5", "¼": "0.25", "¾": "0.75", "⅓": "", "⅔": ""}
SPACES: Final = " \u00a0\u2007\u2008\u2009\u202f"
MINUS: Final = "-\u2212"


def ascii_digits(text: str) -> str:
    """Digits, separators and letters of full width, and other scripts' digits, as those of ASCII; nothing else changed."""
    out = []
    for sign in text:
        digit = unicodedata.decimal(sign, None)
        if digit is not None:
            out.append(str(digit))
        elif "\uff01" <= sign <= "\uff5e":
            out.append(unicodedata.normalize("NFKC", sign))
        else:
            out.append(" " if sign in "\u3000" + SPACES else sign)
    return "".join(out)


def readings(text: str) -> frozenset[Decimal]:
    """Every number that this could be in one of the languages, each read strictly (groups where they belong)."""
    text = " ".join(ascii_digits(text).split())
    sign = -1 if text[:1] in MINUS and text else 1
    text = text.removeprefix("+").lstrip(MINUS).strip()
    if text[-1:] in FRACTIONS and FRACTIONS[text[-1:]]:
        whole = text[:-1].strip()
        part = Decimal(FRACTIONS[text[-1:]])
        if not whole or whole.isdecimal():
            return frozenset({sign * (Decimal(whole or 0) + part)})
        return frozenset()
    if len(text) > 1 and text[-1] in ".,":
        text = text[:-1]
    if not text or not text[-1:].isdecimal() or set(text) - set("0123456789.,'’ "):
        return frozenset()
    if text[0] in ".,":
        text = "0" + text
    if not text[0].isdecimal():
        return frozenset()
    found = set()
    for name in (*MAIN, *MORE):
        try:
            found.add(sign * _in_language(text, name))
        except NumberFormatError:
            continue
    return frozenset(found)


def _in_language(text: str, name: str) -> Decimal:
    """People type a plain apostrophe or space where CLDR has its own kind of one."""
    group, point = get_group_symbol(name), get_decimal_symbol(name)
    if group in SPACES:
        return parse_decimal(text.replace(" ", group), locale=name, strict=True)
    if group not in "'’":
        return parse_decimal(text, locale=name, strict=True)
    # Babel 2.19 takes the apostrophe for a quote of the pattern: Swiss numbers by English groups of three.
    if set(text) & (set(".,") - {point}):
        raise NumberFormatError(text)
    english = text.replace(point, ".").replace("’", ",").replace("'", ",")
    return parse_decimal(english, locale="en_US", strict=True)
