"""What is made of one run, apart from saying so: its report, its sheet, its pictures; left alone where nothing changed."""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, cast

from analysis.commands.rundown import analysed
from analysis.report.digest import Digest, description_of, digest_of, inputs_of, kept_digest
from analysis.report.same_piece import Together, made_from, together_at
from analysis.report.told import paragraphs_of
from analysis.run.asked import cutoff_of
from analysis.say.events import ListedEvent, listed_events, numbered_events
from analysis.say.figures import SizeName
from analysis.say.publish import publish, unchanged
from logger.base.errors import BenchError, spoken
from logger.base.safe_files import read_whole

SHEET_FILE: Final = "run-sheet.pdf"


@dataclass(frozen=True)
class Asked:
    """What a run is held to; None: its own. ``with_sheet``: a report's sheet goes into the sheet's own folder, too."""

    cutoff_v: float | None = None
    hold_s: float | None = None
    need_s: float | None = None
    budget_file: Path | None = None
    flex_sources: tuple[Path, ...] = ()
    flex_cycles: float | None = None
    with_sheet: bool = False
    size: str = "page"
    formats: tuple[str, ...] = ()


@dataclass(frozen=True)
class Job:
    """One run, and where what is made of it goes; None: a folder of its own inside the run."""

    run_folder: Path
    out: Path | None
    asked: Asked


@dataclass(frozen=True)
class Made:
    """``fresh``: made now, not found as it was. ``told``: the answer, and what it covers. ``numbers``: in the pictures."""

    files: tuple[Path, ...]
    fresh: bool
    digest: Digest
    told: tuple[str, ...]
    numbers: tuple[str, ...] = ()

    def named(self, ending: str) -> Path:
        """The file whose name ends so; the first where there is none."""
        return next((file for file in self.files if file.name.endswith(ending)), self.files[0])


@dataclass(frozen=True)
class Maker:
    """``what``: in a word. ``page``: the end of the file's name that is opened. ``kept``: found unchanged, at once;
    ``make``: brought up to date, once ``kept`` found nothing. ``each_s``: about how long that takes."""

    what: str
    page: str
    kept: Callable[[Job], Made | None]
    make: Callable[[Job], Made]
    each_s: float


def kept_report(job: Job) -> Made | None:
    """The report that stands there, if nothing that it comes from has changed; without a heavy library."""
    asked, folder = job.asked, job.run_folder
    kept = kept_digest(folder, asked.cutoff_v, asked.hold_s)
    if kept is None:
        return None
    piece = together_at(folder, kept, asked.need_s)
    files = unchanged(job.out or folder / "report", made_from(_report_source(job), piece))
    if files is None or (asked.with_sheet and _kept_sheet(job, piece) is None):
        return None
    return _made(files, kept, piece, fresh=False)


def make_report(job: Job) -> Made:
    """The report, and its sheet beside it if that was asked for."""
    asked, folder = job.asked, job.run_folder
    source = _report_source(job)
    kept = kept_digest(folder, asked.cutoff_v, asked.hold_s)
    piece = None if kept is None else together_at(folder, kept, asked.need_s)
    files = unchanged(job.out or folder / "report", made_from(source, piece))
    if files is None or kept is None:
        refuse_parts(asked)
        run, result, kept = analysed(folder, asked.cutoff_v, asked.hold_s, asked.need_s)
        folder = run.folder
        piece = together_at(folder, kept, asked.need_s)
        from analysis.report.parts import write_whole_report

        with _in_words("The report"):
            files = write_whole_report(
                run,
                result,
                job.out or folder / "report",
                hold_s=cutoff_of(run, asked.cutoff_v, asked.hold_s)[1],
                budget_file=asked.budget_file,
                flex_sources=asked.flex_sources,
                flex_cycles=asked.flex_cycles,
                source=made_from(source, piece),
                told=paragraphs_of(kept, piece),
            )
    if asked.with_sheet:
        _put_sheet(job, folder, piece, next(file for file in files if file.name == SHEET_FILE))
    return _made(files, kept, piece, fresh=True)


def kept_sheet(job: Job) -> Made | None:
    """As ``kept_report``."""
    kept = kept_digest(job.run_folder, job.asked.cutoff_v, job.asked.hold_s)
    if kept is None:
        return None
    piece = together_at(job.run_folder, kept, job.asked.need_s)
    files = _kept_sheet(job, piece)
    return None if files is None else _made(files, kept, piece, fresh=False)


def make_sheet(job: Job) -> Made:
    """The sheet; the report's, where that holds the same."""
    asked, folder = job.asked, job.run_folder
    reported = kept_report(Job(folder, None, Asked(asked.cutoff_v, asked.hold_s, asked.need_s)))
    if reported is not None:
        kept = digest_of(folder, asked.cutoff_v, asked.hold_s)
        piece = together_at(folder, kept, asked.need_s)
        files = _put_sheet(job, folder, piece, reported.named(SHEET_FILE))
        return _made(files, kept, piece, fresh=True)
    source = _sheet_source(job)
    run, result, kept = analysed(folder, asked.cutoff_v, asked.hold_s, asked.need_s)
    piece = together_at(folder, kept, asked.need_s)
    from analysis.report.sheet import write_sheet

    with _in_words("The sheet"), TemporaryDirectory(prefix="drawbench-") as temporary:
        write_sheet(run, result, Path(temporary), paragraphs_of(kept, piece))
        files = publish(
            Path(temporary),
            job.out or run.folder / "sheet",
            made_from(source, piece),
            what="The sheet",
        )
    return _made(files, kept, piece, fresh=True)


