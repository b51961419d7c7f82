"""Do a run's own figures go together? A file that was changed by hand, or damaged so that nothing else shows it.

Nothing is prevented: whoever reckons every column anew finds no contradiction here. The rules are those of
PROTOCOL.md: a window's charge is its mean current times its span, and so on; what is left over is rounding.
Imported runs have too few columns that say the same thing twice: nothing is said of them.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.durations import span_words
from logger.run.cross_description import (
    description_contradictions,
    end_is_missing,
    recorded_until_s,
)
from logger.run.format import DESCRIPTION_ACCUSED, ROWS_ACCUSED
from logger.run.reader import Run

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Written with 6 and 4 decimals; the board has rounded the counters before.
_STEP_V: Final = 1e-6
_STEP_MA: Final = 1e-4
_ROUNDED: Final = 1.7e-6
_S_PER_H: Final = 3600.0
# The board's energy is a mean of products of whole steps of two converters.
_ENERGY_SHARE: Final = 2e-4
# A conversion at the edge of a window, and what a burst takes the place of (2 of the usual length seen), fourfold.
_EDGE_CONVERSIONS: Final = 8.0
_RATE_SHARE: Final = 1e-3
_KEEPS_AWAY: Final = frozenset({"link", "gap", "boot", "fault", "disk", "noise", "clock"})
_ROWS_NAMED: Final = 4
_ROWS_AT_ONCE: Final = 32_768


@dataclass(frozen=True)
class Contradiction:
    """``rows``: numbers of the rows concerned, from 1, among the rows used; empty: the description alone."""

    what: str
    rows: tuple[int, ...] = ()


@dataclass(frozen=True)
class CrossCheck:
    """Contradictions, and the one sentence that every screen says; both empty where all goes together.

    ``lines``: each contradiction in words. ``notes``: no contradiction, but not the whole recording either.
    """

    contradictions: tuple[Contradiction, ...] = ()
    text: str = ""
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Table:
    """Columns (n,); ``follows``: the row is the very next window of the same boot after the row above."""

    columns: dict[str, Floats]
    follows: Mask
    step_s: Floats

    def has(self, *names: str) -> bool:
        return all(name in self.columns for name in names)

    def __getitem__(self, name: str) -> Floats:
        return self.columns[name]


def cross_check(run: Run) -> CrossCheck:
    """What in a recorded run contradicts itself, row by row and between description and rows."""
    if run.description.source != "board" or len(run.samples) < 2:
        return CrossCheck()
    table = _table(run)
    found: list[Contradiction] = []
    with np.errstate(all="ignore"):  # numbers of a stranger's file may be of any size
        for check in _CHECKS:
            found += check(run, table)
    # Of a part that was kept on purpose, beginning and end say nothing: ``check`` looks at the whole.
    if (
        not run.on_computer_time and run.description.trim is None
    ):  # times there are no longer those of the file
        found += (
            Contradiction(what, rows)
            for what, rows in description_contradictions(
                run.description, table.columns, whole=not run.rows_rejected
            )
        )
    time_s, notes = table["time_s"], tuple(_ends(run, table))
    if not found:
        return CrossCheck(notes=notes)
    lines = tuple(_line(item, time_s) for item in found)
    return CrossCheck(tuple(found), _sentence(found, time_s), lines, notes)


def _table(run: Run) -> _Table:
    columns = {
        str(name): run.samples[name].to_numpy(dtype=np.float64) for name in run.samples.columns
    }
    time_s = columns["time_s"]
    step_s = np.diff(time_s, prepend=0.0)
    follows = np.zeros(len(time_s), dtype=np.bool_)
    if "sequence" in columns and "boot" in columns:
        follows[1:] = (np.diff(columns["sequence"]) == 1) & (np.diff(columns["boot"]) == 0)
    return _Table(columns, follows & (step_s > 0), step_s)


def _numbers(mask: Mask) -> tuple[int, ...]:
    return tuple(int(row) + 1 for row in np.flatnonzero(mask))


def _said(what: str, mask: Mask) -> list[Contradiction]:
    return [Contradiction(what, _numbers(mask))] if mask.any() else []


def _spread(run: Run, table: _Table) -> list[Contradiction]:
    """Least, mean and greatest of a window in their order."""
    found = []
    for least, most, step in (
        ("current_min_ma", "current_ma", _STEP_MA),
        ("current_ma", "current_max_ma", _STEP_MA),
        ("pack_min_v", "pack_v", _STEP_V),
    ):
        if table.has(least, most):
            found += _said(f"{least} is above {most}", table[least] > table[most] + 1.5 * step)
    return found


def _shunt(run: Run, table: _Table) -> list[Contradiction]:
    """Voltage at the pack less that at the load is the current times the shunt."""
    sensor = run.description.sensor
    if sensor is None or not sensor.shunt_ohm or not table.has("pack_v", "bus_v", "current_ma"):
        return []
    drop_v = table["pack_v"] - table["bus_v"]
    amps = table["current_ma"] / 1000
    slack_v = 1.6 * _STEP_V + _STEP_MA / 1000 * sensor.shunt_ohm
    wrong = np.abs(drop_v - amps * sensor.shunt_ohm) > slack_v
    if 2 * int(wrong.sum()) > len(wrong):
        told = np.abs(amps) * sensor.shunt_ohm > 20 * slack_v
        if told.any():
            ohm = float(np.median(drop_v[told] / amps[told]))
            return [
                Contradiction(
                    f"the description says a shunt of {sensor.shunt_ohm:g} ohm, the rows {ohm:.4g} ohm"
                )
            ]
    return _said("pack_v, bus_v and current_ma do not go together over the shunt", wrong)


def _charge(run: Run, table: _Table) -> list[Contradiction]:
    """A window's charge is its mean current times its span."""
    if not table.has("charge_mah", "current_ma"):
        return []
    begun = _begun(run, table)

    def off(part: slice) -> Mask:
        current_ma, hours = table["current_ma"][part], table.step_s[part] / _S_PER_H
        wanted = current_ma * hours
        slack = _ROUNDED + 1.1 * _STEP_MA * hours
        wrong = np.abs(_grown(table["charge_mah"], part) - wanted) > slack + _rounded_times(
            current_ma
        )
        return np.asarray(wrong & begun[part])

    return _said("charge_mah does not grow by current_ma times the time", _by_parts(off, begun))


