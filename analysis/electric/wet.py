"""Is it dry? The first minutes' draw after washing against the run from before.

Water across traces, in a connector or a seam leaks current from plus to minus: the piece draws more than
before, and the more falls while it dries. More that does not fall may as well be another mode. What the pack's other
voltage may do to the draw, and what the sensors may be off, counts as doubt; one board's own errors are in both runs.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import scipy

from analysis.doubt.limits import METER_LIMIT
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import SCATTER, budget, combined, limits_of
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
# Greatest d ln I / d ln V of what is worn, plain LEDs near their forward voltage, as a rule: (V / (V - Vf)), our own judgement.
_EXPONENT: Final = 3.0
# A mode begins or ends where the draw jumps by so many scales of its rows' differences, and by this share.
_JUMP_SCALES: Final = 8.0
_JUMP_SHARE: Final = 0.03
# A first mode shorter than this is no stretch to compare by itself.
_LEAST_STRETCH: Final = 10
WASH_CAUTION: Final = (
    "Washing: power off and the pack out until everything is dry, seams and connectors too. "
    f"A wet pack, lithium above all, is not used again. {SAFETY_CLOSING}"
)


@dataclass(frozen=True)
class SinceWash:
    """``added``: draw of the first minute after the wash less that before, mA, 95 %.

    ``before_ma``, ``after_ma``: those draws. ``falling``: the draw after the wash falls, more than that before and the
    pack's voltage explain. ``least_seen_ma``: a smaller leak would not show; ``by_voltage_ma``: how much of that is the
    pack's other voltage.
    """

    before_ma: float
    after_ma: float
    added: Quantity
    falling: bool
    least_seen_ma: float
    by_voltage_ma: float = 0.0

    @property
    def more(self) -> bool:
        return self.added.lower is not None and self.added.lower > 0

    @property
    def wet(self) -> bool:
        return self.more and self.falling

    @property
    def less(self) -> bool:
        return self.added.upper is not None and self.added.upper < 0

    @property
    def answer(self) -> str:
        """``wet``, ``dry`` as far as it shows, ``less`` or ``open``."""
        if self.wet:
            return "wet"
        if self.less:
            return "less"
        return "open" if self.more or self.falling else "dry"

    @property
    def words(self) -> str:
        """The answer in a sentence or two."""
        drawn = (
            f"{self.after_ma:.3g} mA in its first minute, {self.before_ma:.3g} mA before the wash"
        )
        if self.wet:
            return f"Not dry: it draws {drawn}, and it falls as a leak does that dries. Pack out, dry it on, and ask again."
        if self.more:
            return (
                f"Cannot be told: it draws {drawn}, and it does not fall: another mode, a short, or a leak that dries slowly. "
                "Pack out and dry it on; then record again in the mode that the run before began in."
            )
        if self.less:
            return (
                f"It draws less: {drawn}. Another mode, a part that is off or a broken joint: look before you wear it, "
                "and record again in the mode that the run before began in."
            )
        if self.falling:
            return (
                f"Not sure: it draws {drawn}, no more than the doubt, but the draw falls as it does while something dries. "
                "Pack out, dry it on, and ask again."
            )
        voltage = (
            " Most of that is the pack's other voltage: one as full as before would show less."
            if self.by_voltage_ma > 0.7 * self.least_seen_ma
            else ""
        )
        return f"No leak seen: it draws {drawn}. A leak under about {self.least_seen_ma:.2g} mA would not show.{voltage}"

    def as_json(self) -> dict[str, Any]:
        """Results in the usual object form."""
        note = "mean of the first minute; no interval"
        return {
            "first_minute_before": Quantity(self.before_ma, "mA", note=note).as_json(),
            "first_minute_after": Quantity(self.after_ma, "mA", note=note).as_json(),
            "added_draw": self.added.as_json(),
            "falling": self.falling,
            "wet": self.wet,
            "answer": self.answer,
        }


@dataclass(frozen=True)
class _Begin:
    """First stretch of a run: means, and the current's standard uncertainty: what another run of this board shares, and what not."""

    current_ma: float
    voltage_v: float
    shared_ma: float
    own_ma: float


