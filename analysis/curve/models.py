"""Terminal voltage against charge and current: closed forms from the literature, bare functions.

Every model is V(q, i; parameters) with q the charge out of the pack in Ah, i the current in A,
V in volts of the whole pack; arrays of one shape. Inside, the papers' symbols.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Least part of the charge that counts as left: keeps q = Q out of the poles.
_LEFT_LEAST: Final = 1e-4


def shepherd(
    q: Array, i: Array, e0: float, r: float, k: float, a: float, b: float, full: float
) -> Array:
    """V = E0 - K Q/(Q - q) (i + q) - R i + A exp(-B q).

    Shepherd 1965 (J. Electrochem. Soc. 112:657) with the exponential zone, in the form of Tremblay
    & Dessaint 2009 (World Electric Vehicle J. 3:289), eq. for discharge: K in ohm and V/Ah at once.
    """
    left = full / np.maximum(full - q, _LEFT_LEAST * full)
    return np.asarray(e0 - k * left * (i + q) - r * i + a * np.exp(-b * q))


def combined(
    q: Array, i: Array, k0: float, r: float, k1: float, k2: float, k3: float, k4: float, full: float
) -> Array:
    """V = K0 - R i - K1/s - K2 s + K3 ln s + K4 ln(1 - s), s = 1 - q/Q.

    Plett 2004 (J. Power Sources 134:262), the "combined model" of Shepherd, Unnewehr and Nernst: for
    curves that slope all the way, alkaline and zinc-carbon.
    """
    s = np.clip(1 - q / full, _LEFT_LEAST, 1 - _LEFT_LEAST)
    return np.asarray(k0 - r * i - k1 / s - k2 * s + k3 * np.log(s) + k4 * np.log1p(-s))


def polynomial_knee(
    q: Array,
    i: Array,
    a0: float,
    r: float,
    a1: float,
    a2: float,
    a3: float,
    a4: float,
    b: float,
    full: float,
) -> Array:
    """V = a0 + a1 s - a2 s^2 + a3 s^3 - a4 exp(-b s) - R i, s = 1 - q/Q.

    Chen & Rincon-Mora 2006 (IEEE Trans. Energy Conversion 21:504), eq. 2: for Li-ion, whose curve
    bends twice before its knee.
    """
    s = 1 - q / full
    return np.asarray(
        a0 + a1 * s - a2 * s**2 + a3 * s**3 - a4 * np.exp(-b * np.maximum(s, -0.2)) - r * i
    )


def plateau(
    q: Array,
    i: Array,
    e0: float,
    r: float,
    m: float,
    a: float,
    b: float,
    c: float,
    d: float,
    full: float,
) -> Array:
    """V = E0 - R i - m z + A exp(-B z) - C exp(-D (1 - z)), z = q/Q.

    A flat line with an exponential at each end, our own plain form for NiMH and LiFePO4.
    """
    z = q / full
    return np.asarray(
        e0 - r * i - m * z + a * np.exp(-b * z) - c * np.exp(-d * np.maximum(1 - z, -0.2))
    )


def stepped(
    q: Array,
    i: Array,
    e0: float,
    r: float,
    k: float,
    a: float,
    b: float,
    full: float,
    s1: float,
    z1: float,
    w1: float,
    s2: float = 0.0,
    z2: float = 1.0,
    w2: float = 1.0,
) -> Array:
    """Shepherd's V less s1/2 tanh((z - z1)/w1) less s2/2 tanh((z - z2)/w2), z = q/Q.

    A graphite electrode fills in stages, and where one stage gives way to the next, the voltage
    steps down. Hyperbolic tangents are how Doyle et al. 1996 (J. Electrochem. Soc. 143:1890) and many after
    them write an electrode's steps (from memory); Shepherd's form carries what lies between.
    """
    z = q / full
    steps = s1 * np.tanh((z - z1) / w1) + s2 * np.tanh((z - z2) / w2)
    return np.asarray(shepherd(q, i, e0, r, k, a, b, full) - steps / 2)


@dataclass(frozen=True)
class Model:
    """A model with its parameters: names, units, and which of them is the ohmic one and the charge.

    ``bounds``: from scale of the data (V: greatest voltage, Q: charge drawn, I: mean current) to
    lower and upper bounds, in the order of the parameters. ``suits``: for whom, in words.
    """

    name: str
    function: Callable[..., Array]
    parameters: tuple[str, ...]
    units: tuple[str, ...]
    bounds: Callable[[float, float, float], tuple[tuple[float, float], ...]]
    suits: str


def _resistance(volts: float, amps: float) -> tuple[float, float]:
    return 0.0, 0.5 * volts / max(amps, 1e-9)


_Bounds = tuple[tuple[float, float], ...]


def _shepherd_bounds(v: float, q: float, i: float, most: float = 3.0) -> _Bounds:
    return (
        (0.3 * v, 1.5 * v),
        _resistance(v, i),
        (0.0, 0.5 * v / q),
        (0.0, 0.5 * v),
        (0.5 / q, 300 / q),
        (1.0005 * q, most * q),
    )


def _step_bounds(v: float, first: float, last: float) -> _Bounds:
    """Height, place and width of a step whose middle lies between two depths."""
    return (0.0, 0.06 * v), (first, last), (0.01, 0.25)


MODELS: Final = (
    Model(
        "Shepherd with exponential zone",
        shepherd,
        ("E0", "R", "K", "A", "B", "Q"),
        ("V", "ohm", "ohm", "V", "1/Ah", "Ah"),
        _shepherd_bounds,
        "the classical form",
    ),
    Model(
        "combined",
        combined,
        ("K0", "R", "K1", "K2", "K3", "K4", "Q"),
        ("V", "ohm", "V", "V", "V", "V", "Ah"),
        lambda v, q, i: (
            (0.3 * v, 2.0 * v),
            _resistance(v, i),
            (0.0, 0.1 * v),
            (-1.0 * v, 1.0 * v),
            (-0.2 * v, 0.5 * v),
            (-0.5 * v, 0.2 * v),
            (1.0005 * q, 3 * q),
        ),
        "curves that slope all the way, such as alkaline and zinc-carbon",
    ),
    Model(
        "polynomial with knee",
        polynomial_knee,
        ("a0", "R", "a1", "a2", "a3", "a4", "b", "Q"),
        ("V", "ohm", "V", "V", "V", "V", "1", "Ah"),
        lambda v, q, i: (
            (0.3 * v, 1.5 * v),
            _resistance(v, i),
            (-1.5 * v, 1.5 * v),
            (-3.0 * v, 3.0 * v),
            (-2.0 * v, 2.0 * v),
            (0.0, 1.0 * v),
            (3.0, 150.0),
            (0.98 * q, 1.6 * q),
        ),
        "Li-ion, whose curve bends twice before its knee",
    ),
    Model(
        "plateau with two ends",
        plateau,
        ("E0", "R", "m", "A", "B", "C", "D", "Q"),
        ("V", "ohm", "V", "V", "1", "V", "1", "Ah"),
        lambda v, q, i: (
            (0.3 * v, 1.5 * v),
            _resistance(v, i),
            (0.0, 0.8 * v),
            (0.0, 0.5 * v),
            (3.0, 300.0),
            (0.0, 1.0 * v),
            (3.0, 150.0),
            (0.98 * q, 1.6 * q),
        ),
        "flat curves, such as NiMH and LiFePO4",
    ),
    Model(
        "Shepherd with one step",
        stepped,
        ("E0", "R", "K", "A", "B", "Q", "S1", "z1", "w1"),
        ("V", "ohm", "ohm", "V", "1/Ah", "Ah", "V", "1", "1"),
        lambda v, q, i: (*_shepherd_bounds(v, q, i, 1.6), *_step_bounds(v, 0.03, 1.0)),
        "Li-ion with one clear step of its graphite electrode",
    ),
    Model(
        "Shepherd with two steps",
        stepped,
        ("E0", "R", "K", "A", "B", "Q", "S1", "z1", "w1", "S2", "z2", "w2"),
        ("V", "ohm", "ohm", "V", "1/Ah", "Ah", "V", "1", "1", "V", "1", "1"),
        lambda v, q, i: (
            *_shepherd_bounds(v, q, i, 1.6),
            *_step_bounds(v, 0.03, 0.5),
            *_step_bounds(v, 0.45, 1.0),
        ),
        "Li-ion discharged slowly, with the steps of its graphite electrode",
    ),
)

# Chemistries with a graphite electrode, whose steps the last two models follow.
_GRAPHITE: Final = ("li-ion", "lifepo4")


def models_for(chemistry: str | None) -> tuple[Model, ...]:
    """Models with a reason to fit this chemistry; all of them where it is not known."""
    if chemistry is None or chemistry in _GRAPHITE:
        return MODELS
    return tuple(model for model in MODELS if model.function is not stepped)