def _energy(run: Run, table: _Table) -> list[Contradiction]:
    """As charge, by the mean of the product; it differs from the product of the means by their covariance."""
    names = ("energy_mwh", "current_ma", "pack_v", "pack_min_v", "current_min_ma", "current_max_ma")
    if not table.has(*names):
        return []
    begun = _begun(run, table)

    def off(part: slice) -> Mask:
        _, amps, volts, least_v, least, most = (table[name][part] for name in names)
        hours = table.step_s[part] / _S_PER_H
        wanted = amps * volts * hours
        # |E[(V - v)(I - i)]| <= max|I - i| E|V - v|, and E|V - v| = 2 E[(v - V)+] <= 2 (v - least V).
        swing = np.maximum(most - amps, amps - least)
        covariance = 2 * np.abs(swing) * np.abs(volts - least_v)
        slack = (
            _ROUNDED
            + (covariance + 1.1 * _STEP_MA * np.abs(volts) + _STEP_V * np.abs(amps)) * hours
            + _ENERGY_SHARE * np.abs(wanted)
        )
        grown = _grown(table["energy_mwh"], part)
        wrong = np.abs(grown - wanted) > slack + _rounded_times(amps * volts)
        return np.asarray(wrong & begun[part])

    return _said(
        "energy_mwh does not grow by pack_v times current_ma times the time", _by_parts(off, begun)
    )


