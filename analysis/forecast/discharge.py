"""All that one run's discharge tells: forecast, fit, resistance, load, rate, what stays in the pack."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.fit import Choice, fit_discharge
from analysis.curve.models import models_for
from analysis.curve.rate import USUAL_EXPONENT, what_if
from analysis.curve.resistance import Resistance, internal_resistance
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import limits_of
from analysis.forecast.forecast import Forecast
from analysis.forecast.future_load import Programme
from analysis.forecast.of_run import forecast_seen, seen
from analysis.forecast.stranded import Stranded, stranded
from analysis.run.history import thinned
from analysis.run.trace import Trace, trace_of
from logger.run.reader import Run

Array = NDArray[np.float64]

_FIT_POINTS_LEAST: Final = 20


@dataclass(frozen=True)
class Discharge:
    """Results of one run. ``fit`` None: too little to fit (``fit_note`` says why). ``course``: time (s
    since the run began), volts, charge (Ah) and current (A), thinned, up to the cutoff or the last row.
    """

    forecast: Forecast
    resistance: Resistance
    rate_exponent: Quantity
    stranded: Stranded | None
    what_if: tuple[tuple[str, Quantity], ...]
    fit: Choice | None
    fit_note: str
    course: tuple[Array, Array, Array, Array]

    def as_json(self) -> dict[str, Any]:
        """Results by name, each ``Quantity.as_json``."""
        nothing = Quantity(None, "mWh", note="cutoff not reached, or the pack's floor is not known")
        left = self.stranded
        result = {
            "internal_resistance": self.resistance.overall.as_json(),
            "internal_resistance_two_step": self.resistance.two_step.as_json(),
            "internal_resistance_by_depth": [
                Quantity(
                    ohm,
                    "ohm",
                    low,
                    high,
                    self.resistance.coverage,
                    note=f"at {100 * depth:.0f} % of the run's charge",
                ).as_json()
                for depth, ohm, low, high in zip(
                    *(self.resistance.depth.tolist(), self.resistance.ohm.tolist()),
                    self.resistance.lower_ohm.tolist(),
                    self.resistance.upper_ohm.tolist(),
                    strict=True,
                )
            ],
            "load_exponent": self.forecast.load_exponent.as_json(),
            "rate_exponent": self.rate_exponent.as_json(),
            "stranded_charge": (left.charge if left else replace(nothing, unit="mAh")).as_json(),
            "stranded_energy": (left.energy if left else nothing).as_json(),
            "one_cell_more": (left.one_cell_more if left else replace(nothing, unit="h")).as_json(),
            "lower_cutoff": (left.lower_cutoff if left else replace(nothing, unit="h")).as_json(),
            "what_if": {label: quantity.as_json() for label, quantity in self.what_if},
            "model": None,
        }
        if self.fit is not None:
            best = self.fit.best
            result["model"] = {
                "name": best.model.name,
                "why": self.fit.why,
                "residual_rms": Quantity(best.rms_v, "V").as_json(),
                "parameters": {name: quantity.as_json() for name, quantity in best.parameters},
                "notes": list(best.notes),
                "rivals": {fit.model.name: fit.aicc - best.aicc for fit in self.fit.fits[1:]},
            }
        return result


def discharge(
    run: Run,
    cutoff_v: float,
    hold_s: float,
    until_s: float | None = None,
    programme: Programme | None = None,
    fresh: bool | None = None,
    modes_ma: Sequence[float] = (),
) -> Discharge:
    """Everything about one run's discharge. Raises BenchError as ``seen`` does.

    ``modes_ma``: draws of the piece's modes where its budget is known.
    """
    rows = seen(run, until_s, programme, fresh, modes_ma=modes_ma)
    found = forecast_seen(rows, cutoff_v, hold_s)
    trace = trace_of(run)
    end_s = found.now_s if found.basis != "reached" else found.median_s
    course = course_of(trace, end_s)
    pack = run.description.pack
    fit, note = _fit(course, trace.current_ma is not None, pack.chemistry if pack else None)
    if pack is not None and pack.chemistry in USUAL_EXPONENT:
        value, sd = USUAL_EXPONENT[pack.chemistry]
        exponent = Quantity(
            value,
            "1",
            value - 1.96 * sd,
            value + 1.96 * sd,
            0.95,
            f"Peukert's k as usual for {pack.chemistry}, not measured: that takes runs at different draws",
        )
    else:
        exponent = Quantity(None, "1", note="takes runs at different draws")
    mean_ma = 1e3 * float(np.average(course[3])) if trace.current_ma is not None else 0.0
    reached_h = (found.median_s or 0.0) / 3600 if found.basis == "reached" else 0.0
    others = (
        what_if(reached_h, mean_ma, pack.chemistry)
        if pack and reached_h > 0 and mean_ma > 0
        else ()
    )
    left = stranded(rows, found, cutoff_v, hold_s) if until_s is None else None
    return Discharge(
        found,
        internal_resistance(trace, limits_of(run.description), pack.capacity_mah if pack else None),
        exponent,
        left,
        others,
        fit,
        note,
        course,
    )


def course_of(trace: Trace, end_s: float | None = None) -> tuple[Array, Array, Array, Array]:
    """Time (s since the run began), volts, charge (Ah), current (A) of a run with voltage, thinned.

    ``end_s``: where to stop, seconds since the run began; None: the last row.
    """
    use = ~trace.dead
    if end_s is not None:
        use &= trace.time_s <= trace.begin_s + end_s + trace.usual_step_s
    bins = thinned(trace, use)
    return bins.end_s - trace.begin_s, bins.mean_v, bins.charge_mah / 1e3, bins.mean_ma / 1e3


def _fit(
    course: tuple[Array, Array, Array, Array], with_current: bool, chemistry: str | None
) -> tuple[Choice | None, str]:
    _, volts, charge_ah, current_a = course
    if not with_current:
        return None, "No current was recorded, so no curve can be fitted against charge."
    if (
        len(volts) < _FIT_POINTS_LEAST
        or not charge_ah[-1] > 0
        or not (np.diff(charge_ah) >= 0).all()
    ):
        return None, "Too little was drawn, or charge flowed back: no curve was fitted."
    return fit_discharge(charge_ah, volts, current_a, models_for(chemistry)), ""
