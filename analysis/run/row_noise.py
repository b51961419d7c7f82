"""What the scatter of a run's readings leaves of the sensor's steps, and the run's limits with it."""

from dataclasses import dataclass

import numpy as np

from analysis.doubt.limits import Limits
from analysis.run.trace import Trace, sum_of_products
from logger.base.sensor_limits import SPREAD_SHARE, rounding_share


@dataclass(frozen=True)
class Rounding:
    """Share of a step that rounding leaves in the mean of a row: half where no noise spreads the readings."""

    current: float = 0.5
    voltage: float = 0.5

    @property
    def spreads_voltage(self) -> bool:
        """Whether noise spreads conversions over several steps of the voltage."""
        return self.voltage <= SPREAD_SHARE


def rounding_in_run(trace: Trace, limits: Limits | None) -> Rounding:
    """What the run's scatter leaves of the sensor's whole steps."""
    seen = trace.scatter
    if limits is None or not limits.full_step_ma:
        return Rounding()
    step_v = limits.sheet.voltage_step_v if limits.sheet else limits.voltage_step_v
    noise_v = seen.voltage_alone_v * float(np.sqrt(seen.conversions))
    return Rounding(
        rounding_share(seen.conversion_ma / limits.full_step_ma),
        rounding_share(noise_v / step_v) if step_v else 0.5,
    )


def limits_in_run(trace: Trace, limits: Limits | None) -> Limits | None:
    """Limits with the rounding that this run's noise leaves."""
    if limits is None:
        return None
    left = rounding_in_run(trace, limits)
    bus_v = trace.bus_v if trace.bus_v is not None else trace.voltage_v
    if bus_v is not None:
        limits = limits.at_voltage(
            sum_of_products(bus_v, trace.weight_s) / float(trace.weight_s.sum())
        )
    return limits.spread(current=left.current, voltage=left.voltage)
