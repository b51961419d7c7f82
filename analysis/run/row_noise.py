"""Scatter of the readings: how much there is, and whether it spreads them over the sensor's steps."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.doubt.limits import Limits
from analysis.run.trace import Floats, Trace
from logger.base.sensor_limits import SPREAD_NOISE_STEPS, SPREAD_SHARE, rounding_share

# Lower quartile of |x1 - 2 x2 + x3| of equal normal readings to their standard deviation (ndtri(0.625) = 0.3186).
# Second differences do not see a steady fall; the quartile none of modes that change every few rows.
_QUARTER: Final = 0.25
_QUARTER_TO_STANDARD: Final = 1 / (0.318639 * math.sqrt(6.0))
# Differences over more rows than this tell nothing new.
_ROWS_LOOKED_AT: Final = 200_000


@dataclass(frozen=True)
class RowNoise:
    """Standard deviation of a row's mean, robust against steps of the load; 0 where not measured.

    ``rounding_current``: share of a step that rounding leaves in the current. ``spreads_voltage``: noise spreads
    conversions over several steps of the voltage.
    """

    current_ma: float
    voltage_v: float
    rounding_current: float
    spreads_voltage: bool


def row_noise(trace: Trace, limits: Limits | None) -> RowNoise:
    """Noise of current and voltage rows of a run."""
    current_ma, voltage_v = _noise(trace.current_ma), _noise(trace.voltage_v)
    if trace.conversions is not None:
        # Modes that change from row to row look like noise; it spans no more than a row's own conversions do.
        # Of the voltage they stay in: modes shorter than the hold do move the crossing.
        count = max(float(np.median(trace.conversions[:_ROWS_LOOKED_AT])), 1.0)
        span_ma = _usual_span(trace.current_max_ma, trace.current_min_ma)
        if span_ma is not None:
            current_ma = min(current_ma, span_ma / 2 / math.sqrt(count))
    if limits is None:
        return RowNoise(current_ma, voltage_v, 0.5, False)
    n = 1.0 if trace.conversions is None else float(np.median(trace.conversions[:_ROWS_LOOKED_AT]))
    root = math.sqrt(max(n, 1.0))
    step_ma, step_v = limits.current_step_ma, limits.voltage_step_v
    noisy = current_ma * root >= SPREAD_NOISE_STEPS * step_ma
    rounding = SPREAD_SHARE if noisy else 0.5
    if trace.current_min_ma is not None and trace.current_max_ma is not None:
        span_ma = float(
            np.median(
                trace.current_max_ma[:_ROWS_LOOKED_AT] - trace.current_min_ma[:_ROWS_LOOKED_AT]
            )
        )
        rounding = rounding_share(span_ma / step_ma, noisy=noisy)
    return RowNoise(
        current_ma, voltage_v, rounding, voltage_v * root >= SPREAD_NOISE_STEPS * step_v
    )


def limits_in_run(trace: Trace, limits: Limits | None) -> Limits | None:
    """Limits with the rounding that this run's noise leaves."""
    if limits is None:
        return None
    noise = row_noise(trace, limits)
    bus_v = trace.bus_v if trace.bus_v is not None else trace.voltage_v
    if bus_v is not None:
        limits = limits.at_voltage(float(np.average(bus_v, weights=trace.weight_s)))
    return limits.spread(current=noise.rounding_current, voltage=noise.spreads_voltage)


def _noise(values: Floats | None) -> float:
    if values is None or len(values) < 4:
        return 0.0
    steps = np.diff(values[:_ROWS_LOOKED_AT], 2)
    return _QUARTER_TO_STANDARD * float(np.quantile(np.abs(steps), _QUARTER))


def _usual_span(high: Floats | None, low: Floats | None) -> float | None:
    """Median distance of two columns; None where there is none to tell."""
    if high is None or low is None:
        return None
    span = float(np.median(high[:_ROWS_LOOKED_AT] - low[:_ROWS_LOOKED_AT]))
    return span if span > 0 else None
