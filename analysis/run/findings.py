"""What the user must know beside the results: gaps, faults, limits of the run, in plain words."""

from typing import Final

import numpy as np

from analysis.doubt.correction import beyond_points, correction_of
from analysis.run.blind_spots import blind_spots
from analysis.run.cutoff import Fall
from analysis.run.draw import Draw, peak_current
from analysis.run.integration import Integral
from analysis.run.lifetime import End, Lifetime
from analysis.run.trace import Trace, stretches
from analysis.run.wiring import wiring_findings
from analysis.say.words import count_words, plain_text, span_words
from logger.base.numbers import digits_text
from logger.base.pack import Pack
from logger.base.sensor_identity import identity_words
from logger.run.cross_check import cross_check
from logger.run.own_check import own_check
from logger.run.reader import Run

# How well counters and our own integral must agree (the project's own figure).
_COUNTER_LIMIT: Final = 0.001
# What pulses leave open of the energy is told from this share on: the project's own figure.
_PULSING_SHARE: Final = 0.01
# The last row of a run that was stopped at the floor lies a little under it.
_FLOOR_SLACK: Final = 0.01


def findings(
    run: Run, draw: Draw, fall: Fall, hold_s: float, lifetime: Lifetime
) -> tuple[str, ...]:
    """Warnings of a rundown, the gravest first; foreign text in them is on one line and printable."""
    trace, pack = draw.trace, run.description.pack
    wiring = wiring_findings(trace, run.description)
    unseen = blind_spots(trace, draw.limits, run.description, draw.beyond)
    if any(finding.code in ("no-current", "dead") for finding in wiring):
        unseen = tuple(finding for finding in unseen if finding.code != "asleep")
    told = tuple(
        plain_text(text)
        for text in (
            *filter(None, [run.description.switch_alarm, cross_check(run).text]),
            *map(str, wiring),
            *_cutoff(trace, fall, hold_s, lifetime),
            *lifetime.cautions,
            *_dimmed(lifetime),
            *_pack(trace, fall, pack),
            *_sensor(run),
            *_calibration(run, draw),
            *map(str, unseen),
            *_pulsing(draw),
            *_gaps(trace, draw.charge),
            *_contact(trace, draw),
            *_counters(draw),
            *filter(None, [run.description.unknown_words]),
            *_rows(trace),
            *_unfinished(run),
            *run.problems,
        )
    )
    return run.first_things_first(told)


def _sensor(run: Run) -> list[str]:
    """Not sure which it is, another in its place, or counting otherwise than the board."""
    sensor, own = run.description.sensor, own_check(run.description.own)
    told = [own.text] if own is not None and not own.agrees else []
    if sensor is None:
        return told
    unsure = identity_words(sensor.kind, sensor.identity, sensor.ids)
    if sensor.later:
        told.append(
            f"While it recorded, an {sensor.later} took the place of the {sensor.kind}: record again with one "
            "sensor, or read the two parts apart."
        )
    return [*told, unsure] if unsure else told


def _calibration(run: Run, draw: Draw) -> list[str]:
    """Calibrations that are old, for something else, or stretched too far."""
    correction = correction_of(run.description)
    peak = peak_current(draw)
    beyond = beyond_points(correction, peak.value)
    return [*correction.warnings, *([beyond] if beyond else [])]


def _pulsing(draw: Draw) -> list[str]:
    """Where what the product of voltage and current misses is great and not known."""
    missed, energy = draw.sag, draw.energy
    if missed is None or energy is None or energy.total <= 0:
        return []
    open_share = (missed.less_mwh + missed.more_mwh) / energy.total
    if open_share < _PULSING_SHARE:
        return []
    fast = "faster than the sensor converts" if missed.fast else "within its windows"
    remedy = (
        "Let the load step once (a mode, a switch), which shows the resistance of pack and leads."
        if missed.source is None
        else "Load the current sketch: it measures this with short conversions."
    )
    return [
        f"The load pulses {fast}: energy may be off by {digits_text(100 * open_share, 2)} % for that alone, which is in "
        f"its interval. {remedy}"
    ]


def _dimmed(lifetime: Lifetime) -> list[str]:
    half_s = lifetime.dimmed.value
    if half_s is None:
        return []
    return [
        f"It dimmed long before: the draw had sunk to half of the first hour's after {span_words(half_s, 60.0)}, "
        "and the light with it, unless a converter makes up for it."
    ]


def _cutoff(trace: Trace, fall: Fall, hold_s: float, lifetime: Lifetime) -> list[str]:
    if fall.cutoff_v is None or trace.voltage_v is None:
        return []
    if fall.crossing is None and lifetime.end not in (End.RUNNING, End.CUTOFF):
        return []  # how it ended was told already
    if fall.crossing is None:
        last_v = float(trace.voltage_v[trace.alive.at(np.array([trace.alive.count - 1]))][0])
        if last_v <= fall.cutoff_v:
            return [
                f"Cutoff not counted: the voltage had just fallen to {fall.cutoff_v:g} V when the run ended, before the hold of {hold_s:g} s was over."
            ]
        touched = (
            f" It touched it first after {span_words(fall.touch.time_s - trace.begin_s)}, but came back each time."
            if fall.touch
            else ""
        )
        return [
            f"Cutoff not reached: the voltage did not stay at or below {fall.cutoff_v:g} V; the run ended at {last_v:.3f} V.{touched}"
        ]
    told = []
    crossing = fall.crossing
    if not crossing.finished:
        told.append(
            f"The run ended {span_words(crossing.held_s)} after the voltage fell to {fall.cutoff_v:g} V, before the hold of {hold_s:g} s was over; the fall is taken as the cutoff."
        )
    if crossing.dips_before:
        often = "once" if crossing.dips_before == 1 else f"{crossing.dips_before} times"
        told.append(
            f"Before it stayed there, the voltage dipped to the cutoff {often}; it came back within the hold, and that does not count as the cutoff."
        )
    if crossing.after_s - crossing.before_s > max(1.5 * trace.usual_step_s, 1.0):
        told.append(
            f"The cutoff lies between two rows that are {span_words(crossing.after_s - crossing.before_s)} apart; its time is a straight line between them."
        )
    if trace.dead[-1] and not trace.no_contact[-1]:
        told.append(
            "At the end voltage and current vanished together: a protection circuit that switched off, or a wire that came loose."
        )
    return told