def since_wash(before: Run, after: Run) -> SinceWash:
    """Compare the first minutes. Raises BenchError if a run has no current, or too few rows in its first minute."""
    traces = [trace_of(run) for run in (before, after)]
    first, second = (_begin(run, trace) for run, trace in zip((before, after), traces, strict=True))
    added = second.current_ma - first.current_ma
    own_ma = float(np.hypot(first.own_ma, second.own_ma))
    shared_ma = float(np.hypot(first.shared_ma, second.shared_ma))
    if _one_board(before, after):
        # Its offset falls out, its gain is that of the difference.
        most_ma = max(abs(first.current_ma), abs(second.current_ma), 1e-9)
        shared_ma *= min(abs(added) / most_ma, 1.0)
    moved = 0.0
    if first.voltage_v > 0 and second.voltage_v > 0:
        ratio = abs(float(np.log(second.voltage_v / first.voltage_v)))
        moved = _EXPONENT * ratio * first.current_ma
    half = float(_FACTOR * np.hypot(own_ma, shared_ma) + moved)
    fell_before, fell_after = (_fall(trace) for trace in traces)
    return SinceWash(
        first.current_ma,
        second.current_ma,
        Quantity(
            added, "mA", added - half, added + half, 0.95, "the sensors' limits, scatter, and the pack's other voltage"
        ),
        fell_after > 2 * fell_before,
        half,
        moved,
    )  # fmt: skip


def _one_board(before: Run, after: Run) -> bool:
    """Whether one board with one calibration measured both."""
    if before.description.board is None or after.description.board is None:
        return False
    one, other = (
        None if limits is None else replace(limits, clock_gain=0.0)
        for limits in (limits_of(before.description), limits_of(after.description))
    )
    return (
        before.description.board.board == after.description.board.board
        and one is not None
        and one == other
    )


def _begin(run: Run, trace: Trace) -> _Begin:
    """The first minute, or as much of it as lies before the first jump to another mode."""
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
    jumps = np.flatnonzero(_jumps(trace.current_ma[rows]))
    if len(jumps) and jumps[0] + 1 >= _LEAST_STRETCH:
        rows = rows[: jumps[0] + 1]
    current_ma = trace.current_ma[rows]
    mean_ma = float(current_ma.mean())
    volts = np.nan if trace.voltage_v is None else float(np.nanmean(trace.voltage_v[rows]))
    scatter = float(np.std(np.diff(current_ma))) / np.sqrt(2 * len(rows))
    limits = limits_of(run.description)
    if limits is None:
        return _Begin(mean_ma, volts, METER_LIMIT * abs(mean_ma) / np.sqrt(3), scatter)
    parts = budget(limits, mean_ma, per_ma=1.0, noise=scatter)
    own = tuple(part for part in parts if part.source == SCATTER or "drift" in part.source)
    shared = tuple(part for part in parts if part not in own)
    return _Begin(mean_ma, volts, combined(shared), combined(own))


def _rows(trace: Trace, until_s: float) -> npt.NDArray[np.intp]:
    return np.flatnonzero(~trace.dead & (trace.time_s <= trace.begin_s + until_s))


def _jumps(values: Array) -> npt.NDArray[np.bool_]:
    """Where the draw jumps from one row to the next; shape (rows - 1,)."""
    steps = np.diff(values)
    scale = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
    least = max(_JUMP_SCALES * scale, _JUMP_SHARE * abs(float(np.median(values))))
    return np.asarray(np.abs(steps) > least)


def _fall(trace: Trace) -> float:
    """By how much the draw falls in a minute, mA, over the first ten; 0 where scatter or the pack's voltage explain it.

    Without the jumps between modes. Kendall's rank correlation with time, slope by Theil and Sen.
    """
    rows = _rows(trace, _FALL_S)
    assert trace.current_ma is not None
    if len(rows) < _LEAST_ROWS:
        return 0.0
    currents = trace.current_ma[rows]
    steps = np.where(_jumps(currents), 0.0, np.diff(currents))
    currents = currents[0] + np.concatenate(([0.0], np.cumsum(steps)))
    # A few hundred rows tell as much, and the slope goes with the square of their number.
    every = max(len(rows) // 300, 1)
    times, currents = trace.time_s[rows][::every], currents[::every]
    test = scipy.stats.kendalltau(times, currents, alternative="less")
    if not test.pvalue < _FALL_P:
        return 0.0
    slope = float(scipy.stats.theilslopes(currents, times).slope)
    span_s, mean_ma = float(times[-1] - times[0]), abs(float(currents.mean()))
    # Noise that hangs together over some rows has trends of its own, but small ones.
    scatter_ma = float(np.std(np.diff(currents))) / np.sqrt(2)
    least_ma = max(_FALL_SIGMAS * scatter_ma, _FALL_SHARE * mean_ma)
    if trace.voltage_v is not None:
        volts = trace.voltage_v[rows][::every]
        sag = -float(scipy.stats.theilslopes(np.log(np.maximum(volts, 0.1)), times).slope)
        least_ma += _EXPONENT * max(sag, 0.0) * span_s * mean_ma
    return -60.0 * slope if -slope * span_s > least_ma else 0.0
