"""Many runs on one page: how long each lasted, all voltages in one picture, the table."""

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.report.cards import Heap, hand_outs_of, heaps_of
from analysis.report.overlay_plots import band_of
from analysis.report.pieces import (
    SEVERAL_SHOWN,
    Piece,
    full_name,
    longest_and_shortest,
    pieces_answer,
    several_words,
)
from analysis.report.run_table import COLUMNS, Line, as_csv, by_lasting, shown
from analysis.report.small_picture import Gallery
from analysis.say.figures import (
    INK,
    SERIES,
    SIZES,
    VOLTAGE,
    SizeName,
    figure_style,
    mark_simulated,
    new_figure,
    save_figure,
    time_unit,
)
from analysis.say.publish import publish
from analysis.say.render import render_overview
from analysis.say.section import FigureFile
from analysis.say.words import count_words, plain_text
from logger.base.pack import SAFETY_CLOSING

_PIECE_HEADINGS: Final = ("piece", "lasted", "needed")
_NAMED: Final = 5
_BARS: Final = 40
_BAND: Final = 12  # so many lines would cover each other
_NAME_LENGTH: Final = 34
_PALE: Final = "#b4bac0"


def write_overview(
    lines: Sequence[Line], folder: Path, pieces: Sequence[Piece], make: str = ""
) -> tuple[Path, ...]:
    """Write ``overview.html``, ``overview.md``, ``hand-outs.html``, ``runs.csv`` and the pictures; returns their paths.

    ``make``: the command that makes every run's report and sheet and this page, said where some are missing. Raises BenchError
    rather than write over a file that is not an earlier overview's.
    """
    with TemporaryDirectory(prefix="drawbench-") as temporary:
        made = Path(temporary)
        figures = draw_overview(lines, made)
        (made / "runs.csv").write_text(as_csv(lines), encoding="utf-8", newline="")
        gallery = Gallery(pieces)
        heaps = heaps_of(pieces, folder, gallery)
        html, markdown, hand_outs = render_overview(
            title=f"{count_words(len(pieces), 'piece')}, {count_words(len(lines), 'run')}",
            answer=pieces_answer(lines, pieces, short=True),
            several=several_words(pieces)[:SEVERAL_SHOWN],
            heaps=heaps,
            pages=hand_outs_of(pieces, folder, gallery),
            make=make if _links_missing(lines, heaps) else "",
            piece_headings=_PIECE_HEADINGS,
            figures=figures,
            headings=list(COLUMNS.values()),
            rows=[[shown(line, column) for column in COLUMNS] for line in lines],
            cautions=_cautions(lines),
            simulated=any(_simulated(line) for line in lines),
            all_simulated=all(_simulated(line) for line in lines),
            folder=made,
        )
        for name, text in (
            ("overview.html", html),
            ("overview.md", markdown),
            ("hand-outs.html", hand_outs),
        ):
            (made / name).write_text(text, encoding="utf-8", newline="\n")
        return publish(made, folder)


def _links_missing(lines: Sequence[Line], heaps: Sequence[Heap]) -> bool:
    """Whether a run that can be read has no report or no sheet, or an old one."""
    links = [link for heap in heaps for card in heap.cards for link in card.links]
    wanted = 2 * sum(line.digest is not None for line in lines)
    return len(links) < wanted or any(link.old for link in links)


def draw_overview(
    lines: Sequence[Line], folder: Path, size: SizeName = "page"
) -> tuple[FigureFile, ...]:
    """Save the pictures that these runs give."""
    made = []
    with figure_style():
        for draw in (_lasting, _voltages):
            picture = draw(lines, size)
            if picture is not None:
                made.append(picture)
                save_figure(picture[0], folder / picture[1].stem)
    return tuple(file for _, file in made)


