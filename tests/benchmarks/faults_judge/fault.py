"""One line of the table of faults."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

HEAD: Final = "fault | tried | lost | invented | doubled | what the user was told | seen"


@dataclass(frozen=True)
class Fault:
    """``lost``, ``invented``, ``doubled``: rows, marks or files; ``note``: what else was seen.

    ``wrong``: answers or ends that must not be, though they cost nothing; ``note`` says which.
    """

    name: str
    tried: int
    lost: int
    invented: int
    doubled: int
    told: str
    note: str = ""
    wrong: int = 0

    @property
    def is_clean(self) -> bool:
        return not (self.lost or self.invented or self.doubled or self.wrong)

    @property
    def line(self) -> str:
        cells = (
            self.name,
            self.tried,
            self.lost,
            self.invented,
            self.doubled,
            self.told,
            self.note,
        )
        return " | ".join(map(str, cells))


def shown(rows: Iterable[Fault]) -> int:
    """Print the table as its rows are made; gives the exit code, 1 if any is not clean."""
    print(HEAD)
    clean = True
    for row in rows:
        clean = clean and row.is_clean
        print(row.line, flush=True)
    return 0 if clean else 1
