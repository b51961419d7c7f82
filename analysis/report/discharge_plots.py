"""Pictures of the discharge: forecast fan, fit with residuals, resistance."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from analysis.curve.fit import ModelFit
from analysis.curve.resistance import Resistance
from analysis.forecast.forecast import Forecast
from analysis.forecast.words import forecast_title
from analysis.say.figures import (
    CURRENT,
    FAINT,
    INK,
    VOLTAGE,
    figure_style,
    mark_simulated,
    new_figure,
    save_figure,
    time_unit,
)
from analysis.say.section import FigureFile
from analysis.say.words import span_words
from logger.base.numbers import digits_text

Array = NDArray[np.float64]


def plot_forecast(
    found: Forecast,
    time_s: Array,
    volts: Array,
    stem: Path,
    later_v: tuple[Array, Array] | None = None,
    *,
    simulated: bool = False,
) -> FigureFile:
    """Save the picture that ``draw_forecast`` makes."""
    with figure_style():
        figure, axes = new_figure()
        file = draw_forecast(axes, found, time_s, volts, later_v, simulated=simulated)
        save_figure(figure, stem)
    return replace(file, stem=stem.name)


def draw_forecast(
    axes: Axes,
    found: Forecast,
    time_s: Array,
    volts: Array,
    later_v: tuple[Array, Array] | None = None,
    *,
    simulated: bool = False,
) -> FigureFile:
    """Voltage so far, possible courses to come, and when the cutoff may be reached.

    ``time_s``, ``volts``: the run up to now, thinned. ``later_v``: what really came (times, volts),
    where it is known.
    """
    half, most = found.cutoff_time
    end_s = max(most.upper or found.now_s, found.now_s)
    if later_v is not None and len(later_v[0]):
        end_s = max(end_s, float(later_v[0][-1]))
    divisor, unit = time_unit(end_s)
    axes.plot(time_s / divisor, volts, color=VOLTAGE.colour, label="measured")
    if found.fan is not None:
        grid = np.linspace(found.now_s, end_s * 1.03, 60)
        courses = np.stack(
            [
                np.interp(grid, path_s, path_v, right=np.nan)
                for path_s, path_v in zip(found.fan.path_s, found.fan.path_v, strict=True)
            ]
        )
        # courses that have ended are below all others
        courses = np.where(np.isnan(courses), 0.0, courses)
        for low, high, alpha in ((5, 95, 0.45), (25, 75, 0.95)):
            edges = np.percentile(courses, [low, high], axis=0)
            axes.fill_between(grid / divisor, *edges, color=VOLTAGE.band, alpha=alpha, linewidth=0)
        axes.plot(
            grid / divisor,
            np.percentile(courses, 50, axis=0),
            color=VOLTAGE.colour,
            linestyle="--",
            linewidth=1.2,
        )
    if later_v is not None:
        axes.plot(
            later_v[0] / divisor, later_v[1], color=CURRENT.colour, linestyle=":", linewidth=1.6
        )
    axes.axhline(found.cutoff_v, color=INK, linewidth=0.9)
    axes.annotate(
        f"cutoff {found.cutoff_v:g} V",
        (0, found.cutoff_v),
        xytext=(3, 3),
        textcoords="offset points",
        fontsize=9,
    )
    if most.lower is not None and most.upper is not None and half.value is not None:
        for quantity, width in ((most, 2.0), (half, 6.0)):
            assert quantity.lower is not None
            assert quantity.upper is not None
            axes.plot(
                [quantity.lower / divisor, quantity.upper / divisor],
                [found.cutoff_v] * 2,
                color=INK,
                linewidth=width,
                solid_capstyle="butt",
            )
        axes.plot(half.value / divisor, found.cutoff_v, "o", color="white", markeredgecolor=INK)
    low_v = min(found.cutoff_v, float(np.min(volts)))
    top_v = float(np.max(volts))
    axes.set_ylim(low_v - 0.12 * (top_v - low_v), top_v + 0.06 * (top_v - low_v))
    axes.set_xlim(0, end_s * 1.03 / divisor)
    axes.set_xlabel(f"time since the run began in {unit}")
    axes.set_ylabel("pack voltage in V")
    axes.set_title(forecast_title(found))
    if simulated:
        mark_simulated(axes)
    axes.annotate(
        f"now ({span_words(found.now_s)})",
        (found.now_s / divisor, top_v),
        xytext=(4, 0),
        textcoords="offset points",
        color=FAINT,
        fontsize=9,
    )
    axes.axvline(found.now_s / divisor, color=FAINT, linewidth=0.8, linestyle=(0, (2, 2)))
    if simulated:
        mark_simulated(axes)
    return FigureFile(
        "discharge-forecast",
        "Pack voltage against time up to now, and a widening band of possible courses down to the cutoff.",
        "Line: measured. Dark band: every second course; pale band: nine of ten. Bars on the cutoff: 50 % (thick) and 90 % interval, dot: median."
        + (" Dotted: what really came." if later_v is not None else ""),
    )


def plot_fit(fit: ModelFit, volts: Array, stem: Path, *, simulated: bool = False) -> FigureFile:
    """Measured and fitted voltage against charge, residuals below."""
    charge_mah = 1e3 * fit.charge_ah
    with figure_style():
        figure, axes = new_figure()
        axes.remove()
        top, bottom = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 1.3]})
        thin = slice(None, None, max(len(volts) // 60, 1))
        top.plot(
            charge_mah[thin],
            volts[thin],
            "o",
            markersize=3.5,
            color="white",
            markeredgecolor=VOLTAGE.colour,
            label="measured",
        )
        top.plot(charge_mah, volts - fit.residual_v, color=CURRENT.colour, label=fit.model.name)
        top.legend(loc="upper right", frameon=False)
        top.set_ylabel("pack voltage in V")
        top.set_title(f"Fitted curve: {digits_text(1e3 * fit.rms_v, 2)} mV off (rms)")
        bottom.axhline(0, color=INK, linewidth=0.8)
        bottom.plot(charge_mah, 1e3 * fit.residual_v, color=VOLTAGE.colour, linewidth=1.1)
        bottom.set_ylabel("residual in mV")
        bottom.set_xlabel("charge out of the pack in mAh")
        if simulated:
            mark_simulated(bottom)
        save_figure(figure, stem)
    return FigureFile(
        stem.name,
        "Measured voltage as circles, the fitted curve through them, and below what is left between the two.",
        f"Circles: measured; line: fit; below: measured minus fit, {1e3 * fit.rms_v:.1f} mV rms.",
    )


def plot_resistance(found: Resistance, stem: Path, *, simulated: bool = False) -> FigureFile | None:
    """Internal resistance against the share of the run's charge; None with fewer than two points."""
    if len(found.depth) < 2:
        return None
    with figure_style():
        figure, axes = new_figure()
        below, above = found.ohm - found.lower_ohm, found.upper_ohm - found.ohm
        axes.errorbar(
            100 * found.depth,
            found.ohm,
            yerr=np.stack([below, above]),
            fmt="o-",
            color=VOLTAGE.colour,
            capsize=3,
            markersize=5,
        )
        axes.set_ylim(0, 1.15 * float(np.max(found.upper_ohm)))
        axes.set_xlabel("charge out of the pack in % of the run's")
        axes.set_ylabel("internal resistance in Ω")
        first, last = (f"{digits_text(ohm, 2)}" for ohm in (found.ohm[0], found.ohm[-1]))
        axes.set_title(f"Internal resistance: {first} Ω at first, {last} Ω at last")
        if simulated:
            mark_simulated(axes)
        save_figure(figure, stem)
    return FigureFile(
        stem.name,
        "Internal resistance with its interval at up to ten depths of discharge.",
        f"From {found.steps} steps of the load; bars: "
        + (
            "95 % interval."
            if found.coverage
            else "scatter alone, the sensor's limits are not known."
        ),
    )
