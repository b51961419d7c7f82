"""Is this file text, and in which encoding?"""

import re
from collections.abc import Iterator
from io import TextIOWrapper
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.base.safe_files import open_to_read

_BINARY_SIGNS: Final = (
    (b"PK\x03\x04", "a zip file or a spreadsheet workbook: save the sheet as CSV first"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook: save the sheet as CSV first"),
    (b"\x1f\x8b", "a gzip file: unpack it first"),
    (b"%PDF", "a PDF: text cannot be taken from it"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"SQLite format 3", "a database: export a table from it first"),
    (b"\x89HDF", "an HDF5 file: export it as text first"),
)


def find_encoding(path: Path, given: str | None, guesses: list[str]) -> str:
    """Encoding of a file, as given or found; what was found is added to ``guesses``.

    Raises BenchError for an empty or binary file or an unknown encoding, OSError if it cannot be read.
    """
    with open_to_read(path) as stream:
        head = stream.read(65536)
    if re.fullmatch(rb"(?:\xef\xbb\xbf|\xff\xfe|\xfe\xff)?[\0\s]*", head):
        raise BenchError(
            f"{path} is empty.",
            evidence=f"{path.stat().st_size} bytes, nothing but blanks in them",
            next_step="check that the meter or sketch really wrote to this file.",
        )
    for sign, words in _BINARY_SIGNS:
        if head.startswith(sign):
            raise BenchError(f"{path} is not text.", evidence=words, next_step="give a text file.")
    if given is not None:
        try:
            "".encode(given)
        except (LookupError, UnicodeError):
            raise BenchError(
                f"There is no encoding {given!r}.",
                next_step="usual ones are utf-8, latin-1, cp1252 and utf-16.",
            ) from None
        return given
    encoding, word = _encoding_of(path, head)
    guesses.append(f"{word} text")
    if encoding in ("utf-8", "latin-1"):
        head = head.rstrip(b"\0")  # what a power failure leaves is told row by row
        control = sum(byte < 9 or 13 < byte < 32 for byte in head)
        if control > 0.1 * len(head):
            raise BenchError(
                f"{path} is not text.",
                evidence=f"{control} of its first {len(head)} bytes are no characters",
                next_step="give a text file; if it is text after all, say --encoding.",
            )
    return encoding


def _encoding_of(path: Path, head: bytes) -> tuple[str, str]:
    if head.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig", "UTF-8 (with byte order mark)"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", "UTF-16"
    # Without a mark: digits in UTF-16 have a zero byte each, always on the same side.
    for side, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
        if (
            len(head) > 8
            and head[side::2].count(0) > 0.9 * (len(head) // 2)
            and head[1 - side :: 2].count(0) == 0
        ):
            return encoding, "UTF-16"
    try:
        with TextIOWrapper(open_to_read(path), "utf-8") as stream:
            for _ in stream:
                pass
    except UnicodeDecodeError:
        return "latin-1", "Latin-1"
    return "utf-8", "UTF-8"


def read_lines(path: Path, encoding: str) -> Iterator[str]:
    """Lines of the file without their line ends; a byte that is no text becomes U+FFFD."""
    with TextIOWrapper(open_to_read(path), encoding, "replace", newline=None) as stream:
        for line in stream:
            yield line.removesuffix("\n")
