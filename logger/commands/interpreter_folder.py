"""The firmware in Python as files to copy onto a board, out of the installed package."""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Final

from logger.commands.sketch_folder import SKETCH_NAME, wiring_files, write_new_folder

_FOLDER: Final = "micropython"


@dataclass(frozen=True)
class Board:
    """``port``: its file; ``start``: what the interpreter runs after power-on; ``copying``: how files get there."""

    words: str
    port: str
    pins: str
    start: str = "main.py"
    copying: str = (
        "with the interpreter's own remote tool or an editor that shows the board's files"
    )


BOARDS: Final[Mapping[str, Board]] = MappingProxyType(
    {
        "rp2040-micropython": Board(
            "an RP2040 board", "port_rp2", "SDA GP4, SCL GP5, load switch GP15"
        ),
        "esp32-micropython": Board(
            "an ESP32 board", "port_esp32", "SDA 21, SCL 22, load switch 25"
        ),
        "samd51-micropython": Board("a SAMD51 board", "port_samd", "SDA, SCL, load switch D5"),
        "circuitpython": Board(
            "a board with CircuitPython",
            "port_circuit",
            "SDA, SCL, load switch D5",
            "code.py",
            "onto the drive that the board shows",
        ),
    }
)


def board_files(board: Board) -> dict[str, bytes]:
    """Content of every file for the board's root folder, by its path there."""
    root = files(SKETCH_NAME) / _FOLDER
    wanted = {board.port, "port_machine"} if board.start == "main.py" else {board.port}
    found = {board.start: (root / "main.py").read_bytes()}
    for item in (root / "probe").iterdir():
        is_port = item.name.startswith("port_")
        if item.name.endswith(".py") and (not is_port or item.name.removesuffix(".py") in wanted):
            found[f"probe/{item.name}"] = item.read_bytes()
    return dict(sorted(found.items()))


def write_board_folder(parent: Path, name: str) -> tuple[Path, list[str]]:
    """Write the files of a board of ``BOARDS``; gives the folder and the files' paths in it. Raises BenchError."""
    content = board_files(BOARDS[name])
    about = (files(SKETCH_NAME) / _FOLDER / "README.md").read_bytes()
    # Wiring and protocol come along; in the package they lie one folder up.
    beside = {f"wiring/{path}": data for path, data in wiring_files().items()}
    beside["README.md"] = about.replace(b"](../", b"](wiring/")
    return write_new_folder(parent / f"{SKETCH_NAME}_{name}", {**beside, **content}), list(content)
