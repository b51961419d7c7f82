"""Hand-test tables and recorded runs, read together as one flex test."""

from collections.abc import Callable, Sequence
from pathlib import Path

from analysis.flex.claim import Claim
from analysis.flex.failure import SIMULATED_NOTE, Verdict, read_flex_run
from analysis.flex.judge import FlexLife, flex_life
from analysis.flex.looks import Looks, read_looks, with_look, write_looks
from analysis.flex.table import notices, read_flex_table
from analysis.life.data import Specimen
from analysis.say.section import Section
from logger.base.errors import BenchError
from logger.flex.criterion import Criterion
from logger.flex.store import FLEX_NAME


def read_sources(
    sources: Sequence[Path], criterion: Criterion | None
) -> tuple[tuple[Specimen, ...], tuple[Verdict, ...], Criterion | None, tuple[str, ...]]:
    """Specimens of tables and recorded runs together, verdicts and criterion of the runs, notes."""
    specimens: list[Specimen] = []
    verdicts: list[Verdict] = []
    notes: list[str] = []
    used = criterion
    for source in sources:
        if source.is_dir() or source.name == FLEX_NAME:
            folder = source if source.is_dir() else source.parent
            description, found, said = read_flex_run(folder, criterion)
            used = used or description.criterion
            if criterion is None and description.criterion != used:
                notes.append(
                    f"{folder.name} was judged by another criterion: {description.criterion}."
                )
            verdicts += found
            specimens += [v.life((criterion or description.criterion).name) for v in found]
        else:
            table, said = read_flex_table(source)
            specimens += table
        notes += [note for note in said if note not in notes]
    names = [item.name for item in specimens]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise BenchError(
            "The same specimen stands in two sources.",
            evidence=", ".join(twice[:5]),
            next_step="give each test piece a name of its own over all tables and runs.",
        )
    if SIMULATED_NOTE not in notes and any("simulated" in item.how.lower() for item in specimens):
        notes.append(SIMULATED_NOTE)
    if len(sources) > 1:
        notes += [note for note in notices(specimens) if note not in notes]
    return tuple(specimens), tuple(verdicts), used if verdicts else None, tuple(notes)


def looks_of(sources: Sequence[Path]) -> Looks:
    """Earlier looks at these sources, kept beside the first."""
    return read_looks(sources[0])


def keep_look(sources: Sequence[Path], result: FlexLife) -> bool:
    """Keep beside the first source that it was judged; False where that cannot be written."""
    looks = looks_of(sources)
    counts = {group.name: group.count for group in result.groups if group.count is not None}
    seen = with_look(looks, counts, result.claim)
    return seen == looks or write_looks(sources[0], seen)


def flex_part(
    sources: Sequence[Path], claim: Claim, reference: str = ""
) -> tuple[FlexLife, Callable[[Path], Section]]:
    """Flex test as the part of a run's report: the result, and its maker for ``write_report``."""
    specimens, verdicts, used, notes = read_sources(sources, None)
    result = flex_life(specimens, claim, notes, reference, looks_of(sources))

    def make(folder: Path) -> Section:
        from analysis.flex.section import flex_section

        return flex_section(result, folder, verdicts, used)

    return result, make
