"""What the board remembers over a reset and a power cut."""

import errno
import json
import os
import secrets
import sys
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Final

_MOST_BYTES: Final = 64 * 1024


@dataclass
class Eeprom:
    """``board``: the board's own name; ``boot``: number of its last start; the cutoff that it watches.

    ``load_open``: the load switch is open and stays so over a reset, or cells would be drained
    further with every one; ``opened``: why (``new``, ``host``, ``cutoff``, ``sensor``), empty while closed.
    ``sensor_told``, ``address_told``: kind and address set by command; empty and 0: looked for.
    ``worn``: no cell takes what is written any more; the fields are then the board's RAM, and a
    boot falls back to what was kept before.
    """

    board: str = ""
    boot: int = 0
    cutoff_uv: int = 0
    hold_ms: int = 0
    load_open: bool = False
    sensor_told: str = ""
    address_told: int = 0
    opened: str = ""
    worn: bool = False

    def __post_init__(self) -> None:
        if not self.board:
            self.board = secrets.token_hex(4).upper()
        if self.load_open and not self.opened:
            self.opened = "host"
        self._kept = asdict(self)

    def keep(self) -> bool:
        """Write what has changed; False if the cells do not take it."""
        if not self.worn:
            self._kept = asdict(self)
        return not self.worn

    def recall(self) -> None:
        """A start: what was kept is what is known."""
        for part in fields(self):
            if part.name != "worn":
                setattr(self, part.name, self._kept[part.name])


def blank_eeprom(board: str = "") -> Eeprom:
    """A board straight from the upload: it was never told to close its load switch."""
    return Eeprom(board, load_open=True, opened="new")


def load_eeprom(path: Path) -> Eeprom:
    """EEPROM from a file, a blank one if there is no such file.

    Raises OSError, or ValueError if the file holds something else.
    """
    if not path.exists():
        return blank_eeprom()
    if not path.is_file():  # a pipe would be waited for
        raise ValueError(f"{path} is not a file")
    with path.open("rb") as stream:
        data = stream.read(_MOST_BYTES + 1)
    try:
        if len(data) > _MOST_BYTES:
            raise ValueError
        return Eeprom(**json.loads(data))
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"{path} does not hold a board's memory") from error


def save_eeprom(path: Path, eeprom: Eeprom) -> None:
    """Write it so that the next start is another boot of the same board: whole, as one step. Raises OSError.

    A link is left alone, and so is what is no file: what a link leads to may be anybody's.
    """
    if path.is_symlink() or (path.exists() and not path.is_file()):
        raise OSError(errno.EINVAL, "it is a link, or no file", str(path))
    sys.audit("drawbench.made", str(path))  # as the recorder's own files announce themselves
    made = path.with_name(f".drawbench-{secrets.token_hex(8)}.new")
    try:
        with made.open("x", encoding="utf-8") as stream:
            stream.write(json.dumps(asdict(eeprom)) + "\n")
            stream.flush()
            os.fsync(stream.fileno())
        made.replace(path)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
