"""Where in a run the load changed its mode, and which stretch belongs to which mode.

Change points: kernel change-point detection with a linear kernel, which is the
optimal least-squares segmentation of the mean under a linear penalty, found
exactly with pruning (PELT; Killick, Fearnhead & Eckley 2012, J. Am. Stat. Assoc.
107:1590; library ruptures, Truong, Oudre & Vayatis 2020, Signal Processing 167).
Least squares alone also cuts a slow drift, such as a booster drawing more as the
pack sags, and around every flash; so a stretch must last for some seconds to be a mode,
and every cut must show as a jump between the medians of its near neighbourhoods.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

GRID_S: Final = 0.5
BLOCK_ROWS: Final = 6000
BLOCK_OVERLAP_ROWS: Final = 200
NEIGHBOURHOOD_S: Final = 8.0
SHORTEST_MODE_S: Final = 5.0
PENALTY_FACTOR: Final = 6.0
JUMP_SIGMAS: Final = 6.0
JUMP_SHARE: Final = 0.02
# Estimates are often wrong by half or double; what is farther off is no mode of this budget.
_FAR: Final = 2.5


@dataclass(frozen=True)
class Segment:
    """A stretch without a mode change.

    ``std_ma``: spread of its rows about their slow drift; ``spread_ma``: about their mean.
    """

    start_s: float
    end_s: float
    current_ma: float
    pack_v: float
    std_ma: float
    rows: int = 1
    spread_ma: float = 0.0

    @property
    def duration_s(self) -> float:
        return self.end_s - self.start_s


def find_changes_s(
    time_s: Array,
    current_ma: Array,
    smallest_jump_ma: float = 0.0,
    shortest_mode_s: float = SHORTEST_MODE_S,
) -> Array:
    """Times of mode changes, ascending; empty if there is none.

    ``time_s``, ``current_ma``: shape (rows,), time ascending, window means. Changes
    smaller than ``smallest_jump_ma``, than 2 % of the level or than six times their own
    noise are not reported; stretches shorter than ``shortest_mode_s`` (a flash, the window in
    which the change fell) belong to what is around them. The answer is sharp to a row, or to ``GRID_S`` where
    rows come faster. Raises ValueError if the shapes differ.
    """
    if time_s.shape != current_ma.shape:
        raise ValueError(f"{time_s.size} times, {current_ma.size} currents")
    time_s, current_ma = _on_grid(time_s, current_ma)
    if time_s.size < 8:
        return np.empty(0)
    sigma = _noise(current_ma)
    cuts = _long_stretches(time_s, current_ma, _segment(current_ma, sigma), shortest_mode_s)
    return time_s[_true_jumps(time_s, current_ma, cuts, sigma, smallest_jump_ma) - 1]


def segments(time_s: Array, current_ma: Array, pack_v: Array, changes_s: Array) -> list[Segment]:
    """Stretches between the changes with their means; rows are window means ending at ``time_s``."""
    edges = np.concatenate(([0], np.searchsorted(time_s, changes_s, side="right"), [time_s.size]))
    found: list[Segment] = []
    for first, last in pairwise(edges):
        if last <= first:
            continue
        part = current_ma[first:last]
        start = float(time_s[first - 1]) if first else float(time_s[0])
        found.append(
            Segment(
                start,
                float(time_s[last - 1]),
                float(part.mean()),
                float(np.nanmean(pack_v[first:last])),
                _noise(part),
                int(part.size),
                float(part.std()),
            )
        )
    return found


def assign_modes(
    found: list[Segment], expected_ma: dict[str, Array]
) -> tuple[dict[str, list[Segment]], list[Segment]]:
    """Give each segment to the mode whose expected level is nearest.

    ``expected_ma``: per mode, the estimate at every segment's pack voltage, shape (segments,).
    Estimates can be wrong by much, by nearly one factor for all modes; so first the
    one common factor is found (duration-weighted least absolute deviation of the
    logarithms; none, if that fits nearly as well), then each segment goes to its nearest mode. Returns the segments per
    mode, and those that lie more than a factor of ``_FAR`` from any.
    """
    if not found or not expected_ma:
        return {}, list(found)
    names = list(expected_ma)
    level = np.log([max(item.current_ma, 1e-9) for item in found])
    expected = np.log(np.maximum(np.array([expected_ma[name] for name in names]), 1e-9))
    weight = np.array([item.duration_s for item in found])
    shifts = (level[None, :] - expected).ravel()
    shifts = np.concatenate(([0.0], shifts[np.abs(shifts) <= np.log(_FAR)]))
    cost = [
        float(weight @ np.abs(level - expected - shift).min(axis=0))
        + 0.02 * weight.sum() * abs(shift)
        for shift in shifts
    ]
    distance = np.abs(level - expected - shifts[int(np.argmin(cost))])
    nearest = distance.argmin(axis=0)
    given: dict[str, list[Segment]] = {}
    unknown: list[Segment] = []
    for index, item in enumerate(found):
        if distance[nearest[index], index] > np.log(_FAR):
            unknown.append(item)
        else:
            given.setdefault(names[nearest[index]], []).append(item)
    return given, unknown


def _on_grid(time_s: Array, current_ma: Array) -> tuple[Array, Array]:
    """Means over ``GRID_S`` where rows come faster; the times are the ends of the steps."""
    if time_s.size < 2 or np.median(np.diff(time_s)) > GRID_S * 0.75:
        return time_s, current_ma
    step = np.floor((time_s - time_s[0]) / GRID_S).astype(np.int64)
    starts = np.flatnonzero(np.concatenate(([True], np.diff(step) > 0)))
    counts = np.diff(np.concatenate((starts, [time_s.size])))
    return time_s[starts + counts - 1], np.add.reduceat(current_ma, starts) / counts


def _noise(values: Array) -> float:
    """Standard deviation of white noise, from first differences so that drift and jumps do not count."""
    if values.size < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values))) * 1.4826 / np.sqrt(2.0))


def _segment(current_ma: Array, sigma: float) -> Index:
    """Cuts of the best segmentation, block by block so that time grows with length only."""
    import ruptures

    # A noiseless signal still has its rounding; without a floor the penalty would be nothing.
    scale = max(sigma, 1e-3 * float(np.median(np.abs(current_ma))), 1e-6)
    penalty = PENALTY_FACTOR * scale**2 * np.log(BLOCK_ROWS)
    cuts: set[int] = set()
    stride = BLOCK_ROWS - BLOCK_OVERLAP_ROWS
    margin = BLOCK_OVERLAP_ROWS // 2
    for first in range(0, current_ma.size, stride):
        block = current_ma[first : first + BLOCK_ROWS]
        if block.size < 4:
            continue
        found = (
            ruptures.KernelCPD(kernel="linear", min_size=2)
            .fit(block.reshape(-1, 1))
            .predict(pen=penalty)
        )
        for cut in found[:-1]:
            inside_left = first == 0 or cut >= margin
            inside_right = first + BLOCK_ROWS >= current_ma.size or cut < BLOCK_ROWS - margin
            if inside_left and inside_right:
                cuts.add(first + int(cut))
    return np.array(sorted(cuts), dtype=np.int64)


def _long_stretches(time_s: Array, current_ma: Array, cuts: Index, shortest_mode_s: float) -> Index:
    """Cuts without the stretches that are too short for a mode, shortest first.

    A short stretch between two different levels leaves one cut, on the side of
    the greater jump; one that returns to where it came from leaves none, which
    ``_true_jumps`` finds out.
    """
    total = np.concatenate(([0.0], np.cumsum(current_ma)))
    edges = [0, *(int(cut) for cut in cuts), int(current_ma.size)]

    def level(place: int) -> float:
        first, last = edges[place], edges[place + 1]
        return float(total[last] - total[first]) / (last - first)

    def span_s(place: int) -> float:
        start = time_s[edges[place] - 1] if edges[place] else 2 * time_s[0] - time_s[1]
        return float(time_s[edges[place + 1] - 1] - start)

    place = 1
    while place < len(edges) - 2:
        if span_s(place) >= shortest_mode_s:
            place += 1
            continue
        before = abs(level(place) - level(place - 1))
        after = abs(level(place + 1) - level(place))
        del edges[place if before < after else place + 1]
        place = max(place - 1, 1)
    return np.array(edges[1:-1], dtype=np.int64)


def _true_jumps(
    time_s: Array, current_ma: Array, cuts: Index, sigma: float, smallest_jump_ma: float
) -> Index:
    """Cuts that are jumps between their near neighbourhoods; weakest dropped first, then seen again."""
    kept = list(cuts)
    while kept:
        excess = [
            _jump_excess(time_s, current_ma, kept, place, sigma, smallest_jump_ma)
            for place in range(len(kept))
        ]
        weakest = int(np.argmin(excess))
        if excess[weakest] > 0:
            break
        # Every drop changes only its neighbours' neighbourhoods, but drops are few: see all again.
        below = [place for place, value in enumerate(excess) if value <= 0]
        drop = set(below) if len(below) > 50 else {weakest}
        kept = [cut for place, cut in enumerate(kept) if place not in drop]
    return np.array(kept, dtype=np.int64)


def _jump_excess(
    time_s: Array,
    current_ma: Array,
    cuts: list[int],
    place: int,
    sigma: float,
    smallest_jump_ma: float,
) -> float:
    """How far the jump at a cut stands over what is asked of it, mA; not above 0: no jump."""
    cut = cuts[place]
    left_end = cuts[place - 1] if place else 0
    right_end = cuts[place + 1] if place + 1 < len(cuts) else current_ma.size
    left = np.searchsorted(time_s, time_s[cut - 1] - NEIGHBOURHOOD_S)
    right = np.searchsorted(time_s, time_s[cut - 1] + NEIGHBOURHOOD_S, side="right")
    before = current_ma[max(int(left), left_end) : cut]
    after = current_ma[cut : min(max(int(right), cut + 1), right_end)]
    jump = abs(float(np.median(after)) - float(np.median(before)))
    noise = sigma * np.sqrt(1 / before.size + 1 / after.size)
    level = max(abs(float(np.median(after))), abs(float(np.median(before))))
    return float(jump - max(JUMP_SIGMAS * noise, JUMP_SHARE * level, smallest_jump_ma))
