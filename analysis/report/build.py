"""The report of a run: what goes into it, in which order, and in which words."""

import hashlib
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from analysis.doubt.uncertainty import NO_LIMITS_NOTE, coverage_factor, limits_of
from analysis.report.answer import cautions, result_rows
from analysis.report.photos import corrections_part, photo_part
from analysis.report.plots import draw_plots
from analysis.report.sheet import write_sheet
from analysis.report.told import paragraphs
from analysis.run.doubt_table import KINDS_WORDS, ROUNDING_RULE
from analysis.run.rundown import Rundown
from analysis.say.events import ListedEvent, listed_events
from analysis.say.publish import publish
from analysis.say.render import Page, Part, Table, render_html, render_markdown
from analysis.say.section import FigureFile, Section
from analysis.say.table import rows_of
from analysis.say.words import (
    count_words,
    first_clause,
    moment_words,
    plain_text,
    step_words,
)
from logger.base.durations import duration_text
from logger.base.next_step import command_line
from logger.base.numbers import digits_text
from logger.base.safe_files import open_to_read
from logger.edit.words import corrected_words
from logger.run.description import Description
from logger.run.format import SAMPLES_MAX
from logger.run.pieces import rows_file
from logger.run.reader import Run

_SIMULATED: Final = (
    "A simulated board and a simulated pack made these numbers; no hardware was there. "
    "They show how the tool works and say nothing about a real piece."
)

_WARNINGS_SHOWN: Final = 3

# Draws its pictures into the folder it is given and hands over its part of the report.
SectionMaker = Callable[[Path], Section]


def write_report(
    run: Run,
    result: Rundown,
    folder: Path,
    section_makers: Sequence[SectionMaker] = (),
    source: Mapping[str, Any] | None = None,
    told: Sequence[str] = (),
) -> tuple[Path, ...]:
    """Write ``report.html``, ``report.md``, ``run-sheet.pdf`` and the pictures into ``folder``; returns their paths.

    ``section_makers``: further parts, printed after the run's own. ``source``: what it is made from,
    see ``publish``. ``told``: its answer, see ``paragraphs``, where somebody
    has it already. Raises BenchError rather than write over a file that is not an earlier report's.
    """
    told = told or paragraphs(result, run)
    events, unlisted = listed_events(run.description.events)
    with TemporaryDirectory(prefix="drawbench-") as temporary:
        made = Path(temporary)
        figures = draw_plots(result, run.description.pack, events, made)
        sections = [maker(made) for maker in section_makers]
        photos = photo_part(run, made)
        page = report_page(run, result, told, figures, events, unlisted, sections, photos)
        (made / "report.html").write_text(render_html(page, made), encoding="utf-8", newline="\n")
        write_sheet(run, result, made, told)
        (made / "report.md").write_text(render_markdown(page), encoding="utf-8", newline="\n")
        return publish(made, folder, source)


def report_page(
    run: Run,
    result: Rundown,
    told: Sequence[str],
    figures: Sequence[FigureFile],
    events: Sequence[ListedEvent],
    unlisted: str,
    sections: Sequence[Section],
    photos: Part | None = None,
) -> Page:
    """All that the report says, as plain text."""
    description = run.description
    cautioned = cautions(run.description.pack, result)
    answered, *below = told
    seen = (
        Part(figures=tuple(figures[:1])),
        _warned(result),
        Part("Cautions", cautions=cautioned),
        photos if photos and not photos.folded else None,
        _once_more(run, result),
    )
    folded = (
        photos if photos and photos.folded else None,
        _results(result),
        Part("The other pictures", figures=tuple(figures[1:])) if figures[1:] else None,
        _happened(run, result, events, unlisted),
        corrections_part(run),
        *(_part(section, cautioned) for section in sections),
        _probe(result),
        _doubt(result),
        _method(run, result),
        _again(run),
    )
    parts = (*seen, *(replace(part, folded=True) for part in folded if part is not None))
    return Page(
        title=plain_text(description.title) or plain_text(run.folder.resolve().name) or "A run",
        about=_about(description)[:1],
        answer=answered,
        below=" ".join(below),
        sections=tuple(part for part in parts if part is not None),
        simulated=result.simulated,
        simulated_words=_SIMULATED,
        version=_version(),
    )