def kept_pictures(job: Job) -> Made | None:
    """As ``kept_report``."""
    asked, folder = job.asked, job.run_folder
    files = unchanged(job.out or folder / f"pictures-{asked.size}", _pictures_source(job))
    if files is None:
        return None
    kept = digest_of(folder, asked.cutoff_v, asked.hold_s)
    events, _ = listed_events(description_of(folder).events)
    numbers = _numbers(events, kept.last[0] or 0.0)
    return _made(files, kept, None, fresh=False, numbers=numbers)


def make_pictures(job: Job) -> Made:
    """The pictures in the size and the formats asked for."""
    asked, source = job.asked, _pictures_source(job)
    run, result, kept = analysed(job.run_folder, asked.cutoff_v, asked.hold_s)
    from analysis.report.plots import draw_plots

    events, _ = listed_events(run.description.events)
    numbers = _numbers(events, result.draw.trace.end_s)
    with _in_words("The pictures"), TemporaryDirectory(prefix="drawbench-") as temporary:
        size = cast("SizeName", asked.size)
        draw_plots(result, run.description.pack, events, Path(temporary), size, asked.formats)
        files = publish(
            Path(temporary),
            job.out or run.folder / f"pictures-{asked.size}",
            source,
            what="The pictures",
        )
    return _made(files, kept, None, fresh=True, numbers=numbers)


# Seconds of one core for a night of 60,000 rows, libraries loaded.
REPORT: Final = Maker("report", "report.html", kept_report, make_report, 2.5)
SHEET: Final = Maker("sheet", ".pdf", kept_sheet, make_sheet, 1.0)
PICTURES: Final = Maker("picture set", ".png", kept_pictures, make_pictures, 1.5)


def _numbers(events: Sequence[ListedEvent], end_s: float) -> tuple[str, ...]:
    """What the numbers in the pictures stand for."""
    marked = numbered_events(events, end_s)
    return tuple(f"{event.number}: {event.kind}: {event.text}" for event in marked)


def _made(
    files: tuple[Path, ...],
    kept: Digest,
    piece: Together | None,
    *,
    fresh: bool,
    numbers: tuple[str, ...] = (),
) -> Made:
    told = paragraphs_of(kept, piece)
    return Made(files, fresh, kept, told, numbers)


def _report_source(job: Job) -> dict[str, object] | None:
    asked = job.asked
    if asked.flex_sources or asked.flex_cycles is not None or asked.need_s is not None:
        return None  # a flex test may be many files
    chosen_by: list[Path | str] = []
    if asked.budget_file is not None:
        from analysis.budget.own_run import looked_at, places_of

        # What the budget's part goes by besides: the other runs' descriptions, and where they lie.
        runs = looked_at(places_of(asked.budget_file, job.run_folder))
        chosen_by = [*runs, *(str(path) for path in runs)]
    return inputs_of(
        job.run_folder, asked.cutoff_v, asked.hold_s, "report", asked.budget_file, *chosen_by
    )


def _sheet_source(job: Job) -> dict[str, object] | None:
    asked = job.asked
    if asked.need_s is not None:
        return None
    return inputs_of(job.run_folder, asked.cutoff_v, asked.hold_s, "sheet")


def _pictures_source(job: Job) -> dict[str, object] | None:
    asked = job.asked
    return inputs_of(
        job.run_folder, asked.cutoff_v, asked.hold_s, "pictures", asked.size, *asked.formats
    )


def _kept_sheet(job: Job, piece: Together | None) -> tuple[Path, ...] | None:
    folder = job.out if job.out is not None and not job.asked.with_sheet else job.run_folder / "sheet"  # fmt: skip
    return unchanged(folder, made_from(_sheet_source(job), piece))


def _put_sheet(job: Job, folder: Path, piece: Together | None, sheet: Path) -> tuple[Path, ...]:
    """The report's sheet, as it stands there, as the sheet's own."""
    out = folder / "sheet" if job.out is None or job.asked.with_sheet else job.out
    with _in_words("The sheet"), TemporaryDirectory(prefix="drawbench-") as temporary:
        (Path(temporary) / SHEET_FILE).write_bytes(read_whole(sheet))
        source = made_from(_sheet_source(job), piece)
        return publish(Path(temporary), out, source, what="The sheet")


def refuse_parts(asked: Asked) -> None:
    """Raises BenchError for a budget or a flex test that cannot be read, before the run is reckoned with."""
    if asked.flex_cycles is not None and not asked.flex_sources:
        raise BenchError("--flex-cycles needs a flex test.", next_step="add --flex TABLE-OR-RUN.")
    if asked.budget_file is not None:
        from analysis.budget.file import read_budget

        read_budget(asked.budget_file)
    if asked.flex_sources:
        from analysis.flex.sources import read_sources

        read_sources(asked.flex_sources, None)


@contextlib.contextmanager
def _in_words(what: str) -> Iterator[None]:
    """An error of the system while something is made, as by a disk that is full."""
    try:
        yield
    except OSError as error:
        raise BenchError(
            f"{what} cannot be made.",
            evidence=spoken(error),
            next_step="see that there is room on the disk, there and for temporary files.",
        ) from error
