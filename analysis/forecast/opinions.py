"""Which opinion has earned its say on this very run?

Each opinion (the chemistry's curves, curves of any kind, earlier runs of the same pack) is asked what it
would have said at earlier moments about levels that the voltage has passed since. The logarithm of the density
it gave to what came is its score (prequential: Dawid 1984; weights as in Bayesian model averaging of
sequential forecasts: Raftery et al. 2005); the answer is drawn from the mixture by weight.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course

Array = NDArray[np.float64]

# Moments asked about, as shares of the charge so far.
ORIGINS: Final = (0.4, 0.7)
_LEAST_SD: Final = 0.06  # of the logarithm: no opinion is credited with knowing better
_DENSITY_LEAST: Final = 1e-3
_Z95: Final = 1.645
_BELIEVED: Final = 2.0  # moments that the opinion's own width is worth
_STRAY: Final = 16.0
# Who said nothing then is taken for one that was right within a factor of two or so.
_SILENT: Final = -1.0
_LEAST_FALL: Final = 4.0  # noise of the course: less has not been passed


@dataclass(frozen=True)
class Score:
    """How an opinion fared on one run. ``log_density``: sum over the moments asked; ``asked``: how many;
    ``late``: mean of the logarithm of foreseen over true charge (positive: it foresaw too long a life);
    ``spread``: its errors over those that it owned to, shrunk toward 1 while few have been seen.
    """

    log_density: float
    asked: int
    late: float
    spread: float


def log_density(draws_mah: Array, true_mah: float) -> float:
    """Logarithm of the density of ln(charge left) at the truth; kernel with Silverman's width, with a floor."""
    logs = np.log(np.maximum(draws_mah, 1e-6 * max(true_mah, 1e-9)))
    spread = min(float(logs.std()), float(np.subtract(*np.quantile(logs, (0.75, 0.25)))) / 1.34)
    width = max(0.9 * spread * len(logs) ** -0.2, _LEAST_SD)
    z = (logs - np.log(true_mah)) / width
    density = float(np.mean(np.exp(-0.5 * z**2))) / (width * np.sqrt(2 * np.pi))
    return float(np.log(density + _DENSITY_LEAST))


def moments(course: Course, used_mah: float) -> list[tuple[float, float, float]]:
    """Moments to ask about: charge out by then, level (V) asked for, charge that it then took."""
    now_v = float(np.median(course.held_v[-3:]))
    noise_v = float(np.median(course.noise_v))
    found = []
    for share in ORIGINS:
        at = int(np.searchsorted(course.charge_mah, share * used_mah)) - 1
        if at < 3:
            continue
        then_v = float(np.median(course.held_v[at - 1 : at + 1]))
        if then_v - now_v > _LEAST_FALL * noise_v:
            charge = float(course.charge_mah[at])
            found.append((charge, now_v, used_mah - charge))
    return found


def scored(
    asked: list[tuple[float, float, float]],
    opinion: Callable[[float, float], Array | None],
) -> Score:
    """Score of ``opinion(charge then, level)``: draws of the charge left to the level, None if it has none."""
    total, late, squares, count = 0.0, [], 0.0, 0
    for charge_mah, level_v, true_mah in asked:
        draws = opinion(charge_mah, level_v)
        count += 1
        if draws is None or not len(draws):
            total += _SILENT
            continue
        total += log_density(draws, true_mah)
        low, middle, high = np.log(np.maximum(np.quantile(draws, (0.05, 0.5, 0.95)), 1e-9))
        late.append(float(middle - np.log(true_mah)))
        side = (high - middle) if late[-1] < 0 else (middle - low)
        squares += min((_Z95 * late[-1] / max(side, _Z95 * _LEAST_SD)) ** 2, _STRAY)
    spread = np.sqrt((_BELIEVED + squares) / (_BELIEVED + len(late)))
    return Score(total, count, float(np.mean(late)) if late else 0.0, max(float(spread), 1.0))


def widened(draws: Array, base: float, spread: float) -> Array:
    """Draws above ``base`` with their logarithms' distance from the median times ``spread``."""
    logs = np.log(np.maximum(draws - base, 1e-9))
    middle = float(np.median(logs))
    return np.asarray(base + np.exp(middle + spread * (logs - middle)))


def weights(scores: Mapping[str, Score], prior: Mapping[str, float]) -> dict[str, float]:
    """Share of each opinion in the answer, adding up to 1: prior times density of what came."""
    logs = {name: score.log_density + float(np.log(prior[name])) for name, score in scores.items()}
    best = max(logs.values())
    raw = {name: float(np.exp(value - best)) for name, value in logs.items()}
    total = sum(raw.values())
    return {name: value / total for name, value in raw.items()}


def mixed(draws: Mapping[str, Array], share: Mapping[str, float], count: int) -> Array:
    """``count`` draws (about) from the mixture, sorted: evenly spaced quantiles of each part."""
    parts = []
    for name, values in draws.items():
        n = round(share.get(name, 0.0) * count)
        if n and len(values):
            parts.append(np.quantile(values, (np.arange(n) + 0.5) / n))
    return np.sort(np.concatenate(parts)) if parts else np.empty(0)
