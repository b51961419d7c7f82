"""Does the calibration that a run carries apply to it, and what do the readings become?

The one place where raw readings are corrected; the files on disk are never changed.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.fault_words import RANGE_CHANGED
from logger.base.numbers import digits_text
from logger.run.calibration import BEYOND_POINTS, Line, cautions, misfits
from logger.run.description import Description

Floats = npt.NDArray[np.float64]

_S_PER_H: Final = 3600.0


@dataclass(frozen=True)
class Correction:
    """Lines to apply (None: readings stay), in words what was done, and what the user must know.

    ``apart_c``: how far the temperatures of calibration and run are apart, None: not noted.
    ``range_changed``: the sensor went to another range in the run. ``zero_v``: voltage at which the zero
    holds; None: no zero was taken.
    """

    current: Line | None = None
    voltage: Line | None = None
    words: str = ""
    warnings: tuple[str, ...] = ()
    apart_c: float | None = None
    range_changed: bool = False
    zero_v: float | None = None


def correction_of(description: Description) -> Correction:
    """What the run's own copy of a calibration does to its readings."""
    changed = any(
        event.kind == "fault" and RANGE_CHANGED in event.text for event in description.events
    )
    calibration, sensor, board = description.calibration, description.sensor, description.board
    if calibration is None or sensor is None:
        return Correction(range_changed=changed)
    why_not = misfits(
        calibration,
        board=board.board if board else "",
        usb_serial=board.usb_serial if board else "",
        sensor=sensor.kind,
        shunt_ohm=sensor.shunt_ohm,
        range_ma=sensor.range_ma,
    )
    if changed:
        why_not.append("the sensor changed its range during the run")
    if why_not:
        text = f"The calibration of {calibration.name} is not applied: {'; '.join(why_not)}."
        return Correction(words=text, warnings=(text,), range_changed=changed)
    run_c, done_c = description.temperature_c, calibration.temperature_c
    return Correction(
        current=calibration.current,
        voltage=calibration.voltage,
        words=f"Calibrated: {calibration.method or 'method not noted'} ({calibration.name}).",
        warnings=tuple(cautions(calibration, description.started_utc, run_c)),
        zero_v=None if calibration.current is None else calibration.zero_v or 0.0,
        apart_c=None if run_c is None or done_c is None else abs(run_c - done_c),
    )


def corrected(
    columns: dict[str, Floats], correction: Correction, begin_s: float, usual_step_s: float
) -> dict[str, Floats]:
    """Columns of a run, each of shape (n,), with the correction applied.

    Running counters are corrected by the hours that the board counted: charge' = f (charge - zero t),
    energy' = f_I f_V (energy - zero_I x integral of V - zero_V x charge + zero_I zero_V t).
    """
    current, voltage = correction.current, correction.voltage
    if current is None and voltage is None:
        return columns
    zero_ma, current_factor = (current.zero, current.factor) if current else (0.0, 1.0)
    zero_v, voltage_factor = (voltage.zero, voltage.factor) if voltage else (0.0, 1.0)
    made = dict(columns)
    for name in ("current_ma", "current_min_ma", "current_max_ma"):
        if name in made:
            made[name] = current_factor * (made[name] - zero_ma)
    for name in ("pack_v", "pack_min_v", "bus_v"):
        if name in made:
            made[name] = voltage_factor * (made[name] - zero_v)
    step_h = _counted_steps_s(columns, begin_s, usual_step_s) / _S_PER_H
    hours = np.cumsum(step_h)
    if "charge_mah" in made:
        made["charge_mah"] = current_factor * (columns["charge_mah"] - zero_ma * hours)
    if "energy_mwh" in made and "pack_v" in columns and "charge_mah" in columns:
        volt_hours = np.cumsum(columns["pack_v"] * step_h)
        made["energy_mwh"] = (
            current_factor
            * voltage_factor
            * (
                columns["energy_mwh"]
                - zero_ma * volt_hours
                - zero_v * columns["charge_mah"]
                + zero_ma * zero_v * hours
            )
        )
    elif "energy_mwh" in made:
        # Without charge or voltage beside it the counter cannot be corrected: the rows are used.
        del made["energy_mwh"]
    return made


def beyond_points(correction: Correction, peak_ma: float | None) -> str:
    """Told when the run's currents went far beyond those that were compared; empty otherwise."""
    line = correction.current
    if line is None or not line.points or peak_ma is None or peak_ma <= BEYOND_POINTS * line.high:
        return ""
    return (
        f"The calibration was compared up to {digits_text(line.high, 3)} mA; this run went to {digits_text(peak_ma, 3)} mA. "
        "Compare at a current near the greatest one."
    )


def _counted_steps_s(columns: dict[str, Floats], begin_s: float, usual_step_s: float) -> Floats:
    """Time that the board's counters really counted in each step, shape (n,)."""
    step_s = np.diff(columns["time_s"], prepend=begin_s)
    if "boot" in columns:
        restarted = np.diff(columns["boot"], prepend=columns["boot"][:1]) != 0
        step_s = np.where(restarted, np.minimum(step_s, usual_step_s), step_s)
    return step_s
