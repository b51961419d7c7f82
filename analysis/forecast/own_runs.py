"""The pack's own earlier rundowns: the best curve there is, and it grows better with every night logged.

An earlier run of the same pack type gives a curve of held voltage against charge. This run is matched
with it: V(q) = V_e(s (q + q_0)) + d with the charge q_0 that was gone at the start (0: as full as then), a
scale s near 1 (cells of a make differ, another rate gives another capacity) and a shift d of the voltage (another
rate, another temperature), found by least squares. What is left over weighs each (s, q_0), and says
whether the earlier run fits at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course

Array = NDArray[np.float64]

# Cells of one make differ by 2 to 4 % (data sheets give no less); another rate or temperature adds to it.
_SCALE_SD: Final = 0.045
_SCALE_SD_RATE: Final = 0.10  # per unit of the logarithm of the rate's ratio
_SCALE_SD_PER_K: Final = (
    0.006  # common practice, no source: about a third less between 20 and 0 C at most
)
_SCALES: Final = 25
_STARTS: Final = 33
_SHIFT_SD: Final = 0.01  # of the voltage
_MISFIT: Final = 0.006  # of the earlier run's fall
_OBSERVATIONS: Final = 8.0
_FULL_SHARE: Final = 0.6
_FULL_SD: Final = 0.015
# No two runs end alike: floor of the width, as share of the whole charge; more at another rate or temperature.
_FLOOR_SD: Final = 0.007
_FLOOR_SD_RATE: Final = 0.05  # per unit of the logarithm of the rate's ratio
_FLOOR_SD_PER_K: Final = 0.001
_BEYOND: Final = 0.06  # of its fall: so much further down an earlier run may be continued
_TRANSIENT: Final = 0.02


@dataclass(frozen=True)
class EarlierRun:
    """Course of an earlier run of the same pack type. ``name``: as the user knows it; ``mean_ma``: its load;
    ``temperature_c``: where it was told; ``lowest_v``: down to where it is known.
    """

    name: str
    course: Course
    mean_ma: float
    temperature_c: float | None = None

    @property
    def lowest_v(self) -> float:
        return float(self.course.held_v[-1])


@dataclass(frozen=True)
class OwnRuns:
    """``left_mah``: draws of the charge left; ``misfit``: root mean square of the best match's rest over what was to
    be expected (about 1 or less where it fits); ``names``: the runs that carry the weight.
    """

    left_mah: Array
    misfit: float
    names: tuple[str, ...]


def by_own_runs(
    course: Course,
    used_mah: float,
    cutoff_v: float,
    mean_ma: float,
    runs: Sequence[EarlierRun],
    fresh: bool | None,
    draws: int,
    temperature_c: float | None = None,
) -> OwnRuns | None:
    """Charge left to the cutoff by the earlier runs that went down to it; None where there are none."""
    late = course.charge_mah >= _TRANSIENT * used_mah
    charge, volts, noise = course.charge_mah[late], course.held_v[late], course.noise_v[late]
    if len(charge) < 4:
        return None
    logs: list[Array] = []
    lefts: list[Array] = []
    rests: list[Array] = []
    floors: list[Array] = []
    owners: list[NDArray[np.intp]] = []
    for number, run in enumerate(runs):
        matched = _matched(
            charge, volts, noise, used_mah, cutoff_v, mean_ma, run, fresh, temperature_c
        )
        if matched is not None:
            for values, one in zip((logs, lefts, rests, floors), matched, strict=True):
                values.append(one)
            owners.append(np.full(len(matched[0]), number))
    if not logs:
        return None
    log_weight, left = np.concatenate(logs), np.concatenate(lefts)
    owner = np.concatenate(owners)
    weight = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight)
    pick = np.searchsorted(cumulative, (np.arange(draws) + 0.5) / draws * cumulative[-1])
    by_run = np.bincount(owner, weights=weight, minlength=len(runs)) / weight.sum()
    names = tuple(runs[k].name for k in np.argsort(-by_run) if by_run[k] > 0.05)
    apart = np.random.default_rng(draws).standard_normal(draws) * np.concatenate(floors)[pick]
    drawn = left[pick] + apart * (used_mah + left[pick])
    return OwnRuns(
        np.maximum(drawn, 1e-3 * left[pick]), float(np.sqrt(np.concatenate(rests).min())), names
    )


def _matched(
    charge: Array,
    volts: Array,
    noise: Array,
    used_mah: float,
    cutoff_v: float,
    mean_ma: float,
    run: EarlierRun,
    fresh: bool | None,
    temperature_c: float | None,
) -> tuple[Array, Array, Array, Array] | None:
    """Log weight, charge left, mean square rest and floor of the end's sd (share of the whole) of every (scale, start), each flat."""
    theirs, their_v = run.course.charge_mah, np.minimum.accumulate(run.course.held_v)
    whole_mah = float(theirs[-1])
    fall_v = float(their_v[0] - their_v[-1])
    if run.lowest_v > cutoff_v + _BEYOND * max(fall_v, 0.0) or not fall_v > 0:
        return None
    # a little further down than it went: on with its last slope
    ending = max(float(their_v[-4] - their_v[-1]), 1e-3 * fall_v)
    further = _BEYOND * fall_v / ending * float(theirs[-1] - theirs[-4])
    theirs = np.append(theirs, whole_mah + further)
    their_v = np.append(their_v, their_v[-1] - _BEYOND * fall_v)
    rate = abs(float(np.log(max(mean_ma, 1e-6) / max(run.mean_ma, 1e-6))))
    colder_k = 0.0
    if temperature_c is not None and run.temperature_c is not None:
        colder_k = abs(temperature_c - run.temperature_c)
    scale_sd = float(np.linalg.norm([_SCALE_SD, _SCALE_SD_RATE * rate, _SCALE_SD_PER_K * colder_k]))
    log_scale = scale_sd * np.linspace(-3.2, 3.2, _SCALES)
    start = np.concatenate([[0.0], 0.95 * np.linspace(0, 1, _STARTS)[1:] ** 1.5])
    scales, starts = (item.ravel() for item in np.meshgrid(np.exp(log_scale), start, indexing="ij"))
    # their charge where this run stood at each stretch; scales > 1: this pack holds less
    at = starts[:, None] * whole_mah + scales[:, None] * charge[None, :]
    expected = np.interp(at, theirs, their_v, right=float(their_v[-1]) - fall_v)
    sd = np.hypot(noise, _MISFIT * fall_v)
    precision = (0.4 + 0.6 * charge / used_mah) / sd**2
    off = volts[None, :] - expected
    # the shift d is a priori small: one more observation of zero
    shift_sd = _SHIFT_SD * float(volts[-1]) * (1 + rate + 0.05 * colder_k) + 0.01 * fall_v
    shift = (off @ precision) / (precision.sum() + len(charge) / _OBSERVATIONS / shift_sd**2)
    rest = np.square(off - shift[:, None]) @ precision / float((precision * sd**2).sum())
    penalty = (shift / shift_sd) ** 2
    # their charge at which this run's voltage will be at the cutoff
    level = cutoff_v - shift
    end = np.interp(-level, -their_v, theirs)
    left = (end - starts * whole_mah) / scales - used_mah
    log_prior = -0.5 * (np.log(scales) / scale_sd) ** 2
    full = {None: _FULL_SHARE, True: 0.93, False: 0.1}[fresh]
    used = np.gradient(start)[np.searchsorted(start, starts)]
    log_prior = log_prior + np.log(
        full * np.exp(-0.5 * (starts / _FULL_SD) ** 2) + (1 - full) * used
    )
    log_weight = log_prior - 0.5 * (_OBSERVATIONS * rest + penalty)
    possible = left > 0
    if not possible.any():
        return None
    floor = float(np.linalg.norm([_FLOOR_SD, _FLOOR_SD_RATE * rate, _FLOOR_SD_PER_K * colder_k]))
    floors = np.full(int(possible.sum()), floor)
    return log_weight[possible], left[possible], rest[possible], floors
