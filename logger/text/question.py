"""What a foreign file leaves open: a question with every plausible reading and the option that settles each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.base.errors import BenchError

SIGNS: Final = "ABCDEFGH"
_SHOWN: Final = 3


@dataclass(frozen=True)
class Reading:
    """One way to read the file. ``words``: what it takes the text for; ``rows``: the first rows so read.

    ``settle``: option and value that choose it, as on the command line.
    """

    words: str
    rows: str
    settle: tuple[str, ...]


class Question(BenchError):
    """More than one reading is plausible; nothing is read until one is chosen."""

    def __init__(self, happened: str, seen: str, readings: Sequence[Reading]) -> None:
        self.readings = tuple(readings)
        lines = [seen]
        lines += [
            f"({sign}) {reading.words}{': ' if reading.rows else ''}{reading.rows}"
            for sign, reading in zip(SIGNS, self.readings, strict=False)
        ]
        choices = [
            f"({sign}) {' '.join(reading.settle)}"
            for sign, reading in zip(SIGNS, self.readings, strict=False)
        ]
        super().__init__(
            happened,
            evidence="\n    ".join(lines),
            next_step="\n    ".join(
                ["say which, with one of these (--save-mapping FILE keeps the answer):", *choices]
            ),
        )


def some(texts: Sequence[str], count: int = _SHOWN) -> str:
    """The first few, and that there are more."""
    more = ", ..." if len(texts) > count else ""
    return ", ".join(text[:24] for text in texts[:count]) + more
