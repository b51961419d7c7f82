"""One edit of a run: read, checked, written as one step, told in the run's history. Its samples are never written.

Whoever edits holds the lock of the recorder: two edits at once wait for each other, and the second sees what the
first has left. What this program does not know in a description stays in it.
"""

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from logger.base.clock import Clock, read_clocks
from logger.base.errors import BenchError, spoken
from logger.base.safe_files import json_bytes, open_to_read, read_json
from logger.edit import photos
from logger.edit.changes import NAMES, Changes, differences, new_values
from logger.edit.trim import trim_of
from logger.edit.words import changed_words
from logger.run.description import Description, from_document
from logger.run.edited.photo_files import FOLDER_NAME
from logger.run.edited.statements import deletes_photos, last_to_undo
from logger.run.format import DESCRIPTION_NAME, RUN_KEY, SAMPLES_NAME
from logger.run.open_file import lock_file
from logger.run.pieces import rows_file
from logger.run.reader import find_run
from logger.run.store import replace_document

_DOCUMENT_MOST: Final = 8 * 1024 * 1024
# Another edit is over soon; a recording is not, and the two look alike where a recording was cut off.
_PATIENCE_S: Final = 10.0
_PATIENCE_LIVE_S: Final = 0.3
_LOOK_S: Final = 0.05
_TITLE_KEY: Final = "dc:title"


@dataclass(frozen=True)
class Edited:
    """``folder``: where the run is now. ``changed``: what, a sentence each; empty: all stood there already."""

    folder: Path
    description: Description
    changed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Photos:
    """Photos to add (file, caption) and to take away, by number from 1."""

    add: tuple[tuple[Path, str], ...] = ()
    remove: tuple[int, ...] = ()

    @property
    def any(self) -> bool:
        return bool(self.add or self.remove)


def description_now(run: Path) -> tuple[Path, Description]:
    """The run's folder, and its description as it stands there. Raises BenchError as ``edit_run`` does."""
    folder = folder_of(run)
    return folder, from_document(_document(folder))[0]


def edit_run(
    run: Path, changes: Changes, pictures: Photos | None = None, clock: Clock = read_clocks
) -> Edited:
    """Change what is asked for. Raises BenchError, with nothing changed, if there is no run, it is being recorded, or
    what is asked for cannot be."""
    folder = folder_of(run)
    pictures = pictures or Photos()
    made = [(photos.scaled(path), caption) for path, caption in pictures.add]
    with sole_editor(folder):
        document = _document(folder)
        description, _ = from_document(document)
        own = document[RUN_KEY]
        values = new_values(changes, description, partial(_trim, folder, description))
        if pictures.any:
            values["photos"] = photos.listed(description.photos, made, pictures.remove)
        changed = differences(own, values)
        if not changed:
            return Edited(folder, description)
        photos.keep(folder, [data for data, _ in made])
        return _write(folder, document, changed, clock().utc)


def undo(run: Path, clock: Clock = read_clocks) -> Edited:
    """Take the newest change back that was not taken back yet. Raises BenchError as ``edit_run`` does."""
    folder = folder_of(run)
    with sole_editor(folder):
        document = _document(folder)
        description, _ = from_document(document)
        own = document[RUN_KEY]
        number = last_to_undo(description.history)
        if number is None:
            raise BenchError(
                f"There is nothing to take back in {folder}.",
                evidence="every change was taken back" if description.history else "it was never edited",
                next_step="see what happened with: drawbench edit RUN --history",
            )  # fmt: skip
        wanted = {
            name: old
            for name, (old, _) in description.history[number].changed.items()
            if name in NAMES
        }
        photos.refuse_lost(folder, wanted.get("photos"))
        _refuse_unusable(document, wanted)
        return _write(folder, document, differences(own, wanted), clock().utc, number)


def note_new_name(folder: Path, old: str, utc: str, undoes: int | None = None) -> Edited:
    """Put into the history that the run's folder has another name now."""
    with sole_editor(folder):
        document = _document(folder)
        return _write(folder, document, {"name": [old, folder.resolve().name]}, utc, undoes)


def folder_of(run: Path) -> Path:
    """The folder of a run, given that or its ``samples.csv``. Raises BenchError if there is none."""
    folder = run.parent if run.name == SAMPLES_NAME and not run.is_dir() else run
    if not folder.is_dir() or not rows_file(folder)[0].is_file():
        find_run(run, whole=True)  # says in words what is there instead
        raise BenchError(
            f"{run} is not the folder of a run.",
            next_step="give the folder that holds samples.csv.",
        )
    return folder


def _trim(folder: Path, description: Description, begin: str | None, end: str | None) -> Any:
    return trim_of(begin, end, find_run(folder, whole=True).columns, description)


