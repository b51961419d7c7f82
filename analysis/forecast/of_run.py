"""Forecast of a recorded run, as of any moment of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.doubt.beyond import UNSEEN_WORDS
from analysis.doubt.clock import on_computer_time
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import limits_of
from analysis.forecast.chemistry_prior import capacity_prior
from analysis.forecast.earlier_runs import earlier_runs
from analysis.forecast.forecast import Forecast, LiveForecast
from analysis.forecast.future_load import Programme
from analysis.forecast.own_runs import EarlierRun
from analysis.forecast.verdict_words import with_life
from analysis.forecast.words import unchecked_words
from analysis.run.cutoff import Fall, cutoff_time, find_fall
from analysis.run.draw import beyond_in
from analysis.run.lifetime import lifetime_of
from analysis.run.pack_faults import PackFaults, pack_faults
from analysis.run.trace import Trace, trace_of
from analysis.say.words import span_words
from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.base.pack import Pack
from logger.run.reader import Run

_NEVER_SHARE: Final = 0.5
_MUCH_SDS: Final = 3.0


@dataclass(frozen=True)
class Seen:
    """A run's rows up to some moment, looked through for faults: what forecasts for any cutoff share."""

    run: Run
    trace: Trace
    faults: PackFaults
    programme: Programme | None
    fresh: bool | None = None
    earlier: tuple[EarlierRun, ...] = ()
    modes_ma: tuple[float, ...] = ()


def forecast_run(
    run: Run,
    cutoff_v: float,
    hold_s: float,
    until_s: float | None = None,
    programme: Programme | None = None,
    *,
    fresh: bool | None = None,
    earlier: Sequence[EarlierRun] | None = None,
    modes_ma: Sequence[float] = (),
) -> Forecast:
    """Forecast from a run's rows up to ``until_s``, as ``forecast_seen``; raises what ``seen`` raises.

    ``modes_ma``: draws of the piece's modes where its budget is known.
    """
    return forecast_seen(seen(run, until_s, programme, fresh, earlier, modes_ma), cutoff_v, hold_s)


def seen(
    run: Run,
    until_s: float | None = None,
    programme: Programme | None = None,
    fresh: bool | None = None,
    earlier: Sequence[EarlierRun] | None = None,
    modes_ma: Sequence[float] = (),
) -> Seen:
    """Rows of a run up to ``until_s`` (seconds since it began; None: all of it).

    ``fresh``: whether the pack was said to be fresh or freshly charged (None: what the run was told).
    ``earlier``: own earlier runs to lean on (None: those beside the run, ``earlier_runs``). ``modes_ma``: draws of
    the piece's modes where its budget is known.

    Raises BenchError if voltage or current was not recorded, or no row lies before ``until_s``.
    """
    run = on_computer_time(run)  # events and rows by the same clock as the trace
    trace = trace_of(run)
    if trace.voltage_v is None or (trace.current_ma is None and programme is None):
        missing = "voltage" if trace.voltage_v is None else "current"
        raise BenchError(
            f"The run has no {missing}, so there is no forecast.",
            evidence=f"columns: {', '.join(run.samples.columns)}",
            next_step="record both, or state the load with --load."
            if missing == "current"
            else "record the pack's voltage.",
        )
    end = len(trace.time_s)
    if until_s is not None:
        end = int(np.searchsorted(trace.time_s, trace.begin_s + until_s, side="right"))
        if end < 2:
            raise BenchError(
                f"Fewer than two rows lie before --until {until_s:g} s.",
                evidence=f"the run's rows go from {trace.time_s[0]:g} s to {trace.time_s[-1]:g} s",
                next_step="give a later moment, e.g. --until 2h.",
            )
    ran_s = trace.duration_s
    trace = _rows(trace, slice(end))
    if trace.current_ma is None:
        assert programme is not None
        trace = replace(trace, current_ma=np.full(end, programme.mean_ma))
    faults = pack_faults(trace, run.description)
    if until_s is not None and until_s > ran_s + trace.usual_step_s:
        late = f"The run has rows up to {span_words(ran_s)} only: the forecast is as of then, not as of {span_words(until_s)}."
        faults = replace(faults, warnings=(late, *faults.warnings))
    runs = earlier_runs(run.folder, run.description) if earlier is None else tuple(earlier)
    fresh = run.description.fresh if fresh is None else fresh
    return Seen(run, trace, faults, programme, fresh, runs, tuple(modes_ma))


