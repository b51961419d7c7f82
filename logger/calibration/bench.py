"""The calibration at the bench: what is read and compared, step by step, and what is said meanwhile."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click

from logger.base.errors import BenchError
from logger.base.measures import MILLIAMPERES, VOLTS, Measure
from logger.base.numbers import digits_text
from logger.base.sensor_limits import is_pack_on
from logger.board.port import Found
from logger.calibration import store as calibration_store
from logger.calibration.steps import (
    METER,
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
from logger.run.calibration import Calibration

# What hand meters' manuals usually say besides their percent: common practice, no source.
_DIGITS: Final = 3
# Small resistors are rated for a quarter of a watt: common practice, no source.
_WARM_W: Final = 0.12
# Currents less than this factor apart say little about the zero.
_APART: Final = 2.0


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

    def read(self) -> Reading:
        sheet, shunt_ohm = sheet_of(self.found)
        self.say(f"   reading for {self.seconds:g} s ...")
        reading = reading_of(read_board(self.found, self.seconds), sheet, shunt_ohm)
        self.say(
            f"   the sensor reads {digits_text(reading.current_ma, 4)} mA, {digits_text(reading.pack_v, 4)} V"
        )
        return reading

    def zero(self) -> None:
        reading = self.read()
        check_zero(reading, self.found)
        if not is_pack_on(reading.bus_v):
            self.say(
                "   No pack is on: the zero differs with the pack on, so it counts with a larger doubt. "
                "Better: pack on, load unplugged."
            )
        self.steps.append(Step(reading, true_ma=0.0, taken_utc=_now_utc()))

    def point(self, current: str | None, volts: str | None) -> None:
        """One comparison with what the meter shows, or with the known resistor."""
        reading = self.read()
        if not reading.is_steady:
            self.say("   The load is not steady: a plain resistor makes a better reference.")
        volt = typed_number(volts, VOLTS, reading.pack_v) if volts else None
        true_ma: float | None
        limit, against = self.accuracy, METER
        if self.resistor_ohm is not None and not current:
            sheet, shunt_ohm = sheet_of(self.found)
            true_ma = resistor_current(reading, self.resistor_ohm, shunt_ohm, volt)
            self.say(f"   through {self.resistor_ohm:g} Ω flow {digits_text(true_ma, 4)} mA")
            meter = self.volt_accuracy if volt is not None else None
            limit = resistor_accuracy(self.tolerance, sheet, reading.bus_v, meter)
            against = f"{self.resistor_ohm:g} Ω"
            watt = 1e-6 * true_ma**2 * self.resistor_ohm
            if watt > _WARM_W:
                self.say(
                    f"   Caution: the resistor turns {digits_text(watt, 2)} W into heat. It must be rated for twice that; "
                    "do not touch it, and keep it off the bench's surface."
                )
        else:
            true_ma = typed_number(current, MILLIAMPERES, reading.current_ma) if current else None
        digits = (
            _DIGITS * MILLIAMPERES.last_place(current or ""),
            _DIGITS * VOLTS.last_place(volts or ""),
        )
        if true_ma is not None and true_ma <= 0:
            raise BenchError(
                f"A current of {true_ma:g} mA cannot serve as a reference.",
                next_step="give the meter's reading in mA, above zero.",
            )
        if true_ma is None and volt is None:
            raise BenchError(
                "There is nothing to compare the sensor with.",
                next_step="give the meter's mA above zero (--at), or --resistor; the zero is --zero.",
            )
        step = replace(
            with_true(reading, true_ma, volt, digits),
            limit_ma=limit if true_ma else 0.0,
            limit_v=self.volt_accuracy if volt else 0.0,
            against=against,
            taken_utc=_now_utc(),
        )
        check_point(step, self.found)
        self.steps.append(step)

    def finish(self, temperature_c: float | None) -> tuple[Calibration, Path]:
        limit = max((step.limit_ma for step in self.steps), default=0.0) or self.accuracy
        volt_limit = max((step.limit_v for step in self.steps), default=0.0) or self.volt_accuracy
        calibration = calibrate(
            self.steps,
            Accuracy(limit, volt_limit),
            self.found,
            done_utc=_now_utc(),
            temperature_c=temperature_c,
            method=self._method(limit, volt_limit),
        )
        return calibration, calibration_store.add(
            calibration_store.calibration_folder(), calibration
        )

    def doubts(self) -> list[str]:
        """What the steps leave open: no zero, and currents too close together to part it from the gain."""
        currents = [step.true_ma for step in self.steps if step.true_ma]
        zeroed = any(step.true_ma == 0.0 for step in self.steps)
        if not currents or zeroed or max(currents) >= _APART * min(currents):
            return []
        return [
            "Zero and gain cannot be told apart: there is no zero, and the currents are nearly the same. "
            "Do the zero (--zero), and one current near the piece's least, one near its greatest."
        ]

    def _method(self, limit: float, volt_limit: float) -> str:
        parts = []
        if any(step.true_ma == 0.0 for step in self.steps):
            on = any(step.true_ma == 0.0 and is_pack_on(step.reading.bus_v) for step in self.steps)
            parts.append(f"zero with the pack {'on' if on else 'off'}")
        currents = ", ".join(
            f"{digits_text(step.true_ma, 4)}" for step in self.steps if step.true_ma
        )
        if currents:
            against = dict.fromkeys(step.against for step in self.steps if step.true_ma)
            what = " and ".join(against)
            parts.append(
                f"current against {what} within {digits_text(100 * limit, 2)} % at {currents} mA"
            )
        volts = ", ".join(f"{digits_text(step.true_v, 4)}" for step in self.steps if step.true_v)
        if volts:
            parts.append(
                f"voltage against a meter within {digits_text(100 * volt_limit, 2)} % at {volts} V"
            )
        return "; ".join(parts)


def typed_number(text: str, measure: Measure, seen: float) -> float:
    """What was typed as the meter's reading, where the sensor reads ``seen``. Raises BenchError."""
    try:
        return measure.near(seen).convert(text, None, None)
    except click.BadParameter as error:
        raise BenchError(
            error.message, next_step="type what the meter shows, such as 101.34."
        ) from None


def age_h(taken_utc: str) -> float:
    """Hours since a step was taken; 0 where it does not say."""
    if not taken_utc:
        return 0.0
    return (datetime.now(UTC) - datetime.fromisoformat(taken_utc)).total_seconds() / 3600


def _now_utc() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
