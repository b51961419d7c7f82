"""A run's samples as arrays: what each row stands for, and where rows are missing.

Readings are corrected here by the calibration that the run carries, if it applies; all that
comes after works on corrected values.

Board runs (``description.source == "board"``): a row is the mean over the window that ends at
``time_s``, and windows leave no time out. Every other run: a row is a sample at that instant.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from analysis.doubt.clock import on_computer_time
from analysis.doubt.correction import corrected, correction_of
from analysis.doubt.scatter import Columns, Scatter, scatter_of
from logger.base.errors import BenchError
from logger.run.format import MEASURED
from logger.run.reader import Run

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.intp]

# A step is a gap when longer than this many usual steps. Boards keep their window to
# microseconds; foreign loggers wander, so only a clear hole counts there.
_GAP_WINDOWS = 1.5
_GAP_SAMPLES = 5.0
# More rows than this lacking a value: the logger writes its columns in turn.
_ALTERNATING_SHARE = 0.1
# No contact: under this share of the run's usual voltage and mean current at once.
DEAD_VOLTAGE_SHARE = 0.1
DEAD_CURRENT_SHARE = 0.2
_ROWS_PICKED = 100_000
# Rows worked on at once where a whole column would cost a fresh array: a block stays in the cache,
# while the first touch of fresh memory costs ten times the arithmetic done on it.
_BLOCK_ROWS: Final = 32_768


@dataclass(frozen=True)
class Chosen:
    """Rows of a run where a mask holds, by their place among themselves; no arrays if it holds everywhere."""

    count: int
    rows: Rows | None

    def at(self, places: Rows) -> Rows:
        """Rows of the run at these places, shape of ``places``."""
        return places if self.rows is None else self.rows[places]

    def values(self, column: Floats) -> Floats:
        """The column's values there, shape (count,); the column itself if that is all of it."""
        return column if self.rows is None else column[self.rows]


def chosen(mask: Mask) -> Chosen:
    """Rows where ``mask`` (n,) holds."""
    if mask.all():
        return Chosen(len(mask), None)
    rows = np.flatnonzero(mask)
    return Chosen(len(rows), rows)


@dataclass(frozen=True)
class Trace:
    """Columns of a run, each of shape (n,); a column that the run lacks is None.

    ``step_s``: time since the row before (first row: since ``begin_s``). ``weight_s``: the
    stretch that the row itself speaks for, gaps left out. ``gap``: rows are missing between
    this row and the one before. ``restarted``: counters began again between the two.
    ``calibrated``: readings were corrected.
    ``dead``: neither current nor a voltage above ``dead_below_v``; ``no_contact``: dead for a while, then both came back.
    """

    windowed: bool
    usual_step_s: float
    begin_s: float
    time_s: Floats
    step_s: Floats
    weight_s: Floats
    gap: Mask
    restarted: Mask
    dead_below_v: float
    dead: Mask
    no_contact: Mask
    voltage_v: Floats | None
    voltage_column: str
    voltage_min_v: Floats | None
    current_ma: Floats | None
    current_min_ma: Floats | None
    current_max_ma: Floats | None
    charge_mah: Floats | None
    energy_mwh: Floats | None
    rows_incomplete: int
    rows_filled: int
    columns_holed: tuple[str, ...]
    conversions: Floats | None = None
    bus_v: Floats | None = None
    calibrated: bool = False

    @property
    def end_s(self) -> float:
        return float(self.time_s[-1])

    @property
    def duration_s(self) -> float:
        return self.end_s - self.begin_s

    def middle_s(self, rows: Rows) -> Floats:
        """Instants that these rows' means belong to: the window's middle, or the sample's time."""
        at_s = self.time_s[rows]
        return at_s - self.weight_s[rows] / 2 if self.windowed else at_s

    @cached_property
    def looked_for(self) -> dict[Any, Any]:
        """What passes over all rows were made for, by what was asked: for those that ask again."""
        return {}

    @cached_property
    def alive(self) -> Chosen:
        """Rows that are not dead."""
        return chosen(~self.dead)

    @cached_property
    def scatter(self) -> Scatter:
        """Scatter of the rows, reckoned once."""
        return scatter_of(
            Columns(
                self.current_ma,
                self.current_min_ma,
                self.current_max_ma,
                self.voltage_v,
                self.conversions,
            )
        )

    @property
    def conversion_s(self) -> float | None:
        """How long one conversion of current or voltage lasts, by their number in a window; None: not counted."""
        if self.conversions is None or not self.windowed:
            return None
        return self.usual_step_s / (2 * self.scatter.conversions)

    def alive_middle_s(self, places: Rows) -> Floats:
        """Instants that the means of rows belong to, by their places among the rows that are alive."""
        return self.middle_s(self.alive.at(places))