def _by_parts(off: Callable[[slice], Mask], rows: Mask) -> Mask:
    """The mask ``off`` of a few rows at a time, which stay in the cache; False where ``rows`` nowhere hold."""
    wrong = np.zeros(len(rows), dtype=np.bool_)
    for begin in range(0, len(rows), _ROWS_AT_ONCE):
        part = slice(begin, begin + _ROWS_AT_ONCE)
        if rows[part].any():
            wrong[part] = off(part)
    return wrong


def _grown(counter: Floats, part: slice) -> Floats:
    """What a counter grew by at these rows since the row above, the first row's since 0."""
    values = counter[part]
    grown = values.copy()
    grown[1:] -= values[:-1]
    if part.start:
        grown[0] -= counter[part.start - 1]
    return grown


def _begun(run: Run, table: _Table) -> Mask:
    """Rows before which nothing is missing; counters begin with the first row's own window."""
    begun = table.follows.copy()
    window_s, first_s = run.description.window_s, float(table["time_s"][0])
    whole = (
        run.description.trim is None
    )  # a part may begin behind a gap, where its counters are reckoned
    begun[0] = (
        whole and table.has("sequence") and bool(window_s) and 0 < first_s < 1.5 * (window_s or 0.0)
    )
    return begun


def _rounded_times(rate: Floats) -> Floats:
    """What a microsecond more or less of the rows' times takes."""
    return np.abs(rate) * 1.1e-6 / _S_PER_H


def _time(run: Run, table: _Table) -> list[Contradiction]:
    """No window has more conversions than its span has room for, and they come as often as the description says."""
    window_s = run.description.window_s
    follows = table.follows
    if not follows.any():
        return []
    found = []
    usual_s = float(np.median(table.step_s[follows]))
    if table.has("conversions") and not (run.description.sensor and run.description.sensor.later):
        conversions = table["conversions"]
        rate = float(np.median(conversions[follows] / table.step_s[follows]))
        room = table.step_s * rate * (1 + _RATE_SHARE) + _EDGE_CONVERSIONS
        found += _said(
            "more conversions than the time since the row above has room for",
            follows & (conversions > room) & (rate > 0),
        )
    allowed = 0.05 if run.on_computer_time else 0.005
    if window_s and abs(usual_s / window_s - 1) > allowed + 0.003 / window_s:
        found.append(
            Contradiction(
                f"the description says windows of {window_s:g} s, the rows come every {usual_s:.4g} s"
            )
        )
    return found


def _sequence(run: Run, table: _Table) -> list[Contradiction]:
    """The board numbers its windows one by one; what did not arrive, an event tells."""
    if not table.has("sequence", "boot"):
        return []
    sequence, same = table["sequence"], np.zeros(len(table.step_s), dtype=np.bool_)
    same[1:] = np.diff(table["boot"]) == 0
    jump = np.diff(sequence, prepend=sequence[0])
    jump = np.where(jump < -(2.0**31), jump + 2.0**32, jump)
    found = _said("sequence does not go on from the row above", same & (jump < 1))
    window_s = run.description.window_s
    missing = np.where(same & (jump > 1), jump - 1, 0.0)
    if window_s and not run.on_computer_time:
        # A window that a stall drew out ends late; the next keep to their grid.
        early = (missing > 0) & (table.step_s < (missing - 0.5) * window_s)
        found += _said(
            "more windows are missing than the time since the row above has room for", early
        )
    return found + _untold(run, table, missing)


