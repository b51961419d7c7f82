"""Which signs were typed, whatever the keyboard, the spreadsheet or the web page made of them?

Digits of all scripts and full-width letters become plain, every space a space, every minus a minus; what has no
width goes. Superscripts stay as they are: 10² is not 102; nor is 2½0 a number. Signs of numbers as in Unicode CLDR
(from memory).
"""

import re
import unicodedata
from typing import Final

_SAME: Final = {
    **dict.fromkeys("\u2212\u2010\u2011\u2012\u2013\u2014\ufe63\uff0d", "-"),
    **dict.fromkeys("\u2018\u2019\u02bc\uff07", "'"),
    "\u00b5": "\u03bc",  # micro sign, mu
    "\u2126": "\u03a9",  # ohm sign, omega
    "\u066b": ".",  # Arabic: decimal, between thousands
    "\u066c": "'",
    "\u2044": "/",
    "\u2215": "/",
    "\u00d7": "x",
    "\u2715": "x",
    "\u22c5": "x",
    "*": "x",
}


# Nobody types a number, a time or a pack that is longer; patterns are asked of nothing longer.
LONGEST: Final = 120
# Ends a fraction such as ½; where more of a number is glued to it, it stays and fits nothing.
_ENDS: Final = "\1"
_ENDS_A_NUMBER: Final = re.compile(rf"{_ENDS}(?![.,'/]?\d)")


def plain_signs(text: str) -> str:
    """The text in plain signs, blanks in a row made one, none at the ends; what is too long, cut with a mark that fits nothing."""
    if len(text) > LONGEST:
        text = f"{text[:LONGEST]}\0"
    plain = "".join(_plain(sign) for sign in text)
    return " ".join(_ENDS_A_NUMBER.sub("", plain).split())


def _plain(sign: str) -> str:
    if sign in _SAME:
        return _SAME[sign]
    if sign.isascii():
        return sign
    digit = unicodedata.decimal(sign, None)
    if digit is not None:
        return str(digit)
    if "\uff01" <= sign <= "\uff5e":
        return _plain(chr(ord(sign) - 0xFEE0))
    kind = unicodedata.category(sign)
    if kind == "Zs":
        return " "
    if kind == "Cf":
        return ""
    made_of = unicodedata.decomposition(sign)
    if made_of.startswith("<fraction>"):
        parts = (chr(int(code, 16)) for code in made_of.split()[1:])
        return f" {''.join(_plain(part) for part in parts)}{_ENDS}"
    return sign
