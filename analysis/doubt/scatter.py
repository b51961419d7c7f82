"""How much do readings scatter from row to row and from conversion to conversion? Of columns alone, whatever the sensor."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.base.sensor_limits import range_of_normal

Floats = NDArray[np.float64]

# Lower quartile of |x1 - 2 x2 + x3| of equal normal readings to their standard deviation (ndtri(0.625) = 0.3186).
# Second differences do not see a steady fall; the quartile none of modes that change every few rows.
_QUARTER: Final = 0.25
_QUARTER_TO_STANDARD: Final = 1 / (0.318639 * math.sqrt(6.0))
# Differences over more rows than this tell nothing new.
_ROWS_LOOKED_AT: Final = 200_000


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of a row's mean, robust against steps of the load; 0 where not measured.

    ``voltage_alone_v``: what the current's own changes do not explain. ``quiet_span_ma``: from the least to the greatest
    conversion of a window as noise alone makes it, at most (twice the nearer end's distance from the mean, so that
    short pulses do not count); None: not recorded. ``conversions``: usual number in a row.
    """

    current_ma: float
    voltage_v: float
    voltage_alone_v: float
    quiet_span_ma: float | None
    conversions: float

    @cached_property
    def conversion_ma(self) -> float:
        """Standard deviation of one conversion, at most."""
        of_rows = self.current_ma * math.sqrt(self.conversions)
        if self.quiet_span_ma is None:
            return of_rows
        return min(of_rows, self.quiet_span_ma / range_of_normal(self.conversions))


@dataclass(frozen=True)
class Columns:
    """Columns of a run, each of shape (n,); None: not recorded. mA, V."""

    current_ma: Floats | None
    least_ma: Floats | None
    most_ma: Floats | None
    voltage_v: Floats | None
    conversions: Floats | None


def scatter_of(columns: Columns) -> Scatter:
    """Scatter of a run's rows."""
    current, volts = _some(columns.current_ma), _some(columns.voltage_v)
    counted = _some(columns.conversions)
    conversions = 1.0 if counted is None else max(float(np.median(counted)), 1.0)
    current_ma = _noise(current)
    least, most = _some(columns.least_ma), _some(columns.most_ma)
    quiet_ma = None
    if current is not None and least is not None and most is not None:
        quiet_ma = 2 * float(np.median(np.minimum(most - current, current - least)))
        quiet_ma = max(quiet_ma, 0.0)
        span_ma = float(np.median(most - least))
        if counted is not None and span_ma > 0:
            # Modes that change from row to row look like noise; it spans no more than a row's own conversions do.
            current_ma = min(current_ma, span_ma / 2 / math.sqrt(conversions))
    voltage_v = _noise(volts)
    return Scatter(current_ma, voltage_v, _alone(volts, current, voltage_v), quiet_ma, conversions)


def _some(column: Floats | None) -> Floats | None:
    return None if column is None else column[:_ROWS_LOOKED_AT]


def _noise(values: Floats | None) -> float:
    if values is None or len(values) < 4:
        return 0.0
    return _of_steps(np.diff(values, 2))


def _of_steps(steps: Floats) -> float:
    return _QUARTER_TO_STANDARD * float(np.quantile(np.abs(steps), _QUARTER))


def _alone(volts: Floats | None, current: Floats | None, most_v: float) -> float:
    """The voltage's noise without what goes along with the current, by a straight line between their second differences."""
    if volts is None or current is None or len(volts) < 4:
        return most_v
    of_volts, of_current = np.diff(volts, 2), np.diff(current, 2)
    power = float(of_current @ of_current)
    if power <= 0:
        return most_v
    slope = float(of_volts @ of_current) / power
    return min(most_v, _of_steps(of_volts - slope * of_current))
