"""Steps of a calibration: read the board for a while, compare with a reference, fit, say what came out."""

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from statistics import fmean, median, stdev
from typing import Final

from firmware_probe.line_format import command
from logger.base.config_folder import FOLDER_VARIABLE
from logger.base.errors import BenchError, spoken
from logger.base.numbers import digits_text
from logger.base.safe_files import json_bytes, read_json, replace_file
from logger.base.sensor_limits import (
    SHUNT_LIMIT,
    SHUNT_PER_C,
    SensorLimits,
    is_pack_on,
    rounding_share,
    rounding_share_by_span,
    sensor_limits,
)
from logger.board.port import Found, LinkLostError
from logger.board.stream import Answer, LineDecoder, Window
from logger.board.wiring_sense import Row
from logger.calibration.fit import Compared, Prior, fit_line
from logger.run.calibration import Calibration

METER: Final = "a meter"
WINDOW_US: Final = 100_000
ROWS_LEAST: Final = 10
_WAIT_S: Final = 0.1
_SILENCE_S: Final = 5.0
# A load that wanders by more than this cannot be compared with a meter's reading.
_STEADY_SHARE: Final = 0.01
# Differences beyond so many times the data sheet's limits are mistakes.
_BELIEVED: Final = 1.5
# A hand meter may be off by this much as well: common practice, no source.
_METER_SHARE: Final = 0.02
# A bench may be so far from the sheet's 25 degrees: common practice, no source.
_BENCH_C: Final = 10.0
_ROOT_3: Final = math.sqrt(3.0)


@dataclass(frozen=True)
class Reading:
    """Means of a while with their standard uncertainties from scatter and rounding; mA and V."""

    current_ma: float
    current_standard_ma: float
    pack_v: float
    pack_standard_v: float
    bus_v: float
    is_steady: bool


@dataclass(frozen=True)
class Step:
    """One comparison. ``true_ma`` 0: the zero. None: not compared. ``digits_*``: limit of the reference's last digits.

    ``limit_ma``, ``limit_v``: greatest relative error of the references, 0 where not compared;
    ``against``: what the current was compared with; ``taken_utc``: when.
    """

    reading: Reading
    true_ma: float | None = None
    true_v: float | None = None
    digits_ma: float = 0.0
    digits_v: float = 0.0
    limit_ma: float = 0.0
    limit_v: float = 0.0
    against: str = METER
    taken_utc: str = ""


@dataclass(frozen=True)
class Accuracy:
    """Greatest relative errors of the references, the same in all comparisons (0.01 is 1 %)."""

    current: float
    voltage: float


def read_board(
    found: Found, seconds: float, *, now: Callable[[], float] = time.monotonic
) -> list[Row]:
    """Windows of the next ``seconds`` of board time. Raises BenchError if the board falls silent.

    What was on its way before the board answered ``start`` belongs to the reading before, and to its current.
    """
    decoder, rows = LineDecoder(), []
    started = False
    start_us: int | None = None
    heard_s = now()
    try:
        for line in (("stop",), ("window", str(WINDOW_US)), ("start",)):
            found.link.write(command(*line))
        while True:
            data = found.link.read(_WAIT_S)
            for item in decoder.feed(data):
                if isinstance(item, Answer) and item.command == "start" and item.accepted:
                    started, heard_s = True, now()
                if not isinstance(item, Window) or not started:
                    continue
                heard_s = now()
                # The first window may have begun before the wires were as they are now.
                if start_us is None:
                    start_us = item.time_us
                    continue
                rows.append(Row(*map(float, item.passed.split(b","))))
                if item.time_us - start_us >= seconds * 1e6 and len(rows) >= ROWS_LEAST:
                    for line in (("stop",), ("window", str(found.hello.window_us))):
                        found.link.write(command(*line))
                    return rows
            if now() - heard_s > _SILENCE_S:
                raise BenchError(
                    "The board sends no readings.",
                    evidence=f"{'nothing' if started else 'no answer to start'} for {_SILENCE_S:g} s on "
                    f"{found.candidate.port}",
                    next_step="check the cable and the sensor's wires, then try again.",
                )
    except LinkLostError as error:
        raise BenchError(
            "The board went away during the calibration.",
            evidence=str(error),
            next_step="plug it in again and repeat this step.",
        ) from error


