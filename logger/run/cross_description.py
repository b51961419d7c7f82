"""Does a run's description go with its rows: beginning, end, clocks, boot?"""

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.durations import span_words
from logger.run.description import Description

Floats = npt.NDArray[np.float64]
Found = tuple[str, tuple[int, ...]]

# Between two readings of the computer's clocks, and what NTP slews.
_CLOCKS_S: Final = 2.0
_CLOCKS_SHARE: Final = 1e-3
# An end that rows do not reach: windows, and seconds of the computer's clock.
_END_WINDOWS: Final = 10.0
_END_S: Final = 30.0
# Voltage and charge are written with six decimals.
_LAST_DIGIT: Final = 2e-6


def description_contradictions(
    description: Description, columns: Mapping[str, Floats], *, whole: bool = True
) -> Iterator[Found]:
    """What contradicts, in words, and the numbers of the rows concerned (from 1). ``whole``: no row was left out."""
    yield from _clocks(description)
    if whole:
        yield from _boot(description, columns)
        yield from _end(description, columns)


def _boot(description: Description, columns: Mapping[str, Floats]) -> Iterator[Found]:
    board, boots = description.board, columns.get("boot")
    if board is None or boots is None or any(e.kind == "boot" for e in description.events):
        return
    if np.isfinite(boots[0]) and int(boots[0]) != board.boot:
        yield f"the description says boot {board.boot} of the board, the rows {int(boots[0])}", (1,)


def _moment_s(text: str) -> float | None:
    try:
        return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()
    except ValueError:
        return None


def _clocks(description: Description) -> Iterator[Found]:
    """The computer's two clocks in the anchors, and its times of beginning and end."""
    if any(e.kind == "clock" for e in description.events) or description.was_taken_up:
        return  # it was set, slept or was another's
    anchors = [(host_s, _moment_s(utc)) for _, host_s, utc in description.clock]
    told = [(host_s, utc_s) for host_s, utc_s in anchors if utc_s is not None]
    if not told:
        return
    first_host_s, first_s = told[0]
    for host_s, utc_s in told[1:]:
        passed_s = host_s - first_host_s
        if abs(utc_s - first_s - passed_s) > _CLOCKS_S + _CLOCKS_SHARE * abs(passed_s):
            yield (
                f"the computer's clocks in the description are {span_words(abs(utc_s - first_s - passed_s))} apart, "
                "and nothing says that one was set",
                (),
            )
            break
    started_s, ended_s = _moment_s(description.started_utc), _moment_s(description.ended_utc)
    begun_s = first_s - first_host_s
    # A simulated board's rows may run ahead of the computer.
    if (
        not _runs_ahead(description)
        and started_s is not None
        and started_s > begun_s + _CLOCKS_S + _CLOCKS_SHARE * first_host_s
    ):
        late_s = started_s - begun_s
        yield f"started_utc is {span_words(late_s)} after the first row", ()
    if ended_s is not None and ended_s < told[-1][1] - _CLOCKS_S:
        yield f"ended_utc is {span_words(told[-1][1] - ended_s)} before the last row", ()


def _runs_ahead(description: Description) -> bool:
    """Whether board and computer plainly do not tell the same time."""
    if len(description.clock) < 2:
        # A simulated board may be played fast; killed early, nothing was kept that shows it.
        return description.simulated and description.state != "ended"
    (first_s, first_host_s, _), (last_s, last_host_s, _) = (
        description.clock[0],
        description.clock[-1],
    )
    return abs((last_s - first_s) - (last_host_s - first_host_s)) > 0.05 * abs(last_s - first_s)


def _end(description: Description, columns: Mapping[str, Floats]) -> Iterator[Found]:
    """Why it ended, and whether the last row says so."""
    if description.state != "ended":
        return
    stop, reason, text = description.stop, description.end_reason, description.end_text
    last, time_s = len(columns["time_s"]), float(columns["time_s"][-1])
    if end_is_missing(description, time_s):
        return  # whoever keeps a part of a run does no wrong; check tells it
    volts, charge = columns.get("pack_v"), columns.get("charge_mah")
    if (
        reason == "cutoff"
        and text.startswith("pack voltage below")
        and stop.cutoff_v is not None
        and volts is not None
        and float(volts[-1]) > stop.cutoff_v + _LAST_DIGIT
    ):
        yield (
            f"it ended by the cutoff of {stop.cutoff_v:g} V, but the last row has {float(volts[-1]):.3f} V",
            (last,),
        )
    if (
        reason == "charge"
        and stop.charge_mah is not None
        and charge is not None
        and float(charge[-1]) < stop.charge_mah - _LAST_DIGIT
    ):
        yield (
            f"it ended after {stop.charge_mah:g} mAh, but the last row has {float(charge[-1]):.3f} mAh",
            (last,),
        )
    if (
        reason == "duration"
        and stop.duration_s is not None
        and "no link" not in text
        and time_s < stop.duration_s - 2 * (description.window_s or 1.0)
        and not _away_after(description, time_s)
    ):
        yield (
            f"it ended after {span_words(stop.duration_s)}, but the last row is at {span_words(time_s)}",
            (last,),
        )


def recorded_until_s(description: Description) -> float:
    """The latest moment on the run's axis that the description knows of."""
    return max(
        [*(time_s for time_s, _, _ in description.clock), *(e.time_s for e in description.events)],
        default=0.0,
    )


def end_is_missing(description: Description, last_s: float) -> bool:
    """Whether rows went on after the last one, as far as the description can tell."""
    window_s = description.window_s or 1.0
    return recorded_until_s(description) > last_s * 1.01 + max(_END_WINDOWS * window_s, _END_S)


def _away_after(description: Description, time_s: float) -> bool:
    """Whether something happened at the end that kept rows from coming."""
    window_s = description.window_s or 1.0
    return any(event.time_s >= time_s - 2 * window_s for event in description.events)