def _warned(result: Rundown) -> Part | None:
    """What each warning says first; the whole of them stands with what happened."""
    told = [first_clause(text) for text in result.warnings[:_WARNINGS_SHOWN]]
    more = len(result.warnings) - len(told)
    if more > 0:
        told.append(f"{count_words(more, 'warning')} more: What happened during the run.")
    return Part(items=tuple(told)) if told else None


def _once_more(run: Run, result: Rundown) -> Part:
    """The command that makes this page."""
    cutoff = (
        []
        if result.fall.cutoff_v is None
        else [
            "--cutoff",
            f"{result.fall.cutoff_v:g}",
            "--hold",
            duration_text(result.hold.value or 0.0),
        ]
    )
    if result.verdict is not None and result.verdict.need_s != run.description.need_s:
        cutoff += ["--need", duration_text(result.verdict.need_s or 0.0)]
    name = Path(run.folder.resolve().name)
    return Part(
        paragraphs=("This page again, from the run:",),
        commands=(command_line("report", name, *cutoff, windows=False),),
    )


def _about(description: Description) -> tuple[str, ...]:
    pack, corrected = str(description.pack or ""), corrected_words(description, "pack")
    facts = (
        ("Pack", f"{pack} ({corrected})" if pack and corrected else pack),
        ("Load", description.load),
        ("Recorded", _date_words(description.started_utc)),
        ("By", description.author),
        ("Notes", description.notes),
    )
    return tuple(f"{label}: {plain_text(text)}" for label, text in facts if text.strip())


def _date_words(iso: str) -> str:
    """``2026-01-10 18:00 UTC``; what is no ISO 8601 time with a zone stays as it is."""
    try:
        moment = datetime.fromisoformat(iso)
    except ValueError:
        return iso
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC" if moment.tzinfo else iso


def _results(result: Rundown) -> Part:
    left = result.left_in_cells
    rows = [
        replace(row, note=left.note) if quantity is left else row
        for row, (_, quantity) in zip(
            rows_of(result_rows(result)), result_rows(result), strict=True
        )
    ]
    paragraphs = []
    if result.duration.lower is None:
        paragraphs.append(NO_LIMITS_NOTE)
    if result.fall.crossing is not None and left.value is None:
        paragraphs.append(f"What was left in the cells then: {left.note}.")
    return Part("Results", paragraphs=tuple(paragraphs), rows=tuple(rows))


def _happened(run: Run, result: Rundown, events: Sequence[ListedEvent], unlisted: str) -> Part:
    begin_s = result.draw.trace.begin_s
    items = [
        f"{event.number}: {moment_words(event.time_s - begin_s)} into the run, {event.kind}: {event.text}"
        for event in events
    ]
    paragraphs = [unlisted] if unlisted else []
    if not events:
        paragraphs.append("No event was recorded.")
    end = plain_text(run.description.end_text) or _END_WORDS.get(run.description.end_reason, "")
    if end:
        paragraphs.append(f"How it ended: {end}")
    return Part(
        "What happened during the run",
        paragraphs=tuple(paragraphs),
        cautions=result.warnings,
        items=tuple(items),
    )


_END_WORDS: Final = {
    "cutoff": "the pack reached the cutoff.",
    "duration": "the time asked for was over.",
    "charge": "the charge asked for had flowed.",
    "user": "it was stopped by hand.",
    "disk-full": "the disk was full.",
    "link-lost": "the board was not heard any more.",
    "error": "an error stopped it.",
}


def _part(section: Section, told: Sequence[str]) -> Part:
    """``told``: cautions that stand on the page already."""
    return Part(
        section.title,
        paragraphs=(*section.paragraphs, *section.method),
        rows=rows_of(section.quantities, notes=True),
        figures=section.figures,
        cautions=tuple(text for text in section.cautions if text not in told),
    )


