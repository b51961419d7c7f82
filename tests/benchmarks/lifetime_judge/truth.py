"""One run as the detector sees it, and what is true of it, read off the noise-free trace.

Lifetime: the earliest of cutoff held, self-shutdown, first reboot. A cutoff's time is the moment the
voltage fell below, for the first stretch that stays below for `hold_s`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isnan, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.lifetime_judge.engine import FLOATS, Supervisor, Trace
from tests.benchmarks.lifetime_judge.loads import Load
from tests.benchmarks.lifetime_judge.packs import PackInfo

CUTOFF: Final = "cutoff"
WENT_DARK: Final = "went dark"
COMES_BACK: Final = "self-shutdown and comes back"
REBOOTS: Final = "reboots"
PROTECTION: Final = "protection circuit"
SWITCHED_OFF: Final = "switched off"
STILL_RUNNING: Final = "still running"
UNSURE: Final = "unsure"

KINDS_SAID: Final = (
    CUTOFF, WENT_DARK, COMES_BACK, REBOOTS, PROTECTION, SWITCHED_OFF, STILL_RUNNING, UNSURE,
)  # fmt: skip
ALARMS: Final = frozenset({WENT_DARK, COMES_BACK, REBOOTS, PROTECTION})

LOAD_OFF: Final = "load off"
LOAD_ON: Final = "load on"


@dataclass(frozen=True)
class Accept:
    """An end that may rightly be said, with the earliest and latest right time (s)."""

    kind: str
    early_s: float = -inf
    late_s: float = inf


@dataclass(frozen=True)
class Truth:
    """What happened. `accept[0]` is the true end, further ones are as right at this resolution.

    `reboots` counts restarts, `reboots_visible` those with at least one row mostly off. Half times
    are the first at which draw or light, at the level asked for, stays below half of the first
    hour's; nan: never; `half_draw_band_s` is that time for 58 % and 42 % (nan: never), so a run with
    one of the two nan is a borderline; `half_draw_judged` is false where a hand changed the level.
    `contestable`: what the recording holds cannot decide it;
    left out of the goals. `later`: further ends after the first.
    """

    kind: str
    time_s: float
    accept: tuple[Accept, ...]
    reboots: int
    reboots_visible: int
    first_reboot_s: float
    half_draw_s: float
    half_draw_band_s: tuple[float, float]
    half_light_s: float
    half_draw_judged: bool
    contestable: bool
    later: tuple[tuple[str, float], ...]

    @property
    def alarm_is_false(self) -> bool:
        """Whether an alarm said of this run would be false."""
        return not any(a.kind in ALARMS for a in self.accept)

    @property
    def alarm_is_due(self) -> bool:
        """Whether saying neither an alarm nor another accepted end misses something."""
        return self.kind in ALARMS

    @property
    def dimmed(self) -> bool:
        """Whether the draw fell to half before the lifetime's end."""
        return not isnan(self.half_draw_s)


@dataclass(frozen=True)
class PieceRun:
    """Recorded rows of shape (n,) in s, mA, V (row time = its end) and what the person did.

    `marks`: (time_s, text). `events` of the load switch: (time_s, LOAD_OFF or LOAD_ON). `gaps`:
    (start_s, end_s) without rows. `cutoff_v` at the pack, to be held for `hold_s`.
    """

    name: str
    kind: str
    pack: PackInfo
    time_s: FLOATS
    current_ma: FLOATS
    pack_v: FLOATS
    marks: tuple[tuple[float, str], ...]
    events: tuple[tuple[float, str], ...]
    cutoff_v: float
    hold_s: float
    gaps: tuple[tuple[float, float], ...]
    row_s: float
    truth: Truth