def _untold(run: Run, table: _Table, missing: Floats) -> list[Contradiction]:
    """Windows that are missing in the rows, though the recording did not lose them."""
    description = run.description
    disk = any(event.kind == "disk" for event in description.events)
    if description.state != "ended" or description.was_taken_up or disk:
        return []  # what was lost in a crash, or on a disk that took none, is not counted
    told = sum(event.lost.get("rows", 0.0) for event in description.events)
    total = float(missing.sum())
    if total <= told + run.rows_rejected:
        return []
    told_s = np.array([e.time_s for e in description.events if e.lost.get("rows")])
    told_ms = np.round(told_s * 1000)
    before_ms = np.round(np.roll(table["time_s"], 1) * 1000)
    near = np.isin(before_ms, told_ms)
    holes = (missing > 0) & ~near
    holes = holes if holes.any() else missing > 0
    count = int(total - told - run.rows_rejected)
    are = "window is" if count == 1 else "windows are"
    return _said(f"{count} recorded {are} missing just before", holes)


def _restarts(run: Run, table: _Table) -> list[Contradiction]:
    """Every new boot in the rows is an event, too."""
    description = run.description
    if not table.has("boot") or description.state != "ended":
        return []
    anew = np.zeros(len(table.step_s), dtype=np.bool_)
    anew[1:] = np.abs(np.diff(table["boot"])) > 0
    told = any(event.kind == "boot" for event in description.events)
    return (
        []
        if told
        else _said("another boot of the board, which the description does not know", anew)
    )


def _range(run: Run, table: _Table) -> list[Contradiction]:
    """No reading beyond what the sensor can show."""
    sensor = run.description.sensor
    if sensor is None or sensor.later:
        return []
    found = []
    for name, most, unit in (
        ("current_max_ma", sensor.range_ma, "mA"),
        ("current_ma", sensor.range_ma, "mA"),
        ("bus_v", sensor.bus_range_v, "V"),
    ):
        if most and table.has(name):
            beyond = np.abs(table[name]) > most * 1.001
            found += _said(f"{name} is beyond the {most:g} {unit} that the sensor can show", beyond)
    return found


def _ends(run: Run, table: _Table) -> Iterator[str]:
    """Rows cut off at the beginning or the end: whoever keeps a part of a run does no wrong."""
    description, time_s = run.description, table["time_s"]
    window_s = description.window_s
    if not window_s or run.on_computer_time or description.trim is not None:
        return
    if time_s[0] > 1.5 * window_s:
        yield f"The first row is at {span_words(float(time_s[0]))}: what came before it is not in the file."
    last_s = float(time_s[-1])
    # What keeps rows from coming is no end that somebody cut off.
    happened = any(e.time_s >= last_s and e.kind in _KEEPS_AWAY for e in description.events)
    if description.state == "ended" and not happened and end_is_missing(description, last_s):
        to_s = recorded_until_s(description)
        yield (
            f"The last row is at {span_words(last_s)}, but it was recorded until {span_words(to_s)}: "
            "what came after is not in the file, or did not arrive."
        )


_CHECKS: Final[tuple[Callable[[Run, _Table], list[Contradiction]], ...]] = (
    _spread, _shunt, _charge, _energy, _time, _sequence, _restarts, _range,
)  # fmt: skip


def _sentence(found: Sequence[Contradiction], time_s: Floats) -> str:
    """One line for all screens."""
    rows = sorted({row for item in found for row in item.rows})
    if not rows:
        return (
            f"{DESCRIPTION_ACCUSED}, or is damaged ({found[0].what}). All of it: drawbench check."
        )
    return (
        f"{ROWS_ACCUSED}, or are damaged: figures contradict each other in "
        f"{_rows_words(rows, time_s)}. What, and where: drawbench check."
    )


def _line(item: Contradiction, time_s: Floats) -> str:
    return f"{item.what}: {_rows_words(item.rows, time_s)}" if item.rows else item.what


def _rows_words(rows: Sequence[int], time_s: Floats) -> str:
    shown = [f"{row} (at {span_words(float(time_s[row - 1]))})" for row in rows[:_ROWS_NAMED]]
    more = f" and {len(rows) - _ROWS_NAMED} more" if len(rows) > _ROWS_NAMED else ""
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(shown)}{more}"
