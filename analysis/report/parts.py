"""The parts of a whole report: the run's own, its discharge, a budget beside it, a test of its joints."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.budget.file import read_budget
from analysis.budget.own_run import places_of
from analysis.budget.section import budget_section
from analysis.budget.story import tell_budget
from analysis.flex.claim import Claim
from analysis.flex.sources import flex_part
from analysis.flex.words import target_words
from analysis.report.build import SectionMaker, write_report
from analysis.report.discharge_section import discharge_section
from analysis.run.rundown import Rundown
from logger.base.errors import BenchError
from logger.run.reader import Run


def write_whole_report(
    run: Run,
    result: Rundown,
    folder: Path,
    *,
    hold_s: float,
    budget_file: Path | None = None,
    flex_sources: Sequence[Path] = (),
    flex_cycles: float | None = None,
    source: Mapping[str, Any] | None = None,
    told: Sequence[str] = (),
) -> tuple[Path, ...]:
    """Every part that there is something for; the rest as ``write_report``."""
    sections = [] if budget_file is None else [budget_part(budget_file, run)]
    sections += discharge_parts(run, result.fall.cutoff_v, hold_s)
    sections += flex_parts(flex_sources, flex_cycles)
    return write_report(run, result, folder, sections, source, told)


def discharge_parts(run: Run, cutoff_v: float | None, hold_s: float) -> list[SectionMaker]:
    """The section on the pack's discharge; none where voltage, current or cutoff is not known."""
    if cutoff_v is None or not {"pack_v", "current_ma"} <= set(run.samples.columns):
        return []
    return [lambda folder: discharge_section(run, cutoff_v, hold_s, folder)]


def budget_part(budget_file: Path, run: Run) -> SectionMaker:
    """The section that compares a run with a budget file."""
    places = places_of(budget_file, run.folder)
    story = tell_budget(read_budget(budget_file), run, pack_runs=None, places=places)
    return lambda folder: budget_section(story, folder)


def flex_parts(sources: Sequence[Path], cycles: float | None) -> list[SectionMaker]:
    """The section on the joints; none without a source."""
    if not sources:
        if cycles is not None:
            raise BenchError(
                "--flex-cycles needs a flex test.", next_step="add --flex TABLE-OR-RUN."
            )
        return []
    claim = Claim() if cycles is None else Claim(cycles, target_words(cycles, None))
    return [flex_part(sources, claim)[1]]
