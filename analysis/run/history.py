"""A run thinned to a bounded history: what the forecast keeps of a night of windows.

Rows are gathered into blocks of the hold time (a cutoff counts when the voltage stayed below it
for that long, so a block's highest voltage is what must fall below), and blocks into at most
``BINS_MAX`` bins of equal time; when they are full, neighbours merge. Memory does not grow with
the run, and a whole run added at once gives the same history as the same rows one by one.
"""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.run.trace import Trace, blocks

Array = NDArray[np.float64]

BINS_MAX: Final = 512
BLOCK_MAX_S: Final = 120.0
STRETCHES: Final = 24
MA_S_PER_MAH: Final = 3600.0


@dataclass(frozen=True)
class Bins:
    """History as arrays of one length, in order of time.

    ``end_s``: end of the bin. ``span_s``: time with rows in it. ``charge_mah``: charge out by its
    end. ``mean_v``, ``mean_ma``: means over its time. ``held_v``, ``held_ma``: lowest voltage
    that was held for the hold time in the bin, and the current that went with it.
    """

    end_s: Array
    span_s: Array
    charge_mah: Array
    mean_v: Array
    mean_ma: Array
    held_v: Array
    held_ma: Array


class History:
    """Thinned history of a run that is still being recorded.

    ``hold_s``: time for which a voltage must stay below the cutoff. ``begin_s``: where the first
    row's window began. Memory: at most ``BINS_MAX``
    bins and one block of rows.
    """

    def __init__(self, hold_s: float = 0.0, begin_s: float = 0.0) -> None:
        self.block_s = min(max(hold_s, 0.0), BLOCK_MAX_S)
        self.width_s = max(self.block_s, 0.1)
        self.rows = 0
        self.begin_s = begin_s
        self.last_s = 0.0  # since begin_s, as all times inside
        self._last_charge_mah = 0.0
        # times, spans, volts, currents, charges of the block that is not full yet
        self._pending: Array = np.empty((5, 0))
        # columns: bin index, end_s, span_s, charge_mah, volt-seconds, mA-seconds, held_v, held_ma
        self._table: Array = np.empty((0, 8))

    def add(
        self,
        times_s: ArrayLike,
        volts: ArrayLike,
        currents_ma: ArrayLike,
        charges_mah: ArrayLike | None = None,
    ) -> None:
        """Append rows (equal lengths, times not falling; end of each window).

        ``charges_mah``: the board's running charge where there is one: it also counts what
        happened in lost rows. Without it a gap is filled with the mean of its two ends.
        Rows that hold a number that is not finite are left out.
        """
        times, voltages, currents = (
            np.atleast_1d(np.asarray(item, dtype=np.float64))
            for item in (times_s, volts, currents_ma)
        )
        charges = None
        if charges_mah is not None:
            charges = np.atleast_1d(np.asarray(charges_mah, dtype=np.float64))
        for part in blocks(len(times)):
            counted = None if charges is None else charges[part]
            self._add(times[part], voltages[part], currents[part], counted)

    def _add(self, times: Array, voltages: Array, currents: Array, charges: Array | None) -> None:
        good = np.isfinite(times) & np.isfinite(voltages) & np.isfinite(currents)
        if charges is not None:
            good &= np.isfinite(charges)
        if not good.all():
            charges = None if charges is None else charges[good]
            times, voltages, currents = times[good], voltages[good], currents[good]
        times = times - self.begin_s
        if not len(times):
            return
        spans = np.diff(times, prepend=self.last_s)
        if charges is None:
            charges = self._last_charge_mah + np.cumsum(currents * spans) / MA_S_PER_MAH
        self.rows += len(times)
        self.last_s = float(times[-1])
        self._last_charge_mah = float(charges[-1])
        self._gather(np.vstack([times, spans, voltages, currents, charges]))

    def bins(self) -> Bins:
        """History up to the last row, the unfinished block included."""
        table = self._table
        if self._pending.shape[1]:
            last = self._blocks(self._pending)
            if len(table) and last[0, 6] < table[-1, 6]:
                last[0, 6:8] = table[-1, 6:8]  # not held for the hold time yet
            table = self._merged(np.vstack([table, last]))
        spans = np.maximum(table[:, 2], 1e-9)
        lasted = (
            table[:, 2] > 0
        )  # a sample at the very begin stands for no time: it is its own mean
        return Bins(
            table[:, 1] + self.begin_s,
            table[:, 2],
            table[:, 3],
            np.where(lasted, table[:, 4] / spans, table[:, 6]),
            np.where(lasted, table[:, 5] / spans, table[:, 7]),
            table[:, 6],
            table[:, 7],
        )

    def _gather(self, rows: Array) -> None:
        if self.block_s > 0:
            rows = np.hstack([self._pending, rows])
            block = np.floor(rows[0] / self.block_s)
            done = int(np.searchsorted(block, block[-1]))  # times do not fall
            self._pending, rows = rows[:, done:].copy(), rows[:, :done]
        if not rows.shape[1]:
            return
        while np.floor(rows[0, -1] / self.width_s) >= 2 * BINS_MAX:
            self._widen()
        self._table = self._merged(np.vstack([self._table, self._blocks(rows)]))
        while len(self._table) > BINS_MAX:
            self._widen()
            self._table = self._merged(self._table)

    def _widen(self) -> None:
        self.width_s *= 2

    def _blocks(self, rows: Array) -> Array:
        """A row of the table per block: its highest voltage is the one it held."""
        times, spans, voltages, currents, charges = rows
        if self.block_s > 0:
            block = np.floor(times / self.block_s)
            starts = np.flatnonzero(np.diff(block, prepend=-1.0))
        else:
            starts = np.arange(len(times))
        ends = np.append(starts[1:], len(times)) - 1
        highest = _place_of_extreme(voltages, starts)
        return np.column_stack(
            [
                np.zeros(len(starts)),
                times[ends],
                np.add.reduceat(spans, starts),
                charges[ends],
                np.add.reduceat(voltages * spans, starts),
                np.add.reduceat(currents * spans, starts),
                voltages[highest],
                currents[highest],
            ]
        )

    def _merged(self, table: Array) -> Array:
        """Rows of one bin made one: sums, last values, and the lowest held voltage with its current."""
        index = np.floor(table[:, 1] / self.width_s * (1 - 1e-12))
        starts = np.flatnonzero(np.diff(index, prepend=-1.0))
        ends = np.append(starts[1:], len(table)) - 1
        lowest = _place_of_extreme(-table[:, 6], starts)
        merged = np.add.reduceat(table, starts, axis=0)
        merged[:, 0] = index[starts]
        merged[:, 1] = table[ends, 1]
        merged[:, 3] = table[ends, 3]
        merged[:, 6:8] = table[lowest, 6:8]
        return merged


