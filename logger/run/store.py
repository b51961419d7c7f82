"""A run's folder on disk: made once, never over another; its description replaced atomically."""

import contextlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError, spoken
from logger.base.file_names import why_not_on_windows
from logger.base.safe_files import Folder, is_leftover, json_bytes
from logger.run.description import Description, to_document
from logger.run.format import DESCRIPTION_NAME

_UNFINISHED: Final = f"{DESCRIPTION_NAME}.new"  # of older versions


def create_run_folder(folder: Path) -> None:
    """Make the folder of a new run; an empty folder that is there already may be used.

    So may one with nothing but a description that a logger was killed over before it was
    whole: no run ever began in it. Raises BenchError if it holds something else, is a file, or
    cannot be made.
    """
    _refuse_strange_name(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        content = sorted(item.name for item in folder.iterdir())
    except FileExistsError:
        raise BenchError(
            f"{folder} is a file, not a folder.", next_step="give another name for the run."
        ) from None
    except OSError as error:
        raise BenchError(
            f"The run's folder {folder} cannot be made.",
            evidence=spoken(error),
            next_step="choose a folder on a disk that can be written to.",
        ) from error
    if not all(name == _UNFINISHED or is_leftover(name) for name in content):
        report = folder / "report" / "report.html"
        there = f" The report of what is there: {report}" if report.is_file() else ""
        raise BenchError(
            f"The folder {folder} is not empty; a run is never written over another.",
            evidence=", ".join(content[:5]),
            next_step=f"give another name.{there}",
        )
    for name in content:
        with contextlib.suppress(OSError):
            (folder / name).unlink()


def refuse_taken_folder(folder: Path) -> None:
    """Raises the BenchError that ``create_run_folder`` would, and makes nothing: said before a board or a file is read."""
    _refuse_strange_name(folder)
    try:
        taken = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
        taken = taken or any(parent.is_file() for parent in folder.parents)
    except OSError as error:
        raise BenchError(
            f"The run's folder {folder} cannot be looked into.",
            evidence=spoken(error),
            next_step="choose a folder of your own.",
        ) from error
    if taken:
        create_run_folder(folder)  # raises, with the reason


def _refuse_strange_name(folder: Path, windows: bool | None = None) -> None:
    """Windows would record into a device, or into another name than the one that was given."""
    why = why_not_on_windows(folder) if (os.name == "nt" if windows is None else windows) else ""
    if why:
        raise BenchError(
            f"A run cannot be called {folder.name} on Windows.",
            evidence=why,
            next_step="give the run's folder another name.",
        )


def write_description(
    folder: Path | Folder, description: Description, columns: Sequence[str]
) -> None:
    """Replace the run's description as one step: after a crash the old or the new one is whole."""
    replace_document(folder, to_document(description, columns))


def replace_document(
    folder: Path | Folder, document: Mapping[str, Any], name: str = DESCRIPTION_NAME
) -> None:
    """The same for a description in its JSON form. Raises OSError."""
    data = json_bytes(document)
    if isinstance(folder, Folder):
        folder.replace(name, data)
        return
    with Folder(folder) as held:
        held.replace(name, data)
