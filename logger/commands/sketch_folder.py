"""The sketch as a folder for the IDE, out of the installed package."""

from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import create_file

# The IDE wants the folder to bear the sketch's name.
SKETCH_NAME: Final = "firmware_probe"
_SUFFIXES: Final = (".ino", ".h", ".cpp", ".c")
_DOCUMENTS: Final = ("README.md", "PROTOCOL.md")
_PICTURES: Final = "pictures"


def wiring_files() -> dict[str, bytes]:
    """Content of how to wire a board and what it says: texts and pictures, by their path beside the sketch."""
    package = files(SKETCH_NAME)
    pictures: Traversable = package / _PICTURES
    found = {name: (package / name).read_bytes() for name in _DOCUMENTS}
    if pictures.is_dir():
        found |= {f"{_PICTURES}/{item.name}": item.read_bytes() for item in pictures.iterdir()}
    return found


def sketch_files() -> dict[str, bytes]:
    """Content of every file that belongs into the IDE's folder, by its path there."""
    sources = {
        item.name: item.read_bytes()
        for item in files(SKETCH_NAME).iterdir()
        if item.name.endswith(_SUFFIXES)
    }
    return dict(sorted({**sources, **wiring_files()}.items()))


def write_sketch(parent: Path) -> tuple[Path, list[str]]:
    """Write the sketch's folder into ``parent``; gives the folder and the files' paths in it. Raises BenchError."""
    content = sketch_files()
    return write_new_folder(parent / SKETCH_NAME, content), list(content)


def write_new_folder(target: Path, content: Mapping[str, bytes]) -> Path:
    """Write files by their paths in ``target``; gives the folder.

    Raises BenchError if the folder already holds something, or cannot be written.
    """
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise BenchError(
                f"{target} is already there; a board's program is never written over another.",
                evidence="it may hold settings that were changed by hand",
                next_step="give another folder, or move the old one away.",
            )
        for name, data in content.items():
            path = target / name
            path.parent.mkdir(parents=True, exist_ok=True)
            create_file(path, data)
    except OSError as error:
        raise BenchError(
            f"The board's program cannot be written into {target}.",
            evidence=spoken(error),
            next_step="give a folder that can be written to.",
        ) from error
    return target