def trace_of(run: Run) -> Trace:
    """Arrays of a run. Rows that lack a measured value are left out and counted.

    Raises BenchError if there is nothing to work on.
    """
    run = on_computer_time(run)
    samples = run.samples
    columns = {name: samples[name].to_numpy(dtype=np.float64) for name in samples.columns}
    measured = [name for name in MEASURED if name in columns and np.isfinite(columns[name]).any()]
    if "pack_v" in measured and "bus_v" in measured:
        measured.remove("bus_v")
    rows_filled = _fill_alternating(columns, measured)
    whole = np.ones(len(samples), dtype=bool)
    for name in measured:
        whole &= np.isfinite(columns[name])
    rows = int(whole.sum())
    if not measured or rows < 2 or not _lasts(columns["time_s"], whole):
        raise BenchError(
            f"The run {run.folder} has too little in it to analyse.",
            evidence=f"{rows} usable rows; columns: {', '.join(samples.columns) or 'none'}",
            next_step="a run needs two rows at different times, with pack_v, bus_v or current_ma.",
        )
    if rows < len(whole):
        columns = {name: values[whole] for name, values in columns.items()}
    # A column with holes cannot be used as a running counter or as an extreme.
    holed = tuple(name for name, values in columns.items() if not np.isfinite(values).all())
    columns = {name: values for name, values in columns.items() if name not in holed}

    windowed = run.description.source == "board"
    time_s = columns["time_s"]
    begin_s = 0.0 if windowed else float(samples["time_s"].iloc[0])
    step_s = np.empty_like(time_s)
    step_s[0] = time_s[0] - begin_s
    np.subtract(time_s[1:], time_s[:-1], out=step_s[1:])
    restarted = _restarted(columns)
    usual_s = _usual_step_s(step_s, run.description.window_s if windowed else None)
    gap = _gaps(step_s, usual_s, windowed, columns.get("sequence"), restarted)
    correction = correction_of(run.description)
    columns = corrected(columns, correction, begin_s, usual_s)
    voltage_column = "pack_v" if "pack_v" in columns else "bus_v"
    voltage_v, current_ma = columns.get(voltage_column), columns.get("current_ma")
    below_v = _dead_below_v(voltage_v)
    dead = _dead(voltage_v, current_ma, below_v, rows)
    return Trace(
        windowed=windowed,
        usual_step_s=usual_s,
        begin_s=begin_s,
        time_s=time_s,
        step_s=step_s,
        weight_s=_weights_s(step_s, gap, usual_s, windowed),
        gap=gap,
        restarted=restarted,
        dead_below_v=below_v,
        dead=dead,
        no_contact=dead & _before_last_life(dead),
        voltage_v=voltage_v,
        voltage_column=voltage_column,
        voltage_min_v=columns.get("pack_min_v") if voltage_column == "pack_v" else None,
        current_ma=current_ma,
        current_min_ma=columns.get("current_min_ma"),
        current_max_ma=columns.get("current_max_ma"),
        charge_mah=columns.get("charge_mah"),
        energy_mwh=columns.get("energy_mwh"),
        rows_incomplete=len(whole) - rows,
        rows_filled=rows_filled,
        columns_holed=holed,
        conversions=columns.get("conversions"),
        bus_v=columns.get("bus_v"),
        calibrated=correction.current is not None or correction.voltage is not None,
    )


def blocks(rows: int, most: int = _BLOCK_ROWS) -> Iterator[slice]:
    """Slices that together are rows 0 to ``rows``, each of at most so many: small enough for the cache."""
    for begin in range(0, rows, most):
        yield slice(begin, min(begin + most, rows))


def sum_of_products(first: Floats, second: Floats, *others: Floats) -> float:
    """Sum over the rows of the product of columns, each of shape (n,)."""
    summed = 0.0
    for part in blocks(len(first)):
        product = first[part]
        for column in others:
            product = product * column[part]
        summed += float((product * second[part]).sum())
    return summed


def stretches(mask: Mask) -> tuple[Rows, Rows]:
    """First and one-past-last index of every unbroken stretch of True."""
    changes = np.empty(len(mask) + 1, dtype=bool)
    changes[0], changes[-1] = mask[0], mask[-1]
    np.not_equal(mask[1:], mask[:-1], out=changes[1:-1])
    edges = np.flatnonzero(changes)
    return edges[::2], edges[1::2]