def _probe(result: Rundown) -> Part | None:
    """What the probe itself did to the piece."""
    probe = result.probe
    if probe is None:
        return None
    quantities = tuple((label, quantity) for _, label, quantity in probe.named())
    text = (
        "The shunt takes a little voltage from the piece: it saw less than the pack gave. Runtimes are counted at the pack's "
        f"terminals. The shunt took {digits_text(100 * probe.loss_share, 2)} % of the energy."
    )
    return Part("What the probe itself did", (text,), rows_of(quantities, notes=True))


def _doubt(result: Rundown) -> Part | None:
    """Uncertainty budgets, a table each."""
    if not result.doubts:
        return None
    tables = tuple(
        Table(doubt.caption(), ("source", "kind", "size", "share"), doubt.rows())
        for doubt in result.doubts
        if len(doubt.components) > 1
    )
    return Part("Where the doubt comes from", (KINDS_WORDS, ROUNDING_RULE), tables=tables)


def _method(run: Run, result: Rundown) -> Part:
    trace, fall = result.draw.trace, result.fall
    step = step_words(trace.usual_step_s)
    if trace.windowed:
        counted = (
            " and kept running sums of charge and energy, which are used here, so that lost lines cost nothing"
            if trace.charge_mah is not None
            else ""
        )
        source = f"A current and voltage sensor sat between pack and piece. The board averaged over windows of {step}{counted}."
    else:
        source = f"The rows come from another instrument, about one every {step}. They are taken as the values at those instants and joined by straight lines (trapezoidal rule)."
    paragraphs = [*_about(run.description)[1:], *_imported(run.description)]
    paragraphs += [f"{source} {count_words(len(trace.time_s), 'row')} went into the results."]
    if fall.cutoff_v is not None:
        paragraphs.append(
            f"The cutoff counts when the voltage stays at or below {fall.cutoff_v:g} V for {result.hold.value:g} s; its time is interpolated in a straight line between two rows. A moment without voltage and current together is a loose contact and does not count."
        )
    limits = limits_of(run.description)
    if limits is not None:
        paragraphs += [
            f"Intervals are meant to hold the true value 95 times in 100, reckoned after the Guide to the Expression of Uncertainty in Measurement (JCGM 100) with coverage factor {coverage_factor(result.charge_budget or ()):.2f}. An error of the sensor is the same in every row and does not average out.",
            *limits.assumptions,
        ]
    return Part("How it was measured", paragraphs=tuple(paragraphs))


def _imported(description: Description) -> list[str]:
    """Where an imported run came from, and what was done to it on the way in."""
    about = description.imported
    if not about.get("file"):
        return []
    counts = ", ".join(
        f"{about[key]} {words}"
        for key, words in (
            ("rows_read", "rows read"),
            ("rows_kept", "kept"),
            ("rows_rejected", "rejected"),
        )
        if isinstance(about.get(key), int)
    )
    digest = f" (SHA-256 {about['sha256']})" if about.get("sha256") else ""
    told = [f"Imported from {about['file']}{digest}: {counts or 'rows not counted'}."]
    warnings = about.get("warnings")
    if isinstance(warnings, list) and warnings:
        told.append(f"Noted on import: {'; '.join(str(item) for item in warnings)}.")
    return told


def _again(run: Run) -> Part:
    packages = ", ".join(
        f"{package} {version(package)}" for package in ("numpy", "pandas", "scipy", "matplotlib")
    )
    python = ".".join(str(number) for number in sys.version_info[:3])
    paragraphs = [f"drawbench {_version()}, Python {python}, {packages}."]
    samples, _ = rows_file(run.folder)
    if samples.is_file():
        with open_to_read(samples, SAMPLES_MAX) as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
        paragraphs.append(f"SHA-256 of {samples.name}: {digest}")
    return Part(
        "What it was made with",
        paragraphs=tuple(paragraphs),
    )


def _version() -> str:
    try:
        return version("drawbench")
    except PackageNotFoundError:
        return "from a source folder"
