"""How far off can a result be: its uncertainty budget and its interval, after the GUM.

The one place where results get their intervals. Method: JCGM 100:2008 (GUM), distributions
as in JCGM 101:2008.

- Limits of a data sheet are taken as rectangular, standard uncertainty = limit / sqrt(3) (4.3.7),
  itself known to 10 %, which is 50 degrees of freedom (G.4.2, equation G.3).
- Components are independent and added in squares (5.1.2). Errors that are correlated, such as
  zero and gain of a calibration, are first split into independent parts, which gives the
  same sum as 5.2.2.
- Coverage factor: Student's t at the effective degrees of freedom (G.4), and where limits
  dominate, the quantile of that distribution instead of the normal one (G.2.2, G.2.3).

Gain, offset and rounding of one sensor are the same in every row of a run: they do not average
out. Pack voltage is bus voltage plus the drop over the shunt; the drop's own error (at most a few
mV) is left out beside the bus's.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import scipy

from analysis.doubt.limits import Limits, limits_of
from analysis.doubt.quantity import Quantity
from logger.run.calibration import Line

__all__ = [
    "COVERAGE",
    "NO_LIMITS_NOTE",
    "SCATTER",
    "Budget",
    "Component",
    "Limits",
    "budget",
    "combined",
    "coverage_factor",
    "dof_known_to",
    "effective_dof",
    "interval",
    "limits_of",
    "resistance_budget",
    "shares",
]

COVERAGE: Final = 0.95
NO_LIMITS_NOTE: Final = (
    "How accurate the meter is that recorded this run is not known, so no interval can be given; "
    "import says it with --accuracy."
)
NORMAL: Final = "normal"
RECTANGULAR: Final = "rectangular"
SCATTER: Final = "scatter in the run"

# How well a limit is known: greatest values of data sheets and markings are kept by nearly all parts (GUM G.4.3 would
# call them certain), the rest is for cheap ones: the project's own figure.
LIMIT_KNOWN_TO: Final = 0.10


def dof_known_to(share: float) -> float:
    """Degrees of freedom of a standard uncertainty that is itself known to this share (GUM G.4.2, equation G.3)."""
    return 1 / (2 * share**2)


LIMIT_DOF: Final = dof_known_to(LIMIT_KNOWN_TO)
_ROOT_3: Final = math.sqrt(3.0)


@dataclass(frozen=True)
class Component:
    """One line of an uncertainty budget, in the result's own unit.

    ``kind``: "A" from statistics of the run, "B" from other knowledge (GUM 4.2, 4.3).
    ``dof``: degrees of freedom; infinite for a limit that is certain. ``shape``: distribution,
    ``normal`` or ``rectangular``.
    """

    source: str
    kind: str
    standard: float
    dof: float = math.inf
    shape: str = NORMAL


Budget = tuple[Component, ...]
_Parts = list[tuple[str, float]]


def budget(
    limits: Limits,
    value: float,
    *,
    per_ma: float = 0.0,
    per_v: float = 0.0,
    clocked: bool = False,
    noise: float = 0.0,
    noise_dof: float = math.inf,
) -> Budget:
    """Components of a result that is a product of current, voltage and time, or of some of them.

    ``per_ma``, ``per_v``: change of the result per mA of current offset and per V of voltage
    offset (charge: hours; energy: volt-hours and mAh); 0: does not depend on it.
    ``clocked``: proportional to time. ``noise``: standard uncertainty from scatter in the run.
    """
    components: list[Component] = []
    if per_ma:
        components += _current_components(limits, value, per_ma)
    if per_v:
        components += _voltage_components(limits, value, per_v)
    if clocked:
        components += _from_limits([("board's clock", abs(value) * limits.clock_gain)])
    if noise > 0:
        components.append(Component(SCATTER, "A", noise, noise_dof))
    return tuple(components)


def _current_components(limits: Limits, value: float, per_ma: float) -> Budget:
    size, line = abs(value), limits.current_line
    parts = []
    if line is None:
        parts.append(("sensor's current offset", per_ma * limits.current_offset_ma))
    if line is None or not line.points:
        parts.append(("shunt resistor's tolerance", size * limits.shunt_gain))
        parts.append(("sensor's current gain", size * limits.current_gain))
    parts += [
        ("sensor's current step", per_ma * limits.current_step_ma / 2),
        ("offset by the inputs' voltage (common mode)", per_ma * limits.current_common_ma),
        ("current into the chip's own pin", per_ma * limits.current_pin_ma),
    ]
    supply = [("offset by the chip's supply", per_ma * limits.current_supply_ma)]
    drifts = [
        ("current offset's drift with temperature", per_ma * limits.current_drift_ma),
        ("current gain's drift with temperature", size * limits.current_drift_gain),
    ]
    return (
        *_line_components("current", line, value, per_ma),
        *_from_limits(parts),
        *_from_spans(supply, known=limits.zero_v is None),
        *_from_spans(drifts, known=limits.is_span_known),
    )


def _voltage_components(limits: Limits, value: float, per_v: float) -> Budget:
    size, line = abs(value), limits.voltage_line
    parts = []
    if line is None:
        parts.append(("sensor's voltage gain", size * limits.voltage_gain))
        parts.append(("sensor's voltage offset", per_v * limits.voltage_offset_v))
    parts.append(("sensor's voltage step", per_v * limits.voltage_step_v / 2))
    supply = [("voltage offset by the chip's supply", per_v * limits.voltage_supply_v)]
    drifts = [
        ("voltage offset's drift with temperature", per_v * limits.voltage_drift_v),
        ("voltage gain's drift with temperature", size * limits.voltage_drift_gain),
    ]
    return (
        *_line_components("voltage", line, value, per_v),
        *_from_limits(parts),
        *_from_spans(supply, known=line is None),
        *_from_spans(drifts, known=limits.is_span_known),
    )


def resistance_budget(
    limits: Limits, ohm: float, *, noise_ohm: float = 0.0, noise_dof: float = math.inf
) -> Budget:
    """Components of a resistance from steps of the load, R = -dV / dI.

    Offsets fall out of differences, and rounding is taken as scatter; the gains of voltage and
    current stay (GUM 5.1.6: relative uncertainties of a quotient add in squares).
    """
    size = abs(ohm)
    parts = [
        ("shunt resistor's tolerance", size * limits.shunt_gain),
        ("sensor's current gain", size * limits.current_gain),
        ("sensor's voltage gain", size * limits.voltage_gain),
    ]
    drifts = [
        ("current gain's drift with temperature", size * limits.current_drift_gain),
        ("voltage gain's drift with temperature", size * limits.voltage_drift_gain),
    ]
    scatter = (Component(SCATTER, "A", noise_ohm, noise_dof),) if noise_ohm > 0 else ()
    return (*_from_limits(parts), *_from_spans(drifts, known=limits.is_span_known), *scatter)


def _from_spans(parts: _Parts, *, known: bool) -> list[Component]:
    """Components that are a coefficient within limits times a span; ``known``: the span, else it is within limits, too.

    Either sign for both: u(x y) = u(x) u(y), as with means of 0 the first-order terms vanish and the product's own is
    all there is (JCGM 100 5.1.2, note); its shape is far from rectangular.
    """
    if known:
        return _from_limits(parts)
    return [Component(source, "B", abs(limit) / 3, LIMIT_DOF) for source, limit in parts if limit]


def _from_limits(parts: _Parts) -> list[Component]:
    """Rectangular components of greatest errors in the result's unit."""
    return [
        Component(source, "B", abs(limit) / _ROOT_3, LIMIT_DOF, RECTANGULAR)
        for source, limit in parts
        if limit
    ]