def _lasts(time_s: Floats, whole: Mask) -> bool:
    """Whether time passes between the first and the last row that is whole."""
    first, last = int(whole.argmax()), len(whole) - 1 - int(whole[::-1].argmax())
    return bool(time_s[last] > time_s[first])


def _fill_alternating(columns: dict[str, Floats], measured: Sequence[str]) -> int:
    """Fill measured columns by straight lines if they were written in turn; returns the rows concerned.

    Some loggers write voltage and current in separate rows. A few empty fields are not that:
    such rows are left out, so that a long silence stays visible as a gap.
    """
    empty = {name: ~np.isfinite(columns[name]) for name in measured}
    concerned = int(np.logical_or.reduce(list(empty.values())).sum()) if empty else 0
    if concerned <= _ALTERNATING_SHARE * len(columns["time_s"]):
        return 0
    for name, missing in empty.items():
        known = np.flatnonzero(~missing)
        inside = missing.copy()
        inside[: known[0]] = inside[known[-1] :] = False
        columns[name] = columns[name].copy()
        columns[name][inside] = np.interp(
            columns["time_s"][inside], columns["time_s"][known], columns[name][known]
        )
    return concerned


def _restarted(columns: dict[str, Floats]) -> Mask:
    """Steps over which counters are not to be trusted, shape (n,)."""
    restarted = np.zeros(len(columns["time_s"]), dtype=bool)
    if "boot" in columns:
        restarted[1:] = columns["boot"][1:] != columns["boot"][:-1]
    elif "charge_mah" in columns:
        # A foreign counter that falls although current flowed out was set back.
        fell = columns["charge_mah"][1:] < columns["charge_mah"][:-1]
        if "current_ma" in columns:
            fell &= columns["current_ma"][1:] >= 0
        restarted[1:] = fell
    return restarted


def _usual_step_s(step_s: Floats, window_s: float | None) -> float:
    if window_s is not None and window_s > 0:
        return window_s
    # Nine tenths of the steps: loggers that write more seldom later on have no gaps by that alone.
    # Clocks that tick more slowly than the rows come give many steps of zero.
    return float(np.quantile(step_s[1:][step_s[1:] > 0], 0.9))


def _gaps(
    step_s: Floats, usual_s: float, windowed: bool, sequence: Floats | None, restarted: Mask
) -> Mask:
    if not windowed:
        gap = step_s > _GAP_SAMPLES * usual_s
        gap[0] = False
        return np.asarray(gap, dtype=bool)
    gap = step_s > _GAP_WINDOWS * usual_s
    if sequence is not None:
        # A window without a conversion is not sent; its time belongs to the next one: no gap.
        next_one = np.zeros(len(step_s), dtype=bool)
        next_one[1:] = np.diff(sequence) == 1
        gap &= ~(next_one & ~restarted)
    return np.asarray(gap, dtype=bool)


def _weights_s(step_s: Floats, gap: Mask, usual_s: float, windowed: bool) -> Floats:
    own = np.where(gap, usual_s, step_s) if gap.any() else step_s
    if windowed:
        return own
    weights = own / 2
    weights[:-1] += own[1:] / 2
    return weights


def _dead_below_v(voltage_v: Floats | None) -> float:
    """Voltage that no pack at work shows; from near the top, as a run may be dead for hours."""
    if voltage_v is None:
        return 0.0
    # A hundred thousand rows, evenly picked, tell a tenth of the usual voltage as well as all do.
    some = voltage_v[:: max(1, len(voltage_v) // _ROWS_PICKED)]
    return DEAD_VOLTAGE_SHARE * float(np.quantile(some, 0.95))


def _dead(voltage_v: Floats | None, current_ma: Floats | None, below_v: float, rows: int) -> Mask:
    """Rows where the voltage, and the current if it was measured, had vanished, shape (n,)."""
    if voltage_v is None or below_v <= 0:
        return np.zeros(rows, dtype=bool)
    dead = voltage_v < below_v
    if current_ma is not None and dead.any():
        dead &= np.abs(current_ma) <= DEAD_CURRENT_SHARE * np.mean(np.abs(current_ma))
    return np.asarray(dead, dtype=bool)


def _before_last_life(dead: Mask) -> Mask:
    before = np.zeros(len(dead), dtype=bool)
    if not dead.any():
        return before
    alive = np.flatnonzero(~dead)
    if len(alive):
        before[: alive[-1]] = True
    return before