def thinned(trace: Trace, keep: NDArray[np.bool_] | slice, hold_s: float = 0.0) -> Bins:
    """Thinned history of these rows of a recorded run with voltage; current taken as 0 where there is none."""
    assert trace.voltage_v is not None
    current = trace.current_ma
    history = History(hold_s, trace.begin_s)
    history.add(
        trace.time_s[keep],
        trace.voltage_v[keep],
        np.zeros(len(trace.time_s))[keep] if current is None else current[keep],
    )
    return history.bins()


def part(bins: Bins, keep: NDArray[np.bool_] | slice) -> Bins:
    """Only these bins."""
    return Bins(*(getattr(bins, item.name)[keep] for item in fields(Bins)))


def stretches_of(bins: Bins, toward_now: float = 1.5) -> Bins:
    """At most ``STRETCHES`` stretches of the history, finer toward now; each with its low held voltage."""
    charge = bins.charge_mah
    u = np.linspace(0, 1, STRETCHES + 1)
    edges = charge[0] + (charge[-1] - charge[0]) * (1 - (1 - u) ** toward_now)
    index = np.clip(np.searchsorted(edges, charge, side="left"), 1, STRETCHES)
    rows = []
    for group in np.unique(index):
        inside = np.flatnonzero(index == group)
        # second lowest of ten: one contact fault must not speak for the group
        order = inside[np.argsort(bins.held_v[inside])]
        low = order[len(order) // 10]
        rows.append(
            (
                bins.end_s[inside[-1]],
                bins.span_s[inside].sum(),
                charge[low],
                bins.mean_v[inside].mean(),
                bins.mean_ma[inside].mean(),
                bins.held_v[low],
                bins.held_ma[low],
            )
        )
    return Bins(*np.array(rows).T)


def _place_of_extreme(values: Array, starts: NDArray[np.intp]) -> NDArray[np.intp]:
    """Index of the (first) greatest value of each stretch that begins at ``starts``."""
    lengths = np.diff(np.append(starts, len(values)))
    greatest = np.repeat(np.maximum.reduceat(values, starts), lengths)
    places = np.flatnonzero(values == greatest)
    return np.asarray(places[np.searchsorted(places, starts)])
