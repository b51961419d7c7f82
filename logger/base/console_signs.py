"""How is a sign said that the console does not know?

Windows gives a redirected output, and old consoles, a code page of 256 signs (cp1252, cp850): one bound with a sign
of it missing would end a command in the middle. Nothing is lost in words: ``≥`` becomes ``>=``.
"""

import codecs
import sys
import unicodedata
from typing import Any, Final

NAME: Final = "drawbench-signs"
_SAID: Final = str.maketrans(
    {
        "≥": ">=", "≤": "<=", "→": "->", "−": "-", "–": "-", "—": "-", "‑": "-", "…": "...", "±": "+/-", "×": "x",
        "Ω": "ohm", "\u2126": "ohm", "ω": "w", "µ": "u", "μ": "u", "°": "deg ", "“": '"', "”": '"', "‘": "'", "’": "'",
        "✓": "ok", "✗": "no", "●": "*", "○": "o", "─": "-", "━": "-", "\u00a0": " ", "\u202f": " ", "·": ".",
    }
)  # fmt: skip


def in_plain_signs(text: str) -> str:
    """The text in ASCII: known signs in words, letters without their marks, the rest as ``?``."""
    return "".join(map(_plain, text))


def _plain(sign: str) -> str:
    if unicodedata.combining(sign):
        return ""  # an umlaut taken apart keeps its letter
    said = sign.translate(_SAID)
    if not said.isascii():
        said = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode("ascii")
    return said or "?"


def _instead(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    return in_plain_signs(error.object[error.start : error.end]), error.end


def say_what_the_console_cannot() -> None:
    """From now on an output without a sign gets it in others, instead of an error."""
    codecs.register_error(NAME, _instead)
    for stream in (sys.stdout, sys.stderr):
        reconfigure: Any = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors=NAME)