def forecast_seen(found: Seen, cutoff_v: float, hold_s: float) -> Forecast:
    """Forecast from the rows seen; times of the result count from the run's beginning."""
    until_s = found.trace.end_s
    events = tuple(event for event in found.run.description.events if event.time_s <= until_s)
    rows_s = found.run.samples["time_s"]
    cut_short = until_s < float(rows_s.iloc[-1])  # as of then, rows were still coming
    end_reason = "" if cut_short else found.run.description.end_reason
    described = replace(found.run.description, events=events, end_reason=end_reason)
    fall = find_fall(found.trace, limits_of(described), cutoff_v, hold_s)
    life = lifetime_of(found.trace, fall, cutoff_time(found.trace, fall), described, found.modes_ma)
    return with_life(_forecast_seen(found, fall, cutoff_v, hold_s), life)


def _forecast_seen(found: Seen, fall: Fall, cutoff_v: float, hold_s: float) -> Forecast:
    trace, faults = found.trace, found.faults
    whole = trace
    if faults.bad.any():  # a bad contact touches the cutoff, too
        whole = _rows(trace, ~faults.bad)
        fall = find_fall(whole, limits_of(found.run.description), cutoff_v, hold_s)
    if fall.crossing is None or not fall.crossing.finished:
        return _forecast(found, trace, faults, cutoff_v, hold_s)
    # what came after the cutoff (a dead pack, a protection circuit) says nothing of the way there
    rows = max(int(np.searchsorted(trace.time_s, fall.crossing.time_s)) + 1, 2)
    way = _rows(trace, slice(rows))
    cut = replace(faults, bad=faults.bad[:rows], start_row=min(faults.start_row, rows - 1))
    before = _forecast(found, way, cut, cutoff_v, 0.0)
    measured = replace(cutoff_time(whole, fall), note="cutoff reached: measured, not forecast")
    charge = before.capacity_mah if before.basis == "reached" else before.drawn
    return replace(
        before,
        basis="reached",
        why="the cutoff was reached in the run",
        cutoff_time=(measured, measured),
        capacity_mah=charge,
        draws_s=np.full(1, fall.crossing.time_s - trace.begin_s),
        fan=None,
        at_least_s=None,
    )


