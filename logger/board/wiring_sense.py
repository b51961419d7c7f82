"""Is the probe wired up right? What rows of a run say of it, in words.

Pure functions on a handful of rows, without numpy: the recording asks in its first ten seconds,
`drawbench probe` and the analysis ask the same. Thresholds are the project's own; the
reasons stand beside them.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median
from typing import Final, NamedTuple

from logger.base.numbers import digits_text
from logger.base.sensor_limits import BENCH_V, sensor_limits
from logger.run.calibration import Line

FIRST_LOOK_S: Final = 3.0
LOOK_S: Final = 10.0

# Rows without which nothing is said of patterns, and conversions in each.
_ROWS_LEAST: Final = 8
_CONVERSIONS_LEAST: Final = 8.0
# The bus register of a sensor whose ground or VIN- hangs in the air reads next to nothing.
NO_VOLTAGE_V: Final = 0.3
# No source that feeds a wearable has more: a tired coin cell has some 30 ohm.
_SOURCE_MOST_OHM: Final = 30.0
# A swing of the load that stands out of the sensor's noise, in standard deviations.
_SWING: Final = 6.0
# Hum must show in most windows, or it is something that happens.
_HUM_SHARE: Final = 0.6
_HUM_LEAST_V: Final = 0.015
# A bad contact takes at least so much of voltage and of current.
CONTACT_SHARE: Final = 0.03
_CURRENT_DIP_SHARE: Final = 0.1
# Noise this many times the sensor's own is not the sensor's.
_NOISE_TIMES: Final = 3.0


class Row(NamedTuple):
    """What wiring sense needs of a window; mA and V."""

    conversions: float
    pack_v: float
    pack_min_v: float
    bus_v: float
    current_ma: float
    current_min_ma: float
    current_max_ma: float


@dataclass(frozen=True)
class Senses:
    """What the sensor can tell: ``zero_ma`` greatest error at 0, ``*_step``, noise of one conversion."""

    zero_ma: float
    step_ma: float
    step_v: float
    noise_ma: float
    noise_v: float

    @property
    def least_ma(self) -> float:
        """Least mean current that is surely not zero."""
        return self.zero_ma + 2 * self.step_ma


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong. ``code``: for programs; ``text``: what is seen; ``advice``: what to do."""

    code: str
    text: str
    advice: str

    def __str__(self) -> str:
        return f"{self.text} {self.advice}"


def senses_of(
    kind: str, shunt_ohm: float | None, range_ma: float | None, zero: Line | None = None
) -> Senses | None:
    """Abilities of a sensor by its data sheet; ``zero``: its calibrated current. None: not known."""
    sheet = sensor_limits(kind)
    if sheet is None or not shunt_ohm or shunt_ohm <= 0:
        return None
    zero_ma = sheet.zero_ma(range_ma, shunt_ohm, BENCH_V)
    if zero is not None:
        zero_ma = abs(zero.zero) + 2 * zero.zero_standard
    step_ma = 1e3 * sheet.current_grain_v / shunt_ohm
    return Senses(
        zero_ma=zero_ma,
        step_ma=step_ma,
        step_v=sheet.voltage_grain_v,
        noise_ma=1e3 * sheet.noise_current_steps * sheet.current_step_v / shunt_ohm,
        noise_v=sheet.noise_voltage_steps * sheet.voltage_step_v,
    )


def sense_wiring(rows: Sequence[Row], senses: Senses) -> tuple[Finding, ...]:
    """Everything that is wrong, the gravest first; empty: nothing stands out."""
    if not rows:
        return ()
    static = static_finding(rows, senses)
    if static:
        return (static,)
    contact = contact_finding(rows, senses)
    return (*([contact] if contact else []), *lasting_findings(rows, senses))


def lasting_findings(rows: Sequence[Row], senses: Senses) -> tuple[Finding, ...]:
    """Hum and noise in rows without a static fault."""
    if len(rows) < _ROWS_LEAST:
        return ()
    found = (_hum(rows, senses), _noise(rows, senses))
    return tuple(finding for finding in found if finding is not None)


def backwards(current_ma: float) -> Finding:
    """The current flows into the pack."""
    return Finding(
        "swapped",
        f"The current runs backwards ({current_ma:.1f} mA).",
        "Pack and load are swapped at the sensor: the pack's plus belongs to VIN+, the load to VIN-. "
        "(Or something charges the pack: unplug the piece's USB.)",
    )


def static_finding(rows: Sequence[Row], senses: Senses) -> Finding | None:
    """Faults that hold all the time; ``rows`` must not be empty."""
    bus_v = median(row.bus_v for row in rows)
    current_ma = median(row.current_ma for row in rows)
    most_ma = max(abs(row.current_ma) for row in rows)
    peak_ma = max(row.current_max_ma for row in rows)
    swing_ma = _SWING * senses.noise_ma
    flows = most_ma > senses.least_ma or peak_ma > senses.least_ma + swing_ma
    if bus_v < NO_VOLTAGE_V:
        if not flows:
            return Finding(
                "dead",
                f"Neither voltage ({bus_v:.2f} V) nor current.",
                "Is the pack switched on, and is its plus wired to VIN+?",
            )
        return Finding(
            "no-voltage",
            f"Current flows ({current_ma:.1f} mA), but the voltage reads {bus_v:.2f} V.",
            "Join the board's ground to the pack's minus, and check the wire at VIN-.",
        )
    if current_ma < -senses.least_ma:
        return backwards(current_ma)
    if not flows:
        return Finding(
            "no-current",
            f"There is voltage ({bus_v:.2f} V) but no current that can be told from zero: it reads "
            f"{digits_text(current_ma, 3)} mA, and the zero may be off by {digits_text(senses.zero_ma, 2)} mA.",
            "Is the load on, and does its plus come from VIN-, not straight from the pack? "
            "A piece asleep looks the same.",
        )
    return None


