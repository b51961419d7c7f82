"""What the probe cannot see: each as a finding with its likely size and what to do about it."""

import math
from typing import Final

import numpy as np

from analysis.doubt.beyond import Beyond
from analysis.doubt.limits import Limits
from analysis.doubt.uncertainty import budget, combined, coverage_factor
from analysis.run.trace import Trace
from analysis.run.wiring import gapless, run_senses
from analysis.say.words import span_words
from logger.base.fault_words import RANGE_CHANGED
from logger.base.numbers import digits_text
from logger.base.sensor_limits import beyond_words
from logger.board.wiring_sense import Finding, Senses
from logger.run.description import Description

# Shorter stretches under the resolution do not matter for the sum: the project's own figure.
_ASLEEP_SHARE: Final = 0.02
# Peaks that the sensor resolves are equally high from window to window but for its noise.
_SWING: Final = 8.0
_TOPS_DIFFER: Final = 0.08
_RAGGED_SHARE: Final = 0.15
_CLOSE_ROWS: Final = 20
_DUTY_MOST: Final = 0.3
_PEAK_WINDOWS_LEAST: Final = 20
# A line in the spectrum: share of the variance, and height over the voltage's noise floor.
_LINE_SHARE: Final = 0.3
_LINE_OVER_FLOOR: Final = 8.0
_SPECTRUM_ROWS: Final = 8192
_SPECTRUM_ROWS_LEAST: Final = 64
_LEAST_BIN: Final = 3
# Beats faster than this many rows, or smaller than this share of the mean, average out by themselves.
_BEAT_ROWS_LEAST: Final = 8
_BEAT_SHARE_LEAST: Final = 0.05


def blind_spots(
    trace: Trace, limits: Limits | None, description: Description, beyond: Beyond | None = None
) -> tuple[Finding, ...]:
    """Everything in this run that the probe may have missed."""
    if trace.current_ma is None:
        return ()
    found = [_clipped(beyond, description), _range(description)]
    if limits is not None:
        found.append(_asleep(trace, limits))
    senses = run_senses(trace, description)
    if senses is not None:
        found += [_short_peaks(trace, senses), _beat(trace, senses)]
    return tuple(finding for finding in found if finding is not None)


def _asleep(trace: Trace, limits: Limits) -> Finding | None:
    """Stretches whose current cannot be told from zero."""
    assert trace.current_ma is not None
    zero = budget(limits, 0.0, per_ma=1.0)
    least_ma = coverage_factor(zero) * combined(zero)
    under = (trace.current_ma < least_ma) & (trace.current_ma > -least_ma) & ~trace.dead
    under_s = float(trace.weight_s[under].sum())
    if under_s < _ASLEEP_SHARE * trace.duration_s or under.sum() < 2:
        return None
    return Finding(
        "asleep",
        f"For {span_words(under_s)} the current read under {digits_text(least_ma, 2)} mA, which this probe cannot tell from zero; "
        f"up to {digits_text(least_ma * under_s / 3600, 2)} mAh of the charge is not known from that.",
        "Calibrate the zero, or measure the sleeping piece with a larger shunt (ten times the ohms see ten times less) "
        "and long windows.",
    )


def _clipped(beyond: Beyond | None, description: Description) -> Finding | None:
    """Currents or voltages at or beyond the end of the range."""
    if beyond is None:
        return None
    shunt_ohm = description.sensor.shunt_ohm if description.sensor else None
    if not beyond.current:
        return Finding(
            "clipped",
            f"The voltage stood at the end of the sensor's range for {beyond.share_words}: energy is a lower bound.",
            "Measure at a lower voltage, or use another sensor.",
        )
    where = "the board says so" if beyond.told else "readings stand at its end"
    more = f" by at least {digits_text(beyond.more_mah, 2)} mAh" if beyond.more_mah > 0 else ""
    return Finding(
        "clipped",
        f"The current went {beyond_words(shunt_ohm, beyond.range_ma)}. It was there for {beyond.share_words} ({where}): "
        f"charge, energy, mean and peak are higher than shown{more}.",
        "Take a smaller shunt or a wider range, and run again.",
    )


def _range(description: Description) -> Finding | None:
    changes = [
        event
        for event in description.events
        if event.kind == "fault" and RANGE_CHANGED in event.text
    ]
    if not changes:
        return None
    at_s = changes[0].time_s
    return Finding(
        "range",
        f"The sensor changed its range {span_words(at_s, 1.0)} into the run: its zero is another one from there on. "
        "The intervals take the widest range's limits for the whole run, and no calibration is applied.",
        "Set the board to the wide range before the run.",
    )


