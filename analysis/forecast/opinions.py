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

from analysis.forecast.course import Course

Array = NDArray[np.float64]

# Moments asked about, as shares of the charge so far.
ORIGINS: Final = (0.4, 0.7)
_LEAST_SD: Final = 0.06  # of the logarithm: no opinion is credited with knowing better
_DENSITY_LEAST: Final = 1e-3
_LEAST_FALL: Final = 4.0  # noise of the course: less has not been passed


@dataclass(frozen=True)
class Score:
    """How an opinion fared on one run. ``log_density``: sum over the moments asked; ``asked``: how many;
    ``late``: mean of the logarithm of foreseen over true charge (positive: it foresaw too long a life);
    ``outside``: how often the truth lay outside its 98 % interval.
    """

    log_density: float
    asked: int
    late: float
    outside: int


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
    total, late, outside, count = 0.0, [], 0, 0
    for charge_mah, level_v, true_mah in asked:
        draws = opinion(charge_mah, level_v)
        count += 1
        if draws is None or not len(draws):
            total += float(np.log(_DENSITY_LEAST))
            continue
        total += log_density(draws, true_mah)
        low, middle, high = np.quantile(draws, (0.01, 0.5, 0.99))
        late.append(float(np.log(max(middle, 1e-9) / true_mah)))
        outside += not low <= true_mah <= high
    return Score(total, count, float(np.mean(late)) if late else 0.0, outside)


def weights(scores: Mapping[str, Score], prior: Mapping[str, float]) -> dict[str, float]:
    """Share of each opinion in the answer, adding up to 1: prior times density of what came."""
    logs = {
        name: score.log_density + float(np.log(prior[name])) for name, score in scores.items()
    }
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
