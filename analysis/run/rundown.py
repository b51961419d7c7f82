"""What a run says of draw, charge, energy, and the time to the cutoff."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

import analysis.run.draw as draws
from analysis.doubt.beyond import UNKNOWN_PAUSE, after_unknown, unknown_from_s
from analysis.doubt.clock import on_computer_time
from analysis.doubt.pulsing import burst_of
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import Budget, limits_of
from analysis.run.cutoff import Fall, cutoff_time, find_fall, first_touch_time
from analysis.run.doubt_table import DoubtTable, doubt_table
from analysis.run.draw import Draw, draw_of
from analysis.run.findings import findings
from analysis.run.heat import hottest_of
from analysis.run.left import left_in_cells
from analysis.run.lifetime import End, Lifetime, lifetime_of
from analysis.run.probe_effect import ProbeEffect, probe_effect
from analysis.run.row_noise import limits_in_run
from analysis.run.trace import Trace, trace_of
from analysis.run.verdict import Verdict, verdict
from logger.base.durations import HOLD_DEFAULT_S
from logger.base.wall_clock import wall_clock
from logger.run.reader import Run


@dataclass(frozen=True)
class Rundown:
    """Results of one run. A quantity whose ``value`` is None does not exist; its note says why.

    ``charge_budget``: what the doubt of the charge is made of; None where limits are not known.
    ``doubts``: the same as tables, of all main results. ``probe``: what shunt and board did.
    ``lifetime``: how and when it ended. ``verdict``: whether that is as long as needed, None: nobody said how long.
    ``draw``, ``fall``: the arrays and the crossing behind the results, for plots.
    """

    duration: Quantity
    charge: Quantity
    energy: Quantity
    mean_current: Quantity
    peak_current: Quantity
    current_percentiles: tuple[tuple[float, Quantity], ...]
    first_voltage: Quantity
    last_voltage: Quantity
    cutoff_voltage: Quantity
    cutoff_time: Quantity
    first_touch_time: Quantity
    charge_to_cutoff: Quantity
    energy_to_cutoff: Quantity
    left_in_cells: Quantity
    hold: Quantity
    charge_budget: Budget | None
    doubts: tuple[DoubtTable, ...]
    probe: ProbeEffect | None
    lifetime: Lifetime
    verdict: Verdict | None
    simulated: bool
    warnings: tuple[str, ...]
    draw: Draw
    fall: Fall

    @cached_property
    def hottest_power_w(self) -> float:
        """Mean over the hottest ten minutes, 0 where voltage or current is not known."""
        return hottest_of(self.draw.trace)

    def as_json(self) -> dict[str, Any]:
        """One plain object: results as ``Quantity.as_json``, ``simulated`` and ``warnings``."""
        results: dict[str, Any] = {
            name: value.as_json()
            for name, value in vars(self).items()
            if isinstance(value, Quantity)
        }
        for percent, quantity in self.current_percentiles:
            results[f"current_p{percent:g}"] = quantity.as_json()
        if self.probe is not None:
            for name, _, quantity in self.probe.named():
                results[name] = quantity.as_json()
        results["uncertainty_budget"] = {table.name: table.as_json() for table in self.doubts}
        results["hottest_power"] = Quantity(
            self.hottest_power_w, "W", note="mean of the hottest ten minutes; no interval"
        ).as_json()
        results["lifetime"] = self.lifetime.as_json()
        results["half_draw"] = self.lifetime.dimmed.as_json()
        if self.verdict is not None:
            results["verdict"] = self.verdict.as_json()
        results["simulated"] = self.simulated
        results["warnings"] = list(self.warnings)
        return results


def rundown(
    run: Run,
    cutoff_v: float | None,
    hold_s: float = HOLD_DEFAULT_S,
    need_s: float | None = None,
    modes_ma: Sequence[float] = (),
) -> Rundown:
    """Everything that the run tells about the pack and the draw.

    ``need_s``: how long it must last; None: as the run's description says. ``modes_ma``: draws of the piece's
    modes where its budget is known.

    ``cutoff_v``: volts at which the circuit gives up; None: no cutoff is looked for. The pack
    must stay at or below it for ``hold_s``. Raises BenchError for a run with too little in it
    and for a cutoff that the pack never stood above.
    """
    run = on_computer_time(run)
    trace = trace_of(run)
    limits = limits_in_run(trace, limits_of(run.description))
    fall = find_fall(trace, limits, cutoff_v, hold_s)
    sheet = limits.sheet if limits else None
    burst = burst_of(run.description.bursts, sheet, trace.conversion_s)
    draw = draw_of(trace, limits, burst, run.description)
    when = cutoff_time(trace, fall)
    lifetime = lifetime_of(trace, fall, when, run.description, modes_ma)
    if _not_by_the_pack(fall, when, lifetime):
        fall = replace(fall, crossing=None, lower_s=None, upper_s=None, components=())
        when = cutoff_time(trace, fall)
    need_s = run.description.need_s if need_s is None else need_s
    simulated = is_simulated(run)
    clock = wall_clock(run.description.started_utc, simulated=simulated)
    first_v, last_v = _ends(trace)
    found = Rundown(
        duration=draws.duration(draw),
        charge=draws.charge(draw),
        energy=draws.energy(draw),
        mean_current=draws.mean_current(draw),
        peak_current=draws.peak_current(draw),
        current_percentiles=draws.current_percentiles(draw),
        first_voltage=draws.voltage(draw, first_v),
        last_voltage=draws.voltage(draw, last_v),
        cutoff_voltage=draws.voltage(draw, cutoff_v),
        cutoff_time=when,
        first_touch_time=first_touch_time(trace, fall),
        charge_to_cutoff=draws.charge_to_cutoff(draw, fall),
        energy_to_cutoff=draws.energy_to_cutoff(draw, fall),
        left_in_cells=left_in_cells(draw, fall, run.description.pack),
        hold=Quantity(hold_s, "s", note="how long the voltage had to stay there"),
        charge_budget=draw.charge_budget(trace.end_s),
        doubts=_doubts(draw, fall, when),
        probe=probe_effect(draw, fall, when, hold_s, run.description),
        lifetime=lifetime,
        verdict=None if need_s is None else verdict(need_s, lifetime, clock),
        simulated=simulated,
        warnings=findings(run, draw, fall, hold_s, lifetime),
        draw=draw,
        fall=fall,
    )
    return _after_unknown(found, unknown_from_s(run.description.events))


def _after_unknown(found: Rundown, from_s: float) -> Rundown:
    """What lies behind a pause of unknown length is a lower bound."""
    trace, crossing = found.draw.trace, found.fall.crossing
    if trace.end_s <= from_s:
        return found
    fell_s = None if crossing is None else crossing.time_s
    touch_s = found.first_touch_time.value
    first_s = None if touch_s is None else touch_s + trace.begin_s
    left = found.left_in_cells
    if fell_s is not None and fell_s > from_s:  # less than it seems, nobody knows by how much
        left = Quantity(None, left.unit, note=UNKNOWN_PAUSE)
    return replace(
        found,
        duration=after_unknown(found.duration, trace.end_s, from_s),
        charge=after_unknown(found.charge, trace.end_s, from_s),
        energy=after_unknown(found.energy, trace.end_s, from_s),
        cutoff_time=after_unknown(found.cutoff_time, fell_s, from_s),
        charge_to_cutoff=after_unknown(found.charge_to_cutoff, fell_s, from_s),
        energy_to_cutoff=after_unknown(found.energy_to_cutoff, fell_s, from_s),
        first_touch_time=after_unknown(found.first_touch_time, first_s, from_s),
        left_in_cells=left,
    )


def _not_by_the_pack(fall: Fall, when: Quantity, lifetime: Lifetime) -> bool:
    """Whether the fall was no cutoff: the voltage went with the plug, or the rows ended at the first touch."""
    if fall.crossing is None or when.value is None:
        return False
    off_s = lifetime.time.value
    unplugged = lifetime.end is End.OFF and off_s is not None and when.value >= off_s
    return unplugged or (lifetime.end is End.RUNNING and not fall.crossing.finished)


def _ends(trace: Trace) -> tuple[float | None, float | None]:
    """The voltage's first and last value in rows that are not dead; None where it was not recorded."""
    column = trace.voltage_v
    if column is None:
        return None, None
    first, last = column[trace.alive.at(np.array([0, trace.alive.count - 1]))]
    return float(first), float(last)


def _doubts(draw: Draw, fall: Fall, when: Quantity) -> tuple[DoubtTable, ...]:
    """Budgets of charge, energy, mean current, runtime and length of the run."""
    end_s = draw.trace.end_s
    tables = (
        doubt_table("charge", "Charge", draws.charge(draw), draw.charge_budget(end_s)),
        doubt_table("energy", "Energy", draws.energy(draw), draw.energy_budget(end_s)),
        doubt_table(
            "mean_current", "Mean current", draws.mean_current(draw), draw.mean_current_budget()
        ),
        doubt_table("cutoff_time", "Time to the cutoff", when, fall.components),
        doubt_table("duration", "Length of the run", draws.duration(draw), draw.duration_budget()),
    )
    return tuple(table for table in tables if table is not None)


def is_simulated(run: Run) -> bool:
    """Whether a simulated board recorded the run."""
    return run.description.simulated
