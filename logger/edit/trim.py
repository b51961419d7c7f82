"""Which part of a run counts, from what a person typed: times on the run's axis, or times of day where they are known."""

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.durations import parse_duration_s, span_words, utc_moment
from logger.base.errors import BenchError
from logger.run.description import Description
from logger.run.edited.statements import Trim

Floats = npt.NDArray[np.float64]

_SLACK_S: Final = 1e-6
_BEGIN: Final = frozenset({"", "0", "begin", "start"})
_END: Final = frozenset({"", "end"})
_CLOCK: Final = re.compile(r"(\d{1,4}):([0-5]\d)(?::([0-5]\d(?:\.\d+)?))?")
_TIME_OF_DAY: Final = re.compile(r"at\s+([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?", re.IGNORECASE)
_EXAMPLES: Final = 'write 12min, 0:12 or 6h40min into the run, or "at 18:30" of the day'
_DAYS_LOOKED: Final = 400


def both_ends(text: str) -> tuple[str, str]:
    """From and to of ``12min..6h40min``; either may be left out. Raises BenchError."""
    ends = text.replace("…", "..").split("..")
    if len(ends) != 2 or ends[1].startswith("."):
        raise BenchError(
            f"The trim {text!r} is not understood.",
            evidence=f"the third dot may begin a number, as 0{ends[1]}"
            if len(ends) == 2
            else "expected FROM..TO",
            next_step='write it with two dots, like "0:12..6:40", "12min.." or "..6h40min".',
        )
    return ends[0].strip(), ends[1].strip()


def trim_of(
    begin: str | None,
    end: str | None,
    columns: Mapping[str, Floats],
    description: Description,
) -> Trim | None:
    """The part of whole rows within what was asked for; None: all of it. Raises BenchError if nothing is left.

    ``columns``: of the whole run. ``begin``, ``end``: as typed, in time from the recording's own begin.
    """
    time_s = columns["time_s"]
    last_s = float(time_s[-1])
    begin_s = _moment_s(begin or "", _BEGIN, 0.0, description)
    end_s = _moment_s(end or "", _END, last_s, description)
    rows = f"the run has rows from {_words(float(time_s[0]))} to {_words(last_s)}"
    if not begin_s < end_s:
        raise _nothing(f"it would begin at {_words(begin_s)} and end at {_words(end_s)}", rows)
    step_s = _begins_before(columns, description)
    inside = np.flatnonzero((time_s - step_s >= begin_s - _SLACK_S) & (time_s <= end_s + _SLACK_S))
    if len(inside) < 2:
        raise _nothing(
            f"{len(inside)} rows lie between {_words(begin_s)} and {_words(end_s)}", rows
        )
    first, last = int(inside[0]), int(inside[-1])
    if first == 0 and last == len(time_s) - 1:
        return None
    starts_s = 0.0 if first == 0 else round(float(time_s[first] - step_s[first]), 6)
    return Trim(starts_s, float(time_s[last]), last_s)


def _begins_before(columns: Mapping[str, Floats], description: Description) -> Floats:
    """How long before its time each row begins: a board's window, nothing for a sample.

    A row that follows the one above begins where that ends; behind a gap or a new start of the board, a window earlier.
    """
    time_s = columns["time_s"]
    if description.source != "board":
        return np.zeros(len(time_s))
    steps_s = np.diff(time_s, prepend=0.0)
    window_s = description.window_s or float(np.median(steps_s))
    boots = columns.get("boot", np.zeros(len(time_s)))
    follows = (steps_s < 1.5 * window_s) & (np.diff(boots, prepend=boots[:1]) == 0)
    return np.where(follows, steps_s, np.minimum(steps_s, window_s))


def _moment_s(text: str, empty: frozenset[str], at_s: float, description: Description) -> float:
    words = text.strip()
    if words.lower() in empty:
        return at_s
    if match := _CLOCK.fullmatch(words):
        return 3600 * int(match[1]) + 60 * int(match[2]) + float(match[3] or 0)
    if match := _TIME_OF_DAY.fullmatch(words):
        return _time_of_day_s(int(match[1]), int(match[2]), int(match[3] or 0), words, description)
    if re.match(r"\d{4}-\d\d-\d\d[T ]", words):
        return _iso_s(words, description)
    try:
        return parse_duration_s(words)
    except ValueError as error:
        raise BenchError(
            f"The time {text!r} of the trim is not understood.",
            evidence=str(error),
            next_step=f"{_EXAMPLES}.",
        ) from None


def _time_of_day_s(
    hour: int, minute: int, second: int, text: str, description: Description
) -> float:
    """The first such time of this computer's day since the run began."""
    began = _began(description, text).astimezone()
    moment = began.replace(hour=hour, minute=minute, second=second, microsecond=0)
    if moment < began:
        moment += timedelta(days=1)
    return (moment - began).total_seconds()


def _iso_s(text: str, description: Description) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None:
        raise BenchError(
            f"The moment {text!r} of the trim is not understood.", next_step=f"{_EXAMPLES}."
        )
    # Without a zone it is this computer's.
    since_s = (moment.astimezone() - _began(description, text)).total_seconds()
    if not 0 <= since_s <= _DAYS_LOOKED * 86400:
        raise BenchError(
            f"The moment {text!r} is not in the run.",
            evidence=f"the run began {description.started_utc}",
            next_step=f"{_EXAMPLES}.",
        )
    return since_s


def _began(description: Description, text: str) -> datetime:
    """The moment of time 0. Raises BenchError where nobody knows it."""
    if not description.simulated:
        for time_s, _, utc in description.clock:
            moment = utc_moment(utc)
            if moment is not None and abs(time_s) < _DAYS_LOOKED * 86400:
                return (moment - timedelta(seconds=time_s)).astimezone(UTC)
        moment = utc_moment(description.started_utc)
        if moment is not None:
            return moment.astimezone(UTC)
    raise BenchError(
        f"{text!r} is a time of the day, and the run does not know the day's clock.",
        evidence="a simulated board" if description.simulated else "no moment in its description",
        next_step="say it as time into the run: 12min, 0:12 or 6h40min.",
    )


def _words(seconds: float) -> str:
    return span_words(seconds) if seconds else "0"


def _nothing(what: str, rows: str) -> BenchError:
    return BenchError(
        "That trim would leave nothing of the run.",
        evidence=f"{what}; {rows}",
        next_step="give times on the recording's own axis, also where it was trimmed before.",
    )
