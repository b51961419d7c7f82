"""Pictures of a run: voltage, current and charge against time, and how often which current flowed."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final, Literal, get_args

import numpy as np
from matplotlib.axes import Axes

from analysis.run.rundown import Rundown
from analysis.run.trace import Floats, Trace
from analysis.say.events import ListedEvent, numbered_events
from analysis.say.figures import (
    CHARGE,
    CURRENT,
    FAINT,
    INK,
    VOLTAGE,
    Envelope,
    Look,
    SizeName,
    end_label,
    envelope,
    figure_style,
    mark_simulated,
    new_figure,
    save_figure,
    set_title,
    time_unit,
)
from analysis.say.section import FigureFile
from analysis.say.words import count_words, short_words, step_words, value_words
from logger.base.pack import Pack

_GAP_SHOWN: Final = 0.004  # share of the axis from which a gap can be seen
_SIGN_IN: Final = 0.085  # inches that a sign above the plot takes
_NUMBER_IN: Final = 0.16
_MARK_SIGNS: Final = 18  # a longer mark is shown by its number only
_BINS: Final = 40
_LEAST_SHARE: Final = -0.4  # the floor is drawn if at most this far under what the run shows
PictureName = Literal["voltage", "current", "charge", "current-histogram"]
PICTURES: Final[tuple[PictureName, ...]] = get_args(PictureName)
_PAPER: Final = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}


def draw_plots(
    result: Rundown,
    pack: Pack | None,
    events: Sequence[ListedEvent],
    folder: Path,
    size: SizeName = "page",
    formats: Sequence[str] = ("png", "svg"),
) -> tuple[FigureFile, ...]:
    """Save every picture that the run has columns for; the one that answers the question first."""
    made = []
    with figure_style():
        for name in PICTURES:
            figure, axes = new_figure(size)
            file = draw_picture(axes, name, result, pack, events, size)
            if file is not None:
                made.append(file)
                save_figure(figure, folder / file.stem, formats)
    return tuple(made)


def draw_picture(
    axes: Axes,
    name: PictureName,
    result: Rundown,
    pack: Pack | None,
    events: Sequence[ListedEvent],
    size: SizeName = "page",
) -> FigureFile | None:
    """Draw one picture of a run, call inside ``figure_style``; None, with nothing drawn, if it lacks the column."""
    file = (
        _histogram(axes, result, size)
        if name == "current-histogram"
        else {"voltage": _voltage, "current": _current, "charge": _charge}[name](
            axes, result, pack, events, size
        )
    )
    if file is not None and result.simulated:
        mark_simulated(axes)
    return file


def _voltage(
    axes: Axes,
    result: Rundown,
    pack: Pack | None,
    events: Sequence[ListedEvent],
    size: SizeName,
) -> FigureFile | None:
    trace, fall = result.draw.trace, result.fall
    if trace.voltage_v is None:
        return None
    least_v = trace.voltage_v if trace.voltage_min_v is None else trace.voltage_min_v
    course = _course(trace, trace.voltage_v, least_v, trace.voltage_v)
    unit_s, _ = _time_axis(axes, trace)
    _band_and_line(axes, course, VOLTAGE, unit_s)
    axes.set_ylabel(
        "pack voltage in V" if trace.voltage_column == "pack_v" else "load voltage in V"
    )
    set_title(
        axes,
        f"{fall.cutoff_v:g} V after {short_words(result.cutoff_time)}"
        if fall.crossing
        else f"Still {value_words(result.last_voltage)} after {value_words(result.duration)}",
        size,
    )
    alive_v = trace.voltage_v[~trace.dead]
    marks_v = [float(alive_v.min()), float(alive_v.max())]
    if fall.cutoff_v is not None:
        marks_v.append(fall.cutoff_v)
    floor_v = None if pack is None else pack.floor_v
    if floor_v is not None and not _LEAST_SHARE < (floor_v - marks_v[0]) / np.ptp(marks_v) < 1:
        floor_v = None
    close = (
        floor_v is not None
        and fall.cutoff_v is not None
        and abs(floor_v - fall.cutoff_v) < 0.15 * np.ptp([*marks_v, floor_v])
    )
    if fall.cutoff_v is not None:
        va = "center" if not close else "bottom" if fall.cutoff_v >= (floor_v or 0) else "top"
        _level(axes, fall.cutoff_v, f"cutoff\n{fall.cutoff_v:g} V", "--", INK, va)
    if floor_v is not None:
        marks_v.append(floor_v)
        va = "center" if not close else "top" if (fall.cutoff_v or 0) >= floor_v else "bottom"
        _level(axes, floor_v, f"cells' floor\n{floor_v:.2f} V", ":", FAINT, va)
    _limits(axes, marks_v)
    if fall.crossing is not None and fall.cutoff_v is not None:
        _cutoff_point(axes, result, unit_s, fall.cutoff_v, VOLTAGE, value_words(result.cutoff_time))
    _events(axes, trace, events, unit_s)
    said = (
        f"It falls to the cutoff of {fall.cutoff_v:g} V after {value_words(result.cutoff_time)}."
        if fall.crossing
        else f"It ends at {value_words(result.last_voltage)} after {value_words(result.duration)}."
    )
    alt = f"Line plot of voltage against time, from {value_words(result.first_voltage)}. {said}{_events_alt(events, trace)}"
    pale = (
        " Pale: down to the lowest single conversion."
        if trace.voltage_min_v is not None and _band_seen(axes, course)
        else ""
    )
    return FigureFile("voltage", alt, f"Voltage over the run. {said}{pale}")


def _current(
    axes: Axes,
    result: Rundown,
    pack: Pack | None,
    events: Sequence[ListedEvent],
    size: SizeName,
) -> FigureFile | None:
    trace = result.draw.trace
    if trace.current_ma is None or result.mean_current.value is None:
        return None
    least_ma = trace.current_ma if trace.current_min_ma is None else trace.current_min_ma
    most_ma = trace.current_ma if trace.current_max_ma is None else trace.current_max_ma
    course = _course(trace, trace.current_ma, least_ma, most_ma)
    unit_s, _ = _time_axis(axes, trace)
    _band_and_line(axes, course, CURRENT, unit_s)
    axes.set_ylabel("current in mA")
    mean, peak = value_words(result.mean_current), value_words(result.peak_current)
    set_title(
        axes,
        f"{short_words(result.mean_current)} on average, {peak} at most",
        size,
    )
    _level(axes, result.mean_current.value, f"mean\n{mean}", "--", INK)
    _limits(axes, [min(0.0, float(least_ma.min())), float(most_ma.max())])
    _events(axes, trace, events, unit_s)
    alt = f"Line plot of current against time. On average {mean}, at most {peak}.{_events_alt(events, trace)}"
    pale = " Pale: from the least to the greatest." if _band_seen(axes, course) else ""
    return FigureFile(
        "current", alt, f"Current over the run: {mean} on average, {peak} at most.{pale}"
    )


def _charge(
    axes: Axes,
    result: Rundown,
    pack: Pack | None,
    events: Sequence[ListedEvent],
    size: SizeName,
) -> FigureFile | None:
    trace, integral = result.draw.trace, result.draw.charge
    if integral is None or result.charge.value is None:
        return None
    course = _course(trace, integral.running, integral.running, integral.running)
    unit_s, _ = _time_axis(axes, trace)
    # Ends stay exact: a mean over a step would stop short of them.
    times = np.concatenate(([0.0], course.time_s, [trace.duration_s]))
    running = np.concatenate(([0.0], course.mean, [integral.total]))
    axes.plot(times / unit_s, running, color=CHARGE.colour, linestyle=CHARGE.line)
    axes.set_ylabel("charge out of the pack in mAh")
    _limits(axes, [0.0, result.charge.value])
    total = value_words(result.charge)
    fall = result.fall
    said = f"{total} came out in {value_words(result.duration)}"
    title = f"{short_words(result.charge)} came out in {value_words(result.duration)}"
    if fall.crossing is not None and result.charge_to_cutoff.value is not None:
        until = value_words(result.charge_to_cutoff)
        title = f"{short_words(result.charge_to_cutoff)} came out until {fall.cutoff_v:g} V"
        said = f"{until} came out until {fall.cutoff_v:g} V, {total} in all"
        _cutoff_point(axes, result, unit_s, result.charge_to_cutoff.value, CHARGE, until)
    else:
        end_label(
            axes, trace.duration_s / unit_s, result.charge.value, total, CHARGE,
            ha="right", va="bottom", offset=(0, 5),
        )  # fmt: skip
    set_title(axes, title, size)
    _events(axes, trace, events, unit_s)
    return FigureFile(
        "charge",
        f"Line plot of charge out of the pack against time. {said}.{_events_alt(events, trace)}",
        f"Charge over the run: {said}.",
    )


def _histogram(axes: Axes, result: Rundown, size: SizeName) -> FigureFile | None:
    trace = result.draw.trace
    if trace.current_ma is None or result.mean_current.value is None:
        return None
    share, edges = np.histogram(trace.current_ma, bins=_BINS, weights=trace.weight_s)
    share = 100 * share / max(float(share.sum()), 1e-300)
    axes.stairs(share, edges, fill=True, facecolor=CURRENT.band, edgecolor=CURRENT.colour)
    axes.stairs(share, edges, color=CURRENT.colour, linewidth=1.2)
    axes.set_xlabel("current in mA")
    axes.set_ylabel("share of the time in %")
    axes.grid(axis="x", visible=False)
    mean, high = result.mean_current, result.current_percentiles[-1][1]
    low = result.current_percentiles[0][1]
    set_title(axes, f"Mostly {value_words(low)} to {value_words(high)}", size)
    assert high.value is not None
    left_ma, right_ma = axes.get_xlim()
    # Little room on the right: the greater label stands left of its line, so the mean's goes below it.
    crowded = (high.value - left_ma) / (right_ma - left_ma) > 0.6
    top = (1.42 if crowded else 1.22) * float(share.max())
    axes.set_ylim(0, top)
    for quantity, text, height, line in (
        (mean, f"mean\n{value_words(mean)}", 0.85 if crowded else 0.985, "--"),
        (high, f"95 % of the time\nup to {value_words(high)}", 0.985, ":"),
    ):
        assert quantity.value is not None
        axes.axvline(quantity.value, ymax=height - 0.01, color=INK, linestyle=line, linewidth=1.3)
        # The greater to the right, where the bars are low, the lesser to the left of its line.
        share_left = (quantity.value - left_ma) / (right_ma - left_ma)
        past_half = share_left > 0.25 if quantity is mean else crowded
        axes.annotate(
            text, (quantity.value, height * top), xytext=(-5 if past_half else 5, 0),
            textcoords="offset points", ha="right" if past_half else "left", va="top", fontsize=9.5, bbox=_PAPER,
        )  # fmt: skip
    step = step_words(trace.usual_step_s)
    said = f"Nine tenths of the time between {value_words(low)} and {value_words(high)}"
    return FigureFile(
        "current-histogram",
        f"Histogram of current by share of the time. {said}; mean {value_words(mean)}.",
        f"{said} ({'means over' if trace.windowed else 'samples every'} {step}).",
    )


def _course(trace: Trace, mean: Floats, low: Floats, high: Floats) -> Envelope:
    if trace.no_contact.any():
        # The line goes on over a loose contact; the pale band and the event show it.
        good = ~trace.no_contact
        mean = np.interp(trace.time_s, trace.time_s[good], mean[good])
    wide = trace.gap & (trace.step_s > 3 * trace.usual_step_s)
    since_s = trace.time_s - trace.begin_s if trace.begin_s else trace.time_s
    return envelope(since_s, mean, low, high, wide)


def _time_axis(axes: Axes, trace: Trace) -> tuple[float, str]:
    unit_s, unit = time_unit(trace.duration_s)
    axes.set_xlabel(f"time in {unit}")
    axes.set_xlim(0, trace.duration_s / unit_s)
    axes.grid(axis="x", visible=False)
    for row in np.flatnonzero(trace.gap & (trace.step_s > _GAP_SHOWN * trace.duration_s)):
        end_s = float(trace.time_s[row]) - trace.begin_s
        begin_s = end_s - float(trace.step_s[row])
        axes.axvspan(
            begin_s / unit_s, end_s / unit_s, facecolor="none", edgecolor=FAINT, hatch="////",
            linewidth=0, alpha=0.6,
        )  # fmt: skip
        axes.annotate(
            "gap", ((begin_s + end_s) / 2 / unit_s, 0.03), xycoords=("data", "axes fraction"),
            ha="center", va="bottom", fontsize=9, color=FAINT, bbox=_PAPER,
        )  # fmt: skip
    return unit_s, unit


def _band_and_line(axes: Axes, course: Envelope, look: Look, unit_s: float) -> None:
    times = course.time_s / unit_s
    axes.fill_between(times, course.low, course.high, color=look.band, linewidth=0)
    axes.plot(times, course.mean, color=look.colour, linestyle=look.line)


def _band_seen(axes: Axes, course: Envelope) -> bool:
    bottom, top = axes.get_ylim()
    return bool(np.nanmedian(course.high - course.low) > 0.02 * (top - bottom))


def _level(axes: Axes, level: float, text: str, line: str, colour: str, va: str = "center") -> None:
    """Horizontal line with its name in the right margin, where no curve runs through it."""
    axes.axhline(level, color=colour, linestyle=line, linewidth=1.2)
    axes.annotate(
        text, (1, level), xycoords=("axes fraction", "data"), xytext=(5, 0),
        textcoords="offset points", color=colour, fontsize=9.5, va=va,
    )  # fmt: skip


def _limits(axes: Axes, values: Sequence[float]) -> None:
    low, high = min(values), max(values)
    margin = 0.1 * (high - low) or 0.05 * abs(high) or 1.0
    axes.set_ylim(0.0 if low == 0 else low - margin, high + margin)


def _cutoff_point(
    axes: Axes, result: Rundown, unit_s: float, level: float, look: Look, text: str
) -> None:
    """Dot at the held crossing, its 95 % interval as a bar, and what it is."""
    time = result.cutoff_time
    assert time.value is not None
    if time.lower is not None and time.upper is not None:
        axes.plot(
            [time.lower / unit_s, time.upper / unit_s], [level, level], color=look.colour,
            linewidth=5, alpha=0.45, solid_capstyle="butt",
        )  # fmt: skip
    axes.plot(
        [time.value / unit_s],
        [level],
        look.marker,
        color=look.colour,
        markersize=7,
        clip_on=False,
        zorder=5,
    )
    # Left of the dot: under a curve that falls, over one that rises.
    falls = look is VOLTAGE
    early = time.value / unit_s < 0.3 * axes.get_xlim()[1]
    end_label(
        axes, time.value / unit_s, level, text, look, ha="left" if early else "right",
        va="top" if falls != early else "bottom",
        offset=(8 if early else -8, -8 if falls != early else 8),
    )  # fmt: skip


def _events(axes: Axes, trace: Trace, events: Sequence[ListedEvent], unit_s: float) -> None:
    """Ticks above the plot with the numbers of the list, and the words of a mark where there is room."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    # The axes take about the figure's width less the room of names at both sides.
    per_inch = trace.duration_s / unit_s / (figure.get_figwidth() - 1.3)
    shown = numbered_events(events, trace.end_s)
    places = [(event.time_s - trace.begin_s) / unit_s for event in shown]
    free_from = -_NUMBER_IN * per_inch
    for event, x, following in zip(shown, places, [*places[1:], math.inf], strict=False):
        axes.axvline(x, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
        if x < free_from:
            continue  # the number before stands in the way
        text = str(event.number)
        words = f"{text} {event.text}"
        end = x + (_SIGN_IN * len(words) + _NUMBER_IN) * per_inch
        fits = end < min(following, axes.get_xlim()[1])
        if event.kind == "mark" and len(words) <= _MARK_SIGNS and fits:
            text, free_from = words, end
        else:
            free_from = x + _NUMBER_IN * per_inch
        axes.annotate(
            text, (x, 1), xycoords=("data", "axes fraction"), xytext=(-3, 3),
            textcoords="offset points", ha="left", va="bottom", fontsize=9, color=INK,
            annotation_clip=True,
        )  # fmt: skip


def _events_alt(events: Sequence[ListedEvent], trace: Trace) -> str:
    marked = len(numbered_events(events, trace.end_s))
    return f" {count_words(marked, 'event')} marked above the plot." if marked else ""