def _line_components(name: str, line: Line | None, value: float, per_unit: float) -> Budget:
    """What a calibration left: its reference, its zero with the gain that goes along, the rest of the gain.

    A zero's error a = per_unit u_z and a gain's b = value u_g with correlation r are split into
    a + r b and b sqrt(1 - r^2): independent, and their squares add to a^2 + b^2 + 2 r a b (GUM 5.2.2).
    """
    if line is None:
        return ()
    # True = factor (reading - zero): a zero read too high makes the result too low.
    zero = -per_unit * line.factor * line.zero_standard
    if not line.points:
        return _present(Component(f"calibration's {name} zero", "A", abs(zero)))
    gain = -value * line.factor_standard
    r = line.correlation
    reference = -per_unit * line.factor * line.reference_zero - value * line.reference_factor
    return _present(
        Component(f"calibration's {name} reference", "B", abs(reference), shape=RECTANGULAR),
        Component(f"calibration's {name} zero", "A", abs(zero + r * gain)),
        Component(f"calibration's {name} gain", "A", abs(gain) * math.sqrt(max(0.0, 1 - r * r))),
    )


def _present(*components: Component) -> Budget:
    return tuple(component for component in components if component.standard > 0)


def combined(components: Budget) -> float:
    """Combined standard uncertainty of independent components (GUM 5.1.2)."""
    return math.hypot(*(part.standard for part in components))


