"""A run's course thinned while it grows: equal steps of time that keep every least and greatest value."""

import base64
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

STEPS: Final = 600
# Least, mean and greatest of voltage and current, charge at the step's end.
_LEAST: Final = ("low_v", "low_ma")
_GREATEST: Final = ("high_v", "high_ma", "charge_mah")
# Columns of a table of steps: number, then three of volts, three of mA, mAh; decimals of all but the first.
_COLUMN_OF_END: Final = {"low_v": 1, "high_v": 3, "low_ma": 4, "high_ma": 6, "charge_mah": 7}
_PLACES: Final = (4, 4, 4, 3, 3, 3, 3)


@dataclass(frozen=True)
class Rows:
    """Rows to add, each column of shape (n,); NaN where a value is missing. ``time_s`` never decreases; ``conversions`` None: not counted."""

    time_s: Floats
    volt_v: Floats
    low_v: Floats
    current_ma: Floats
    low_ma: Floats
    high_ma: Floats
    charge_mah: Floats
    conversions: Floats | None = None


class Course:
    """At most ``2 * STEPS`` equal steps from time zero on; when they are full, two become one.

    ``generation`` counts these joinings: a viewer that knows an older one needs all steps again.
    """

    def __init__(self, begin_s: float = 0.0, step_s: float = 0.05) -> None:
        self.begin_s = begin_s
        self.step_s = step_s
        self.generation = 0
        self.last = -1
        size = 2 * STEPS
        self._count_v = np.zeros(size)
        self._count_ma = np.zeros(size)
        self._sum_v = np.zeros(size)
        self._sum_ma = np.zeros(size)
        self._ends = {name: np.full(size, np.nan) for name in (*_LEAST, *_GREATEST)}

    def add(self, rows: Rows) -> None:
        """Add rows that come after all rows so far."""
        if not len(rows.time_s):
            return
        while rows.time_s[-1] - self.begin_s >= 2 * STEPS * self.step_s:
            self._join()
        place = ((rows.time_s - self.begin_s) / self.step_s).astype(np.intp)
        np.clip(place, 0, 2 * STEPS - 1, out=place)
        starts = np.flatnonzero(np.diff(place, prepend=-1))
        steps = place[starts]
        for values, count, total in (
            (rows.volt_v, self._count_v, self._sum_v),
            (rows.current_ma, self._count_ma, self._sum_ma),
        ):
            good = np.isfinite(values)
            count[steps] += np.add.reduceat(good.astype(np.float64), starts)
            total[steps] += np.add.reduceat(np.where(good, values, 0.0), starts)
        for name, values in (
            ("low_v", rows.low_v),
            ("high_v", rows.volt_v),
            ("low_ma", rows.low_ma),
            ("high_ma", rows.high_ma),
            ("charge_mah", rows.charge_mah),
        ):
            reduce = np.fmin if name in _LEAST else np.fmax
            ends = self._ends[name]
            ends[steps] = reduce(ends[steps], reduce.reduceat(values, starts))
        self.last = max(self.last, int(place[-1]))

    def steps(self, begin: int = 0) -> list[list[Any]]:
        """Steps from number ``begin`` on that hold a row: number, then volts, then mA, then mAh.

        Each ``[n, low_v, mean_v, high_v, low_ma, mean_ma, high_ma, charge_mah]``; None where unknown.
        """
        table = self._table(begin)
        numbers = [_known(np.round(table[n], places)) for n, places in enumerate(_PLACES, start=1)]
        return [list(step) for step in zip(table[0].astype(int).tolist(), *numbers, strict=True)]

    def packed(self) -> str:
        """All steps as text that is written and read at once; ``unpacked`` takes it."""
        return base64.b64encode(self._table(0).astype("<f4").tobytes()).decode("ascii")

    @classmethod
    def unpacked(cls, begin_s: float, step_s: float, text: str) -> "Course":
        """The course that was packed; its means count as one row each. Raises ValueError if it is none."""
        raw = np.frombuffer(base64.b64decode(text, validate=True), "<f4")
        table = raw.reshape(8, -1).astype(np.float64)
        place = table[0].astype(np.intp)
        if len(place) and (place.min() < 0 or place.max() >= 2 * STEPS):
            raise ValueError("steps out of range")
        course = cls(begin_s, step_s)
        for count, total, mean in (
            (course._count_v, course._sum_v, table[2]),
            (course._count_ma, course._sum_ma, table[5]),
        ):
            count[place] = np.isfinite(mean)
            total[place] = np.nan_to_num(mean)
        for name, column in _COLUMN_OF_END.items():
            course._ends[name][place] = table[column]
        course.last = int(place[-1]) if len(place) else -1
        return course

    def _table(self, begin: int) -> Floats:
        """Number of each step that holds a row, then its values as ``steps`` has them, shape (8, n)."""
        found = begin + np.flatnonzero((self._count_v + self._count_ma)[begin : self.last + 1] > 0)
        table = np.empty((8, len(found)))
        table[0] = found
        for place, count, total in (
            (2, self._count_v, self._sum_v),
            (5, self._count_ma, self._sum_ma),
        ):
            known = count[found] > 0
            table[place] = np.where(
                known, total[found] / np.where(known, count[found], 1.0), np.nan
            )
        for name, place in _COLUMN_OF_END.items():
            table[place] = self._ends[name][found]
        return table

    def _join(self) -> None:
        for array in (self._count_v, self._count_ma, self._sum_v, self._sum_ma):
            array[:STEPS] = array[::2] + array[1::2]
            array[STEPS:] = 0
        for name, array in self._ends.items():
            reduce = np.fmin if name in _LEAST else np.fmax
            array[:STEPS] = reduce(array[::2], array[1::2])
            array[STEPS:] = np.nan
        self.step_s *= 2
        self.last //= 2
        self.generation += 1


def _known(values: Floats) -> list[float | None]:
    """As a list, None where not a number; most columns have none of these."""
    if not np.isnan(values).any():
        return list(values.tolist())
    return [None if value != value else value for value in values.tolist()]