def _write(
    folder: Path,
    document: dict[str, Any],
    changed: dict[str, list[Any]],
    utc: str,
    undoes: int | None = None,
) -> Edited:
    """The description with the changes and one entry more in its history, in the place of the old one."""
    own = document[RUN_KEY]
    for name, (_, new) in changed.items():
        if name in NAMES:
            own[name] = new
    if "title" in changed:
        document[_TITLE_KEY] = own["title"]
    history = own.get("history")
    entry = {"utc": utc, "changed": changed, "undoes": undoes}
    own["history"] = [*(history if isinstance(history, list) else []), entry]
    if len(json_bytes(document)) > _DOCUMENT_MOST:
        raise BenchError(
            f"The description of {folder} would get too long.",
            evidence=f"over {_DOCUMENT_MOST >> 20} MiB, with a history of {len(own['history'])} changes",
            next_step="keep long notes in a file beside the run.",
        )
    try:
        replace_document(folder, document)
    except OSError as error:
        raise not_writable(folder, error) from error
    description = from_document(document)[0]
    try:
        photos.tidy(folder, description.photos, time.time())
    except OSError as error:
        if deletes_photos(description.history[-1]):
            raise _photo_left(folder, error) from error
    return Edited(folder, description, tuple(changed_words(changed)))


def _refuse_unusable(document: dict[str, Any], wanted: dict[str, Any]) -> None:
    """What a stranger's history would bring back must be what a description can hold."""
    own = {key: value for key, value in document[RUN_KEY].items() if key not in ("history", *NAMES)}
    before = from_document({RUN_KEY: own})[1]
    found, problems = from_document({RUN_KEY: own | wanted})
    new = [text for text in problems if text not in before]
    odd = [
        name
        for name, value in wanted.items()
        if value is not None and name not in ("pack", "cutoff", "trim", "photos")
        and getattr(found, name) != value
    ]  # fmt: skip
    if new or odd:
        raise BenchError(
            "The last change cannot be taken back: what stood there before is not usable.",
            evidence="; ".join([*new, *odd])[:200],
            next_step="say what is right instead, e.g. drawbench edit RUN --title ...",
        )


def _document(folder: Path) -> dict[str, Any]:
    path = folder / DESCRIPTION_NAME
    try:
        document = read_json(path)
    except FileNotFoundError:
        raise BenchError(
            f"{folder} has no description, so there is nothing to correct.",
            evidence=f"{path.name} is missing",
            next_step=f"make a run with one of its rows: drawbench import {folder / SAMPLES_NAME} NEW-RUN",
        ) from None
    except (OSError, ValueError) as error:
        raise _damaged(folder, spoken(error)) from error
    if not isinstance(document, dict) or not isinstance(document.get(RUN_KEY), dict):
        raise _damaged(folder, f"there is no part {RUN_KEY!r} in it")
    return document


def _damaged(folder: Path, seen: str) -> BenchError:
    return BenchError(
        f"The description of {folder} is damaged; nothing was changed.",
        evidence=seen,
        next_step=f"put a copy of {DESCRIPTION_NAME} back, or take it away and import {SAMPLES_NAME} anew.",
    )


@contextlib.contextmanager
def sole_editor(folder: Path, sleep: Callable[[float], object] = time.sleep) -> Iterator[None]:
    """Hold the recorder's lock. Raises BenchError while the run is recorded, or somebody edits it without end."""
    rows, _ = rows_file(folder)
    try:
        with open_to_read(rows) as stream:
            waited_s = 0.0
            while True:
                try:
                    lock_file(stream.fileno(), rows)
                    break
                except BenchError as error:
                    patience_s = _PATIENCE_LIVE_S if _is_recording(folder) else _PATIENCE_S
                    if waited_s >= patience_s:
                        raise _busy(folder, error) from error
                sleep(_LOOK_S)
                waited_s += _LOOK_S
            yield
    except OSError as error:
        raise not_writable(folder, error) from error


def _is_recording(folder: Path) -> bool:
    try:
        return from_document(_document(folder))[0].state == "recording"
    except BenchError:
        return False


def _busy(folder: Path, error: BenchError) -> BenchError:
    return BenchError(
        f"{folder} is being recorded: it can be corrected once it has ended.",
        evidence=error.evidence,
        next_step="type a note into the terminal of the recording: it is kept as a mark of the run.",
    )


def _photo_left(folder: Path, error: OSError) -> BenchError:
    return BenchError(
        f"{folder} lists the photo no more, but its file cannot be deleted.",
        evidence=spoken(error),
        next_step=f"delete it in {folder / FOLDER_NAME} by your own means.",
    )


def not_writable(folder: Path, error: OSError) -> BenchError:
    return BenchError(
        f"The description of {folder} cannot be replaced; nothing was changed.",
        evidence=spoken(error),
        next_step="make room on its disk and the folder writable, or copy the run to a better place.",
    )
