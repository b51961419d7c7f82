"""What the board remembers over a reset and a power cut."""

import json
import secrets
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass
class Eeprom:
    """``board``: the board's own name; ``boot``: number of its last start; the cutoff that it watches.

    ``load_open``: the load switch is open and stays so over a reset, or cells would be drained
    further with every one. ``sensor_told``, ``address_told``: kind and address set by command; empty and 0: looked for.
    """

    board: str = ""
    boot: int = 0
    cutoff_uv: int = 0
    hold_ms: int = 0
    load_open: bool = False
    sensor_told: str = ""
    address_told: int = 0

    def __post_init__(self) -> None:
        if not self.board:
            self.board = secrets.token_hex(4).upper()


def load_eeprom(path: Path) -> Eeprom:
    """EEPROM from a file, a new one if there is no such file.

    Raises OSError, or ValueError if the file holds something else.
    """
    if not path.exists():
        return Eeprom()
    try:
        return Eeprom(**json.loads(path.read_text(encoding="utf-8")))
    except (TypeError, ValueError) as error:
        raise ValueError(f"{path} does not hold a board's memory") from error


def save_eeprom(path: Path, eeprom: Eeprom) -> None:
    """Write it so that the next start is another boot of the same board. Raises OSError."""
    path.write_text(json.dumps(asdict(eeprom)) + "\n", encoding="utf-8")
