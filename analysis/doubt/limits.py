"""How far off this run's sensor, shunt and clock can be: data sheet, or calibration where one applies."""

import math
from dataclasses import dataclass, fields, replace
from typing import Final

from analysis.doubt.clock import ClockRate, clock_rate
from analysis.doubt.correction import Correction, correction_of
from logger.base.numbers import digits_text
from logger.base.sensor_identity import identity_words
from logger.base.sensor_limits import (
    BENCH_V,
    PACK_ON_V,
    SHUNT_LIMIT,
    SHUNT_PER_C,
    SensorLimits,
    sensor_limits,
)
from logger.run.calibration import Line
from logger.run.description import Description, Meter, Sensor

# How far a bench may be from the sheet's 25 degrees, and from an earlier calibration whose
# or whose run's temperature was not noted: common practice, no source.
BENCH_SPAN_C: Final = 10.0
CALIBRATION_SPAN_C: Final = 5.0
_ROOT_3: Final = math.sqrt(3.0)


# What a hand meter of unstated accuracy may be off: common practice, no source.
METER_LIMIT: Final = 0.03


@dataclass(frozen=True)
class Limits:
    """Greatest errors of one run's sensor, shunt and clock; ``*_gain`` are shares (0.01 is 1 %).

    Where a calibration applies (``current_line``, ``voltage_line``), gain and offset are sqrt(3) times
    what it left as standard uncertainty, and ``shunt_gain`` is 0. ``*_drift*``: what the
    temperature may have changed; ``is_span_known``: by how much it changed was noted. ``current_common_ma``, ``current_supply_ma``, ``current_pin_ma``: offset by the
    voltage on the inputs, by the chip's supply (``voltage_supply_v``: of the voltage), by its own pin (``at_voltage``). ``full_step_ma``: one step,
    whatever noise spreads. ``assumptions``: in words, for the report's method.
    """

    current_gain: float
    shunt_gain: float
    current_offset_ma: float
    current_step_ma: float
    voltage_gain: float
    voltage_offset_v: float
    voltage_step_v: float
    clock_gain: float
    assumptions: tuple[str, ...]
    current_drift_gain: float = 0.0
    current_drift_ma: float = 0.0
    voltage_drift_gain: float = 0.0
    voltage_drift_v: float = 0.0
    current_line: Line | None = None
    voltage_line: Line | None = None
    shunt_ohm: float = 0.0
    full_step_ma: float = 0.0
    sheet: SensorLimits | None = None
    zero_v: float | None = None
    current_common_ma: float = 0.0
    current_supply_ma: float = 0.0
    current_pin_ma: float = 0.0
    voltage_supply_v: float = 0.0
    is_span_known: bool = False

    @property
    def current_factor(self) -> float:
        """What a calibration multiplied the current by."""
        return self.current_line.factor if self.current_line else 1.0

    @property
    def zero_ma(self) -> float:
        """Greatest reading where nothing flows, whether a calibration was applied to it or not."""
        line_ma = abs(self.current_line.zero) if self.current_line else 0.0
        parts = (
            self.current_offset_ma,
            self.current_step_ma,
            self.current_common_ma,
            self.current_supply_ma,
            self.current_pin_ma,
            self.current_drift_ma,
        )
        return line_ma + sum(parts)

    def at_voltage(self, bus_v: float) -> "Limits":
        """The same for a run whose mean voltage on the sensor's inputs is this."""
        if self.sheet is None:
            return self
        sheet, zero_v = self.sheet, self.zero_v
        return replace(
            self,
            current_common_ma=1e3 * sheet.common_v(bus_v, zero_v) / self.shunt_ohm,
            current_supply_ma=1e3 * sheet.supply_v(zeroed=zero_v is not None) / self.shunt_ohm,
            current_pin_ma=sheet.pin_current_ma(bus_v, zero_v),
        )

    def spread(self, *, current: float, voltage: float) -> "Limits":
        """The same where noise spread the readings over several steps, so that rounding averages out.

        ``current``, ``voltage``: share of a step that rounding leaves (``rounding_share``).
        """
        return replace(
            self,
            current_step_ma=self.current_step_ma * 2 * current,
            voltage_step_v=self.voltage_step_v * 2 * voltage,
        )


