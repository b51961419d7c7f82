"""What a calibration is: the corrections of one board's readings, how sure they are, and where they hold.

Reading = zero + true / factor, for current and for voltage alike; so true = factor x
(reading - zero). Raw readings are never changed: the run carries a copy of the calibration,
and the analysis applies it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any, Final

from logger.base.durations import utc_moment

# A year between calibrations, and 5 degrees without a word: common practice, no source.
OLD_AFTER_DAYS: Final = 365
TEMPERATURE_SLACK_C: Final = 5.0
# A reading this far beyond the points that were compared is told.
BEYOND_POINTS: Final = 1.5
_RANGE_SLACK: Final = 0.01


@dataclass(frozen=True)
class Line:
    """Correction of one quantity, in mA or V: true = ``factor`` x (reading - ``zero``).

    ``*_standard``: standard uncertainties of zero and of factor (relative), ``correlation``
    between their errors, without what the reference itself may be off: that is in
    ``reference_zero`` and ``reference_factor``, one common standard deviation of the reference as it
    shows in each, with sign. ``high``: greatest true value compared; ``points``: how many
    were, 0: the zero alone, and the factor's doubt is the data sheet's.
    """

    zero: float = 0.0
    factor: float = 1.0
    zero_standard: float = 0.0
    factor_standard: float = 0.0
    correlation: float = 0.0
    reference_zero: float = 0.0
    reference_factor: float = 0.0
    high: float = 0.0
    points: int = 0

    @property
    def is_usable(self) -> bool:
        """Numbers that a sensor of this kind can have, whatever a file may say."""
        numbers = (self.zero, self.zero_standard, self.factor_standard, self.correlation)
        return (
            all(math.isfinite(x) for x in (*numbers, self.reference_zero, self.reference_factor))
            and 0.5 < self.factor < 2.0
            and self.zero_standard >= 0
            and self.factor_standard >= 0
            and abs(self.correlation) <= 1
        )


@dataclass(frozen=True)
class Calibration:
    """One calibration of one board in one current range. ``method``: how it was done, in words.

    ``temperature_c`` None: not noted. ``current`` and ``voltage`` None: not calibrated. ``zero_v``: voltage
    on the sensor's inputs at which the zero holds; None: not noted, as before zeros were taken with the pack on.
    """

    board: str
    sensor: str
    shunt_ohm: float
    range_ma: float | None
    done_utc: str
    usb_serial: str = ""
    temperature_c: float | None = None
    method: str = ""
    current: Line | None = None
    voltage: Line | None = None
    zero_v: float | None = None

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @property
    def name(self) -> str:
        """Short words: which calibration."""
        return f"{self.done_utc[:10]}, board {self.board}"


def calibration_from_json(part: object) -> Calibration | None:
    """Calibration of a JSON object; None if it does not fit."""
    if not isinstance(part, Mapping):
        return None
    names = ("board", "sensor", "done_utc", "usb_serial", "method")
    texts = [part.get(name, "") for name in names]
    shunt_ohm, range_ma = part.get("shunt_ohm"), part.get("range_ma")
    temperature_c = part.get("temperature_c")
    zero_v = part.get("zero_v")
    current, voltage = _line(part.get("current")), _line(part.get("voltage"))
    fits = (
        all(isinstance(text, str) for text in texts)
        and _is_number(shunt_ohm)
        and all(value is None or _is_number(value) for value in (range_ma, temperature_c, zero_v))
        and (current is not None or part.get("current") is None)
        and (voltage is not None or part.get("voltage") is None)
    )
    if not fits or not texts[0] or utc_moment(texts[2]) is None:
        return None
    board, sensor, done_utc, usb_serial, method = texts
    return Calibration(
        board=board,
        sensor=sensor,
        shunt_ohm=float(part["shunt_ohm"]),
        range_ma=range_ma,
        done_utc=done_utc,
        usb_serial=usb_serial,
        temperature_c=temperature_c,
        method=method,
        current=current,
        voltage=voltage,
        zero_v=zero_v,
    )


def misfits(
    calibration: Calibration,
    *,
    board: str,
    usb_serial: str,
    sensor: str,
    shunt_ohm: float | None,
    range_ma: float | None,
) -> list[str]:
    """Why a calibration must not be applied to readings of this board; empty: it fits."""
    told = []
    if calibration.board != board:
        told.append(f"it is for another board ({calibration.board}, this one is {board})")
    elif calibration.usb_serial and usb_serial and calibration.usb_serial != usb_serial:
        told.append(
            f"it is for another board: the name {board} is the same, but its USB serial number was "
            f"{calibration.usb_serial} and is now {usb_serial}"
        )
    if calibration.sensor.upper() != sensor.upper():
        told.append(f"it is for another sensor ({calibration.sensor}, this one is {sensor})")
    if shunt_ohm is None or not _close(calibration.shunt_ohm, shunt_ohm):
        told.append(f"it is for another shunt ({calibration.shunt_ohm:g} Ω)")
    if (
        calibration.range_ma is not None
        and range_ma is not None
        and not _close(calibration.range_ma, range_ma)
    ):
        told.append(
            f"it is for another range ({calibration.range_ma:g} mA, this run's was {range_ma:g} mA); "
            "the zero differs from range to range"
        )
    return told


def cautions(calibration: Calibration, run_utc: str, temperature_c: float | None) -> list[str]:
    """What the user should know of a calibration that is applied all the same."""
    told = []
    done, run = utc_moment(calibration.done_utc), utc_moment(run_utc)
    if done is not None and run is not None:
        days = (run - done).days
        if days > OLD_AFTER_DAYS:
            told.append(
                f"The calibration is old: it was done {days} days before the run. Shunts and "
                "sensors age; calibrate again."
            )
        elif days < -OLD_AFTER_DAYS:
            told.append(
                f"The calibration was done {-days} days after the run: shunts and sensors may have "
                "aged in between."
            )
    if temperature_c is not None and calibration.temperature_c is not None:
        apart_c = abs(temperature_c - calibration.temperature_c)
        if apart_c > TEMPERATURE_SLACK_C:
            told.append(
                f"The calibration was done at {calibration.temperature_c:g} °C, the run at "
                f"{temperature_c:g} °C: the drift over {apart_c:g} °C is in the intervals."
            )
    return told


def newest(calibrations: Sequence[Calibration]) -> Calibration | None:
    return max(calibrations, key=lambda item: utc_moment(item.done_utc) or _EPOCH, default=None)


_EPOCH: Final = datetime.fromtimestamp(0, UTC)


def _line(part: object) -> Line | None:
    if not isinstance(part, Mapping):
        return None
    known = {key: part[key] for key in Line.__dataclass_fields__ if key in part}
    if not all(_is_number(value) for value in known.values()):
        return None
    line = Line(**known)
    return line if line.is_usable else None


def _close(first: float, second: float) -> bool:
    return math.isclose(first, second, rel_tol=_RANGE_SLACK)


def _is_number(value: object) -> bool:
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < 1e300  # also false for not-a-number
    )
