"""What a forecast must beat: straight lines in the voltage, rated capacity over mean current.

Each returns the remaining time in s from `at_s`, or None where it has nothing to say.
"""

from collections.abc import Callable

import numpy as np

from .rundown import Floats, Seen

FEWEST_ROWS = 3
LOADED_SHARE = 0.5


def _loaded(seen: Seen) -> tuple[Floats, Floats]:
    """Time and voltage of the rows under load: above half the 90th percentile of the current."""
    loaded = seen.current_ma > LOADED_SHARE * np.percentile(seen.current_ma, 90)
    return seen.time_s[loaded], seen.pack_v[loaded]


def line_s(time_s: Floats, pack_v: Floats, at_s: float, cutoff_v: float) -> float | None:
    """Least-squares line V = a + b t; (cutoff - a)/b - at_s, at least 0. None unless it falls."""
    if len(time_s) < FEWEST_ROWS:
        return None
    mean_s, mean_v = float(np.mean(time_s)), float(np.mean(pack_v))
    spread = float(np.sum((time_s - mean_s) ** 2))
    if spread == 0:
        return None
    slope = float(np.sum((time_s - mean_s) * (pack_v - mean_v))) / spread
    if slope >= 0:
        return None
    return max(mean_s + (cutoff_v - mean_v) / slope - at_s, 0.0)


def line_all_s(seen: Seen) -> float | None:
    """Line over all rows under load."""
    time_s, pack_v = _loaded(seen)
    return line_s(time_s, pack_v, seen.at_s, seen.cutoff_v)


def line_third_s(seen: Seen) -> float | None:
    """Line over the rows under load of the last third of the time so far."""
    time_s, pack_v = _loaded(seen)
    late = time_s >= seen.time_s[0] + (seen.at_s - seen.time_s[0]) * 2 / 3
    return line_s(time_s[late], pack_v[late], seen.at_s, seen.cutoff_v)


def rated_s(seen: Seen) -> float | None:
    """(Capacity on the label - charge out) / mean current so far, at least 0."""
    if len(seen.time_s) < FEWEST_ROWS:
        return None
    out_mas = float(np.trapezoid(seen.current_ma, seen.time_s))
    span_s = float(seen.time_s[-1] - seen.time_s[0])
    if out_mas <= 0:
        return None
    return max((seen.rated_mah * 3600 - out_mas) / (out_mas / span_s), 0.0)


RIVALS: dict[str, Callable[[Seen], float | None]] = {
    "line over all": line_all_s,
    "line over the last third": line_third_s,
    "rated capacity": rated_s,
}