def _short_peaks(trace: Trace, senses: Senses) -> Finding | None:
    """Peaks shorter than a conversion: how much of one is caught differs from window to window."""
    mean, low, high = trace.current_ma, trace.current_min_ma, trace.current_max_ma
    if mean is None or low is None or high is None:
        return None
    swing = high - mean
    shown = np.flatnonzero((swing > _SWING * senses.noise_ma) & ~trace.dead)
    # Only windows close to each other: the load's modes differ in height, too.
    close = np.flatnonzero(np.diff(shown) <= _CLOSE_ROWS)
    before, after = shown[close], shown[close + 1]
    if len(close) < _PEAK_WINDOWS_LEAST:
        return None
    height = float(np.median(swing[shown]))
    differ = np.abs(high[after] - high[before])
    base = np.abs(low[after] - low[before])
    ragged = (differ > _TOPS_DIFFER * height) & (base < 0.25 * differ)
    duty = float(np.median((mean[shown] - low[shown]) / (high[shown] - low[shown])))
    if float(ragged.mean()) < _RAGGED_SHARE or duty > _DUTY_MOST:
        return None
    return Finding(
        "short-peaks",
        f"Peaks are about as short as one conversion or shorter: the greatest value of a window differs by some "
        f"{digits_text(float(np.median(differ[ragged])), 2)} mA from one to the next. The true peak is at least {digits_text(float(high.max()), 3)} mA, and "
        "several times that if it lasts a tenth of a conversion. Mean and charge are right on average.",
        "For the peak take shorter conversions, or an oscilloscope over the shunt.",
    )


def _beat(trace: Trace, senses: Senses) -> Finding | None:
    """A pulse train that beats with the sampling: a slow swing of the means that no load makes.

    Voltage and current are converted in turn. Where the means swing because the pulses drift past
    the conversions, the voltage's conversion sees the pulse when the current's does not: at
    the line in the spectrum both go up together. A load that really changes pulls the voltage down.
    """
    if trace.voltage_v is None or trace.current_ma is None or not trace.windowed:
        return None
    chosen = gapless(trace, _SPECTRUM_ROWS)
    n = int(chosen.sum())
    if n < _SPECTRUM_ROWS_LEAST:
        return None
    current, voltage = _spectrum(trace.current_ma[chosen]), _spectrum(trace.voltage_v[chosen])
    power = np.abs(current) ** 2
    power[:_LEAST_BIN] = 0.0
    line = int(np.argmax(power))
    near = slice(max(line - 2, _LEAST_BIN), line + 3)
    # A Hann window of ones sums to n / 2: amplitude = 2 |X| / (n / 2).
    amplitude_ma = 4 * math.sqrt(float(power[line])) / n
    root_n = 1.0 if trace.conversions is None else math.sqrt(float(np.median(trace.conversions)))
    floor_v = float(np.median(np.abs(voltage[_LEAST_BIN:])))
    if (
        n < _BEAT_ROWS_LEAST * line
        or amplitude_ma < _BEAT_SHARE_LEAST * abs(float(trace.current_ma[chosen].mean()))
        or float(power[near].sum()) < _LINE_SHARE * float(power.sum())
        or amplitude_ma < _SWING * senses.noise_ma / root_n
        or float(np.abs(voltage[line])) < _LINE_OVER_FLOOR * floor_v
        or float((voltage[near] * np.conj(current[near])).real.sum()) <= 0
    ):
        return None
    period_s = n * trace.usual_step_s / line
    left_ma = amplitude_ma * min(1.0, period_s / (math.pi * trace.duration_s))
    return Finding(
        "beat",
        f"The means swing by ±{digits_text(amplitude_ma, 2)} mA every {span_words(period_s)} while the voltage rises with the current: "
        f"pulses of the load beat with the sampling, it is no change of the load. The mean over the run is off by up to {digits_text(left_ma, 2)} mA.",
        "Let the chip average more conversions or change their length, and believe only means over many such periods.",
    )


def _spectrum(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray:
    """Spectrum of the values without their straight line, with a Hann window."""
    place = np.linspace(-1, 1, len(values))
    rest = values - values.mean()
    rest = rest - place * float(place @ rest) / float(place @ place)
    return np.asarray(np.fft.rfft(rest * np.hanning(len(values))))
