"""One line of the table of faults."""

from dataclasses import dataclass
from typing import Final

HEAD: Final = "fault | tried | lost | invented | doubled | what the user was told | seen"


@dataclass(frozen=True)
class Fault:
    """``lost``, ``invented``, ``doubled``: rows, marks or files; ``note``: what else was seen."""

    name: str
    tried: int
    lost: int
    invented: int
    doubled: int
    told: str
    note: str = ""

    @property
    def is_clean(self) -> bool:
        return not (self.lost or self.invented or self.doubled)

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
