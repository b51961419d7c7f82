"""How is what was changed in a run said?"""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from logger.base.durations import span_words, utc_moment
from logger.run.description import Description, pack_from_json
from logger.run.edited.statements import (
    Change,
    cutoff_from_json,
    photos_from_json,
    trim_from_json,
    trim_words,
)

LABELS: Final = {
    "title": "title", "pack": "pack", "need_s": "need", "cutoff": "cutoff", "load": "load", "notes": "notes",
    "author": "author", "fresh": "pack at the start", "temperature_c": "temperature", "trim": "trim",
    "photos": "photos", "name": "folder",
}  # fmt: skip
NOTHING: Final = "not stated"
_SHOWN: Final = 60
_NAMED: Final = 20


def value_words(name: str, value: object, shown: int = _SHOWN) -> str:
    """A value of the description's JSON in words, whatever a stranger has put there; text of at most ``shown`` signs."""
    if value is None or value in ("", []):
        return {"trim": "the whole run", "photos": "none", "cutoff": "as recorded"}.get(name, NOTHING)  # fmt: skip
    say = _SAID.get(name)
    try:
        words = "" if say is None else say(value)
    except (TypeError, ValueError, KeyError, OverflowError, AttributeError):
        words = ""
    return words or _short(value, shown)


def _short(value: object, shown: int = _SHOWN) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    text = " ".join(text[: 4 * shown].split())
    text = text if len(text) <= shown else f"{text[: shown - 1]}…"
    return f'"{text}"' if isinstance(value, str) else text


def _pack(value: Any) -> str:
    pack = pack_from_json(value)
    if pack is None:
        return ""
    return f"{pack}, label {pack.capacity_mah:g} mAh" if pack.capacity_mah else str(pack)


def _cutoff(value: Any) -> str:
    cutoff = cutoff_from_json(value)
    if cutoff is None or cutoff.cutoff_v is None:
        return ""
    return f"{cutoff.cutoff_v:g} V, held {span_words(cutoff.hold_s)}"


def _trim(value: Any) -> str:
    words = trim_words(trim_from_json(value))
    return words.removeprefix("Trimmed: ").partition(";")[0]


def _photos(value: Any) -> str:
    found, _ = photos_from_json(value)
    captions = "; ".join(photo.caption or "no caption" for photo in found)
    return f"{len(found)} ({captions})" if len(captions) <= _SHOWN else str(len(found))


_SAID: Final[Mapping[str, Callable[[Any], str]]] = {
    "pack": _pack,
    "need_s": lambda value: span_words(float(value)),
    "cutoff": _cutoff,
    "fresh": lambda value: "fresh" if value is True else "part-used",
    "temperature_c": lambda value: f"{float(value):g} °C",
    "trim": _trim,
    "photos": _photos,
}


def changed_words(changed: Mapping[str, Sequence[Any]]) -> list[str]:
    """``pack: 2x AA alkaline -> 3x AA alkaline``, a line each."""
    told = list(changed.items())
    more = [f"and {len(told) - _NAMED} more"] if len(told) > _NAMED else []
    return [
        f"{LABELS.get(name, _short(name).strip(chr(34)))}: {value_words(name, old)} -> {value_words(name, new)}"
        for name, (old, new) in told[:_NAMED]
    ] + more


def history_words(history: Sequence[Change]) -> list[str]:
    """Every change with its number and when it was made, the oldest first."""
    told = []
    for number, change in enumerate(history, start=1):
        if not change.utc:
            continue
        undid = "" if change.undoes is None else f"took back {change.undoes + 1}: "
        told.append(f"{number}. {day_words(change.utc)}: {undid}{'; '.join(changed_words(change.changed))}")  # fmt: skip
    return told


def day_words(utc: str) -> str:
    moment = utc_moment(utc)
    return f"{moment:%Y-%m-%d %H:%M} UTC" if moment else "at an unknown time"


def corrected_words(description: Description, name: str) -> str:
    """``corrected on 2026-11-29, was 2x AA alkaline`` for what stands there after an edit; empty where it was not."""
    own = [change for change in description.history if name in change.changed]
    if not own:
        return ""
    first, last = own[0].changed[name][0], own[-1].changed[name][1]
    if first == last:
        return ""
    moment = utc_moment(own[-1].utc)
    return f"corrected{f' on {moment:%Y-%m-%d}' if moment else ''}, was {value_words(name, first)}"
