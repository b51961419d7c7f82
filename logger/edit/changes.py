"""What is to be changed in a run's description, checked as the recorder checks it."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from types import EllipsisType
from typing import Any, Final

from logger.base.durations import HOLD_DEFAULT_S
from logger.base.errors import BenchError
from logger.base.pack import Pack, parse_pack
from logger.recording.safety import check_cutoff
from logger.run.description import Description
from logger.run.edited.statements import TIME_MOST_S, VOLTS_MOST, Cutoff, Trim, is_json

NEED_MOST_S: Final = 366 * 86400.0
# The names by which the description knows what can be changed, as they are listed.
NAMES: Final = (
    "title", "pack", "need_s", "cutoff", "load", "notes", "author", "fresh", "temperature_c", "trim", "photos",
)  # fmt: skip
_TEXT_MOST: Final = {"title": 200, "author": 200, "load": 1000, "notes": 10_000}


@dataclass(frozen=True)
class Changes:
    """What to change; ``...`` leaves it, None takes it away.

    ``pack``: in words, as ``parse_pack`` reads them. ``cutoff_v`` None: back to the one that the run was stopped by.
    ``trim``: from and to as typed (``logger.edit.trim``), None: the whole run counts. ``below_floor``: a cutoff below
    the cells' floor is meant.
    """

    title: str | EllipsisType | None = ...
    author: str | EllipsisType | None = ...
    load: str | EllipsisType | None = ...
    notes: str | EllipsisType | None = ...
    pack: str | EllipsisType | None = ...
    need_s: float | EllipsisType | None = ...
    cutoff_v: float | EllipsisType | None = ...
    hold_s: float | EllipsisType = ...
    fresh: bool | EllipsisType | None = ...
    temperature_c: float | EllipsisType | None = ...
    trim: tuple[str | None, str | None] | EllipsisType | None = ...
    below_floor: bool = False

    @property
    def any(self) -> bool:
        """Whether there is something to do."""
        return any(getattr(self, item.name) is not ... for item in fields(self) if item.name != "below_floor")  # fmt: skip


def new_values(
    changes: Changes,
    description: Description,
    trim_of: Callable[[str | None, str | None], Trim | None],
) -> dict[str, Any]:
    """What stands in the description afterwards, in its JSON form, by name. Raises BenchError.

    ``trim_of``: reads the rows, and is called only where a part is asked for.
    """
    values: dict[str, Any] = {}
    for name, most in _TEXT_MOST.items():
        text = getattr(changes, name)
        if text is not ...:
            values[name] = _text(name, text, most)
    pack = description.pack
    if not isinstance(changes.pack, EllipsisType):
        pack = parse_pack(changes.pack, other=True) if changes.pack else None
        values["pack"] = None if pack is None else asdict(pack)
    if not isinstance(changes.need_s, EllipsisType):
        values["need_s"] = _number(changes.need_s, "need", 0.0, NEED_MOST_S, "s: a year at most")
    if not isinstance(changes.temperature_c, EllipsisType):
        values["temperature_c"] = _number(changes.temperature_c, "temperature", -40.1, 85.0, "°C")
    if not isinstance(changes.fresh, EllipsisType):
        values["fresh"] = changes.fresh if changes.fresh is None else bool(changes.fresh)
    _cutoff(changes, description, pack, values)
    if not isinstance(changes.trim, EllipsisType):
        trim = None if changes.trim is None else trim_of(*changes.trim)
        values["trim"] = None if trim is None else asdict(trim)
    return values


def _text(name: str, text: str | None, most: int) -> str:
    """Text to be kept; on one line but for notes."""
    if text is None:
        return ""
    if not isinstance(text, str):
        raise BenchError(f"The {name} is not text.", evidence=repr(text)[:60], next_step="give words.")  # fmt: skip
    kept = text.strip() if name == "notes" else " ".join(text.split())
    if len(kept) > most:
        raise BenchError(
            f"The {name} is too long.",
            evidence=f"{len(kept)} signs, at most {most}",
            next_step="say it shorter; a longer story goes into a file beside the run.",
        )
    return kept


def _number(value: float | None, name: str, least: float, most: float, unit: str) -> float | None:
    if value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not least < number <= most:
        raise BenchError(
            f"The {name} {value!r} is not possible.",
            evidence=f"expected over {least:g} and up to {most:g} {unit}",
            next_step=f"give the {name} as a number in {unit.split(':')[0]}.",
        )
    return number


def _cutoff(
    changes: Changes, description: Description, pack: Pack | None, values: dict[str, Any]
) -> None:
    """The cutoff asked for now, beside the one that the run was stopped by; checked against the pack as it is now."""
    asked = description.asked
    cutoff_v, hold_s = asked.cutoff_v, asked.hold_s
    if changes.cutoff_v is not ... or changes.hold_s is not ...:
        cutoff = _cutoff_asked(changes, description)
        values["cutoff"] = None if cutoff is None else asdict(cutoff)
        cutoff_v = description.stop.cutoff_v if cutoff is None else cutoff.cutoff_v
        hold_s = description.stop.hold_s if cutoff is None else cutoff.hold_s
    if (cutoff_v, hold_s) != (asked.cutoff_v, asked.hold_s) or pack != description.pack:
        check_cutoff(pack, cutoff_v, below_floor=changes.below_floor)


def _cutoff_asked(changes: Changes, description: Description) -> Cutoff | None:
    asked, stop = description.asked, description.stop
    if changes.cutoff_v is None:
        if changes.hold_s is not ...:
            raise BenchError(
                "A hold without a cutoff says nothing.",
                next_step="give the cutoff with it, or take back both.",
            )
        return None
    cutoff_v = asked.cutoff_v
    if not isinstance(changes.cutoff_v, EllipsisType):
        cutoff_v = _number(changes.cutoff_v, "cutoff", 0.0, VOLTS_MOST, "V")
    if cutoff_v is None:
        raise BenchError(
            "A hold without a cutoff says nothing.", next_step="give --cutoff with it."
        )
    hold_s = asked.hold_s if asked.hold_s > 0 else HOLD_DEFAULT_S
    if not isinstance(changes.hold_s, EllipsisType):
        hold_s = _number(changes.hold_s, "hold", -1.0, TIME_MOST_S, "s") or 0.0
        hold_s = max(hold_s, 0.0)
    if (cutoff_v, hold_s) == (stop.cutoff_v, stop.hold_s):
        return None
    return Cutoff(cutoff_v, hold_s)


def differences(own: Mapping[str, Any], values: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Of the new values those that are not there already, each as before and after."""
    empty: dict[str, Any] = {**dict.fromkeys(_TEXT_MOST, ""), "photos": []}
    before = {name: own.get(name, empty.get(name)) for name in values}
    return {
        name: [before[name] if is_json(before[name]) else None, value]
        for name, value in values.items()
        if before[name] != value
    }