def effective_dof(components: Budget) -> float:
    """Effective degrees of freedom of Welch and Satterthwaite (GUM G.4.1), the next lower whole number."""
    total = combined(components)
    weight = sum(part.standard**4 / part.dof for part in components)
    if not weight > 0:
        return math.inf
    return float(max(1, math.floor(total**4 / weight)))


@lru_cache(maxsize=4096)
def coverage_factor(components: Budget, coverage: float = COVERAGE) -> float:
    """Half-width of the symmetric interval that holds ``coverage``, in combined standard uncertainties.

    Student's t at the effective degrees of freedom, times what the shape does: the greatest
    rectangular component is taken as it is and all the rest as normal, which is exact for one
    limit alone (0.95 sqrt(3) = 1.645) and for none (1.960), and a little wide in between.
    """
    total = combined(components)
    greatest = max((part.standard for part in components if part.shape == RECTANGULAR), default=0.0)
    share = round((greatest / total) ** 2, 4) if total > 0 else 0.0
    dof = effective_dof(components)
    normal = float(scipy.special.ndtri((1 + coverage) / 2))
    t = float(scipy.special.stdtrit(dof, (1 + coverage) / 2)) if math.isfinite(dof) else normal
    return t * _shape_factor(share, coverage) / normal


@lru_cache(maxsize=4096)
def _shape_factor(share: float, coverage: float) -> float:
    """Quantile of rectangular + normal of unit variance, ``share`` of it the rectangular one's.

    With half-width a and normal standard deviation s: P(|X| < h) = [G(h + a) - G(h - a)] / a - 1,
    G(x) = x Phi(x / s) + s phi(x / s), the integral of the normal distribution function.
    """
    if share <= 0:
        return float(scipy.special.ndtri((1 + coverage) / 2))
    a, s = math.sqrt(3 * share), math.sqrt(max(1 - share, 0.0))
    if s < 1e-6:
        return a * coverage

    def g(x: float) -> float:
        return float(
            x * scipy.special.ndtr(x / s)
            + s * math.exp(-0.5 * (x / s) ** 2) / math.sqrt(2 * math.pi)
        )

    def missing(h: float) -> float:
        return (g(h + a) - g(h - a)) / a - 1 - coverage

    return float(scipy.optimize.brentq(missing, 1e-9, 10.0))


def interval(
    value: float, unit: str, components: Budget | None, *, less: float = 0.0, more: float = 0.0
) -> Quantity:
    """Quantity with its 95 % interval; ``less`` and ``more`` are bounds that come on top, e.g. from gaps.

    ``components`` None: limits are not known, and the note says so.
    """
    if components is None:
        return Quantity(value, unit, note=NO_LIMITS_NOTE)
    factor = coverage_factor(components)
    half = factor * combined(components)
    note = f"coverage factor k = {factor:.2f}"
    if less > 0 or more > 0:
        note += "; what gaps may hide is added in full"
    return Quantity(value, unit, value - half - less, value + half + more, COVERAGE, note)


def shares(components: Budget) -> tuple[tuple[str, float], ...]:
    """Each source's share of the combined variance (0 to 1), greatest first."""
    total = combined(components) ** 2
    ordered = sorted(components, key=lambda part: part.standard, reverse=True)
    return tuple((part.source, part.standard**2 / total) for part in ordered) if total else ()