def limits_of(description: Description) -> Limits | None:
    """Limits of the run's sensor or stated meter; None if neither is known.

    The calibration that the run carries counts where it applies (``analysis.doubt.correction``).
    """
    if description.meter is not None:
        return _limits_of_meter(description.meter, clock_rate(description.clock))
    sensor = description.sensor
    if sensor is not None and sensor.later:
        return _limits_of_both(description, sensor)
    sheet = sensor_limits(sensor.kind) if sensor else None
    if sensor is None or sheet is None or not sensor.shunt_ohm or sensor.shunt_ohm <= 0:
        return None
    correction = correction_of(description)
    range_ma = None if correction.range_changed else sensor.range_ma
    offset_v = sheet.shunt_offset_v(range_ma, sensor.shunt_ohm)
    clock = clock_rate(description.clock)
    limits = Limits(
        current_gain=sheet.current_gain,
        shunt_gain=SHUNT_LIMIT,
        current_offset_ma=1e3 * offset_v / sensor.shunt_ohm,
        current_step_ma=1e3 * sheet.current_step_v / sensor.shunt_ohm,
        voltage_gain=sheet.voltage_gain,
        voltage_offset_v=sheet.voltage_offset_v,
        voltage_step_v=sheet.voltage_step_v,
        clock_gain=clock.limit,
        assumptions=(),
        shunt_ohm=sensor.shunt_ohm,
        full_step_ma=1e3 * sheet.current_grain_v / sensor.shunt_ohm,
        sheet=sheet,
        zero_v=correction.zero_v,
    )
    limits, words = _calibrated(limits, correction)
    limits = limits.at_voltage(_usual_v(description))
    limits, drift_words = _drifted(limits, sheet, sensor.shunt_ohm, correction)
    sheet_words = _sheet_words(sheet, sensor, offset_v, limits)
    unsure = identity_words(sensor.kind, sensor.identity, sensor.ids)
    assumptions = (*sheet_words, unsure, *words, _zero_words(limits), drift_words, clock.words)
    return replace(limits, assumptions=tuple(text for text in assumptions if text))


def _limits_of_both(description: Description, sensor: Sensor) -> Limits | None:
    """A sensor took another's place: the greater limit of the two, each as bought, for the whole run."""
    bare = replace(description, calibration=None)
    kinds = (sensor.kind, sensor.later.split(" ", maxsplit=1)[0])
    found = [
        limits_of(replace(bare, sensor=replace(sensor, kind=kind, range_ma=None, later="")))
        for kind in kinds
    ]
    first, second = found
    if first is None or second is None:
        return None
    wide, fine = sorted((first, second), key=lambda each: -each.current_offset_ma)
    greatest = {
        item.name: max(getattr(wide, item.name), getattr(fine, item.name))
        for item in fields(Limits)
        if item.type is float or item.type == "float"
    }
    words = (
        f"While it recorded, an {sensor.later} took the place of the {sensor.kind}: the greater limit of the two "
        "holds for the whole run, without a calibration."
    )
    return replace(wide, **greatest, assumptions=(words, *wide.assumptions))


def _limits_of_meter(meter: Meter, clock: ClockRate) -> Limits:
    """Another meter's limits, as its manual states them; its last digits hold rounding as well."""
    return Limits(
        current_gain=meter.current_share or 0.0,
        shunt_gain=0.0,
        current_offset_ma=meter.current_offset_ma or 0.0,
        current_step_ma=0.0,
        voltage_gain=meter.voltage_share or 0.0,
        voltage_offset_v=meter.voltage_offset_v or 0.0,
        voltage_step_v=0.0,
        clock_gain=clock.limit,
        assumptions=(
            f"Meter within {meter.text}, as stated when the run was imported.",
            clock.words.replace("Board's", "Logger's"),
        ),
    )


def _usual_v(description: Description) -> float:
    """Voltage that the sensor's inputs stand at, before a run tells."""
    pack = description.pack
    return BENCH_V if pack is None else pack.nominal_v


