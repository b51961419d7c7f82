"""Which small number stands there as a word? One to twelve in English, German, French, Spanish, Dutch and Italian."""

import re
from typing import Final

_COUNTS: Final = (
    "one ein eine einer einem einen eins un une uno una een één",
    "two zwei zwo deux dos twee due",
    "three drei trois tres drie tre",
    "four vier quatre cuatro quattro",
    "five fünf fuenf cinq cinco vijf cinque",
    "six sechs seis zes sei",
    "seven sieben sept siete zeven sette",
    "eight acht huit ocho otto",
    "nine neun neuf nueve negen nove",
    "ten zehn dix diez tien dieci",
    "eleven elf onze once undici",
    "twelve zwölf zwoelf douze doce twaalf dodici",
)
_NUMBER_OF: Final = {
    word: str(number) for number, words in enumerate(_COUNTS, 1) for word in words.split()
}
_HALF_MORE: Final = re.compile(r"([^\W\d_]+)einhalb", re.IGNORECASE)
_WORD: Final = re.compile(r"[^\W\d_]+")


def counted(text: str) -> str:
    """The text with such words in figures; ``anderthalb``, ``eineinhalb`` and ``zweieinhalb`` as well."""
    return _WORD.sub(lambda word: _figure(word[0]), text)


def _figure(word: str) -> str:
    small = word.casefold()
    if small in _NUMBER_OF:
        return _NUMBER_OF[small]
    if small in ("anderthalb", "anderhalf"):
        return "1 1/2"
    if (match := _HALF_MORE.fullmatch(small)) and match[1] in _NUMBER_OF:
        return f"{_NUMBER_OF[match[1]]} 1/2"
    return word


def word_set(text: str) -> frozenset[str]:
    """The words of a table written as one text."""
    return frozenset(text.split())
