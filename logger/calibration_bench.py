"""The calibration at the bench: what is read and compared, step by step, and what is said meanwhile."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from logger import calibration_store
from logger.calibration import Calibration
from logger.calibration_steps import (
    Accuracy,
    Reading,
    Step,
    calibrate,
    check_point,
    check_zero,
    read_board,
    reading_of,
    resistor_accuracy,
    resistor_current,
    sheet_of,
    with_true,
)
from logger.errors import BenchError
from logger.port import Found

# What hand meters' manuals usually say besides their percent: common practice, no source.
_DIGITS: Final = 3
# Small resistors are rated for a quarter of a watt: common practice, no source.
_WARM_W: Final = 0.12


@dataclass
class Bench:
    """A board on its link, what has been compared so far, and how good the references are."""

    found: Found
    seconds: float
    accuracy: float
    volt_accuracy: float
    resistor_ohm: float | None
    tolerance: float
    say: Callable[[str], None]
    steps: list[Step] = field(default_factory=list)
    resistor_limits: list[float] = field(default_factory=list)

    def read(self) -> Reading:
        sheet, shunt_ohm = sheet_of(self.found)
        self.say(f"   reading for {self.seconds:g} s ...")
        reading = reading_of(read_board(self.found, self.seconds), sheet, shunt_ohm)
        self.say(f"   the sensor reads {reading.current_ma:.4g} mA, {reading.pack_v:.4g} V")
        return reading

    def zero(self) -> None:
        reading = self.read()
        check_zero(reading, self.found)
        self.steps.append(Step(reading, true_ma=0.0))

    def point(self, current: str | None, volts: str | None) -> None:
        """One comparison with what the meter shows, or with the known resistor."""
        reading = self.read()
        if not reading.is_steady:
            self.say("   The load is not steady: a plain resistor makes a better reference.")
        volt = typed_number(volts) if volts else None
        true_ma: float | None
        if self.resistor_ohm is not None and not current:
            sheet, shunt_ohm = sheet_of(self.found)
            true_ma = resistor_current(reading, self.resistor_ohm, shunt_ohm, volt)
            self.say(f"   through {self.resistor_ohm:g} Ω flow {true_ma:.4g} mA")
            meter = self.volt_accuracy if volt is not None else None
            limit = resistor_accuracy(self.tolerance, sheet, reading.bus_v, meter)
            self.resistor_limits.append(limit)
            watt = 1e-6 * true_ma**2 * self.resistor_ohm
            if watt > _WARM_W:
                self.say(
                    f"   Caution: the resistor turns {watt:.2g} W into heat. It must be rated for twice that; "
                    "do not touch it, and keep it off the bench's surface."
                )
        else:
            true_ma = typed_number(current) if current else None
        digits = (_digits_limit(current or ""), _digits_limit(volts or ""))
        if true_ma is not None and true_ma <= 0:
            raise BenchError(
                f"A current of {true_ma:g} mA cannot serve as a reference.",
                next_step="give the meter's reading in mA, above zero.",
            )
        step = with_true(reading, true_ma, volt, digits)
        check_point(step, self.found)
        self.steps.append(step)

    def judge_loaded_steps(self) -> None:
        """How far off the resistor's currents may be, for steps that an earlier command read."""
        if self.resistor_ohm is None or self.resistor_limits:
            return
        sheet, _ = sheet_of(self.found)
        for step in self.steps:
            if step.true_ma:
                meter = self.volt_accuracy if step.true_v is not None else None
                self.resistor_limits.append(
                    resistor_accuracy(self.tolerance, sheet, step.reading.bus_v, meter)
                )

    def finish(self, temperature_c: float | None) -> tuple[Calibration, Path]:
        limit = max([*self.resistor_limits, 0.0]) or self.accuracy
        calibration = calibrate(
            self.steps,
            Accuracy(limit, self.volt_accuracy),
            self.found,
            done_utc=datetime.now(UTC).isoformat(timespec="seconds"),
            temperature_c=temperature_c,
            method=self._method(limit),
        )
        return calibration, calibration_store.add(
            calibration_store.calibration_folder(), calibration
        )

    def _method(self, limit: float) -> str:
        parts = []
        if any(step.true_ma == 0.0 for step in self.steps):
            parts.append("zero with no current")
        currents = ", ".join(f"{step.true_ma:.4g}" for step in self.steps if step.true_ma)
        if currents:
            what = f"{self.resistor_ohm:g} Ω" if self.resistor_limits else "a meter"
            parts.append(f"current against {what} within {100 * limit:.2g} % at {currents} mA")
        volts = ", ".join(f"{step.true_v:.4g}" for step in self.steps if step.true_v)
        if volts:
            parts.append(
                f"voltage against a meter within {100 * self.volt_accuracy:.2g} % at {volts} V"
            )
        return "; ".join(parts)


def typed_number(text: str) -> float:
    """What was typed as a reading, with a point or a comma. Raises BenchError."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9:
        raise BenchError(
            f"{text!r} is not a number.", next_step="type what the meter shows, such as 101.34."
        )
    return value


def _digits_limit(text: str) -> float:
    """Limit of the last digits: three counts of the last place that was typed; 0 for nothing typed."""
    if not text.strip():
        return 0.0
    _, point, decimals = text.strip().replace(",", ".").partition(".")
    return float(_DIGITS * 10.0 ** -len(decimals)) if point else float(_DIGITS)