def _forecast(
    seen_so_far: Seen, trace: Trace, faults: PackFaults, cutoff_v: float, hold_s: float
) -> Forecast:
    run, programme = seen_so_far.run, seen_so_far.programme
    volts, current = trace.voltage_v, trace.current_ma
    assert volts is not None
    assert current is not None
    warnings = list(faults.warnings)
    pack = run.description.pack
    begin_s = trace.begin_s
    keep: NDArray[np.bool_] | slice = slice(faults.start_row, None)
    if faults.bad.any():
        keep = ~faults.bad
        keep[: faults.start_row] = False
    if faults.start_row:
        begin_s = float(trace.time_s[faults.start_row - 1])
    live = LiveForecast(
        pack,
        cutoff_v,
        hold_s,
        programme,
        begin_s,
        seen_so_far.fresh,
        seen_so_far.earlier,
        run.description.temperature_c,
    )
    current = -current if faults.flow == "reversed" else current
    charge = None
    if trace.charge_mah is not None and not trace.restarted.any():
        counted = -trace.charge_mah if faults.flow == "reversed" else trace.charge_mah
        before = counted[faults.start_row - 1] if faults.start_row else 0.0
        charge = counted[keep] - before
    beyond = beyond_in(trace, limits_of(run.description), run.description)
    unseen = beyond is not None and beyond.hides_the_draw
    if faults.flow != "charging" and not unseen:
        live.add(trace.time_s[keep], volts[keep], current[keep], charge)
    found = live.now()
    if faults.flow == "charging":
        why = "the pack was being charged, not discharged"
        found = replace(found, why=why, now_s=trace.duration_s)
    elif unseen:
        found = replace(found, why=UNSEEN_WORDS, now_s=trace.duration_s)
    if pack is not None and cutoff_v < pack.floor_v:
        warnings.append(
            f"The cutoff of {cutoff_v:g} V is below the floor of these cells ({pack.floor_v:.2f} V): stop there. {pack.caution}"
        )
        if cutoff_v < _NEVER_SHARE * pack.floor_v:
            warnings.append(
                "So low a cutoff is not in reach before the cells are ruined or switched off by a protection circuit."
            )
    if np.median(volts[: max(len(volts) // 50, 1)]) < cutoff_v:
        warnings.append(
            f"The run began below the cutoff of {cutoff_v:g} V: was the cutoff meant for the whole pack, not for one cell?"
        )
    warnings += found.warnings
    if _is_flat(found) and faults.flow != "charging":
        warnings.append(
            f"Whether this source ever shows {cutoff_v:g} V is not known: it may hold its voltage and then switch off."
        )
    too_much = _too_much(found, pack, run.description.temperature_c)
    if too_much:
        warnings.append(too_much)
    unchecked = unchecked_words(pack.chemistry, found.basis) if pack is not None else ""
    if unchecked:
        warnings.append(unchecked)
    return _from_begin(replace(found, warnings=tuple(warnings)), trace.begin_s, live.history.rows)


def _too_much(found: Forecast, pack: Pack | None, temperature_c: float | None) -> str:
    """A forecast that needs more charge than such a pack is believed to hold says so."""
    charge_mah = found.capacity_mah.value
    if found.basis != "curve" or pack is None or charge_mah is None or not found.now_s > 0:
        return ""
    mean_ma = 3600 * (found.drawn.value or 0.0) / found.now_s
    usual = capacity_prior(pack, mean_ma, temperature_c)
    most_mah = usual.median_mah * float(np.exp(_MUCH_SDS * usual.log_sd))
    if charge_mah <= most_mah:
        return ""
    return (
        f"This forecast takes {digits_text(charge_mah, 3)} mAh out of a pack from which {digits_text(usual.median_mah, 3)} mAh are to be expected "
        f"({usual.text}) and hardly more than {digits_text(most_mah, 3)} mAh: do not rely on it; check pack, capacity and cutoff."
    )


def _is_flat(found: Forecast) -> bool:
    """Whether the source's voltage tells nothing of its charge."""
    open_end = found.basis == "none" and found.cutoff_time[0].lower is not None
    return found.basis == "rated capacity" or open_end


def _rows(trace: Trace, keep: NDArray[np.bool_] | slice) -> Trace:
    """The trace with only these rows."""
    cut: Any = {
        name: values[keep] for name, values in vars(trace).items() if isinstance(values, np.ndarray)
    }
    return replace(trace, **cut)


def _from_begin(found: Forecast, begin_s: float, rows: int) -> Forecast:
    """Times counted from the run's beginning instead of its axis' zero."""
    if begin_s == 0 or rows == 0:
        return found

    def moved(quantity: Quantity) -> Quantity:
        ends = (quantity.value, quantity.lower, quantity.upper)
        value, lower, upper = (None if end is None else end - begin_s for end in ends)
        return replace(quantity, value=value, lower=lower, upper=upper)

    fan = found.fan
    return replace(
        found,
        now_s=found.now_s - begin_s,
        cutoff_time=tuple(moved(item) for item in found.cutoff_time),
        draws_s=found.draws_s - begin_s,
        at_least_s=None if found.at_least_s is None else found.at_least_s - begin_s,
        fan=None if fan is None else replace(fan, path_s=fan.path_s - begin_s),
    )