def contact_levels(usual_v: float, usual_ma: float, senses: Senses) -> tuple[float, float]:
    """Voltage and current that must both be fallen below where a contact fails."""
    least_v = usual_v * (1 - CONTACT_SHARE) - _SWING * senses.noise_v
    least_ma = usual_ma - _SWING * senses.noise_ma - _CURRENT_DIP_SHARE * abs(usual_ma)
    return least_v, least_ma


def contact_finding(rows: Sequence[Row], senses: Senses) -> Finding | None:
    """Voltage and current that fall together, and come back: no load does that. For rows without a static fault."""
    if len(rows) < _ROWS_LEAST:
        return None
    least_v, least_ma = contact_levels(
        median(row.pack_min_v for row in rows), median(row.current_min_ma for row in rows), senses
    )
    # What the load itself makes the voltage sag by is the lowest that its own peaks show.
    dips = [
        row
        for row in rows[:-1]
        if row.pack_min_v < least_v
        and row.current_min_ma < least_ma
        and not _explained(row, senses, row.pack_v - row.pack_min_v)
    ]
    if not dips:
        return None
    worst = min(dips, key=lambda row: row.pack_min_v)
    times = "once" if len(dips) == 1 else f"in {len(dips)} windows"
    return Finding(
        "contact",
        f"Voltage and current fell together {times}, down to {worst.pack_min_v:.2f} V and "
        f"{digits_text(worst.current_min_ma, 3)} mA, and came back: a bad contact on the pack's side.",
        "Clean and press the holder's springs, check plugs and the wires to VIN+.",
    )


def _hum(rows: Sequence[Row], senses: Senses) -> Finding | None:
    """Voltage that swings in every window although the current does not: it is not the load."""
    least_v = max(_HUM_LEAST_V, _SWING * senses.noise_v + senses.step_v)
    dips_v = [row.pack_v - row.pack_min_v for row in rows]
    swings = [
        dip_v > least_v and not _explained(row, senses, dip_v)
        for row, dip_v in zip(rows, dips_v, strict=True)
    ]
    if fmean(swings) < _HUM_SHARE:
        return None
    return Finding(
        "hum",
        f"The voltage swings by {1e3 * median(dips_v):.0f} mV within each window although the current does not: "
        "hum, as from a ground loop through USB.",
        "Unplug the piece from the computer and from mains-fed supplies and meters, run the laptop on its "
        "battery, and take the board's ground straight from the pack's minus.",
    )


def _noise(rows: Sequence[Row], senses: Senses) -> Finding | None:
    """Noise of the current far over the sensor's own.

    Unlike the pulses of a load it is symmetric, its extremes differ from window to window, and the
    means scatter as white noise does, with the root of the number of conversions.
    """
    n = median(row.conversions for row in rows)
    if n < _CONVERSIONS_LEAST:
        return None
    # Expected span of n normal values in standard deviations; within 20 % from 8 to 10000
    # (approximation of the usual table of d2, from memory).
    span_in_sd = 2.0 * math.sqrt(2.0 * math.log(n)) * 0.82
    spans_ma = [row.current_max_ma - row.current_min_ma for row in rows]
    span_ma = median(spans_ma)
    if span_ma <= _NOISE_TIMES * (span_in_sd * senses.noise_ma + senses.step_ma):
        return None
    lean = median(
        abs(row.current_ma - (row.current_max_ma + row.current_min_ma) / 2) for row in rows
    )
    tops = _jitter(row.current_max_ma for row in rows) / span_ma
    means = _jitter(row.current_ma for row in rows) * math.sqrt(n) * span_in_sd / span_ma
    if lean > 0.15 * span_ma or not 0.02 < tops < 0.3 or not 0.3 < means < 3.0:
        return None
    noise_ma = span_ma / span_in_sd
    return Finding(
        "noise",
        f"The current is noisy: {digits_text(noise_ma, 2)} mA from conversion to conversion, "
        f"{noise_ma / senses.noise_ma:.0f} times the sensor's own.",
        "Keep the wires to VIN+ and VIN- short and twisted, away from switching converters, and check the "
        "solder joints at the shunt; the mean is still right if the noise is symmetric.",
    )


def _explained(row: Row, senses: Senses, dip_v: float) -> bool:
    """Whether the load's own peak in the window can have made the voltage sag so far."""
    swing_ma = row.current_max_ma - row.current_ma
    return swing_ma > _SWING * senses.noise_ma and dip_v <= 1e-3 * swing_ma * _SOURCE_MOST_OHM


def _jitter(values: Iterable[float]) -> float:
    """Standard deviation from row to row, robust against steps."""
    listed = list(values)
    steps = [abs(after - before) for before, after in pairwise(listed)]
    return 1.4826 * median(steps) / math.sqrt(2)


class WiringWatch:
    """Looks at the first rows of a run; ``row`` gives what is new, each code once, then is ``done``."""

    def __init__(self, senses: Senses) -> None:
        self.done = False
        self._senses = senses
        self._rows: list[Row] = []
        self._said: set[str] = set()
        self._looked_once = False

    def row(self, time_s: float, passed: bytes) -> tuple[Finding, ...]:
        """``passed``: a window line's fields from ``conversions`` to ``current_max_ma``, as sent."""
        self._rows.append(Row(*map(float, passed.split(b","))))
        if time_s >= LOOK_S:
            self.done = True
        elif self._looked_once or time_s < FIRST_LOOK_S:
            return ()
        self._looked_once = True
        found = sense_wiring(self._rows, self._senses)
        new = tuple(finding for finding in found if finding.code not in self._said)
        self._said.update(finding.code for finding in new)
        return new