def held_below_s(
    time_s: FLOATS, v_v: FLOATS, threshold_v: float, hold_s: float, counts: NDArray[np.bool_]
) -> float:
    """First time from which the voltage stays below for `hold_s`; nan: never. Rows where `counts`
    is false break the stretch."""
    below = (v_v < threshold_v) & counts
    edges = np.flatnonzero(np.diff(np.concatenate(([False], below, [False])).astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if time_s[stop - 1] - time_s[start] >= hold_s:
            return float(time_s[start])
    return nan


def half_s(time_s: FLOATS, amount: FLOATS, share: float) -> float:
    """First time from which `amount` stays below `share` of its first-hour median for 10 min (or
    to the end, 3 min at least); by means of 60 s; nan: never."""
    if time_s.size == 0:
        return nan
    minute = (time_s // 60).astype(np.int64)
    names, first = np.unique(minute, return_index=True)
    means = np.add.reduceat(amount, first) / np.diff(np.append(first, len(amount)))
    reference = float(np.median(means[names < names[0] + 60]))
    low = means < share * reference
    for k in np.flatnonzero(low):
        ahead = low[k : k + 10]
        if len(ahead) >= 3 and ahead.all():
            return float(names[k] * 60 + 30)
    return nan


def visible_reboots(off_share: FLOATS) -> int:
    """Separate stretches of rows that are off for more than half."""
    off = off_share > 0.5
    return int(np.count_nonzero(off[1:] & ~off[:-1]) + (off.size > 0 and bool(off[0])))


def _self_ends(guard: Supervisor, trace: Trace, row_s: float) -> tuple[str, list[str], bool]:
    """Kind of a self-shutdown, further names as right at this resolution, contestable."""
    end_s = float(trace.time_s[-1])
    backs = [t for t in guard.on_times_s if t < end_s]
    offs = [t for t in guard.off_times_s if t < end_s]
    if not backs:
        if guard.disconnects:
            stays = guard.dead_v < 0
            return PROTECTION, [CUTOFF, WENT_DARK] if stays else [CUTOFF], False
        return WENT_DARK, [], False
    ons = [*backs, end_s] if len(offs) > len(backs) else backs
    lasted = np.array([b - a for a, b in zip(offs, ons, strict=True)])
    typical = float(np.median(lasted))
    share_off = float(lasted.sum() / max(end_s - offs[0], 1.0))
    also: list[str] = []
    if guard.label == "brownout":
        kind, seen = REBOOTS, visible_reboots(trace.off_share)
        if typical > 10 or typical < 1.5 * row_s:
            also.append(COMES_BACK)
        if share_off > 0.8:
            also += [COMES_BACK, WENT_DARK]
        return kind, also, seen <= 1 and share_off < 0.8
    if typical < max(30.0, 1.5 * row_s):
        also.append(REBOOTS)
    if share_off > 0.9:
        also.append(WENT_DARK)
    if guard.disconnects:
        also.append(PROTECTION)
    return COMES_BACK, also, False


def truth_of(
    trace: Trace,
    load: Load,
    guard: Supervisor,
    cutoff_v: float,
    hold_s: float,
    row_s: float,
    mean_level: float,
    margin_v: float,
    gaps: Sequence[tuple[float, float]],
    switched_off_s: float = nan,
    contestable: bool = False,
    also_ok: Sequence[str] = (),
    half_draw_judged: bool = True,
) -> Truth:
    """Truth of a run; `trace.v_v` already on the sensor's scale (its gain applied)."""
    time_s = trace.time_s
    end_s = float(time_s[-1])
    dead = (trace.off_share > 0) if guard.disconnects else np.zeros(time_s.size, dtype=bool)
    counts = ~trace.broken & ~dead
    falls = [
        held_below_s(time_s, trace.v_v, cutoff_v + d, hold_s, counts)
        for d in (margin_v, 0.0, -margin_v)
    ]
    offs = [t for t in guard.off_times_s if t < end_s]
    ends: list[tuple[float, str]] = []
    if not isnan(falls[1]):
        ends.append((falls[1], CUTOFF))
    also: list[str] = []
    if offs:
        kind, also, unclear = _self_ends(guard, trace, row_s)
        contestable = contestable or unclear
        ends.append((offs[0], kind))
    if not isnan(switched_off_s):
        ends.append((switched_off_s, SWITCHED_OFF))
    ends.sort()

    def window(kind: str, at_s: float) -> tuple[float, float]:
        if kind == CUTOFF:
            late = falls[2] if not isnan(falls[2]) else at_s + max(hold_s, 600.0)
            return min(falls[0], at_s), late
        for a, b in gaps:
            if a <= at_s <= b + row_s:
                return a, b + 2 * row_s
        return at_s, at_s + 2 * row_s

    accept: list[Accept] = []
    first_s = ends[0][0] if ends else nan
    for at_s, kind in ends:
        early, late = window(kind, at_s)
        if at_s == first_s or early <= first_s + hold_s + 60:
            accept.append(Accept(kind, early, late))
            if kind in ALARMS:
                accept += [Accept(k, early, late) for k in also]
            if kind == CUTOFF and isnan(falls[2]) and len(ends) == 1:
                accept.append(Accept(STILL_RUNNING))
            if kind == SWITCHED_OFF:
                accept.append(Accept(STILL_RUNNING))
    if not ends:
        accept.append(Accept(STILL_RUNNING))
        if not isnan(falls[0]):
            accept.append(Accept(CUTOFF, falls[0], end_s))
        accept += [Accept(k) for k in also_ok]
    good = counts & (trace.off_share == 0) & (time_s <= (first_s if ends else inf))
    halves = _halves(load, time_s[good], trace.v_v[good], mean_level)
    reboot = guard.label == "brownout" and bool(guard.on_times_s)
    if halves[3] < 0.1 and not offs and not isnan(halves[1][0]):
        accept.append(Accept(WENT_DARK, halves[1][0], inf))
    return Truth(
        ends[0][1] if ends else STILL_RUNNING,
        first_s,
        tuple(accept),
        sum(t < end_s for t in guard.on_times_s) if reboot else 0,
        visible_reboots(trace.off_share) if reboot else 0,
        offs[0] if reboot else nan,
        halves[0],
        halves[1],
        halves[2],
        half_draw_judged,
        contestable,
        tuple((kind, t) for t, kind in ends[1:]),
    )


def _halves(
    load: Load, time_s: FLOATS, v_v: FLOATS, level: float
) -> tuple[float, tuple[float, float], float, float]:
    """Half-draw time, its band, half-light time, and the least share of the first draw."""
    if time_s.size == 0:
        return nan, (nan, nan), nan, 1.0
    step = max(1, time_s.size // 4000)
    time_s, volts = time_s[::step], v_v[::step].tolist()
    draw = np.array([load.draw_a(v, level) for v in volts])
    light = np.array([load.light(v) for v in volts])
    band = (half_s(time_s, draw, 0.58), half_s(time_s, draw, 0.42))
    least = float(draw[-20:].mean() / max(draw[:20].mean(), 1e-12))
    return half_s(time_s, draw, 0.5), band, half_s(time_s, light, 0.5), least
