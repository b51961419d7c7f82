"""What may stand in a description that was edited, and what of a stranger's is believed?

The recording's own words stay: a cutoff asked for now is kept beside the one that the run was stopped by, a trim is
a statement about rows that all stay in the file, and each change says what it changed from and to.
"""

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from logger.base.durations import span_words

TIME_MOST_S: Final = 1e9
VOLTS_MOST: Final = 1e4
CAPTION_MOST: Final = 200
PHOTOS_MOST: Final = 12
# More than anybody changes by hand; a stranger's longer list is cut.
HISTORY_MOST: Final = 5000
_PHOTO_NAME: Final = re.compile(r"photo-[0-9a-f]{16}\.jpg")


@dataclass(frozen=True)
class Trim:
    """The part of the rows that counts: those after ``begin_s`` and up to ``end_s``, in s on the recording's own axis.

    ``of_s``: how long the recording was when that was said.
    """

    begin_s: float
    end_s: float
    of_s: float

    @property
    def cuts_the_end(self) -> bool:
        return self.end_s < self.of_s


@dataclass(frozen=True)
class Cutoff:
    """The cutoff that is asked for now, whatever the run was stopped by. ``cutoff_v`` None: none at all."""

    cutoff_v: float | None
    hold_s: float = 0.0


@dataclass(frozen=True)
class Photo:
    """``file``: its name in the run's folder ``photos``; ``caption``: in words, may be empty."""

    file: str
    caption: str = ""


@dataclass(frozen=True)
class Change:
    """One edit. ``changed``: what by name, each as it stood in the description before and after (None: not at all).

    ``undoes``: number of the change that this one took back; None: it is no such one.
    """

    utc: str
    changed: dict[str, list[Any]] = field(default_factory=dict)
    undoes: int | None = None


def trim_words(trim: Trim | None) -> str:
    """``Trimmed: 12 min to 6 h 40 min of 7 h 2 min; times count from there.``; empty without one."""
    if trim is None:
        return ""
    begin = span_words(trim.begin_s) if trim.begin_s else "0"
    return f"Trimmed: {begin} to {span_words(trim.end_s)} of {span_words(trim.of_s)}; times count from there."


def trim_from_json(part: object) -> Trim | None:
    """None if it is none: not numbers, or its end not after its beginning."""
    if not isinstance(part, Mapping):
        return None
    begin_s, end_s, of_s = (_number(part.get(key), TIME_MOST_S) for key in ("begin_s", "end_s", "of_s"))  # fmt: skip
    if begin_s is None or end_s is None or of_s is None or not begin_s < end_s <= of_s:
        return None
    return Trim(begin_s, end_s, of_s)


def cutoff_from_json(part: object) -> Cutoff | None:
    """None if there can be no such cutoff."""
    if not isinstance(part, Mapping) or "cutoff_v" not in part:
        return None
    hold_s = _number(part.get("hold_s", 0.0), TIME_MOST_S)
    cutoff_v = None if part["cutoff_v"] is None else _number(part["cutoff_v"], VOLTS_MOST)
    if hold_s is None or (cutoff_v is None) != (part["cutoff_v"] is None) or cutoff_v == 0.0:
        return None
    return Cutoff(cutoff_v, hold_s)


def photos_from_json(part: object) -> tuple[tuple[Photo, ...], int]:
    """Photos under names of ours, each once, and how many were none."""
    items = part if isinstance(part, list) else []
    found: dict[str, Photo] = {}
    for item in items:
        if isinstance(item, Mapping) and is_photo_name(item.get("file")):
            caption = item.get("caption", "")
            text = " ".join(caption.split())[:CAPTION_MOST] if isinstance(caption, str) else ""
            found.setdefault(item["file"], Photo(item["file"], text))
    kept = tuple(found.values())[:PHOTOS_MOST]
    return kept, len(items) - len(kept)


def history_from_json(part: object) -> tuple[tuple[Change, ...], int]:
    """Changes in their order, and how many were none. One that is none keeps its place, so that numbers stay right."""
    items = part if isinstance(part, list) else []
    kept = tuple(_change(item) or Change("") for item in items[:HISTORY_MOST])
    return kept, len(items) - sum(bool(change.utc) for change in kept)


def is_photo_name(name: object) -> bool:
    return isinstance(name, str) and _PHOTO_NAME.fullmatch(name) is not None


def deletes_photos(change: Change) -> bool:
    """Whether a photo was taken away by it, whose file is deleted: that cannot be taken back."""
    before, after = (photos_from_json(part)[0] for part in change.changed.get("photos", [[], []]))
    return not {photo.file for photo in before} <= {photo.file for photo in after}


def last_to_undo(history: Sequence[Change]) -> int | None:
    """Number of the newest change that is no undoing and was not undone; None: there is none."""
    undone = {change.undoes for change in history if change.undoes is not None}
    for number in reversed(range(len(history))):
        change = history[number]
        if change.utc and change.undoes is None and number not in undone:
            return number
    return None


def _change(item: object) -> Change | None:
    if not isinstance(item, Mapping) or not isinstance(item.get("utc"), str) or not item["utc"]:
        return None
    changed, undoes = item.get("changed"), item.get("undoes")
    if not isinstance(changed, Mapping) or not is_json(changed):
        return None
    if undoes is not None and (type(undoes) is not int or undoes < 0):
        return None
    pairs = {str(name): list(pair) for name, pair in changed.items() if isinstance(pair, list) and len(pair) == 2}  # fmt: skip
    return Change(item["utc"][:40], pairs, undoes) if len(pairs) == len(changed) else None


def is_json(value: object) -> bool:
    """Python reads NaN and 1e999 out of JSON, which no other program takes from us again."""
    try:
        json.dumps(value, allow_nan=False)
    except ValueError:
        return False
    return True


def _number(value: object, most: float) -> float | None:
    """A number from 0 to ``most``."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    try:
        return float(value) if math.isfinite(value) and 0 <= value <= most else None
    except OverflowError:
        return None
