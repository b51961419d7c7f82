"""The run sheet: one printed page that goes with the piece: what was measured, how, and what to mind."""

import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from analysis.doubt.uncertainty import NO_LIMITS_NOTE, limits_of
from analysis.electric.fuse import ABOVE_PEAK, current_words, fuse_for
from analysis.report.answer import result_rows
from analysis.report.photos import photos_on_sheet
from analysis.report.told import paragraphs
from analysis.run.heat import HOTTEST, heat_caution
from analysis.run.rundown import Rundown
from analysis.run.trace import Floats
from analysis.say.events import listed_events
from analysis.say.figures import (
    CURRENT,
    FAINT,
    INK,
    VOLTAGE,
    Look,
    envelope,
    figure_style,
    save_figure,
    time_unit,
)
from analysis.say.table import interval_title, rows_of
from analysis.say.words import count_words, moment_words, plain_text, step_words
from logger.base.pack import SAFETY_CLOSING
from logger.edit.words import corrected_words
from logger.run.reader import Run

SHEET_STEM: Final = "run-sheet"
A4_INCH: Final = (8.27, 11.69)
_MARGIN: Final = 0.07
_SMALL: Final = 8.2
_TITLE_SIZE: Final = 10.0
_LINE: Final = 0.0118  # height of a small line, share of the page
_ROWS_SHOWN: Final = 9
_LABEL_SIGNS: Final = 28  # longer ones would meet their values; they stand in the report
_INTERVAL_SIGNS: Final = 26
_EVENTS_SHOWN: Final = 5
_CAUTIONS_SHOWN: Final = 4
_FOOT: Final = 0.05
_ELLIPSIS: Final = "…"


def write_sheet(run: Run, result: Rundown, folder: Path, told: Sequence[str] = ()) -> Path:
    """Save ``run-sheet.pdf`` in ``folder`` (fonts embedded, A4, one page); returns its path.

    ``told``: its answer, see ``paragraphs``, where somebody has it already.
    """
    with figure_style():
        figure = sheet_figure(run, result, told)
        save_figure(figure, folder / SHEET_STEM, ("pdf",))
    return folder / f"{SHEET_STEM}.pdf"


def sheet_figure(run: Run, result: Rundown, told: Sequence[str] = ()) -> Figure:
    """The page as a figure; call inside ``figure_style``."""
    figure = Figure(figsize=A4_INCH)
    page = _Page(figure)
    title = plain_text(run.description.title) or plain_text(run.folder.resolve().name)
    page.text(title, size=17, bold=True, width=52, lines=2)
    if result.simulated:
        page.text(
            "SIMULATED: no hardware and no real pack made these numbers.",
            bold=True,
            size=_TITLE_SIZE,
        )
    answered, *below = told or paragraphs(result, run)
    page.text(answered, size=11.5, width=80, lines=6)  # the verdict stands last
    for text in below:
        page.text(text, size=9.5, width=100)
    page.skip(0.018)
    _plots(page, result)
    page.skip(0.018)
    top = page.top
    left = _results(page, result)
    page.top = top
    page.left = 0.60
    _wiring(page, run)
    _facts(page, run, result)
    page.left = _MARGIN
    page.top = min(page.top, photos_on_sheet(figure, run, (_MARGIN, 0.56), left, page.top)) - 0.012
    # Cautions first: what does not fit on the page any more is left out at the end.
    _block(page, "Cautions", _cautions(run, result))
    _block(page, "How sure that is", _doubt(run, result))
    _block(page, "What happened", _happened(run, result))
    figure.text(
        _MARGIN, 0.022, f"drawbench run sheet, folder: {plain_text(run.folder.resolve().name)}",
        fontsize=7, color=FAINT,
    )  # fmt: skip
    return figure


class _Page:
    """Where the next line goes. Lengths are shares of the page, from its lower left corner."""

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self.top = 1 - 0.05
        self.left = _MARGIN

    def skip(self, height: float) -> None:
        self.top -= height

    def text(
        self, text: str, *, size: float = _SMALL, bold: bool = False, width: int = 118, lines: int = 3, indent: str = ""
    ) -> None:  # fmt: skip
        """Text wrapped to ``width`` signs and at most ``lines`` lines."""
        if self.top < _FOOT:
            return
        wrapped = textwrap.wrap(text, width, subsequent_indent=indent) or [""]
        step = _LINE * size / _SMALL
        lines = min(lines, 1 + int((self.top - _FOOT) / step))
        if len(wrapped) > lines:
            wrapped = [*wrapped[: lines - 1], wrapped[lines - 1][: width - 2] + _ELLIPSIS]
        for line in wrapped:
            self.figure.text(
                self.left, self.top, line, fontsize=size, va="top", fontweight="bold" if bold else "normal"
            )  # fmt: skip
            self.top -= step
        self.top -= 0.25 * step


