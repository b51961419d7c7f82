"""Groups looked at unlike are compared at the looks that all of them share.

A life noted at the next look reads too long by up to a step, so of two equal groups the one that was looked
at more seldom seems to outlast the other. Seen at common looks alone, equal groups are exchangeable again,
whatever the law of the lives.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.life.data import Lives

Array = NDArray[np.float64]


def looked_alike(groups: Sequence[Lives]) -> bool:
    """Whether no look of one group falls inside what another group knows of a life only as a whole."""
    for number, group in enumerate(groups):
        between = np.isfinite(group.upper) & ~group.is_exact
        lower, upper = group.lower[between, None], group.upper[between, None]
        for other in (item for place, item in enumerate(groups) if place != number):
            moments = _moments(other)
            if np.any((lower < moments) & (moments < upper)):
                return False
    return True


def on_common_looks(groups: Sequence[Lives]) -> list[Lives]:
    """The groups as they are if they were looked at alike, else each life between common looks."""
    if looked_alike(groups):
        return list(groups)
    inspected = [group for group in groups if group.inspected]
    steps = [_step(group) for group in inspected]
    even = [found for found in steps if found is not None]
    step = math.lcm(*even)
    uneven = [group for group, found in zip(inspected, steps, strict=True) if found is None]
    if not uneven:
        return [_at_multiples(step, group) for group in groups]
    looks = np.concatenate([[0.0], _moments(uneven[0])])
    for group in uneven[1:]:
        looks = np.intersect1d(looks, np.concatenate([[0.0], _moments(group)]))
    return [_at_looks(looks[looks % step == 0] if even else looks, group) for group in groups]


def _moments(group: Lives) -> Array:
    """Counts at which somebody looked, as far as the lives tell, without 0 (everything is whole then)."""
    moments = np.unique(np.concatenate([group.lower, group.upper]))
    return np.asarray(moments[np.isfinite(moments) & (moments > 0)], dtype=float)


def _step(group: Lives) -> int | None:
    """Whole step between looks, where all lives lie between multiples of one; None: looked at unevenly."""
    between = np.isfinite(group.upper) & ~group.is_exact
    widths = np.unique(group.upper[between] - group.lower[between])
    if (
        len(widths) != 1
        or widths[0] != round(widths[0])
        or np.any(group.lower[between] % widths[0])
    ):
        return None
    return int(widths[0])


def _at_multiples(step: int, group: Lives) -> Lives:
    """Lives as somebody would have seen them who looked every ``step`` bends."""
    last = step * np.floor(group.lower / step)
    # An exact life at a look was seen broken there, and whole at the look before.
    before = step * np.maximum(np.ceil(group.lower / step) - 1, 0)
    return Lives(
        np.where(_known_to_the_bend(group), before, last),
        step * np.ceil(group.upper / step),
        group.weights,
    )


def _at_looks(looks: Array, group: Lives) -> Lives:
    """The same for these looks, which rise from 0."""
    last = looks[np.searchsorted(looks, group.lower, side="right") - 1]
    before = looks[np.maximum(np.searchsorted(looks, group.lower, side="left") - 1, 0)]
    upper = np.append(looks, np.inf)[np.searchsorted(looks, group.upper, side="left")]
    return Lives(np.where(_known_to_the_bend(group), before, last), upper, group.weights)


def _known_to_the_bend(group: Lives) -> NDArray[np.bool_]:
    return np.asarray(group.is_exact & np.isfinite(group.upper))
