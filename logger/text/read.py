"""Read a delimited text file that another meter or sketch wrote.

The file is only ever opened for reading; ``text_run`` writes the run. Every line of it is either
a row that is kept, or has its place in ``rejected.txt`` with the reason, or is the header or a
blank line.
"""

import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from logger.base.errors import BenchError
from logger.base.safe_files import open_to_read
from logger.run.description import Event, Meter
from logger.text.accuracy import meter_of, resolutions
from logger.text.layout import Layout, LayoutWish, find_layout
from logger.text.plan import Plan, make_plan
from logger.text.rows import Rows, first_rows, read_rows
from logger.text.samples import complete, doubts, faults_of, missing_words, repeats
from logger.text.table import PlanWish
from logger.text.time_column import Ordered, has_zone, put_in_order, utc_text
from logger.text.time_plan import TimePlan

# Imported where it is needed: a file that cannot be read is refused at once.
if TYPE_CHECKING:
    import pandas as pd

Integers = np.ndarray[Any, np.dtype[np.int64]]


@dataclass(frozen=True)
class Imported:
    """A foreign file as read. ``samples``: run columns; ``line_numbers`` (n,) of the kept rows.

    ``rejected``: (line number, reason) of rows that are not in ``samples``; ``others``: the same
    for lines that are no rows (comments, lines above the table).
    ``meter``: its accuracy, as stated; ``meter_words``: what of it was guessed.
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


def read_text(
    path: Path,
    layout_wish: LayoutWish,
    plan_wish: PlanWish,
    gap_s: float | None = None,
    accuracy: str | None = None,
) -> Imported:
    """Rows of a foreign text file in the run's columns and units.

    Raises BenchError if the file is empty, binary or not understood, if a column does not
    exist, if no row is usable, if the time does not increase, or if ``accuracy``, the meter's as its manual
    writes it, cannot be read or leaves out a quantity.
    """
    try:
        layout = find_layout(path, layout_wish)
        first = first_rows(path, layout)
        plan = make_plan(layout, first, plan_wish)
        meter, told = None, tuple[str, ...]()
        if accuracy is not None:
            meter, told = meter_of(accuracy, plan.columns, resolutions(first, plan.columns))
        rows = read_rows(path, layout, plan)
        size_bytes, sha256 = _fingerprint(path)
    except (OSError, UnicodeError) as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=str(error),
            next_step="check who may read it, whether its disk is well, and --encoding if given.",
        ) from error
    if not rows.numbers:
        raise _nothing_usable(path, rows)
    ordered = put_in_order(np.array(rows.time_s), gap_s)
    kept, line_numbers = _kept(rows, plan, ordered)
    samples, completed = complete(kept, plan_wish)
    faults, fault_warnings = faults_of(samples)
    started_utc, started_local = _started(plan.time, rows.first_time, ordered.zero_s)
    return Imported(
        path=path,
        layout=layout,
        plan=plan,
        samples=samples,
        line_numbers=line_numbers,
        rejected=tuple(sorted(rows.rejected.items())),
        others=tuple(sorted(rows.others.items())),
        blank_lines=rows.blank,
        events=tuple(sorted((*ordered.events, *faults), key=lambda event: event.time_s)),
        warnings=(
            *ordered.warnings,
            *missing_words(rows.missing),
            *completed,
            *fault_warnings,
            *doubts(samples),
            *plan.doubts,
        ),
        usual_step_s=ordered.usual_step_s,
        started_utc=started_utc,
        started_local=started_local,
        zero_s=ordered.zero_s,
        size_bytes=size_bytes,
        sha256=sha256,
        meter=meter,
        meter_words=told,
    )


def _kept(rows: Rows, plan: Plan, ordered: Ordered) -> "tuple[pd.DataFrame, Integers]":
    """Run columns of the rows that are kept, and their line numbers; the others join ``rows.rejected``."""
    import pandas as pd

    turn = slice(None, None, -1) if ordered.reversed_rows else slice(None)
    numbers = np.array(rows.numbers, dtype=np.int64)[turn]
    columns = {
        column.target: np.array(values)[turn]
        for column, values in zip(plan.columns, rows.values, strict=True)
    }
    repeated = repeats(ordered.time_s, columns) & ordered.keep
    for place, reason in ordered.rejected.items():
        rows.rejected[int(numbers[place])] = reason
    rows.rejected.update(dict.fromkeys(numbers[repeated].tolist(), "repeats the row above"))
    samples = {"time_s": ordered.time_s, **columns}
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


def _fingerprint(path: Path) -> tuple[int, str]:
    with open_to_read(path) as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        return stream.tell(), digest


def _started(time: TimePlan, first: str, zero_s: float) -> tuple[str, str]:
    """Start in UTC where the file says it, else the date and time it gives without a zone."""
    if time.kind not in ("date", "pattern") and not time.epoch:
        return "", ""
    zoned = time.epoch or has_zone(first) or "%z" in time.pattern
    text = utc_text(zero_s)
    return (text, "") if zoned else ("", text.removesuffix("Z"))