def _lasting(lines: Sequence[Line], size: SizeName) -> tuple[Figure, FigureFile] | None:
    """A row per run: dot at the time it lasted with its interval, open ring where its end was not seen."""
    ranked = by_lasting(lines)
    shown_lines = (
        ranked if len(ranked) <= _BARS else [*ranked[: _BARS // 2], *ranked[-_BARS // 2 :]]
    )
    if len(shown_lines) < 2:
        return None
    figure, axes = new_figure(size)
    _mark(axes, lines)
    figure.set_size_inches(SIZES[size][0], max(1.2 + 0.24 * len(shown_lines), 2.2))
    unit_s, unit = time_unit(max(max(line.lasted_s or 0, line.need_s or 0) for line in shown_lines))
    look = SERIES[0]
    for place, line in enumerate(shown_lines):
        lasted = (line.lasted_s or 0.0) / unit_s
        axes.plot([0, lasted], [place, place], color=_PALE, linewidth=1)
        found = None if line.digest is None else line.digest.results.get("lifetime")
        if line.reached and found and found["lower"] is not None and found["upper"] is not None:
            axes.plot(
                [found["lower"] / unit_s, found["upper"] / unit_s], [place, place],
                color=look.colour, linewidth=5, alpha=0.4, solid_capstyle="butt",
            )  # fmt: skip
        axes.plot(
            [lasted], [place], "o", color=look.colour, markersize=6,
            markerfacecolor=look.colour if line.reached else "white",
        )  # fmt: skip
        if line.need_s is not None:
            axes.plot(
                [line.need_s / unit_s], [place], "|", color=INK, markersize=10, markeredgewidth=1.4
            )
    names = _names(lines)
    ticks = [names[line.folder] for line in shown_lines]
    axes.set_yticks(range(len(shown_lines)), ticks, fontsize=9)
    axes.set_ylim(len(shown_lines) - 0.4, -0.6)
    axes.set_xlim(left=0)
    axes.grid(axis="y", visible=False)
    axes.set_xlabel(f"time it lasted in {unit}")
    some = any(not line.reached for line in shown_lines)
    axes.set_title("How long each lasted")
    ring = " Ring: its end was not seen." if some else ""
    need = " Upright stroke: needed." if any(line.need_s for line in shown_lines) else ""
    left_out = len(ranked) - len(shown_lines)
    more = f" {count_words(left_out, 'run')} in the middle not drawn." if left_out else ""
    alt = f"Dot plot: {longest_and_shortest(lines)}{more}"
    return figure, FigureFile(
        "lasting", alt, f"Dot: how long it lasted, bar: its 95 % interval.{ring}{need}{more}"
    )


def _voltages(lines: Sequence[Line], size: SizeName) -> tuple[Figure, FigureFile] | None:
    """All voltages; up to five by name, of more only longest, middle and shortest."""
    drawn = [line for line in lines if _course(line)[1]]
    if not drawn:
        return None
    figure, axes = new_figure(size)
    _mark(axes, lines)
    ranked = by_lasting(drawn)
    named = drawn if len(drawn) <= _NAMED else [ranked[0], ranked[len(ranked) // 2], ranked[-1]]
    unit_s, unit = time_unit(max(_course(line)[0][-1] for line in drawn))
    if len(drawn) >= _BAND:
        _draw_all_as_band(axes, drawn, unit_s)
    for line in drawn:
        if line not in named and len(drawn) < _BAND:
            times_s, volts = _course(line)
            axes.plot([t / unit_s for t in times_s], volts, color=_PALE, linewidth=0.8)
    names = _names(lines)
    for line, look in zip(named, SERIES, strict=False):
        times_s, volts = _course(line)
        axes.plot(
            [t / unit_s for t in times_s], volts, color=look.colour, linestyle=look.line, label=names[line.folder]
        )  # fmt: skip
    cutoffs = {line.value("cutoff_v") for line in drawn} - {None}
    if len(cutoffs) == 1:
        cutoff_v = float(cutoffs.pop() or 0)
        axes.axhline(cutoff_v, color=INK, linestyle="--", linewidth=1.1)
        axes.annotate(
            f"cutoff\n{cutoff_v:g} V", (1, cutoff_v), xycoords=("axes fraction", "data"), xytext=(5, 0),
            textcoords="offset points", fontsize=9.5, va="center", color=INK,
        )  # fmt: skip
    # Ends of curves are crowded: names go into room of their own below.
    low, high = axes.get_ylim()
    axes.set_ylim(low - 0.08 * (1 + len(named)) * (high - low), high)
    axes.legend(loc="lower left", fontsize=9, handlelength=3.2, facecolor="white", edgecolor="none", framealpha=0.9)  # fmt: skip
    axes.set_xlim(left=0)
    axes.set_xlabel(f"time in {unit}")
    axes.set_ylabel("pack voltage in V")
    axes.set_title("All runs, one over the other")
    words = count_words(len(drawn), "run")
    told = ", ".join(full_name(line) for line in named)
    return figure, FigureFile(
        "voltages",
        f"Line plot of voltage against time of {words}; by name: {told}.",
        f"Voltage of {words}{'' if named == drawn else '; the longest, the middle and the shortest by name'}."
        + (
            " Band: 8 in 10; a run that gave up counts as below from then on."
            if len(drawn) >= _BAND
            else ""
        ),
    )


def _draw_all_as_band(axes: Axes, lines: Sequence[Line], unit_s: float) -> None:
    courses = [(np.array(times), np.array(volts)) for times, volts in map(_course, lines)]
    ends = [line.lasted_s if line.reached else None for line in lines]
    cutoffs = {line.value("cutoff_v") for line in lines}
    cutoff_v = float(cutoffs.pop() or 0) if len(cutoffs) == 1 else None
    band = band_of(courses, ends, cutoff_v or None)
    axes.fill_between(
        band.time_s / unit_s, band.low_v, band.high_v, color=VOLTAGE.band, linewidth=0, label="8 in 10"
    )  # fmt: skip


def _course(line: Line) -> tuple[list[float], list[float]]:
    if line.digest is None:
        return [], []
    d = line.digest
    steps = d.unpacked().steps()
    points = [((step[0] + 0.5) * d.step_s, step[2]) for step in steps if step[2] is not None]
    return [t for t, _ in points], [v for _, v in points]


def _simulated(line: Line) -> bool:
    return line.digest is not None and line.digest.simulated


def _mark(axes: Axes, lines: Sequence[Line]) -> None:
    """Says SIMULATED where all runs are; of mixed runs each simulated one says it in its name."""
    if lines and all(_simulated(line) for line in lines):
        mark_simulated(axes)


def _names(lines: Sequence[Line]) -> dict[Path, str]:
    """Short names for pictures: the title where it fits and no other run has it, else the run's own."""
    titles = Counter(plain_text(line.description.title) for line in lines)
    mixed = not all(_simulated(line) for line in lines)
    return {
        line.folder: _short_name(line, titles)
        + (" (SIMULATED)" if mixed and _simulated(line) else "")
        for line in lines
    }


def _short_name(line: Line, titles: Mapping[str, int]) -> str:
    title = plain_text(line.description.title)
    fits = 0 < len(title) <= _NAME_LENGTH and titles[title] == 1
    name = title if fits else line.name
    return name if len(name) <= _NAME_LENGTH else name[: _NAME_LENGTH - 1] + "…"


def _cautions(lines: Sequence[Line]) -> list[str]:
    packs = {
        str(line.description.pack): line.description.pack for line in lines if line.description.pack
    }
    return [f"{name}: {pack.caution}" for name, pack in sorted(packs.items())] or [SAFETY_CLOSING]