def _pack(trace: Trace, fall: Fall, pack: Pack | None) -> list[str]:
    if pack is None or trace.voltage_v is None:
        return []
    told = []
    if fall.cutoff_v is not None and fall.cutoff_v < pack.floor_v:
        told.append(
            f"The cutoff of {fall.cutoff_v:g} V is under the floor of the cells ({pack}: {pack.floor_v:.2f} V). {pack.caution}"
        )
    least_v = float(trace.voltage_v.min(where=~trace.dead, initial=np.inf))
    if least_v < (1 - _FLOOR_SLACK) * pack.floor_v:
        told.append(
            f"The pack was run down to {least_v:.2f} V, under the floor of its cells ({pack}: {pack.floor_v:.2f} V). {pack.caution}"
        )
    return told


def _gaps(trace: Trace, charge: Integral | None) -> list[str]:
    if not trace.gap.any() and not trace.restarted.any():
        return []
    gap = trace.gap | trace.restarted
    longest = int(np.argmax(np.where(gap, trace.step_s, 0.0)))
    before_s = float(trace.time_s[longest] - trace.step_s[longest]) - trace.begin_s
    # A step of the usual length misses nothing.
    lost_s = trace.step_s - np.minimum(trace.usual_step_s, trace.step_s)
    if lost_s[gap].any():
        text = (
            f"{count_words(int(gap.sum()), 'gap')} in the rows, together {span_words(float(lost_s[gap].sum()))}; the longest, "
            f"{span_words(float(lost_s[longest]))}, began {span_words(before_s)} into the run."
        )
    else:
        text = (
            f"{count_words(int(gap.sum()), 'restart')} of the clock, the first {span_words(before_s)} into the run; "
            "how long it stood is not known."
        )
    if charge is None:
        return [text]
    if trace.charge_mah is not None and not trace.restarted.any():
        return [f"{text} The running counter went on through it: no charge is missing."]
    bounds = f"nothing drawn would be {_mah(charge.less)} less, the greatest draw all along {_mah(charge.more)} more"
    if trace.charge_mah is None:
        return [
            f"{text} The draw there is taken as a straight line from one side to the other; {bounds}."
        ]
    boots = int(trace.restarted.sum())
    others = "The running counter went on through the others; over" if gap.sum() > boots else "Over"
    return [
        f"{text} {others} {count_words(boots, 'restart')} of the board it began again, and the draw there is taken as a straight line from one side to the other; {bounds}."
    ]


def _mah(charge_mah: float) -> str:
    """A bound, with no more digits than it deserves."""
    return f"{digits_text(charge_mah, 3)} mAh" if charge_mah >= 0.01 else "under 0.01 mAh"


def _contact(trace: Trace, draw: Draw) -> list[str]:
    rows = int(trace.no_contact.sum())
    if not rows:
        return []
    first, past = stretches(trace.no_contact)
    longest_s = float(max(trace.time_s[past] - trace.time_s[first], default=0.0))
    more = (
        f" If the circuit ran on meanwhile, the charge is up to {digits_text(draw.charge.contact_more, 3)} mAh more."
        if draw.charge is not None and draw.charge.contact_more > 0
        else ""
    )
    return [
        f"{count_words(rows, 'row')} without voltage and current, then both came back (longest {span_words(longest_s)}): a loose contact, not the cutoff.{more}"
    ]


def _counters(draw: Draw) -> list[str]:
    told = []
    for name, integral, sag in (
        ("charge", draw.charge, 0.0),
        ("energy", draw.energy, draw.sag_share),
    ):
        ratio = integral.check_ratio if integral else None
        if ratio is not None and not -sag - _COUNTER_LIMIT <= ratio - 1 <= _COUNTER_LIMIT:
            told.append(
                f"The running counter of {name} and the sum over the rows differ by {'+' if ratio > 1 else ''}{digits_text(100 * (ratio - 1), 2)} %; the counter is used. The rows or the counter are damaged."
            )
    return told


def _rows(trace: Trace) -> list[str]:
    told = []
    if trace.rows_incomplete:
        told.append(
            f"{count_words(trace.rows_incomplete, 'row')} left out because a measured value was missing."
        )
    used = [name for name in trace.columns_holed if name != "bus_v"]
    if used:
        told.append(
            f"Empty fields in {', '.join(used)}: not used; charge and energy come from the rows."
        )
    if trace.rows_filled:
        told.append(
            f"In {count_words(trace.rows_filled, 'row')} a column was empty and was filled with a straight line between its neighbours."
        )
    if trace.voltage_v is not None and trace.voltage_column == "bus_v":
        told.append(
            "Only the voltage on the load side of the shunt was recorded; the pack's own is higher by the drop over the shunt, and energy is what reached the load."
        )
    if trace.current_ma is None:
        told.append("The run has no current, so there is no charge and no draw.")
    if trace.voltage_v is None:
        told.append("The run has no voltage, so there is no energy and no cutoff.")
    return told


def _unfinished(run: Run) -> list[str]:
    if run.description.state == "recording":
        return ["The run has no recorded end: it was cut off or is still being recorded."]
    return []
