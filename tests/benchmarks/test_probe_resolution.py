"""What the probe resolves, from 10 uA to 3 A: the table of the README, measured on simulated boards.

Run with ``python -m pytest tests/benchmarks/test_probe_resolution.py -s``; it prints Markdown. Every chip's errors are
drawn from all of the data sheets' limits; each figure is the error that 95 of 100 chips stay under,
from a reading of ten seconds at up to 5 degrees beside the calibration. The noise of the chips, which lets
readings below a step be averaged, is invented (no sheet limits it).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from firmware_probe.twin.sensor import INA219, INA226, CurrentSensor, SensorKind
from logger.base.sensor_limits import SHUNT_LIMIT, sensor_limits
from logger.calibration.fit import Compared, Prior, fit_line
from logger.calibration.steps import Reading
from logger.run.calibration import Line
from tests.support.planted_chips import any_chip, drifted, read_at

CHIPS = 40
CURRENTS_A = (10e-6, 30e-6, 100e-6, 300e-6, 1e-3, 3e-3, 10e-3, 30e-3, 0.1, 0.3, 1.0, 3.0)
SHUNT_OHM = 0.1
METER = 0.001
VOLT = 4.5


@dataclass(frozen=True)
class Errors:
    """Shares of the true current that 95 of 100 chips stay under; None: beyond the range."""

    as_bought: float | None
    zeroed: float | None
    calibrated: float | None


def compared(reading: Reading, true_ma: float) -> Compared:
    return Compared(reading.current_ma, true_ma, reading.current_standard_ma)


def lines_of(sensor: CurrentSensor, rng: np.random.Generator) -> tuple[Line, Line]:
    """Zero alone, and zero with two currents beside a meter within 0.1 %."""
    sheet = sensor_limits(sensor.kind.name)
    assert sheet is not None

    def read(current_a: float) -> Reading:
        return read_at(sensor, VOLT, current_a, int(rng.integers(1 << 30)))

    prior = Prior(
        1e3 * sheet.shunt_offset_v(sensor.range_ma, SHUNT_OHM) / SHUNT_OHM,
        (sheet.current_gain, SHUNT_LIMIT),
    )
    zero = compared(read(0.0), 0.0)
    meter = 1 + rng.uniform(-METER, METER)
    points = [compared(read(a), 1e3 * a * meter) for a in (0.05, 0.6)]
    return fit_line([], prior, 0.0, zero), fit_line(points, prior, METER, zero)


def errors_at(kind: SensorKind, current_a: float, chips: list[CurrentSensor]) -> list[list[float]]:
    """Relative errors, a row per chip: as bought, zeroed, calibrated."""
    rows = []
    for number, sensor in enumerate(chips):
        rng = np.random.default_rng([number, 99])
        zeroed, whole = lines_of(sensor, rng)
        later = replace(sensor, errors=drifted(sensor.errors, kind, rng))
        read_ma = read_at(later, VOLT, current_a, int(rng.integers(1 << 30))).current_ma
        true_ma = 1e3 * current_a
        rows.append(
            [
                abs(line.factor * (read_ma - line.zero) / true_ma - 1)
                for line in (Line(), zeroed, whole)
            ]
        )
    return rows


def measured(kind: SensorKind) -> dict[float, Errors]:
    chips = [
        CurrentSensor(
            kind, shunt_ohm=SHUNT_OHM, errors=any_chip(kind, np.random.default_rng([seed, 5]))
        )
        for seed in range(CHIPS)
    ]
    found = {}
    for current_a in CURRENTS_A:
        if 1e3 * current_a > chips[0].range_ma:
            found[current_a] = Errors(None, None, None)
        else:
            rows = np.array(errors_at(kind, current_a, chips))
            found[current_a] = Errors(*map(float, np.quantile(rows, 0.95, axis=0)))
    return found


def current_words(current_a: float) -> str:
    for scale, unit in ((1e-6, "µA"), (1e-3, "mA"), (1.0, "A")):
        if current_a < 999 * scale:
            return f"{current_a / scale:.3g} {unit}"
    return f"{current_a:g} A"


def cell(share: float | None) -> str:
    """Percent to two digits; an error as great as the current is no reading."""
    if share is None:
        return "beyond its range"
    if share >= 1:
        return "lost in the zero"
    digits = max(0, 1 - math.floor(math.log10(100 * share)))
    return f"± {100 * share:.{digits}f} %"


@pytest.mark.timeout(1200)
def test_what_the_probe_resolves() -> None:
    tables = {kind.name: measured(kind) for kind in (INA219, INA226)}
    print(
        "\n\n| current | INA219 as bought | zero done | calibrated | INA226 as bought | zero done | calibrated |"
    )
    print("|---|---|---|---|---|---|---|")
    for current_a in CURRENTS_A:
        cells = [
            cell(share)
            for errors in (tables["INA219"][current_a], tables["INA226"][current_a])
            for share in (errors.as_bought, errors.zeroed, errors.calibrated)
        ]
        print(f"| {current_words(current_a)} | {' | '.join(cells)} |")
    at = tables["INA219"][0.3]
    assert at.as_bought is not None
    assert at.calibrated is not None
    assert at.calibrated < at.as_bought / 5
