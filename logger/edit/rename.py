"""Another name for a run's folder, never over anything that is there."""

import os
from pathlib import Path

from logger.base.clock import Clock, read_clocks
from logger.base.errors import BenchError, spoken
from logger.base.file_names import why_not_on_windows
from logger.edit.edit import (
    Edited,
    description_now,
    folder_of,
    note_new_name,
    sole_editor,
    undo,
)
from logger.run.edited.statements import last_to_undo


def new_place(folder: Path, name: str) -> Path:
    """Where the run would be under that name. Raises BenchError if it cannot be called so, or the name is taken."""
    if folder.is_symlink():
        raise BenchError(
            f"{folder} is a link to the run.",
            evidence=f"the run itself is {folder.resolve()}",
            next_step="give that folder; a link is given another name by your own means.",
        )
    wrong = why_not_on_windows(Path(name)) if name else "it is empty"
    if not wrong and (
        Path(name).name != name or name in (".", "..") or "\\" in name or "/" in name
    ):
        wrong = "it must be a name alone, without a folder"
    if not wrong and (len(name.encode()) > 200 or name.startswith("-") or not name.isprintable()):
        wrong = "it is longer than 200 bytes, begins with -, or has signs that cannot be seen"
    if wrong:
        raise BenchError(
            f"A run cannot be called {name!r}.",
            evidence=wrong,
            next_step='give a plain name such as "vest-3" that every system takes; --title takes any words.',
        )
    target = folder.resolve().parent / name
    if os.path.lexists(target):
        raise BenchError(
            f"There is a {name} already beside the run.",
            evidence=str(target),
            next_step="give another name.",
        )
    return target


def take_back(run: Path, clock: Clock = read_clocks) -> Edited:
    """``undo``, of a new name as well."""
    folder, description = description_now(run)
    number = last_to_undo(description.history)
    if number is not None and "name" in description.history[number].changed:
        old = description.history[number].changed["name"][0]
        return give_name(folder, old if isinstance(old, str) else "", clock, number)
    return undo(folder, clock)


def give_name(
    run: Path, name: str, clock: Clock = read_clocks, undoes: int | None = None
) -> Edited:
    """Give the run's folder another name; all that is in it goes along. Raises BenchError with nothing changed.

    ``undoes``: number of the change that this takes back.
    """
    folder = folder_of(run)
    target = new_place(folder, name)
    old = folder.resolve()
    with sole_editor(folder):
        pass  # nobody records or edits it; Windows renames no folder with an open file in it
    try:
        # At worst in the place of an empty folder that was made this very moment.
        old.rename(target)
    except OSError as error:
        raise BenchError(
            f"{folder} cannot be given the name {name}.",
            evidence=spoken(error),
            next_step="close whatever has a file of it open, or look who owns the folder above it.",
        ) from error
    shown = folder.parent / name if folder.name not in ("", "..") else target
    try:
        return note_new_name(shown if shown.is_dir() else target, old.name, clock().utc, undoes)
    except BenchError as error:
        raise _back(target, old, error) from error


def _back(target: Path, old: Path, error: BenchError) -> BenchError:
    """Where the history could not take it, the old name again, and what to say."""
    try:
        target.rename(old)
    except OSError:
        return BenchError(
            f"The run is called {target.name} now, but its history does not tell.",
            evidence=error.evidence,
            next_step=error.next_step,
        )
    return BenchError(
        f"{old.name} cannot be given the name {target.name}: its history cannot be written.",
        evidence=error.evidence,
        next_step=error.next_step,
    )
