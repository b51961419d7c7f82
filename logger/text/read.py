"""Read a delimited text file that another meter or sketch wrote.

The file is only ever opened for reading; ``run.py`` writes the run. Every line of it is either
a row that is kept, or has its place in ``rejected.txt`` with the reason, or is the header or a
blank line.
"""

import hashlib
from array import array
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import open_to_read
from logger.run.description import Event, Meter
from logger.text.accuracy import meter_of, resolutions
from logger.text.layout import Layout, LayoutWish, find_layout
from logger.text.mapping import Mapping, mapping_of
from logger.text.plan import Plan, make_plan, settle_form
from logger.text.plausible import falls, sign_words
from logger.text.repeats import repeated_blocks, repeats
from logger.text.rows import Rows, column_cells, first_rows, read_rows
from logger.text.samples import complete, doubts, faults_of, missing_words, small_current
from logger.text.table import PlanWish
from logger.text.timing.back import Clock
from logger.text.timing.order import Ordered, put_in_order
from logger.text.timing.plan import TimePlan
from logger.text.timing.written import DAY_S, has_zone, utc_text

# Imported where it is needed: a file that cannot be read is refused at once.
if TYPE_CHECKING:
    import pandas as pd

Floats = np.ndarray[Any, np.dtype[np.float64]]
Integers = np.ndarray[Any, np.dtype[np.int64]]


_UNREAD_MAX: Final = 0.1  # a noisy line loses fewer rows
_TIMES_UNREAD_MAX: Final = 0.05


@dataclass(frozen=True)
class Imported:
    """A foreign file as read. ``samples``: run columns; ``line_numbers`` (n,) of the kept rows.

    ``rejected``: (line number, reason) of rows that are not in ``samples``; ``others``: the same
    for lines that are no rows (comments, lines above the table).
    ``meter``: its accuracy, as stated; ``meter_words``: what of it was guessed. ``mapping``: for the next file.
    ``rows_read == len(samples) + len(rejected)`` always.
    """

    path: Path
    layout: Layout
    plan: Plan
    samples: "pd.DataFrame"
    line_numbers: Integers
    rejected: tuple[tuple[int, str], ...]
    others: tuple[tuple[int, str], ...]
    blank_lines: int
    events: tuple[Event, ...]
    warnings: tuple[str, ...]
    usual_step_s: float
    started_utc: str
    started_local: str
    zero_s: float
    size_bytes: int
    sha256: str
    meter: Meter | None = None
    meter_words: tuple[str, ...] = ()
    mapping: Mapping | None = None

    @property
    def rows_read(self) -> int:
        return len(self.samples) + len(self.rejected)

    @property
    def left_out(self) -> dict[int, str]:
        """Line number to reason of everything that is not in the samples, but the header."""
        lines = dict(self.rejected) | dict(self.others)
        return {number: reason for number, reason in lines.items() if reason != "header"}

    @property
    def reasons(self) -> dict[str, int]:
        """Count of rejected rows by reason, most frequent first."""
        return dict(Counter(reason for _, reason in self.rejected).most_common())


@dataclass(frozen=True)
class _Taken:
    """What was taken from the file: its layout, plan and rows, the meter's accuracy, and which bytes they were."""

    layout: Layout
    plan: Plan
    rows: Rows
    meter: Meter | None
    meter_words: tuple[str, ...]
    size_bytes: int
    sha256: str


def _take(
    path: Path,
    layout_wish: LayoutWish,
    plan_wish: PlanWish,
    accuracy: str | None,
    mapping: Mapping | None,
) -> _Taken:
    try:
        laid = find_layout(path, layout_wish)
        if mapping is not None:
            mapping.check(laid, plan_wish)
        first = first_rows(path, laid)

        @cache  # one reading for both forms of numbers that may be tried
        def whole(places: tuple[int, ...]) -> list[str]:
            return column_cells(path, laid, places)

        layout = settle_form(laid, first, plan_wish, whole)
        plan = make_plan(layout, first, plan_wish, whole)
        meter, told = None, tuple[str, ...]()
        if accuracy is not None:
            meter, told = meter_of(
                accuracy, plan.columns, resolutions(first, plan.columns, layout.form)
            )
        rows = read_rows(path, layout, plan)
        return _Taken(layout, plan, rows, meter, told, *_fingerprint(path))
    except (OSError, UnicodeError) as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=spoken(error),
            next_step="check who may read it, whether its disk is well, and --encoding if given.",
        ) from error


