"""How is a file for the user made without writing over one of theirs?"""

import os
from pathlib import Path

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import create_file


def write_new(path: Path, text: str) -> None:
    """Write a file that must not be there yet. Raises BenchError if it is, or cannot be written."""
    try:
        create_file(path, text.encode())
    except FileExistsError:
        raise _taken(path) from None
    except OSError as error:
        raise BenchError(
            f"{path} cannot be written.",
            evidence=spoken(error),
            next_step="choose a folder that is there and can be written to.",
        ) from error


def refuse_taken(path: Path) -> None:
    """Raises the same BenchError if the file is there already: said before anything is reckoned."""
    if os.path.lexists(path):
        raise _taken(path)


def _taken(path: Path) -> BenchError:
    return BenchError(
        f"{path} is there already; it is never written over.",
        next_step="give another name, or move the old file away.",
    )
