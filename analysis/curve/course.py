"""The course of the held voltage against charge, as if the load had been all along what it is now.

What a forecast without a chemistry looks at: breaks, light modes and contact faults taken out, a
change of load corrected by the resistance that the run itself shows, thinned toward now.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.varied_load import under_heavy
from analysis.run.history import Bins, part
from analysis.run.open_voltage import stepped_ohm

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STRETCHES: Final = 32
_TOWARD_NOW: Final = 2.5
_BREAK_SHARE: Final = 0.05  # of the usual current: the circuit is off
_BREAKS_MOST: Final = 3  # more than that are part of how it is used
_BREAK_CHANGE: Final = 0.15  # so are those of a load that comes at another level each time
_STEP: Final = 0.06  # smallest relative change of the load that is taken for a new setting
_STEP_TIMES: Final = 4.0
_STEP_BINS: Final = 3
_RECURS: Final = 0.05
_STEPS_MOST: Final = 3  # of such a size: a load that was set anew oftener goes on so
_ALIKE: Final = 0.5
_HEAVY_SHARE: Final = 0.85
_HEAVY_LEAST: Final = 0.2
_HEAVY_NEAR: Final = 0.93
_GAPS_LEAST: Final = 3
_STEADY_SHARE: Final = 0.9
_READING_SD_V: Final = 0.002
_COMES_UP: Final = 0.35  # of the charge so far: what rises later is no start
_RISE_NOISE: Final = 4.0


@dataclass(frozen=True)
class Course:
    """Stretches of the held voltage (pack V) against charge (mAh), both of one length; ``noise_v``: its sd.

    ``step_s``: when the load was last changed for good (None: never); ``ohm``: resistance that the
    corrections used (0: none were needed).
    """

    charge_mah: Array
    held_v: Array
    noise_v: Array
    ohm: float
    step_s: float | None

    @property
    def settled_mah(self) -> float:
        """Charge up to which the voltage only came up (a passivated cell, a cold one that warms); 0: it did not."""
        early = self.charge_mah <= _COMES_UP * self.charge_mah[-1]
        if early.sum() < 2:
            return 0.0
        top = int(np.argmax(self.held_v[early]))
        rise_v = float(self.held_v[top] - self.held_v[0])
        if rise_v <= _RISE_NOISE * float(np.median(self.noise_v)):
            return 0.0
        return float(self.charge_mah[top])

    def until(self, charge_mah: float) -> "Course":
        """The course up to this charge."""
        use = self.charge_mah <= charge_mah
        return replace(
            self,
            charge_mah=self.charge_mah[use],
            held_v=self.held_v[use],
            noise_v=self.noise_v[use],
        )


def rises(course: Course) -> bool:
    """Higher now than ever before: nothing of an end is to be seen in it."""
    now_v, first_v = float(np.median(course.held_v[-3:])), float(np.median(course.held_v[:3]))
    noise_v = float(np.median(course.noise_v))
    lately = course.held_v[: -len(course.held_v) // 4]
    return now_v - first_v > _RISE_NOISE * noise_v and now_v >= float(lately.max()) - noise_v


def breaks(bins: Bins) -> Mask:
    """Bins in which the circuit was off, shape (n,): a break that came once or twice is not taken to come again."""
    usual = float(np.quantile(bins.mean_ma, 0.75)) if len(bins.mean_ma) else 0.0
    off = bins.mean_ma < _BREAK_SHARE * usual
    none = np.zeros(len(off), dtype=bool)
    if not off.any() or spells(off) > _BREAKS_MOST or off.mean() > 0.5:
        return none
    # a bin beside a break was on for a part of it only
    beside = np.convolve(off, np.ones(3), mode="same") > 0
    level = np.log(np.maximum(bins.mean_ma[~beside], 1e-6))
    varies = len(_set_anew(level, _BREAK_CHANGE)) > _STEPS_MOST
    return none if varies else np.asarray(off)


def spells(mask: Mask) -> int:
    """How many spells a mask has: true bins in a row, however many."""
    return int((np.diff(mask.astype(np.int8), prepend=0) == 1).sum())


def set_anew(bins: Bins) -> list[int]:
    """Bins at which the load was set to another level."""
    usual = float(np.quantile(bins.mean_ma, 0.75)) if len(bins.mean_ma) else 0.0
    return _set_anew(np.log(np.maximum(bins.mean_ma, max(_BREAK_SHARE * usual, 1e-6))), _STEP)


def _set_anew(level: Array, least: float) -> list[int]:
    """Places at which the load was set to another level, by at least so much of its logarithm."""
    found: list[int] = []
    if len(level) <= 2 * _STEP_BINS:
        return found
    windows = np.median(np.lib.stride_tricks.sliding_window_view(level, _STEP_BINS), axis=1)
    change = np.abs(windows[_STEP_BINS:] - windows[:-_STEP_BINS])
    while len(change) and change.max() >= least:
        at = int(np.argmax(change))
        found.append(at + _STEP_BINS)
        change[max(at - _STEP_BINS + 1, 0) : at + _STEP_BINS] = 0.0
    return sorted(found)


def last_step(bins: Bins) -> int:
    """First bin of the load as it is now: 0, or the one at which it was set to a level never seen before."""
    level = np.log(np.maximum(bins.mean_ma, 1e-6))
    count = len(level)
    if count < 4 * _STEP_BINS:
        return 0
    windows = np.median(np.lib.stride_tricks.sliding_window_view(level, _STEP_BINS), axis=1)
    change = np.abs(windows[_STEP_BINS:] - windows[:-_STEP_BINS])  # at bin i + _STEP_BINS
    usual = float(np.median(change))
    for place in np.flatnonzero(change > max(_STEP, _STEP_TIMES * usual))[::-1].tolist():
        at = place + _STEP_BINS
        # the very bin of the change: the largest difference around it
        around = slice(max(at - 2, 1), min(at + 3, count))
        at = around.start + int(np.argmax(np.abs(np.diff(level[around.start - 1 : around.stop]))))
        after, before = level[at + 1 :], level[:at]
        if len(after) < _STEP_BINS or len(before) < _STEP_BINS:
            continue
        low, high = np.quantile(after, (0.05, 0.95))
        if (
            len(_set_anew(before, min(_ALIKE * float(change[place]), _STEP_TIMES * _STEP)))
            >= _STEPS_MOST
        ):
            return 0
        seen = (before > low - _STEP / 2) & (before < high + _STEP / 2)
        return at if seen.mean() < _RECURS else 0
    return 0


def heavy_gap_s(bins: Bins) -> float:
    """Mean wait (s) for the next heavy draw, where the load has light and heavy times; 0 where it is steady.

    The cutoff comes under a heavy draw: how soon one comes is part of when.
    """
    heavy_ma = float(np.quantile(bins.held_ma[len(bins.held_ma) // 4 :], 0.9))
    heavy = bins.held_ma >= _HEAVY_NEAR * heavy_ma
    starts = spells(heavy)
    if starts < _GAPS_LEAST or heavy.mean() > _STEADY_SHARE:
        return 0.0
    return float(bins.span_s[~heavy].sum()) / starts


def course_of(bins: Bins) -> Course | None:
    """The run's course; None where less than four stretches can be told apart."""
    on = ~breaks(bins)
    bins = part(bins, on)
    if len(bins.end_s) < 4:
        return None
    first = last_step(bins)
    step_s = float(bins.end_s[first]) if first else None
    now = bins.held_ma[first:]
    heavy_ma = float(np.quantile(now[-max(len(now) // 2, 3) :], 0.9))
    ohm = stepped_ohm(bins, heavy_ma) or 0.0
    common_v = 0.0
    volts = bins.held_v - ohm * (heavy_ma - bins.held_ma) / 1e3
    heavy = bins.held_ma >= _HEAVY_SHARE * heavy_ma
    # each part of the charge needs its own: light bins may be left out where heavy ones stand beside
    spread = np.array([item.mean() for item in np.array_split(heavy, 8) if len(item)])
    if spread.min() >= _HEAVY_LEAST:
        bins, volts = part(bins, heavy), volts[heavy]
    elif len(set_anew(bins)) > _STEPS_MOST:
        varied = under_heavy(bins, heavy_ma)
        if varied is not None:
            volts, ohm, common_v = varied.volts, varied.ohm, varied.sd_v
    rows = _stretches(bins.charge_mah, volts)
    if len(rows) < 4:
        return None
    charge, held, noise = rows.T
    return Course(charge, held, np.hypot(np.hypot(noise, _READING_SD_V), common_v), ohm, step_s)


def _stretches(charge: Array, volts: Array) -> Array:
    """Rows of charge, median voltage and its standard deviation, finer toward now; shape (stretches, 3)."""
    span = charge[-1] - charge[0]
    if not span > 0:
        return np.empty((0, 3))
    edges = charge[0] + span * (1 - (1 - np.linspace(0, 1, STRETCHES + 1)) ** _TOWARD_NOW)
    index = np.clip(np.searchsorted(edges, charge, side="left"), 1, STRETCHES)
    starts = np.flatnonzero(np.diff(index, prepend=-1))
    rows = []
    for begin, end in zip(starts, np.append(starts[1:], len(charge)), strict=True):
        inside = volts[begin:end]
        middle = float(np.median(inside))
        # scatter about the line through the stretch, which itself falls
        steps = np.abs(np.diff(inside))
        sd = 1.05 * float(np.median(steps)) if len(steps) else 0.0
        rows.append((float(charge[begin:end].mean()), middle, sd / np.sqrt(end - begin)))
    return np.array(rows)