def reading_of(rows: Sequence[Row], sheet: SensorLimits, shunt_ohm: float) -> Reading:
    """Means of the rows; their uncertainty is scatter over root n, and rounding where noise does not spread it."""
    step_ma = 1e3 * sheet.current_step_v / shunt_ohm
    step_v = sheet.voltage_step_v
    currents = [row.current_ma for row in rows]
    volts = [row.pack_v for row in rows]
    root_n, conversions = math.sqrt(len(rows)), median(row.conversions for row in rows)
    span_ma = median(row.current_max_ma - row.current_min_ma for row in rows)
    noise_v = stdev(volts) * math.sqrt(max(conversions, 1.0))
    left_ma = step_ma * rounding_share_by_span(span_ma / step_ma, conversions)
    left_v = step_v * rounding_share(noise_v / step_v)
    mean_ma = fmean(currents)
    wander_ma = max(currents) - min(currents)
    return Reading(
        current_ma=mean_ma,
        current_standard_ma=math.hypot(stdev(currents) / root_n, left_ma / _ROOT_3),
        pack_v=fmean(volts),
        pack_standard_v=math.hypot(stdev(volts) / root_n, left_v / _ROOT_3),
        bus_v=fmean(row.bus_v for row in rows),
        is_steady=wander_ma
        <= max(_STEADY_SHARE * abs(mean_ma), 3e3 * sheet.current_grain_v / shunt_ohm),
    )


def sheet_of(found: Found) -> tuple[SensorLimits, float]:
    """Data sheet and shunt of a board's sensor. Raises BenchError where there is none to calibrate."""
    hello = found.hello
    sheet = sensor_limits(hello.sensor)
    if sheet is None or not hello.shunt_ohm or hello.shunt_ohm <= 0:
        raise BenchError(
            "The board has no sensor that can be calibrated.",
            evidence=f"it reports sensor {hello.sensor}, shunt {hello.shunt_ohm or 0:g} Ω",
            next_step="check the sensor's wires and reset the board.",
        )
    return sheet, hello.shunt_ohm


def check_zero(reading: Reading, found: Found) -> None:
    """A zero must be one. Raises BenchError."""
    sheet, shunt_ohm = sheet_of(found)
    limit_ma = sheet.zero_ma(found.hello.range_ma, shunt_ohm, reading.bus_v, drift_c=_BENCH_C)
    if abs(reading.current_ma) > _BELIEVED * limit_ma or not reading.is_steady:
        raise BenchError(
            "This is no zero: current flows.",
            evidence=f"the sensor reads {digits_text(reading.current_ma, 3)} mA at {reading.bus_v:.2f} V; its zero is off by "
            f"{digits_text(limit_ma, 2)} mA at most",
            next_step="unplug the load, leave the pack on, and repeat the zero.",
        )


def check_point(step: Step, found: Found) -> None:
    """A reading further from the reference than the sensor can be wrong is a mistake. Raises BenchError."""
    sheet, shunt_ohm = sheet_of(found)
    zero_ma = sheet.zero_ma(found.hello.range_ma, shunt_ohm, step.reading.bus_v, drift_c=_BENCH_C)
    gain = sheet.current_gain + SHUNT_LIMIT
    for name, unit, read, true, limit in (
        ("current", "mA", step.reading.current_ma, step.true_ma, (zero_ma, gain)),
        (
            "voltage",
            "V",
            step.reading.pack_v,
            step.true_v,
            (sheet.voltage_offset_v, sheet.voltage_gain),
        ),
    ):
        if true is None:
            continue
        most = _BELIEVED * (limit[0] + limit[1] * abs(true)) + _METER_SHARE * abs(true)
        if abs(read - true) > most:
            raise BenchError(
                f"The {name} differs from the reference by more than this sensor can be wrong.",
                evidence=f"the sensor reads {digits_text(read, 4)} {unit}, the reference says {digits_text(true, 4)} {unit}",
                next_step="check the meter's leads and range, the resistor's value, and that the shunt is the one the board is set to.",
            )


def resistor_current(
    reading: Reading, ohm: float, shunt_ohm: float, meter_v: float | None
) -> float:
    """Current in mA through a known resistor: the voltage over it is the pack's less the shunt's drop."""
    if meter_v is not None:
        return 1e3 * meter_v / (ohm + shunt_ohm)
    return 1e3 * reading.bus_v / ohm


def resistor_accuracy(
    tolerance: float, sheet: SensorLimits, volt: float, meter: float | None
) -> float:
    """Greatest relative error of that current: resistor and voltage, in squares."""
    if meter is not None:
        return math.hypot(tolerance, meter)
    return math.hypot(tolerance, sheet.voltage_gain, sheet.voltage_offset_v / max(volt, 0.1))


