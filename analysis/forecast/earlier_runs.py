"""Which earlier runs beside this one are of the same pack type, and how did they go?"""

from pathlib import Path
from typing import Final

import numpy as np

from analysis.curve.course import breaks, course_of
from analysis.forecast.own_runs import EarlierRun
from analysis.run.dips import dips
from analysis.run.history import part, thinned
from analysis.run.pack_faults import pack_faults
from analysis.run.trace import trace_of
from logger.base.errors import BenchError
from logger.run.description import Description
from logger.run.reader import Run, read_run
from logger.run.run_list import described, find_runs

# The newest tell most of the pack as it is; each one takes time to read.
_MOST: Final = 4
_LOOKED_AT_MOST: Final = 8
_LEAST_FALL: Final = 0.03  # of the voltage: less is no rundown


def earlier_run(run: Run, hold_s: float = 0.0) -> EarlierRun | None:
    """A recorded run's course; None where it has no voltage or current, was no discharge, or hardly fell."""
    try:
        trace = trace_of(run)
    except BenchError:
        return None
    if trace.voltage_v is None or trace.current_ma is None:
        return None
    faults = pack_faults(trace, run.description)
    if faults.flow != "out" or faults.start_row:
        return None
    bins = thinned(trace, ~faults.bad, hold_s)
    if len(bins.end_s) < 8:
        return None
    bins = part(bins, ~dips(bins))
    course = course_of(bins)
    if course is None:
        return None
    high_v, low_v = float(course.held_v[0]), float(course.held_v[-1])
    if low_v > (1 - _LEAST_FALL) * high_v:
        return None
    on = part(bins, ~breaks(bins))
    name = run.folder.name or run.description.title
    mean_ma = float(np.average(on.mean_ma, weights=on.span_s))
    return EarlierRun(name, course, mean_ma, run.description.temperature_c)


def earlier_runs(
    folder: Path, description: Description, hold_s: float = 0.0
) -> tuple[EarlierRun, ...]:
    """Earlier runs of the same pack type (chemistry, cells, size, label) beside the run in ``folder``, newest first.

    Runs that cannot be read, or hold no rundown, are passed over: this only ever adds to a forecast.
    """
    if description.pack is None:
        return ()
    try:
        here = folder.resolve()
        folders = find_runs((here.parent,)) if here.is_dir() else []
    except (BenchError, OSError):
        return ()
    alike: list[tuple[str, Path]] = []
    kept: list[Description] = []
    for other in folders:
        told = None if other.resolve() == here else described(other)
        if told is None or not _same_pack(told, description):
            continue
        if not any(told.same_recording(another) for another in kept):  # a copy is no second run
            alike.append((told.started_utc, other))
            kept.append(told)
    found: list[EarlierRun] = []
    for _, other in sorted(alike, reverse=True)[:_LOOKED_AT_MOST]:
        try:
            earlier = earlier_run(read_run(other), hold_s)
        except (BenchError, OSError):
            continue
        if earlier is not None:
            found.append(earlier)
        if len(found) == _MOST:
            break
    return tuple(found)


def _same_pack(theirs: Description, ours: Description) -> bool:
    """Ended before this run began, with such a pack, and recorded by a board as real as this one's."""
    if theirs.pack is None or ours.pack is None or theirs.state != "ended":
        return False
    if theirs.unknown_pauses:
        return False  # nobody knows what it gave meanwhile
    if ours.started_utc and not theirs.started_utc < ours.started_utc:
        return False
    return theirs.pack == ours.pack and theirs.simulated == ours.simulated
