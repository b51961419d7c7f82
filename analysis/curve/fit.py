"""Fit discharge models to a run and choose one: bounded, scaled, robust, from several starts.

scipy's trust-region reflective least squares with a soft-L1 loss. Standard errors from the
Jacobian at the solution, widened because neighbouring residuals go along with each other. The
choice is by AICc (Burnham & Anderson 2002, eq. 2.4). What the data cannot tell is said: the
ohmic resistance at constant current, a parameter at a bound, two that only act together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.curve.models import MODELS, Model
from analysis.doubt.quantity import Quantity
from analysis.say.words import and_words

Array = NDArray[np.float64]

STARTS: Final = 6
COVERAGE: Final = 0.95
_SEED: Final = 1965
_AT_BOUND: Final = 1e-4
_TOGETHER: Final = 0.995
_CURRENT_VARIES: Final = 0.03
_CLEARLY_BETTER: Final = (
    4.0  # difference of AICc; Burnham & Anderson 2002, 2.6: 4 to 7 is "considerably less"
)


@dataclass(frozen=True)
class ModelFit:
    """One model fitted. ``parameters``: name to value with its 95 % interval; no interval where
    the data cannot tell (``notes`` says why). ``correlation``: (k, k) of the fitted ones, in
    the order of ``fitted``. ``residual_v``: measured minus model, at ``charge_ah``.
    """

    model: Model
    parameters: tuple[tuple[str, Quantity], ...]
    fitted: tuple[str, ...]
    correlation: Array
    rms_v: float
    aicc: float
    charge_ah: Array
    residual_v: Array
    values: tuple[float, ...]
    notes: tuple[str, ...]

    def voltage(self, charge_ah: Array, current_a: Array) -> Array:
        """Modelled volts at these charges and currents."""
        return self.model.function(charge_ah, current_a, *self.values)


@dataclass(frozen=True)
class Choice:
    """All fits, the best first, and in words why it was chosen."""

    fits: tuple[ModelFit, ...]
    why: str

    @property
    def best(self) -> ModelFit:
        return self.fits[0]


def fit_discharge(
    charge_ah: Array,
    volts: Array,
    current_a: Array,
    models: Sequence[Model] = MODELS,
    starts: int = STARTS,
) -> Choice:
    """Fit every model and choose by AICc. Arrays of one shape (n,), n at least 20, thinned beforehand.

    Raises ValueError if there are fewer than 20 points or no charge was drawn.
    """
    if len(charge_ah) < 20 or not charge_ah[-1] > 0:
        raise ValueError("a discharge fit needs at least 20 points and a charge above 0")
    fits = sorted(
        (fit_model(model, charge_ah, volts, current_a, starts) for model in models),
        key=lambda fit: fit.aicc,
    )
    return Choice(tuple(fits), _why(fits))


def fit_model(
    model: Model, charge_ah: Array, volts: Array, current_a: Array, starts: int = STARTS
) -> ModelFit:
    """Fit one model (see ``fit_discharge``)."""
    mean_a = float(np.mean(current_a))
    bounds = np.array(model.bounds(float(volts.max()), float(charge_ah[-1]), mean_a))
    steady = float(np.std(current_a)) < _CURRENT_VARIES * abs(mean_a)
    free = np.array([not (name == "R" and steady) for name in model.parameters])
    low, width = bounds[:, 0], bounds[:, 1] - bounds[:, 0]

    def unpack(unit: Array) -> Array:
        values = np.zeros(len(free))  # a resistance that cannot be told stays at 0
        values[free] = low[free] + unit * width[free]
        return values

    # a reading and a model are not better than a few mV: sets where the loss turns linear
    scale_v = max(2e-3, 0.002 * float(np.ptp(volts)))

    def residual(unit: Array) -> Array:
        return (volts - model.function(charge_ah, current_a, *unpack(unit))) / scale_v

    rng = np.random.default_rng(_SEED)
    best = None
    for number in range(starts):
        start = np.full(free.sum(), 0.5) if number == 0 else rng.uniform(0.03, 0.97, free.sum())
        start = _first_guess(model, start, free, low, width, volts) if number < 2 else start
        found = scipy.optimize.least_squares(
            residual, start, bounds=(0.0, 1.0), loss="soft_l1", x_scale=0.1, max_nfev=200
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    values = unpack(np.asarray(best.x))
    rest = volts - model.function(charge_ah, current_a, *values)
    return _describe(
        model, values, best.x, np.asarray(best.jac), rest, charge_ah, free, width, scale_v, steady
    )


def _first_guess(
    model: Model, start: Array, free: NDArray[np.bool_], low: Array, width: Array, volts: Array
) -> Array:
    """Small parameters small, the level at the middle voltage, the charge just above what was drawn."""
    guess = start.copy()
    names = [name for name, is_free in zip(model.parameters, free, strict=True) if is_free]
    for place, name in enumerate(names):
        if place == 0:
            share = (float(np.median(volts)) - low[0]) / width[0]
            guess[place] = float(np.clip(share, 0.05, 0.95))
        elif name in ("K", "R", "K1", "m", "C", "a4", "Q", "A", "S1", "S2"):
            guess[place] = 0.05
    return guess


def _describe(
    model: Model,
    values: Array,
    unit: Array,
    jacobian: Array,
    rest: Array,
    charge_ah: Array,
    free: NDArray[np.bool_],
    width: Array,
    scale_v: float,
    steady: bool,
) -> ModelFit:
    count, size = len(rest), int(free.sum())
    names = [name for name, is_free in zip(model.parameters, free, strict=True) if is_free]
    bound = (unit < _AT_BOUND) | (unit > 1 - _AT_BOUND)
    errors, correlation = _errors(jacobian, rest, bound, width[free], scale_v)
    notes = []
    if steady and "R" in model.parameters:
        notes.append(
            "The current was constant: the internal resistance cannot be told from it; its drop is inside the voltage level."
        )
    notes += _doubtful(names, bound, correlation)
    by_name = dict(zip(names, zip(errors, bound, strict=True), strict=True))
    parameters = []
    for name, unit_name, value in zip(model.parameters, model.units, values, strict=True):
        error, at = by_name.get(name, (None, False))
        if error is None:
            parameters.append(
                (name, Quantity(None, unit_name, note="cannot be told from this run"))
            )
        elif at or not np.isfinite(error):
            parameters.append((name, Quantity(float(value), unit_name, note="at a bound")))
        else:
            half = 1.96 * float(error)
            parameters.append(
                (name, Quantity(float(value), unit_name, value - half, value + half, COVERAGE))
            )
    rms = float(np.sqrt(np.mean(rest**2)))
    k = size + 1  # the residuals' own variance is a parameter, too
    aicc = count * np.log(max(rms, 1e-9) ** 2) + 2 * k + 2 * k * (k + 1) / max(count - k - 1, 1)
    return ModelFit(
        model,
        tuple(parameters),
        tuple(names),
        correlation,
        rms,
        float(aicc),
        charge_ah,
        rest,
        tuple(float(value) for value in values),
        tuple(notes),
    )


def _doubtful(names: Sequence[str], bound: NDArray[np.bool_], correlation: Array) -> list[str]:
    """Which parameters are no measurement, and which only count together."""
    notes = []
    at = [name for name, is_at in zip(names, bound, strict=True) if is_at]
    if at:
        words = (
            "sits at a bound: its value is" if len(at) == 1 else "sit at a bound: their values are"
        )
        notes.append(
            f"{and_words(at)} {words} not a measurement, and the other intervals hold only with it."
        )
    firsts, seconds = np.nonzero(np.triu(np.abs(correlation) > _TOGETHER, 1))
    if len(firsts) == 1:
        pair = (int(firsts[0]), int(seconds[0]))
        both = and_words([names[place] for place in pair])
        notes.append(f"{both} can only be told together (correlation {correlation[pair]:.3f}).")
    elif len(firsts):
        places = sorted({*firsts.tolist(), *seconds.tolist()})
        notes.append(
            f"{and_words([names[place] for place in places])} can only be told together: "
            "the curve is known well, each of them alone is not."
        )
    return notes


def _errors(
    jacobian: Array, rest: Array, bound: NDArray[np.bool_], width: Array, scale_v: float
) -> tuple[Array, Array]:
    """Standard errors in the parameters' own units, and their correlations (0 for those at a bound)."""
    size = jacobian.shape[1]
    errors, correlation = np.full(size, np.nan), np.eye(size)
    inner = np.flatnonzero(~bound)
    if not len(inner) or len(rest) <= size:
        return errors, correlation
    covariance = np.linalg.pinv(jacobian[:, inner].T @ jacobian[:, inner], rcond=1e-14)
    variance = float(np.sum((rest / scale_v) ** 2)) / (len(rest) - size)
    lag = float(np.corrcoef(rest[1:], rest[:-1])[0, 1]) if np.ptp(rest) > 0 else 0.0
    # neighbours that go along carry less news: effective count n (1 - r)/(1 + r)
    widened = variance * (1 + max(lag, 0.0)) / max(1 - max(lag, 0.0), 0.02)
    sd = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    errors[inner] = sd * np.sqrt(widened) * width[inner]
    correlation[np.ix_(inner, inner)] = covariance / np.outer(sd, sd)
    return errors, correlation


def _why(fits: Sequence[ModelFit]) -> str:
    best = fits[0]
    text = (
        f"The model '{best.model.name}' describes the curve best (AICc; residual {1e3 * best.rms_v:.1f} mV rms; "
        f"made for {best.model.suits})."
    )
    if len(fits) > 1:
        second = fits[1]
        gap = second.aicc - best.aicc
        if gap < _CLEARLY_BETTER:
            text += f" '{second.model.name}' does about as well: the data do not choose between the two."
        else:
            text += f" The next, '{second.model.name}', leaves {1e3 * second.rms_v:.1f} mV."
    return text