def _plots(page: _Page, result: Rundown) -> None:
    trace = result.draw.trace
    unit_s, unit = time_unit(trace.duration_s)
    wanted: list[tuple[Floats | None, Floats | None, Floats | None, Look, str, float]] = [
        (trace.voltage_v, trace.voltage_min_v, None, VOLTAGE, "pack voltage in V", 0.19),
        (trace.current_ma, trace.current_min_ma, trace.current_max_ma, CURRENT, "current in mA", 0.1),
    ]  # fmt: skip
    drawn = [item for item in wanted if item[0] is not None]
    for place, (mean, low, high, look, name, height) in enumerate(drawn):
        assert mean is not None
        axes = page.figure.add_axes((_MARGIN + 0.045, page.top - height, 0.80, height))
        least, most = mean if low is None else low, mean if high is None else high
        wide = trace.gap & (trace.step_s > 3 * trace.usual_step_s)
        course = envelope(trace.time_s - trace.begin_s, mean, least, most, wide)
        times = course.time_s / unit_s
        axes.fill_between(times, course.low, course.high, color=look.band, linewidth=0)
        axes.plot(times, course.mean, color=look.colour, linestyle=look.line, linewidth=1.4)
        axes.set_xlim(0, trace.duration_s / unit_s)
        axes.set_title(name, fontsize=9, pad=3)
        axes.tick_params(labelsize=8)
        axes.grid(axis="x", visible=False)
        if look is VOLTAGE:
            _cutoff(axes, result, unit_s)
        last = place == len(drawn) - 1
        axes.tick_params(labelbottom=last)
        if last:
            axes.set_xlabel(f"time in {unit}", fontsize=8.5)
        page.top -= height + 0.022
    page.skip(0.012)


def _cutoff(axes: Axes, result: Rundown, unit_s: float) -> None:
    cutoff_v = result.fall.cutoff_v
    if cutoff_v is None:
        return
    axes.axhline(cutoff_v, color=INK, linestyle="--", linewidth=1)
    axes.annotate(
        f"cutoff\n{cutoff_v:g} V", (1, cutoff_v), xycoords=("axes fraction", "data"), xytext=(4, 0),
        textcoords="offset points", fontsize=8, va="center",
    )  # fmt: skip
    if result.cutoff_time.value is not None:
        axes.plot([result.cutoff_time.value / unit_s], [cutoff_v], "o", color=VOLTAGE.colour, clip_on=False)  # fmt: skip


def _results(page: _Page, result: Rundown) -> float:
    """Table on the left; returns where it ends."""
    short = [row for row in rows_of(result_rows(result)) if len(row.label) <= _LABEL_SIGNS]
    rows = short[:_ROWS_SHOWN]
    page.text("Results", bold=True, size=_TITLE_SIZE)
    heading = interval_title(rows)
    page.figure.text(0.37, page.top + 0.004, heading, fontsize=7, color=FAINT, va="bottom")
    for row in rows:
        y = page.top
        page.figure.text(_MARGIN, y, row.label, fontsize=_SMALL, va="top")
        page.figure.text(0.355, y, row.value, fontsize=_SMALL, va="top", ha="right", fontweight="bold")  # fmt: skip
        # Two lengths of time to the second would reach into the right half.
        size = _SMALL if len(row.interval) <= _INTERVAL_SIGNS else 0.85 * _SMALL
        page.figure.text(0.37, y, row.interval, fontsize=size, va="top", color=FAINT)
        page.top -= 1.25 * _LINE
    return page.top


def _wiring(page: _Page, run: Run) -> None:
    """Pack, sensor, piece and board as boxes; the sensor sits in the plus wire."""
    page.text("Wiring", bold=True, size=_TITLE_SIZE)
    height = 0.085
    axes = page.figure.add_axes((page.left, page.top - height, 0.34, height))
    axes.set_axis_off()
    axes.set_xlim(-1, 101)  # room for the rims of the boxes
    axes.set_ylim(-2, 100)
    description = run.description
    # the box holds two lines; that the cells are used stands under the conditions
    cells = replace(description.pack, used=False) if description.pack else "pack"
    pack = plain_text(str(cells))
    sensor = plain_text(description.sensor.kind) if description.sensor else "meter"
    for x, y, w, text in ((0, 52, 26, pack), (37, 52, 26, sensor), (74, 52, 26, "piece"), (37, 0, 26, "board" if description.board else "logger")):  # fmt: skip
        axes.add_patch(FancyBboxPatch((x, y), w, 30, boxstyle="round,pad=0,rounding_size=4", fc="white", ec=INK, lw=1))  # fmt: skip
        axes.text(x + w / 2, y + 15, textwrap.fill(text, 11), ha="center", va="center", fontsize=7)
    axes.plot([26, 37], [72, 72], color=INK, lw=1.4)
    axes.plot([63, 74], [72, 72], color=INK, lw=1.4)
    axes.text(31.5, 77, "+", ha="center", fontsize=8)
    axes.text(68.5, 77, "+", ha="center", fontsize=8)
    axes.plot([50, 50], [30, 52], color=FAINT, lw=1, linestyle=":")
    axes.plot([13, 13, 37], [52, 15, 15], color=INK, lw=1.4)
    axes.plot([63, 87, 87], [15, 15, 52], color=INK, lw=1.4)
    axes.text(20, 19, "−", ha="center", fontsize=8)
    axes.text(68.5 if description.has_load_switch else 80, 19, "−", ha="center", fontsize=8)
    if description.has_load_switch:
        _load_switch(axes)
    page.top -= height + 0.008
    if description.has_load_switch:
        page.text("Drawn in the minus; the switch may sit in the plus.", width=52)
        page.skip(0.004)