def read_text(
    path: Path,
    layout_wish: LayoutWish,
    plan_wish: PlanWish,
    gap_s: float | None = None,
    accuracy: str | None = None,
    mapping: Mapping | None = None,
) -> Imported:
    """Rows of a foreign text file in the run's columns and units.

    Raises BenchError if the file is empty, binary or not understood, if a column does not
    exist, if no row is usable, if the time does not increase, or if ``accuracy``, the meter's as its manual
    writes it, cannot be read or leaves out a quantity; if ``mapping`` does not fit; Question where more than one
    reading is plausible.
    """
    said = plan_wish
    if mapping is not None:
        layout_wish, plan_wish = mapping.wishes(layout_wish, plan_wish)
    taken = _take(path, layout_wish, plan_wish, accuracy, mapping)
    plan, rows = taken.plan, taken.rows
    if not rows.numbers:
        raise _nothing_usable(path, rows)
    _refuse_mostly_rejected(path, rows)
    columns = _columns(rows, plan)
    if mapping is not None:
        mapping.check_sizes(columns, said)
    kept_mapping = mapping_of(taken.layout, plan, layout_wish, plan_wish, columns)
    turned = _turn_sign(columns, plan_wish)
    time_s, blocks = _without_blocks(rows, columns)
    ordered = put_in_order(
        time_s,
        gap_s,
        _clock(time_s, rows, plan.time, plan_wish),
        plan_wish.row_order,
        falls(columns["pack_v"]) if "pack_v" in columns else None,
    )
    kept, line_numbers = _kept(rows, columns, ordered)
    samples, completed = complete(kept, plan_wish)
    faults, fault_warnings = faults_of(samples)
    started_utc, started_local = "", ""
    if ordered.half_known:
        started_utc, started_local = _started(plan.time, rows.first_time, ordered.zero_s, plan_wish)
    return Imported(
        path=path,
        layout=taken.layout,
        plan=plan,
        samples=samples,
        line_numbers=line_numbers,
        rejected=tuple(sorted(rows.rejected.items())),
        others=tuple(sorted(rows.others.items())),
        blank_lines=rows.blank,
        events=tuple(sorted((*ordered.events, *faults), key=lambda event: event.time_s)),
        warnings=(
            *turned,
            *blocks,
            *ordered.warnings,
            *missing_words(rows.missing),
            *completed,
            *fault_warnings,
            *doubts(samples),
            *small_current(samples, plan.columns),
        ),
        usual_step_s=ordered.usual_step_s,
        started_utc=started_utc,
        started_local=started_local,
        zero_s=ordered.zero_s,
        size_bytes=taken.size_bytes,
        sha256=taken.sha256,
        meter=taken.meter,
        meter_words=taken.meter_words,
        mapping=kept_mapping,
    )


def _columns(rows: Rows, plan: Plan) -> dict[str, Floats]:
    return {
        column.target: np.array(values)
        for column, values in zip(plan.columns, rows.values, strict=True)
    }


def _turn_sign(columns: dict[str, Floats], wish: PlanWish) -> list[str]:
    """The current with the sign that is positive out of the pack, and that in words."""
    if "current_ma" not in columns or wish.scales.get("current", 1.0) < 0:
        return []
    sign, words = sign_words(
        columns["current_ma"], columns.get("pack_v", columns.get("bus_v")), wish.current_sign
    )
    if sign < 0:
        columns["current_ma"] = -columns["current_ma"]
        if "charge_mah" in columns and np.nanmedian(columns["charge_mah"]) < 0:
            columns["charge_mah"] = -columns["charge_mah"]
    return [words] if words else []


def _without_blocks(rows: Rows, columns: dict[str, Floats]) -> tuple[Floats, list[str]]:
    """Times (n,) without the rows that are an earlier stretch of the file once more; those are rejected."""
    time_s = np.array(rows.time_s)
    twice = repeats(time_s, columns)
    again = repeated_blocks(time_s, columns) & ~twice
    if not (again | twice).any():
        return time_s, []
    numbers = np.array(rows.numbers, dtype=np.int64)
    rows.rejected.update(dict.fromkeys(numbers[twice].tolist(), "repeats the row above"))
    rows.rejected.update(dict.fromkeys(numbers[again].tolist(), "repeats an earlier row"))
    words = [f"rows that are earlier rows once more, left out: {int((again | twice).sum())}"]
    again |= twice
    rows.numbers = array("q", numbers[~again].tolist())
    for name in columns:
        columns[name] = columns[name][~again]
    return time_s[~again], words


