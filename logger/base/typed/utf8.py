"""Is this a text in UTF-8, as TOML wants it, and if not: where, and how is it saved so?"""

from pathlib import Path
from typing import Final

from logger.base.errors import BenchError

_UTF_16: Final = (b"\xff\xfe", b"\xfe\xff")
_SHOWN: Final = 60


def utf8_text(content: bytes, path: Path, what: str) -> str:
    """The text; a mark in front, as some editors put it, is left out. ``what``: which file that is, such as "budget file".

    Raises BenchError that shows the first line which is not UTF-8 as Latin-1 would read it.
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        read = error.object  # without the mark in front, as the error counts
        number = read.count(b"\n", 0, error.start) + 1
        line = " ".join(read.split(b"\n")[number - 1].decode("latin-1").split())[:_SHOWN]
        evidence = f"line {number}, which would be in Latin-1: {line}"
        if content.startswith(_UTF_16):
            evidence = "it is UTF-16"
        raise BenchError(
            f"The {what} {path} is not saved as UTF-8.",
            evidence=evidence,
            next_step='save it again in your editor: "Save as", encoding UTF-8.',
        ) from None