def _load_switch(axes: Axes) -> None:
    """In the piece's minus wire, moved by the board; the run does not say whether it is there or in the plus."""
    axes.add_patch(FancyBboxPatch((74, 24), 26, 18, boxstyle="round,pad=0,rounding_size=4", fc="white", ec=INK, lw=1, zorder=3))  # fmt: skip
    axes.text(87, 33, "load switch", ha="center", va="center", fontsize=6.5, zorder=4)
    axes.plot([63, 74], [26, 33], color=FAINT, lw=1, linestyle=":")


def _facts(page: _Page, run: Run, result: Rundown) -> None:
    description = run.description
    sensor = description.sensor
    shunt = f", shunt {sensor.shunt_ohm:g} Ω" if sensor and sensor.shunt_ohm else ""
    pack = description.pack
    label = f", label {pack.capacity_mah:g} mAh" if pack and pack.capacity_mah else ""
    facts = (
        ("Pack", f"{pack}{label}{_corrected(run)}" if pack else "not stated"),
        ("Fuse", _fuse(run, result)),
        ("Load", description.load or "not described"),
        ("Recorded", description.started_utc[:16].replace("T", " ") + " UTC" if description.started_utc else ""),
        ("By", description.author),
        ("Sensor", f"{sensor.kind}{shunt}" if sensor else "not stated"),
        ("Rows", f"{count_words(len(result.draw.trace.time_s), 'row')}, one every {step_words(result.draw.trace.usual_step_s)}"),
        ("Notes", description.notes),
    )  # fmt: skip
    page.text("Conditions", bold=True, size=_TITLE_SIZE)
    for name, text in facts:
        if text.strip():
            lines = 3 if name == "Fuse" else 2  # why none fits, with what to do
            page.text(f"{name}: {plain_text(text)}", width=52, lines=lines, indent="   ")


def _corrected(run: Run) -> str:
    words = corrected_words(run.description, "pack")
    return f" ({words})" if words else ""


def _fuse(run: Run, result: Rundown) -> str:
    """The fuse next to the pack by this run's peak; its wires are the maker's to know.

    Pulses shorter than a conversion may be higher, and do not melt it.
    """
    peak_ma = result.peak_current.value
    fuse = None if peak_ma is None else fuse_for(run.description.pack, max(peak_ma, 0.0))
    if fuse is None:
        return ""
    if result.draw.beyond is not None:
        return "by the budget: current was beyond the sensor's range"
    if fuse.rated_ma is None:
        return f"none of the usual values fits: {fuse.why_not}"
    return f"{current_words(fuse.rated_ma)} quick, next over {ABOVE_PEAK:g} times this run's peak, if the wires bear it"


def _block(page: _Page, title: str, paragraphs: Sequence[str]) -> None:
    title_step = 1.25 * _LINE * _TITLE_SIZE / _SMALL
    if not paragraphs or page.top - title_step < _FOOT:  # no title without a line below it
        return
    page.text(title, bold=True, size=_TITLE_SIZE)
    for text in paragraphs:
        page.text(text, lines=3)
    page.skip(0.004)


def _happened(run: Run, result: Rundown) -> list[str]:
    events, _ = listed_events(run.description.events)
    begin_s = result.draw.trace.begin_s
    told = [
        f"{moment_words(event.time_s - begin_s)} into the run, {event.kind}: {event.text}"
        for event in events[:_EVENTS_SHOWN]
    ]
    if len(events) > _EVENTS_SHOWN:
        told.append(f"and {count_words(len(events) - _EVENTS_SHOWN, 'event')} more, in the report.")
    end = plain_text(run.description.end_text)
    return [*told, f"How it ended: {end}"] if end else told


def _doubt(run: Run, result: Rundown) -> list[str]:
    limits = limits_of(run.description)
    words = [NO_LIMITS_NOTE] if limits is None else list(limits.assumptions[:2])
    pack = run.description.pack
    fresh = [text for text in result.warnings if pack is None or pack.caution not in text]
    return [*words, *(f"! {text}" for text in fresh[:3])]


def _cautions(run: Run, result: Rundown) -> list[str]:
    pack = run.description.pack
    own = [text for text in result.warnings if pack is not None and pack.caution in text]
    told = own or [f"{pack}: {pack.caution}" if pack else SAFETY_CLOSING]
    told = [*heat_caution(result.hottest_power_w, HOTTEST), *told]
    return [plain_text(text) for text in told[:_CAUTIONS_SHOWN]]
