"""Two inexpensive sensors: quantisation, offset, gain and noise of recorded rows.

Steps and limits: data sheets of the INA219 (10 uV, 4 mV) and INA226 (2.5 uV, 1.25 mV); their errors
are drawn within the sheets' typical to maximum values.
"""

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.lifetime_judge.engine import FLOATS


@dataclass(frozen=True)
class Sensor:
    """Steps in A and V, offset in A, gains relative, readings averaged per row."""

    current_step_a: float
    bus_step_v: float
    offset_a: float
    current_gain: float
    bus_gain: float
    readings: int

    def rows(
        self, current_a: FLOATS, scaled_v: FLOATS, rng: np.random.Generator
    ) -> tuple[FLOATS, FLOATS]:
        """Recorded mA and V; `scaled_v` already carries the gain. An average of n quantised, noisy
        readings has steps of 1/n and noise of about 0.7 step/sqrt(n)."""
        n = self.readings

        def quantise(x: FLOATS, step: float) -> FLOATS:
            noisy = x + rng.normal(0, 0.7 * step / np.sqrt(n), x.size)
            return np.asarray(np.round(noisy / step * n) * step / n, dtype=np.float64)

        amps = quantise(current_a * self.current_gain + self.offset_a, self.current_step_a)
        volts = np.maximum(quantise(scaled_v, self.bus_step_v), 0.0)
        return np.asarray(np.round(amps * 1e3, 4), np.float64), np.asarray(
            np.round(volts, 4), np.float64
        )


def draw_sensor(shunt_ohm: float, rng: np.random.Generator) -> Sensor:
    """A sensor at random."""
    readings = int(rng.choice([1, 4, 16, 64]))
    if rng.random() < 0.6:
        return Sensor(
            10e-6 / shunt_ohm, 4e-3, float(rng.normal(0, 20e-6)) / shunt_ohm,
            1 + float(rng.normal(0, 0.002)), 1 + float(rng.normal(0, 0.002)), readings,
        )  # fmt: skip
    return Sensor(
        2.5e-6 / shunt_ohm, 1.25e-3, float(rng.normal(0, 3e-6)) / shunt_ohm,
        1 + float(rng.normal(0, 0.0005)), 1 + float(rng.normal(0, 0.0005)), readings,
    )  # fmt: skip
