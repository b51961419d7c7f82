"""Is it dry? The first minutes' draw after washing against the run from before.

Water across traces, in a connector or a seam leaks current from plus to minus: the piece draws more than
before, in whatever mode, and the more falls while it dries. What the pack's other voltage may do to the
draw, and what both sensors may be off, counts as doubt.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import scipy

from analysis.doubt.limits import METER_LIMIT
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import budget, combined, limits_of
from analysis.run.trace import Trace, trace_of
from logger.base.errors import BenchError
from logger.base.pack import SAFETY_CLOSING
from logger.run.reader import Run

Array = npt.NDArray[np.float64]
FIRST_S: Final = 60.0
# How long a fall is looked for.
_FALL_S: Final = 600.0
_LEAST_ROWS: Final = 5
_FACTOR: Final = 1.96
# A fall counts where noise alone would show it in fewer than one run of a thousand.
_FALL_P: Final = 1e-3
_FALL_SIGMAS: Final = 3.0
_FALL_SHARE: Final = 0.005
WASH_CAUTION: Final = (
    "Washing: power off and the pack out until everything is dry, seams and connectors too. "
    f"A wet pack, lithium above all, is not used again. {SAFETY_CLOSING}"
)


@dataclass(frozen=True)
class SinceWash:
    """``added``: draw of the first minute after the wash less that before, mA, 95 %.

    ``before_ma``, ``after_ma``: those draws. ``falling``: the draw after the wash falls, more than that before does.
    ``least_seen_ma``: a smaller leak would not show.
    """

    before_ma: float
    after_ma: float
    added: Quantity
    falling: bool
    least_seen_ma: float

    @property
    def wet(self) -> bool:
        return self.added.lower is not None and self.added.lower > 0

    @property
    def less(self) -> bool:
        return self.added.upper is not None and self.added.upper < 0

    @property
    def words(self) -> str:
        """The answer in a sentence or two."""
        drawn = (
            f"{self.after_ma:.3g} mA in its first minute, {self.before_ma:.3g} mA before the wash"
        )
        if self.wet:
            fall = (
                " It falls while you look, as a leak does that dries."
                if self.falling
                else " It does not fall: it may be a short or another mode, not water alone."
            )
            return f"Not dry: it draws {drawn}.{fall} Pack out, dry it on, and ask again."
        if self.less:
            return f"It draws less: {drawn}. A part is off or a joint has broken: look before you wear it."
        if self.falling:
            return (
                f"Not sure: it draws {drawn}, no more than the doubt, but the draw falls as it does while something dries. "
                "Pack out, dry it on, and ask again."
            )
        return f"No leak seen: it draws {drawn}. A leak under about {self.least_seen_ma:.2g} mA would not show."

    def as_json(self) -> dict[str, Any]:
        """Results in the usual object form."""
        note = "mean of the first minute; no interval"
        return {
            "first_minute_before": Quantity(self.before_ma, "mA", note=note).as_json(),
            "first_minute_after": Quantity(self.after_ma, "mA", note=note).as_json(),
            "added_draw": self.added.as_json(),
            "falling": self.falling,
            "wet": self.wet,
        }


def since_wash(before: Run, after: Run) -> SinceWash:
    """Compare the first minutes. Raises BenchError if a run has no current, or too few rows in its first minute."""
    traces = [trace_of(run) for run in (before, after)]
    ends = [_first_minute(run, trace) for run, trace in zip((before, after), traces, strict=True)]
    (before_ma, before_v, before_std), (after_ma, after_v, after_std) = ends
    # The draw may go with the pack's voltage, or against it behind a converter: by as much as that differs.
    moved = 0.0
    if np.isfinite(before_v) and np.isfinite(after_v) and before_v > 0:
        moved = abs(after_v / before_v - 1) * before_ma
    half = float(_FACTOR * np.hypot(before_std, after_std) + moved)
    added = after_ma - before_ma
    fell_before, fell_after = (_fall(trace) for trace in traces)
    return SinceWash(
        before_ma,
        after_ma,
        Quantity(added, "mA", added - half, added + half, 0.95, "both sensors' limits, scatter, and the pack's other voltage"),
        fell_after > 2 * fell_before,
        half,
    )  # fmt: skip


def _first_minute(run: Run, trace: Trace) -> tuple[float, float, float]:
    """Mean current (mA) and voltage of the first minute, and the standard uncertainty of the current."""
    if trace.current_ma is None:
        raise BenchError(
            f"The run {run.folder} has no current, so its draw cannot be told.",
            next_step="record both runs with a current, for two minutes each: drawbench log --for 2m",
        )
    rows = _rows(trace, FIRST_S)
    if len(rows) < _LEAST_ROWS:
        raise BenchError(
            f"The run {run.folder} has too little in its first minute to tell whether it is dry.",
            evidence=f"{len(rows)} rows; {_LEAST_ROWS} are needed",
            next_step="record both runs with shorter rows: drawbench log --window 1s --for 2m",
        )
    current_ma = trace.current_ma[rows]
    mean_ma = float(current_ma.mean())
    volts = np.nan if trace.voltage_v is None else float(np.nanmean(trace.voltage_v[rows]))
    scatter = float(np.std(np.diff(current_ma))) / np.sqrt(2 * len(rows))
    limits = limits_of(run.description)
    if limits is None:
        return mean_ma, volts, float(np.hypot(scatter, METER_LIMIT * abs(mean_ma) / np.sqrt(3)))
    return mean_ma, volts, combined(budget(limits, mean_ma, per_ma=1.0, noise=scatter))


def _rows(trace: Trace, until_s: float) -> npt.NDArray[np.intp]:
    return np.flatnonzero(~trace.dead & (trace.time_s <= trace.begin_s + until_s))


def _fall(trace: Trace) -> float:
    """By how much the draw falls in a minute, mA, over the first ten; 0 where that is no more than scatter.

    Kendall's rank correlation with time (robust against the modes' jumps), slope by Theil and Sen.
    """
    rows = _rows(trace, _FALL_S)
    assert trace.current_ma is not None
    if len(rows) < _LEAST_ROWS:
        return 0.0
    # A few hundred rows tell as much, and the slope goes with the square of their number.
    rows = rows[:: max(len(rows) // 300, 1)]
    times, currents = trace.time_s[rows], trace.current_ma[rows]
    test = scipy.stats.kendalltau(times, currents, alternative="less")
    if not test.pvalue < _FALL_P:
        return 0.0
    slope = float(scipy.stats.theilslopes(currents, times).slope)
    # Noise that hangs together over some rows has trends of its own, but small ones.
    scatter_ma = float(np.std(np.diff(currents))) / np.sqrt(2)
    least_ma = max(_FALL_SIGMAS * scatter_ma, _FALL_SHARE * abs(float(currents.mean())))
    return -60.0 * slope if -slope * float(times[-1] - times[0]) > least_ma else 0.0