def calibrate(
    steps: Sequence[Step],
    accuracy: Accuracy,
    found: Found,
    *,
    done_utc: str,
    temperature_c: float | None,
    method: str,
) -> Calibration:
    """Calibration from all steps. Raises BenchError where nothing was compared."""
    sheet, shunt_ohm = sheet_of(found)
    hello = found.hello
    zero_step = next((step for step in reversed(steps) if step.true_ma == 0.0), None)
    pointed = [step for step in steps if step.true_ma]
    points = [_compared_ma(step) for step in pointed]
    zero_v = _zero_voltage(zero_step, pointed)
    zero_ma = sheet.zero_ma(hello.range_ma, shunt_ohm, zero_v, drift_c=_BENCH_C)
    zero = None if zero_step is None else _compared_zero(zero_step, zero_v, sheet, shunt_ohm)
    volts = [
        Compared(
            step.reading.pack_v,
            step.true_v,
            step.reading.pack_standard_v,
            step.digits_v / _ROOT_3,
        )
        for step in steps
        if step.true_v
    ]
    if zero is None and not points and not volts:
        raise BenchError(
            "Nothing was compared, so there is no calibration.",
            next_step="do the zero, or give a meter's reading.",
        )
    current = voltage = None
    if zero is not None or points:
        drift = _BENCH_C * (sheet.current_gain_per_c + SHUNT_PER_C)
        prior = Prior(zero_ma, (sheet.current_gain, SHUNT_LIMIT, drift))
        current = fit_line(points, prior, accuracy.current, zero)
    if volts:
        gains = (sheet.voltage_gain, _BENCH_C * sheet.voltage_gain_per_c)
        prior = Prior(sheet.voltage_zero_v(drift_c=_BENCH_C), gains)
        voltage = fit_line(volts, prior, accuracy.voltage)
    return Calibration(
        board=hello.board,
        usb_serial=found.candidate.usb_serial,
        sensor=hello.sensor,
        shunt_ohm=shunt_ohm,
        range_ma=hello.range_ma,
        done_utc=done_utc,
        temperature_c=temperature_c,
        method=method,
        current=current,
        voltage=voltage,
        zero_v=None if current is None else zero_v,
    )


def _zero_voltage(zero: Step | None, points: Sequence[Step]) -> float:
    """Voltage on the sensor's inputs at which the zero that comes out holds: where a pack was on."""
    at = [step.reading.bus_v for step in ([zero] if zero else []) if is_pack_on(step.reading.bus_v)]
    at = at or [step.reading.bus_v for step in points]
    return max(0.0, fmean(at)) if at else 0.0


def _compared_zero(step: Step, zero_v: float, sheet: SensorLimits, shunt_ohm: float) -> Compared:
    """The zero; one taken with the pack off beside points with it on is less sure there."""
    compared = _compared_ma(step)
    if is_pack_on(step.reading.bus_v) or not is_pack_on(zero_v):
        return compared
    apart_ma = 1e3 * sheet.common_v(zero_v, 0.0) / shunt_ohm + sheet.pin_current_ma(zero_v, 0.0)
    return replace(compared, true_standard=apart_ma / _ROOT_3)


def _compared_ma(step: Step) -> Compared:
    assert step.true_ma is not None
    reading = step.reading
    return Compared(
        reading.current_ma, step.true_ma, reading.current_standard_ma, step.digits_ma / _ROOT_3
    )


# A calibration of several commands: its steps stand in a file until it is finished.


def save_steps(path: Path, steps: Sequence[Step]) -> None:
    """Keep the steps for the next command. Raises BenchError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_file(path, json_bytes([asdict(step) for step in steps]))
    except OSError as error:
        raise BenchError(
            f"The step cannot be kept in {path.parent}.",
            evidence=spoken(error),
            next_step=f"make that folder writable, or set {FOLDER_VARIABLE} to another one.",
        ) from error


def load_steps(path: Path) -> list[Step]:
    """Steps kept so far; none if there is no file. Raises BenchError for a damaged one."""
    try:
        parts = read_json(path)
        return [Step(**{**part, "reading": Reading(**part["reading"])}) for part in parts]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise BenchError(
            "The steps kept so far cannot be read.",
            evidence=f"{path}: {spoken(error)}",
            next_step="delete that file and begin again.",
        ) from error


def with_true(
    reading: Reading, ma: float | None, volt: float | None, digits: tuple[float, float]
) -> Step:
    """A step from what a meter showed."""
    step = Step(reading, true_ma=ma, true_v=volt)
    return replace(step, digits_ma=digits[0] if ma else 0.0, digits_v=digits[1] if volt else 0.0)