def _zero_words(limits: Limits) -> str:
    """What the way in which the zero was taken leaves open."""
    if limits.zero_v is None or limits.zero_v > PACK_ON_V:
        return ""
    more_ma = limits.current_common_ma + limits.current_pin_ma
    return (
        f"The zero was taken with the pack off: with the pack on it may be {digits_text(more_ma, 2)} mA elsewhere. "
        "Take it again with the pack on and the load unplugged."
    )


def _calibrated(limits: Limits, correction: Correction) -> tuple[Limits, list[str]]:
    """Limits with a calibration in place of the data sheet's."""
    words = []
    if correction.words:
        words.append(correction.words)
    current, voltage = correction.current, correction.voltage
    if current is not None:
        zero_ma = _ROOT_3 * math.hypot(current.zero_standard, current.reference_zero)
        limits = replace(limits, current_offset_ma=zero_ma, current_line=current)
        if current.points:
            gain = _ROOT_3 * math.hypot(current.factor_standard, current.reference_factor)
            limits = replace(limits, current_gain=gain, shunt_gain=0.0)
    if voltage is not None:
        limits = replace(
            limits,
            voltage_offset_v=_ROOT_3 * math.hypot(voltage.zero_standard, voltage.reference_zero),
            voltage_gain=_ROOT_3 * math.hypot(voltage.factor_standard, voltage.reference_factor),
            voltage_line=voltage,
        )
    return limits, words


def _drifted(
    limits: Limits, sheet: SensorLimits, shunt_ohm: float, correction: Correction
) -> tuple[Limits, str]:
    """Limits with what the temperature may have changed."""

    def span_c(calibrated: bool) -> float:
        if not calibrated:
            return BENCH_SPAN_C
        apart_c = correction.apart_c
        return CALIBRATION_SPAN_C if apart_c is None else max(apart_c, 1.0)

    zero_c = span_c(limits.current_line is not None)
    gain_c = span_c(limits.current_line is not None and limits.current_line.points > 0)
    volt_c = span_c(limits.voltage_line is not None)
    drifted = replace(
        limits,
        current_drift_gain=gain_c * (sheet.current_gain_per_c + SHUNT_PER_C),
        current_drift_ma=zero_c * 1e3 * sheet.current_offset_v_per_c / shunt_ohm,
        voltage_drift_gain=volt_c * sheet.voltage_gain_per_c,
        voltage_drift_v=volt_c * sheet.voltage_offset_v_per_c,
        is_span_known=correction.apart_c is not None,
        voltage_supply_v=sheet.voltage_supply_v(calibrated=limits.voltage_line is not None),
    )
    spans = sorted({zero_c, gain_c, volt_c})
    words = " or ".join(f"{span:g} °C" for span in spans)
    return drifted, (
        f"Temperature: drift of sensor and shunt over {words} "
        f"({'from the calibration; ' if limits.current_line or limits.voltage_line else ''}"
        f"{BENCH_SPAN_C:g} °C about the data sheet's 25 °C without one) is in the intervals."
    )


def _sheet_words(
    sheet: SensorLimits, sensor: Sensor, offset_v: float, limits: Limits
) -> tuple[str, ...]:
    assert sensor.shunt_ohm is not None
    told = []
    if limits.current_line is None or not limits.current_line.points:
        zero = (
            f" and {1e6 * offset_v:g} µV, which over {sensor.shunt_ohm:g} Ω is {digits_text(1e3 * offset_v / sensor.shunt_ohm, 3)} mA"
            if limits.current_line is None
            else ""
        )
        told.append(f"current within {100 * sheet.current_gain:g} %{zero}")
    if limits.voltage_line is None:
        told.append(
            f"voltage within {100 * sheet.voltage_gain:g} % and {1e3 * sheet.voltage_offset_v:g} mV"
        )
    words = []
    if told:
        words.append(
            f"Sensor {sensor.kind}, its data sheet's limits at 25 °C ({sheet.grade}): {'; '.join(told)}."
        )
    if limits.shunt_gain:
        words.append(
            f"Shunt resistor within {100 * SHUNT_LIMIT:g} % (assumed: the usual marking on sensor boards)."
        )
    if limits.current_line is None and limits.voltage_line is None:
        words.append("Nothing was calibrated.")
    return tuple(words)
