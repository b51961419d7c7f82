"""What kind of load is it? From how the current moves as the pack sags.

Exponent n = d ln I / d ln V: 0 constant current, 1 a resistor, -1 constant power behind a
converter, above 1 LEDs behind resistors.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.doubt.quantity import Quantity
from analysis.run.history import Bins, stretches_of

Array = NDArray[np.float64]

_BATCHES: Final = 8
# Between a poor converter and LEDs close to where they go dark.
_RANGE: Final = (-2.0, 6.0)
_SAME_MODE: Final = 0.9
# Heaviest over lightest current of like stretches: above it the load has modes or pulses.
_MODES_RATIO: Final = 1.3


def load_exponent(bins: Bins) -> Quantity:
    """d ln I / d ln V over the run with its 95 % interval; 1 resistor, 0 constant current, -1 constant power.

    A heavy pulse pulls the voltage down while it lasts, which would pass for a falling exponent:
    so only like is compared with like, the lowest held voltage and its current in each of many
    stretches of the run. Huber's robust line (``k`` 1.5 scales); the standard error is that of
    means over ``_BATCHES`` stretches of the residual, so that modes and drifts count as they are.
    """
    value, error = exponent_fit(bins)
    if value is None or error is None:
        return Quantity(None, "1", note="the voltage has not moved enough to tell")
    return Quantity(value, "1", value - 1.96 * error, value + 1.96 * error, 0.95)


def exponent_fit(bins: Bins) -> tuple[float | None, float | None]:
    lows = stretches_of(bins, 1.0)
    padded = np.pad(lows.held_ma, 2, mode="edge")
    around = np.max([padded[shift : shift + len(lows.held_ma)] for shift in range(5)], axis=0)
    good = (lows.held_ma > _SAME_MODE * around) & (lows.held_v > 0)
    x, y = np.log(lows.held_v[good]), np.log(lows.held_ma[good])
    if len(x) < _BATCHES:
        return None, None
    weight = np.ones(len(x))
    for _ in range(12):
        centred = x - np.average(x, weights=weight)
        total = float((weight * centred**2).sum())
        if total < len(x) * 1e-6:
            return None, None
        value = float((weight * centred * y).sum() / total)
        residual = y - np.average(y, weights=weight) - value * centred
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(residual), 1e-12))
    score = weight * centred * residual
    batches = np.add.reduceat(score, np.arange(0, len(x), max(len(x) // _BATCHES, 1)))
    error = float(np.sqrt((batches**2).sum()) / total)
    plain = float(np.sqrt((weight * residual**2).sum() / max(len(x) - 2, 1) / total))
    error = max(error, plain, 1e-3)
    if not _RANGE[0] - 2 * error <= value <= _RANGE[1] + 2 * error:
        return None, None  # no circuit does that: modes were mixed up with the sag
    return value, error


def has_modes(bins: Bins) -> bool:
    """Whether the current at the lowest voltages is clearly above the mean: modes or pulses."""
    usual = float(np.average(bins.mean_ma, weights=bins.span_s))
    return usual > 0 and float(np.quantile(bins.held_ma, 0.9)) > _MODES_RATIO * usual


def load_words(exponent: Quantity, modes: bool) -> str:
    """The load's kind in plain words, with what it means at the end of the pack."""
    pulsed = (
        " It works in modes or pulses: the heaviest one decides when the cutoff comes."
        if modes
        else ""
    )
    if exponent.value is None or exponent.lower is None or exponent.upper is None:
        return "What kind of load it is cannot be told: the voltage has hardly moved." + pulsed
    if exponent.upper - exponent.lower > 2.0:
        return "What kind of load it is cannot be told yet: the current scatters too much." + pulsed
    kinds = (
        (-1.0, "Your booster draws more as the cells empty: constant power."),
        (0.0, "The draw stays the same as the cells empty: constant current."),
        (1.0, "The draw falls along with the voltage, like a resistor's."),
    )
    for value, words in kinds:
        if exponent.lower - 0.1 <= value <= exponent.upper + 0.1:
            return words + pulsed
    if exponent.value > 1:
        return "The draw falls faster than the voltage, as with LEDs behind resistors." + pulsed
    if exponent.value < -1:
        return (
            "The draw rises faster than constant power would: the converter gets worse as the cells empty."
            + pulsed
        )
    direction = "rises a little" if exponent.value < 0 else "falls a little"
    return (
        f"The draw {direction} as the cells empty: parts of it are regulated, parts are not."
        + pulsed
    )
