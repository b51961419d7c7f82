"""Before and after washing: resistance and draw of the same specimens, paired.

The idea of AATCC TM210 and EP13 (scopes read, not the methods): measure each specimen
before and after, and judge the change of each, not the mean of all. The mean change has a
Student t interval on n - 1 degrees of freedom; the resistance is judged by its ratio
(differences of logarithms), because it grows by factors.
"""

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Final

import numpy as np
import scipy

from analysis.doubt.quantity import Quantity
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


def wash_table(specimens: int) -> str:
    """Empty table as CSV text."""
    stream = StringIO()
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    for number in range(1, specimens + 1):
        writer.writerow([f"S{number:02d}", "", "", "", ""])
    return stream.getvalue()


def read_wash_table(path: Path) -> tuple[Washed, ...]:
    """Specimens of a before/after table. Raises BenchError that names line and column."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=str(error),
            next_step="give a CSV table in UTF-8; `drawbench flex new --wash` makes an empty one.",
        ) from error
    return parse_wash_table(text, path.name)


def parse_wash_table(text: str, name: str) -> tuple[Washed, ...]:
    """As ``read_wash_table``, from text."""
    delimiter = ";" if text.split("\n", 1)[0].count(";") else ","
    reader = csv.DictReader(StringIO(text), delimiter=delimiter, skipinitialspace=True)
    header = [(column or "").strip().lower() for column in reader.fieldnames or []]
    if "specimen" not in header or len(set(COLUMNS[1:]) & set(header)) < 2:
        raise BenchError(
            f"{name}, line 1: the table needs specimen and a pair of before and after.",
            evidence=f"columns seen: {', '.join(header) or 'none'}",
            next_step=f"columns: {', '.join(COLUMNS)}; `drawbench flex new --wash` makes them.",
        )
    reader.fieldnames = header
    found: list[Washed] = []
    for row in reader:
        where = f"{name}, line {reader.line_num}"
        cells = {key: (value or "").strip() for key, value in row.items() if isinstance(key, str)}
        if not any(cells.values()):
            continue
        label = cells["specimen"]
        if not label or any(item.specimen == label for item in found):
            raise BenchError(
                f"{where}, column specimen: {label!r} is empty or stands twice.",
                next_step="one row per specimen, each with a name of its own.",
            )
        values = [_cell(cells.get(column, ""), where, column) for column in COLUMNS[1:]]
        if any(value is not None for value in values):
            found.append(Washed(label, *values))
    if not found:
        raise BenchError(
            f"{name} holds no measured specimen.", next_step="fill in before and after."
        )
    return tuple(found)


def _cell(text: str, where: str, column: str) -> float | None:
    if not text:
        return None
    if text.lower() in ("open", "broken", "none") and column == "resistance_after_ohm":
        return math.inf
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0 or (value == 0 and "resistance" in column):
        raise BenchError(
            f"{where}, column {column}: {text!r} is not a measured value above zero.",
            next_step='write a number with a decimal point in the column\'s unit; "open" for a broken one after the wash.',
        )
    return value


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
            f"No contact after the wash: {', '.join(broken)}; not in the mean change, which looks better than it is."
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