def _clock(time_s: Floats, rows: Rows, time: TimePlan, wish: PlanWish) -> Clock:
    """What is known of the time column for putting it in order."""
    numbers = np.array(rows.numbers, dtype=np.int64)
    headers = np.zeros(len(numbers), dtype=np.bool_)
    places = np.searchsorted(numbers, np.array(rows.headers, dtype=np.int64))
    headers[places[places < len(numbers)]] = True
    twelve = False
    if time.form is not None and not time.form.half and not time.form.minutes_first:
        hours = time_s % DAY_S // 3600
        twelve = wish.hours != 24 and bool(((hours >= 1) & (hours <= 12)).all())
    turn_s = time.turn_s
    if wish.hours == 12 and turn_s == DAY_S:
        turn_s = DAY_S / 2
    return Clock(
        turn_s, time.absolute, time.local, twelve, headers, numbers, wish.time_back, wish.time_zone
    )


def _kept(
    rows: Rows, columns: dict[str, Floats], ordered: Ordered
) -> "tuple[pd.DataFrame, Integers]":
    """Run columns of the rows that are kept, and their line numbers; the others join ``rows.rejected``."""
    import pandas as pd

    numbers = np.array(rows.numbers, dtype=np.int64)[ordered.order]
    columns = {name: values[ordered.order] for name, values in columns.items()}
    repeated = repeats(ordered.time_s, columns) & ordered.keep
    for place, reason in ordered.rejected.items():
        rows.rejected[int(numbers[place])] = reason
    rows.rejected.update(dict.fromkeys(numbers[repeated].tolist(), "repeats the row above"))
    samples: dict[str, np.ndarray[Any, Any]] = {"time_s": ordered.time_s, **columns}
    if ordered.boot.any():
        samples["boot"] = ordered.boot
    keep = ordered.keep & ~repeated
    return pd.DataFrame(samples)[keep].reset_index(drop=True), numbers[keep]


def _nothing_usable(path: Path, rows: Rows) -> BenchError:
    reasons = Counter(rows.rejected.values()).most_common(3)
    numbers = {reason: number for number, reason in reversed(rows.rejected.items())}
    shown = "; ".join(
        f"{count} rows: {reason} (first: line {numbers[reason]})" for reason, count in reasons
    )
    return BenchError(
        f"No row of {path} can be used.",
        evidence=shown or "no rows below the header",
        next_step="look at the columns with --dry-run, or name them with --time, --voltage and --current.",
    )


def _refuse_mostly_rejected(path: Path, rows: Rows) -> None:
    """Too many rows that cannot be read: the file is read the wrong way."""
    # Lines that do not look like rows, as a sketch prints between them, and those below the last row do no harm.
    unread = {number: why for number, why in rows.unread.items() if number < rows.numbers[-1]}
    reasons = Counter(unread.values())
    times = reasons["its time is not understood"]
    total = len(unread) + len(rows.numbers)
    if len(unread) <= max(3, _UNREAD_MAX * total) and times <= max(3, _TIMES_UNREAD_MAX * total):
        return
    reason, count = reasons.most_common(1)[0]
    number = next(number for number, why in unread.items() if why == reason)
    raise BenchError(
        f"Too many rows of {path} cannot be read this way.",
        evidence=f"{count} rows: {reason} (first: line {number}); {len(rows.numbers)} rows could be read",
        next_step="look at that line; say how it is written with --time-format, --decimal, --delimiter, or name the columns.",
    )


def _fingerprint(path: Path) -> tuple[int, str]:
    with open_to_read(path) as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        return stream.tell(), digest


def _started(time: TimePlan, first: str, zero_s: float, wish: PlanWish) -> tuple[str, str]:
    """Start in UTC where the file says it, else the date and time it gives without a zone."""
    if not time.absolute or not time.dated:
        return "", ""
    zoned = time.epoch or not time.local or wish.time_zone is not None or has_zone(first)
    text = utc_text(zero_s)
    return (text, "") if zoned else ("", text.removesuffix("Z"))
