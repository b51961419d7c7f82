"""Runs that are not what they seem: charging, crossed wires, swapped packs, bad contacts, full-scale readings.

``FaultWatch`` looks at rows as they come, with bounded memory; ``pack_faults`` gives it a recorded
run. Thresholds are the project's own; the reasons stand beside them.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.doubt.beyond import at_range_end, range_of
from analysis.doubt.limits import Limits
from analysis.doubt.uncertainty import limits_of
from analysis.run.dips import dips
from analysis.run.history import Bins, History, part
from analysis.run.open_voltage import open_rise
from analysis.run.trace import DEAD_CURRENT_SHARE, DEAD_VOLTAGE_SHARE, Trace
from analysis.say.words import count_words, span_words
from logger.base.pack import Pack
from logger.base.sensor_limits import beyond_words
from logger.board.wiring_check import above_full
from logger.run.description import Description

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BACKWARD_SHARE: Final = 0.02
_BACKWARD_AFTER_S: Final = 120.0
_ZERO_UNKNOWN_MA: Final = 1.0
# Whether a pack that takes current is charged or only wired the wrong way round shows in its
# voltage: so far must it move, or so long stand still.
_MOVED_SHARE: Final = 0.005
_STILL_S: Final = 1800.0
# A fresh pack in the place of a used one; a healthy pack never rises so far at the same power.
_SWAP_RISE: Final = 0.06
_SWAP_BINS: Final = 4
_SWAP_LOOK_BACK: Final = 24
_SWAP_LIKE_LEAST: Final = 3
_SWAP_HELD_S: Final = 20.0
# A pack recovers while nobody looks: after a gap only one far better, and as good as new, is another one.
_SWAP_RISE_GAP: Final = 0.15
_GAP_WIDTHS: Final = 3.0
# A break of the contact (nothing was seen, or voltage and current gone) this near to a rise belongs to it.
_BREAK_WIDTHS: Final = 3.0
_BREAK_LEAST_S: Final = 5.0
_BREAKS_KEPT: Final = 32
_GAP_LEAST_S: Final = 300.0
_AS_NEW: Final = 0.97
_JUMP_SHARE: Final = 0.12
_JUMP_ROWS: Final = 5
_JUMP_MORE_MA: Final = 0.5
_SAME_POWER: Final = 0.07
_AROUND: Final = _JUMP_ROWS + 1


@dataclass(frozen=True)
class Fault:
    """Something wrong. ``code``: for programs, also which of several of its kind; ``text``: in words."""

    code: str
    text: str


@dataclass(frozen=True)
class PackFaults:
    """What was found. ``flow``: ``out``, ``reversed`` (signs must be turned), ``charging``.

    ``start_row``: first row of the pack that is in now. ``bad``: rows with a contact fault.
    """

    flow: str
    start_row: int
    bad: Mask
    warnings: tuple[str, ...]


class FaultWatch:
    """Faults of a run that is still being recorded: ``add`` its rows, then ask ``faults``.

    ``limits``: the sensor's, for what counts as current into the pack; ``range_ma``: its greatest
    current; ``pack``: as stated. ``history``: the sound rows, with the signs as they came. Memory: that history and a
    few rows.
    """

    def __init__(
        self,
        limits: Limits | None = None,
        range_ma: float | None = None,
        hold_s: float = 0.0,
        begin_s: float = 0.0,
        pack: Pack | None = None,
    ) -> None:
        self._pack = pack
        self.history = History(hold_s, begin_s)
        self.swapped_s: float | None = None
        self.flow = "out"
        self._begin_s = begin_s
        self._range_ma = range_ma
        self._shunt_ohm = limits.shunt_ohm if limits else None
        self._factor = limits.current_factor if limits else 1.0
        self._zero_ma = _ZERO_UNKNOWN_MA if limits is None else limits.zero_ma
        self._rows: Array = np.empty((5, 0))  # times, volts, currents, charges, dead or not
        self._decided = 0  # rows at the front of these that were given to the history
        self._rest: Array = np.empty((2, 0))  # volts and currents of the block that is not full yet
        self._blocks: Array = np.empty((2, 0))
        self._long_falls = False
        self._usual_v = 0.0
        self._sum_ma = 0.0
        self._count = 0
        self._last_s = begin_s
        self._inward = 0.0
        self._outward = 0.0
        self._jumps = 0
        self._dead_from_s: float | None = None
        self._vanished_s = (0.0, 0.0)
        self._vanished = 0
        self._full_scale = 0
        self._swaps: list[float] = []
        self._broken: list[tuple[float, float]] = []

    def add(
        self,
        times_s: ArrayLike,
        volts: ArrayLike,
        currents_ma: ArrayLike,
        charges_mah: ArrayLike | None = None,
        peaks_ma: ArrayLike | None = None,
    ) -> None:
        """Append rows (equal lengths, times not falling). ``charges_mah``: the board's running charge;
        ``peaks_ma``: greatest size of the current in the row. Rows that lack a number are left out.
        """
        columns = [
            np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (times_s, volts, currents_ma)
        ]
        charges = np.full(len(columns[0]), np.nan)
        if charges_mah is not None:
            charges = np.atleast_1d(np.asarray(charges_mah, dtype=np.float64))
        peaks = columns[2] if peaks_ma is None else np.atleast_1d(np.asarray(peaks_ma, np.float64))
        good = np.logical_and.reduce([np.isfinite(column) for column in columns])
        if not good.any():
            return
        times, voltages, currents = (column[good] for column in columns)
        self._usual_v = max(self._usual_v, float(np.quantile(voltages, 0.95)))
        self._sum_ma += float(np.abs(currents).sum())
        self._count += len(currents)
        dead = voltages < DEAD_VOLTAGE_SHARE * self._usual_v
        dead &= np.abs(currents) <= DEAD_CURRENT_SHARE * self._sum_ma / self._count
        self._count_full_scale(peaks[good])
        self._weigh(times, currents)
        self._watch_dead(times, dead)
        rows = np.vstack([times, voltages, currents, charges[good], dead.astype(np.float64)])
        self._rows = np.hstack([self._rows, rows])
        live = self._rows[:, self._rows[4] == 0]
        jumped = np.zeros(self._rows.shape[1], dtype=bool)
        jumped[self._rows[4] == 0] = jump_rows(live[1], live[2])
        self._watch_long(voltages[~dead], currents[~dead])
        end = max(self._rows.shape[1] - _AROUND, self._decided)
        self._give(slice(self._decided, end), jumped)
        # what stays: rows not decided yet, and the ones before that they are compared with
        first = max(end - _AROUND, 0)
        self._rows, self._decided = self._rows[:, first:], end - first

    def take(self, trace: Trace, bad: Mask, peaks_ma: Array | None) -> None:
        """A recorded run at once, calibrated and its contact faults known already."""
        assert trace.voltage_v is not None
        assert trace.current_ma is not None
        good = ~bad
        self._count = len(good)
        self._jumps = int((bad & ~trace.dead).sum())
        if peaks_ma is not None:
            self._count_full_scale(peaks_ma, self._factor)
        self._weigh(trace.time_s, trace.current_ma)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], trace.dead.astype(np.int8), [0]])))
        ends = np.minimum(edges, len(good) - 1)
        self._broken += [
            (float(trace.time_s[first]), float(trace.time_s[past]))
            for first, past in zip(ends[::2], ends[1::2], strict=True)
        ][-_BREAKS_KEPT:]
        columns = (trace.time_s, trace.voltage_v, trace.current_ma)
        if not good.all():
            columns = (columns[0][good], columns[1][good], columns[2][good])
        self.history.add(*columns)

    def faults(self, *, live: bool = True) -> tuple[Fault, ...]:
        """All that was found up to now. ``live``: the run goes on, so wait for better evidence."""
        bins = self.history.bins()
        found = [
            self._other_pack_fault(bins),
            self._find_flow(bins, live),
            self._jump_fault(live),
            self._vanished_fault(),
            *self._swap_faults(bins),
            self._full_scale_fault(live),
        ]
        return tuple(fault for fault in found if fault is not None)

    def bins(self) -> Bins:
        """History of the pack that is in now, current counted as out of it."""
        bins = self.history.bins()
        sign = -1.0 if self.flow == "reversed" else 1.0
        if self.swapped_s is not None:
            keep = bins.end_s - bins.span_s >= self.swapped_s - 1e-6
            before = bins.charge_mah[~keep]
            bins = Bins(*(values[keep] for values in vars(bins).values()))
            if len(before):
                bins = replace(bins, charge_mah=bins.charge_mah - before[-1])
        if sign > 0:
            return bins
        return replace(
            bins,
            charge_mah=-bins.charge_mah,
            mean_ma=-bins.mean_ma,
            held_ma=-bins.held_ma,
        )

    def _count_full_scale(self, peaks_ma: Array, factor: float = 1.0) -> None:
        """``factor``: what a calibration multiplied them by; rows that come one by one are as the sensor gave them."""
        self._full_scale += int(at_range_end(peaks_ma, self._range_ma, factor).sum())

    def _weigh(self, times: Array, currents: Array) -> None:
        """Charge into the pack and out of it; what could be the sensor's zero does not count."""
        spans = np.maximum(np.diff(times, prepend=self._last_s), 0.0)
        usual_s = float(np.median(spans))
        for at in np.flatnonzero(spans > max(_GAP_WIDTHS * usual_s, _BREAK_LEAST_S))[
            -_BREAKS_KEPT:
        ].tolist():
            gap = (float(times[at] - spans[at]), float(times[at]))
            self._broken = [*self._broken, gap][-_BREAKS_KEPT:]
        spans = np.minimum(spans, 5 * usual_s)  # nobody knows what flowed in a gap
        self._last_s = float(times[-1])
        self._inward += float((np.where(currents < -self._zero_ma, -currents, 0.0) * spans).sum())
        self._outward += float((np.maximum(currents, 0.0) * spans).sum())

    def _watch_dead(self, times: Array, dead: Mask) -> None:
        if not dead.any() and self._dead_from_s is None:
            return
        for time_s, is_dead in zip(times.tolist(), dead.tolist(), strict=True):
            if is_dead and self._dead_from_s is None:
                self._dead_from_s = time_s
            elif not is_dead and self._dead_from_s is not None:
                self._vanished += 1
                self._broken = [*self._broken, (self._dead_from_s, time_s)][-_BREAKS_KEPT:]
                if self._vanished == 1:
                    self._vanished_s = (self._dead_from_s, time_s)
                self._dead_from_s = None

    def _watch_long(self, voltages: Array, currents: Array) -> None:
        """Falls that last longer than some rows, by means over blocks of rows."""
        rows = np.hstack([self._rest, np.stack([voltages, currents])])
        whole = rows.shape[1] - rows.shape[1] % _AROUND
        self._rest = rows[:, whole:]
        if not whole:
            return
        self._blocks = np.hstack([self._blocks, block_means(rows[:, :whole])])
        self._long_falls |= bool(jump_rows(*self._blocks).any())
        self._blocks = self._blocks[:, -2 * _AROUND :]

    def _give(self, which: slice, jumped: Mask) -> None:
        """Sound rows of those decided go to the history."""
        rows = self._rows[:, which]
        if not rows.shape[1]:
            return
        dead = rows[4] > 0
        self._jumps += int((jumped[which] & ~dead).sum())
        times, volts, currents, charges, _ = rows[:, ~(dead | jumped[which])]
        if len(times):
            counted = charges if np.isfinite(charges).all() else None
            self.history.add(times, volts, currents, counted)

    def _find_flow(self, bins: Bins, live: bool) -> Fault | None:
        if self._inward <= self._outward:
            self.flow = "out"
            waited = not live or self._last_s - self._begin_s >= _BACKWARD_AFTER_S
            if not waited or self._inward <= _BACKWARD_SHARE * self._outward:
                return None
            share = "" if live else f" ({100 * self._inward / self._outward:.0f} % of the charge)"
            return Fault(
                "charged-between",
                f"The pack was charged in between, or the circuit feeds back: in parts of the run current flowed into it{share}. "
                "The forecast counts what came out on balance.",
            )
        if not len(bins.mean_v):
            self.flow = "unclear" if live else "reversed"
            return None
        tenth = max(len(bins.mean_v) // 10, 1)
        moved_v = float(np.median(bins.mean_v[-tenth:]) - np.median(bins.mean_v[:tenth]))
        least_v = _MOVED_SHARE * abs(float(np.median(bins.mean_v)))
        if moved_v > least_v:
            self.flow = "charging"
            return Fault(
                "charging",
                "This is a charging run, not a discharge: the current flows into the pack and its voltage rises. "
                "There is nothing to forecast.",
            )
        self.flow = "reversed"
        if moved_v < -least_v:
            return Fault(
                "crossed",
                "The two wires of the current sensor are crossed: the current reads negative all along although "
                "the pack empties. The signs were turned for the analysis.",
            )
        if live and self._last_s - self._begin_s < _STILL_S:
            self.flow = "unclear"
            return None
        return Fault(
            "crossed",
            "The two wires of the current sensor are crossed, or the pack is being charged: the current reads "
            "negative all along and the voltage stands still. The signs were turned for the analysis.",
        )

    def _other_pack_fault(self, bins: Bins) -> Fault | None:
        text = above_full(float(bins.mean_v.max(initial=0.0)), self._pack) if self._pack else ""
        return Fault("other-pack", text) if text else None

    def _jump_fault(self, live: bool) -> Fault | None:
        if not self._jumps and not self._long_falls:
            return None
        where = "" if live else f" in {count_words(self._jumps, 'row')}"
        return Fault(
            "contact",
            f"A bad contact at the pack or the probe: the voltage jumps down and back without more current{where}. "
            "Those rows are left out of the forecast.",
        )

    def _vanished_fault(self) -> Fault | None:
        if not self._vanished:
            return None
        gone_s, back_s = self._vanished_s
        return Fault(
            "vanished",
            "A loose contact, or the pack was taken off: voltage and current vanished together "
            f"{span_words(gone_s - self._begin_s)} into the run and came back after {span_words(back_s - gone_s)}.",
        )

    def _swap_faults(self, bins: Bins) -> list[Fault]:
        since_s = self._swaps[-1] if self._swaps else float("-inf")
        for found_s in swaps(part(bins, ~dips(bins)), since_s):
            self._swaps.append(found_s)
        if self._swaps:
            self.swapped_s = self._swaps[-1]
        return [
            Fault(
                f"swap {number}",
                _swap_text(
                    span_words(found_s - self._begin_s), self._may_be_another(found_s, bins)
                ),
            )
            for number, found_s in enumerate(self._swaps)
        ]

    def _may_be_another(self, found_s: float, bins: Bins) -> bool:
        """Whether another pack may stand behind the rise: it cannot be changed without a break of the contact,
        and brings a voltage of its own, where a contact that came right only loses its resistance.
        """
        rise = open_rise(bins, found_s)
        if rise is not None and rise < 0.5 * _SWAP_RISE:
            return False
        width_s = float(np.median(bins.span_s)) if len(bins.span_s) else 0.0
        near_s = _BREAK_WIDTHS * width_s + _BREAK_LEAST_S
        return any(begin_s - near_s <= found_s <= end_s + near_s for begin_s, end_s in self._broken)

    def _full_scale_fault(self, live: bool) -> Fault | None:
        if not self._full_scale:
            return None
        rows = "" if live else f" in {count_words(self._full_scale, 'row')}"
        return Fault(
            "full-scale",
            f"More was drawn{rows} than the sensor could see, {beyond_words(self._shunt_ohm, self._range_ma)}. "
            "The charge is a lower bound, and the forecast too long.",
        )


def _swap_text(when: str, another: bool) -> str:
    what = (
        f"Another pack was put in {when} into the run, or this one was charged: the contact was broken, and then"
        if another
        else f"A bad contact came right {when} into the run, or this pack was charged or another put beside it:"
    )
    return f"{what} the voltage rose for good under the same load. The forecast looks only at what came after."


def pack_faults(trace: Trace, description: Description) -> PackFaults:
    """Look through a run that has voltage and current; never raises."""
    assert trace.voltage_v is not None
    assert trace.current_ma is not None
    bad = trace.dead.copy()
    volts, currents = trace.alive.values(trace.voltage_v), trace.alive.values(trace.current_ma)
    jumped = jump_rows(volts, currents)
    whole = len(volts) - len(volts) % _AROUND
    means = [block_means(column[None, :whole])[0] for column in (volts, currents)]
    jumped[:whole] |= np.repeat(jump_rows(*means), _AROUND)
    bad[~trace.dead] = jumped
    watch = watch_of(description, begin_s=trace.begin_s)
    peaks = [np.abs(x) for x in (trace.current_min_ma, trace.current_max_ma) if x is not None]
    watch.take(trace, bad, np.max(peaks, axis=0) if peaks else trace.current_ma)
    warnings = tuple(fault.text for fault in watch.faults(live=False))
    start_row = 0
    if watch.swapped_s is not None:
        start_row = int(np.searchsorted(trace.time_s, watch.swapped_s, side="right"))
    return PackFaults(watch.flow, start_row, bad, warnings)


def watch_of(description: Description, hold_s: float = 0.0, begin_s: float = 0.0) -> FaultWatch:
    """A watch for the run's sensor."""
    limits, range_ma = limits_of(description), range_of(description)
    return FaultWatch(limits, range_ma, hold_s, begin_s, description.pack)


def jump_rows(volts: Array, currents_ma: Array) -> Mask:
    """Short falls of the voltage that no load explains, shape (n,); the last ``_AROUND`` rows are never told.

    The voltage is lower than on both sides by ``_JUMP_SHARE`` although the current was not above
    that of either side, now or just before (a pack takes a while to recover from a pulse); or, with a
    booster that makes up for a poor contact by taking more, although the power stayed the same.
    """
    jumped = np.zeros(len(volts), dtype=bool)
    if len(volts) <= 2 * _AROUND:
        return jumped
    # The sides of a row, and of the first ones the first; the end of a pack is no contact fault.
    least_v = np.concatenate([np.full(_AROUND, volts[0]), volts[: -2 * _AROUND]])
    np.minimum(least_v, volts[_AROUND:], out=least_v)
    least_v *= 1 - _JUMP_SHARE
    rows = np.flatnonzero(volts[:-_AROUND] < least_v)
    if not len(rows):
        return jumped
    size_ma, power = np.abs(currents_ma), np.abs(volts * currents_ma)
    just_before = np.maximum(rows[:, None] - np.arange(_AROUND), 0)
    sides = np.stack([np.maximum(rows - _AROUND, 0), np.minimum(rows + _AROUND, len(volts) - 1)])
    calm = size_ma[just_before].max(axis=1) <= 1.1 * size_ma[sides].min(axis=0) + _JUMP_MORE_MA
    side_power = power[sides]
    same = power[just_before].max(axis=1) <= (1 + _SAME_POWER) * side_power.min(axis=0)
    same &= power[rows] >= (1 - _SAME_POWER) * side_power.max(axis=0)
    jumped[rows] = calm | (same & (side_power.min(axis=0) > 0))
    return jumped


def block_means(rows: Array) -> Array:
    """Means over blocks of ``_AROUND`` rows: (columns, n) becomes (columns, n / ``_AROUND``)."""
    return np.asarray(rows.reshape(len(rows), -1, _AROUND).mean(axis=2))


def swaps(bins: Bins, since_s: float = float("-inf")) -> list[float]:
    """Moments after ``since_s`` at which the voltage rose for good although the load was no lighter.

    Compared with the highest voltage that the pack had shown shortly before at no more power, so that
    neither a lighter load nor the recovery after a rest passes for another pack.
    """
    use = (bins.mean_v > DEAD_VOLTAGE_SHARE * bins.mean_v.max(initial=0.0)) & (bins.end_s > since_s)
    time_s, volts, power = (
        bins.end_s[use],
        bins.mean_v[use],
        np.abs(bins.mean_v * bins.mean_ma)[use],
    )
    if len(volts) < 2 * _SWAP_BINS + 1:
        return []
    width_s = float(np.median(np.diff(time_s)))
    rise = volts[2:] - volts[:-2]
    found: list[float] = []
    for at in (np.flatnonzero(rise > 0.8 * _SWAP_RISE * volts[:-2]) + 2).tolist():
        first = int(np.searchsorted(time_s, found[-1], side="right")) if found else 0
        before = slice(max(first, at - 1 - _SWAP_LOOK_BACK), at - 1)
        after = slice(at, at + _SWAP_BINS)
        if at - 1 - first < _SWAP_BINS or at + _SWAP_BINS > len(volts):
            continue
        if time_s[-1] - time_s[at - 1] < _SWAP_HELD_S:
            continue
        like = power[before] <= 1.1 * float(np.median(power[after]))
        if like.sum() < _SWAP_LIKE_LEAST:
            continue
        after_v = float(np.median(volts[after]))
        if after_v <= (1 + _SWAP_RISE) * float(volts[before][like].max()):
            continue
        gap_s = float(np.max(np.diff(time_s[at - 2 : at + 1])))
        rested = gap_s > max(_GAP_WIDTHS * width_s, _GAP_LEAST_S)
        if rested and (
            after_v <= (1 + _SWAP_RISE_GAP) * float(volts[before][like].max())
            or after_v < _AS_NEW * float(np.median(volts[first : first + _SWAP_BINS]))
        ):
            continue
        found.append(float(time_s[at - 1]))
    return found
