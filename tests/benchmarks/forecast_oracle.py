"""How well could the generator's steady rundowns be foretold by somebody who knows how its curves are drawn, though not the end?

    python -m tests.benchmarks.forecast_oracle SEED [EACH]

All shapes of ``forecast_judge.curves``, drawn anew, with its starts and capacities over the label, are weighed by how they
fit what has been seen (height free, least squares): posterior of the charge left under the true prior, turned into time by
the mean draw so far. Prints by group how often its 90 % interval holds and how wide it is: the width that no forecast can
help, for which shape it is shows only when it bends. Nearly the best there is: of resistance and temperature it knows nothing.
Seed 90631, 40 each: straight 92 % (median width 111 % of what is left), two plateaus 92 (146), s-shape 86 (105), late knee
91 (165), random knee 90 (163), terraces 93 (109). With the library and the runs drawn otherwise 92, 82, 85, 86, 78, 89 %.
"""

import sys
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import breaks, course_of
from analysis.run.history import part
from analysis.run.pack_faults import FaultWatch
from tests.benchmarks.forecast_judge import curves
from tests.benchmarks.forecast_judge.rundown import Seen
from tests.benchmarks.forecast_judge.score import Forecast, judge, scores
from tests.benchmarks.forecast_judge.use import Wish, rundown
from tests.support.unseen import pack_of

Array = NDArray[np.float64]

EACH_SHAPE: Final = 500
FRACTIONS: Final = (0.2, 0.3, 0.5, 0.7, 0.85)
POINTS: Final = 193
# Share of the life behind us (logit scale).
GONE: Final = 1 / (1 + np.exp(-np.linspace(-3.5, 6.0, 56)))
# The generator's: starts full in two fifths, else 5 to 70 % used; label 0.8 to 1.1 of the capacity, its rows' end a little off.
FULL, USED, OF_LABEL = 0.4, (0.05, 0.7), (0.78, 1.13)
MISFIT, INDEPENDENT, LEAST_CURVES = 0.008, 6.0, 15.0


def library(rng: np.random.Generator) -> tuple[Array, Array]:
    """Curves from 1 at the start to 0 at the cutoff, shape (curves, points), and the share of the capacity that each takes."""
    grid, found, spans = np.linspace(0, 1, POINTS), [], []
    for draw in curves.SHAPES.values():
        for _ in range(EACH_SHAPE):
            shape, end = draw(rng)
            start = 0.0 if rng.random() < FULL else rng.uniform(*USED) * end
            curve = shape(start + (end - start) * grid)
            found.append((curve - curve[-1]) / (curve[0] - curve[-1]))
            spans.append(end - start)
    every = np.array(found)
    falls = every.min(axis=1) > -1e-6
    return every[falls], np.array(spans)[falls]


def misfits(known: Array, share: Array, headroom_v: Array, noise_v: Array) -> Array:
    """Mean square rest of every curve with every share of its life gone, in sd, shape (curves, gone)."""
    sd = np.hypot(noise_v, MISFIT * np.maximum(headroom_v, 0.1 * np.median(headroom_v)))
    weight = (0.3 + 0.7 * share) / sd**2
    grid, rests = np.linspace(0, 1, POINTS), np.empty((len(known), len(GONE)))
    for column, gone in enumerate(GONE):
        place = gone * share * (POINTS - 1)
        low = np.minimum(place.astype(np.intp), POINTS - 2)
        at = known[:, low] + (place - grid[low] * (POINTS - 1)) * (
            known[:, low + 1] - known[:, low]
        )
        cross, square = at @ (weight * headroom_v), at**2 @ weight
        rests[:, column] = weight @ headroom_v**2 - cross**2 / np.maximum(square, 1e-12)
    return np.asarray(np.maximum(rests, 0.0) / (weight @ sd**2))


def oracle(known: Array, spans: Array, seen: Seen) -> Forecast:
    """The posterior's 5, 50 and 95 % point."""
    watch = FaultWatch(None, None, seen.hold_s, 0.0, pack_of(seen))
    watch.add(seen.time_s, seen.pack_v, seen.current_ma)
    bins = watch.bins()
    course = course_of(bins)
    if course is None:
        return Forecast()
    used_mah = float(bins.charge_mah[-1])
    late = course.charge_mah >= max(0.03 * used_mah, course.settled_mah)
    headroom_v = course.held_v[late] - seen.cutoff_v
    if late.sum() < 4 or np.median(headroom_v) <= 0:
        return Forecast()
    rest = misfits(known, course.charge_mah[late] / used_mah, headroom_v, course.noise_v[late])
    of_label = used_mah / GONE[None, :] / seen.rated_mah / spans[:, None]
    low, high = OF_LABEL
    outside = np.maximum(np.maximum(low - of_label, of_label - high), 0.0) / 0.02
    # any moment of the life is as likely: uniform in the share gone
    prior = np.log(GONE * (1 - GONE))[None, :] - outside**2
    weight = np.ones_like(rest)
    for heat in (1.0, 2.0, 4.0, 8.0, 16.0, 32.0):
        logs = prior - 0.5 * INDEPENDENT * rest / (max(float(rest.min()), 1.0) * heat)
        weight = np.exp(logs - logs.max())
        each = weight.sum(axis=1)
        if each.sum() ** 2 / np.square(each).sum() >= LEAST_CURVES:
            break
    on = part(bins, ~breaks(bins))
    mean_ma = float(on.mean_ma @ on.span_s) / float(bins.end_s[-1] - bins.end_s[0] + bins.span_s[0])
    reached = np.cumsum(weight.sum(axis=0)[::-1])
    middle = (reached - 0.5 * weight.sum(axis=0)[::-1]) / reached[-1]
    left_s = 3600 * used_mah * (1 / GONE[::-1] - 1) / max(mean_ma, 1e-9)
    ends = np.exp(np.interp([0.05, 0.5, 0.95], middle, np.log(left_s)))
    return Forecast(float(ends[0]), float(ends[1]), float(ends[2]), float(ends[0]))


def main(seed: int, each: int) -> None:
    """Print how the oracle fares."""
    known, spans = library(np.random.default_rng((seed, 1)))
    rng, judged = np.random.default_rng(seed), []
    for group in curves.SHAPES:
        for number in range(each):
            name = f"{group}-{number}"
            wish = Wish(pattern="steady", faults=(0, 1))
            run = rundown(rng, curves.make(rng, group, name), group, name, wish)
            judged += judge([run], lambda seen: oracle(known, spans, seen), FRACTIONS)
    for row in scores(judged):
        holds, width = 100 * row.holds.value, 100 * row.median_width
        print(f"{row.group:16s} holds {holds:3.0f} %, median width {width:4.0f} % of what is left")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20)
