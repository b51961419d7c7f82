"""Before and after washing: resistance and draw of the same specimens, paired.

The idea of AATCC TM210 and EP13 (scopes read, not the methods): measure each specimen
before and after, and judge the change of each, not the mean of all. The mean change has a
Student t interval on n - 1 degrees of freedom; the resistance is judged by its ratio
(differences of logarithms), because it grows by factors.
"""

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from typing import Final

import numpy as np
import scipy

from analysis.doubt.quantity import Quantity
from analysis.flex.sheet import Row, Sheet, decimal_sign, measure_of, read_sheet
from logger.base.errors import BenchError

COLUMNS: Final = (
    "specimen",
    "resistance_before_ohm",
    "resistance_after_ohm",
    "current_before_ma",
    "current_after_ma",
)
PROCEDURE: Final = (
    "Take the battery out and unplug everything that comes off.",
    "Measure each specimen's resistance and draw, and write down cable, meter and place of the tips.",
    "Wash as the piece will be washed (by hand or bag, temperature, detergent, spin), and write it down.",
    "Let it dry fully, a day in the open air or longer for padded pieces, before any power comes on.",
    "Measure again in the same places with the same meter, then look at every joint.",
)
_TEMPLATE: Final = "drawbench flex new --wash"
_OPEN: Final = ("open", "broken", "none", "offen", "ol", "inf")
CAUTION: Final = (
    "Battery out before washing, and dry fully before power: a damp cell holder corrodes and can short, "
    "and no lithium cell may get wet. Do not dry it on a heater. Local codes and licensed practice come first."
)


@dataclass(frozen=True)
class Washed:
    """One specimen before and after; None: not measured, infinite: no contact."""

    specimen: str
    resistance_before_ohm: float | None
    resistance_after_ohm: float | None
    current_before_ma: float | None
    current_after_ma: float | None


@dataclass(frozen=True)
class WashResult:
    """Paired changes with their intervals; ``broken``: specimens without contact after the wash."""

    specimens: tuple[Washed, ...]
    resistance_ratio: Quantity
    resistance_change: Quantity
    current_change: Quantity
    broken: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def worst_first(self) -> tuple[tuple[str, float], ...]:
        """Name and resistance after / before of each pair, the worst first; infinite: no contact."""
        ratios = [
            (item.specimen, item.resistance_after_ohm / item.resistance_before_ohm)
            for item in self.specimens
            if item.resistance_before_ohm is not None and item.resistance_after_ohm is not None
        ]
        return tuple(sorted(ratios, key=lambda pair: -pair[1]))


def wash_table(specimens: int) -> str:
    """Empty table as CSV text."""
    stream = StringIO()
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    for number in range(1, specimens + 1):
        writer.writerow([f"S{number:02d}", "", "", "", ""])
    return stream.getvalue()


def read_wash_table(path: Path) -> tuple[Washed, ...]:
    """Specimens of a before/after table. Raises BenchError that names row and column."""
    return _washed(read_sheet(path, COLUMNS, ("specimen",), {}, _TEMPLATE))


def _washed(sheet: Sheet) -> tuple[Washed, ...]:
    if not any(set(pair) <= set(sheet.columns) for pair in (COLUMNS[1:3], COLUMNS[3:5])):
        raise BenchError(
            f"{sheet.name}, row 1: the table needs specimen and a pair of before and after.",
            evidence=f"columns seen: {', '.join(sheet.columns) or 'none'}",
            next_step=f"columns: {', '.join(COLUMNS)}; `{_TEMPLATE}` makes them.",
        )
    found: list[Washed] = []
    decimal = decimal_sign(row.get(column) for row in sheet.rows for column in COLUMNS[1:])
    for row in sheet.rows:
        label = row.get("specimen")
        if not label or any(item.specimen == label for item in found):
            raise row.wrong(
                "specimen",
                f"{label!r} is empty or stands twice.",
                "one row per specimen, each with a name of its own.",
            )
        values = [_cell(row, column, decimal) for column in COLUMNS[1:]]
        if any(value is not None for value in values):
            found.append(Washed(label, *values))
    if not found:
        raise BenchError(
            f"{sheet.name} holds no measured specimen.", next_step="fill in before and after."
        )
    return tuple(found)


def _cell(row: Row, column: str, decimal: str) -> float | None:
    text = row.get(column)
    if not text:
        return None
    if text.lower() in _OPEN and column == "resistance_after_ohm":
        return math.inf
    return measure_of(
        row,
        column,
        "a measured value above zero",
        1e-9 if "resistance" in column else 0.0,
        1e12,
        decimal,
        'write a number in the column\'s unit; "open" for a broken one after the wash.',
    )


def wash_change(specimens: Sequence[Washed], coverage: float) -> WashResult:
    """Mean paired change of resistance and draw, each with its interval."""
    pairs_ohm = _pairs(specimens, "resistance_before_ohm", "resistance_after_ohm")
    pairs_ma = _pairs(specimens, "current_before_ma", "current_after_ma")
    broken = tuple(item.specimen for item in specimens if item.resistance_after_ohm == math.inf)
    change = _mean(pairs_ohm[:, 1] - pairs_ohm[:, 0], "ohm", coverage)
    logs = _mean(np.log(pairs_ohm[:, 1] / pairs_ohm[:, 0]), "", coverage)
    ratio = Quantity(
        None if logs.value is None else math.exp(logs.value),
        "",
        None if logs.lower is None else math.exp(logs.lower),
        None if logs.upper is None else math.exp(logs.upper),
        logs.coverage,
        logs.note.replace("mean change", "geometric mean of after / before"),
    )
    current = _mean(pairs_ma[:, 1] - pairs_ma[:, 0], "mA", coverage)
    warnings = []
    incomplete = [
        item.specimen
        for item in specimens
        if (item.resistance_before_ohm is None) != (item.resistance_after_ohm is None)
        or (item.current_before_ma is None) != (item.current_after_ma is None)
    ]
    if incomplete:
        warnings.append(f"Without its pair and left out: {', '.join(incomplete)}.")
    if broken:
        warnings.append(
            f"No contact after the wash: {', '.join(broken)}. The mean is of those that still conduct, so it looks better than the wash was."
        )
        still = f"; of the {len(pairs_ohm)} that still conduct"
        change, ratio = (
            replace(change, note=change.note + still),
            replace(ratio, note=ratio.note + still),
        )
    return WashResult(tuple(specimens), ratio, change, current, broken, tuple(warnings))


def _pairs(
    specimens: Sequence[Washed], before: str, after: str
) -> "np.ndarray[tuple[int, int], np.dtype[np.float64]]":
    rows = [(getattr(item, before), getattr(item, after)) for item in specimens]
    kept = [row for row in rows if None not in row and math.inf not in row]
    return np.array(kept, dtype=float).reshape(-1, 2)


def _mean(
    changes: "np.ndarray[tuple[int], np.dtype[np.float64]]", unit: str, coverage: float
) -> Quantity:
    count = changes.size
    if count == 0:
        return Quantity(None, unit, note="not measured")
    mean = float(changes.mean())
    if count == 1:
        return Quantity(mean, unit, note="one specimen: no interval")
    factor = float(scipy.special.stdtrit(count - 1, 0.5 + coverage / 2))
    half = factor * float(changes.std(ddof=1)) / math.sqrt(count)
    return Quantity(
        mean,
        unit,
        mean - half,
        mean + half,
        coverage,
        f"mean change of {count} specimens, paired, Student t with {count - 1} degrees of freedom",
    )
