"""The budget's part of a report."""

from collections.abc import Sequence
from pathlib import Path

from analysis.budget.hazards import fuse_sentences
from analysis.budget.plots import draw_budget
from analysis.budget.story import BudgetStory
from analysis.budget.words import answer_sentences
from analysis.doubt.quantity import Quantity
from analysis.electric.pack_choice import PackAnswer
from analysis.say.figures import SizeName
from analysis.say.section import Section

_MOST_PACKS = 4
_METHOD = (
    "Method: every part's figure is a belief with the tolerance stated in the budget (95 %). The measured mean of each "
    "mode moves the figures together, each by as much as its tolerance allows (linear Gaussian update; "
    "errors of different figures independent; one or two figures may be slips, far outside their tolerance). Packs are reckoned with typical curves and capacities, not with yours."
)


def budget_section(story: BudgetStory, folder: Path, size: SizeName = "page") -> Section:
    """Section with pictures saved into ``folder``."""
    rows: list[tuple[str, Quantity]] = []
    for estimate in story.estimates:
        rows.append((f"{estimate.mode}, estimated", estimate.current))
    if story.comparison is not None:
        rows += [
            (f"{item.estimate.mode}, measured", item.measured) for item in story.comparison.modes
        ]
        rows += [(f"{label}, corrected", after) for label, _, after in story.figure_rows()]
    shown = [story.packs[0], *(item for item in story.packs[1:] if item.serves)][:_MOST_PACKS]
    rows += [(f"Runtime on {answer.name}", answer.runtime) for answer in shown]
    rows += [(f"Gained by: {item.words}", item.gained) for item in story.changes[:4]]
    how = () if story.run_modes is None else (f"How the modes were found: {story.run_modes.how}.",)
    return Section(
        title="Budget against truth" if story.comparison is not None else "Current budget",
        paragraphs=(
            *answer_sentences(story),
            *story.warnings,
            *filter(None, fuse_sentences(story.basis)),
            *how,
            _METHOD,
        ),
        quantities=tuple(rows),
        figures=draw_budget(story, folder, size),
        cautions=_cautions(shown),
    )


def _cautions(packs: Sequence[PackAnswer]) -> tuple[str, ...]:
    """Each caution once, with the first pack that it is for."""
    found: dict[str, str] = {}
    for answer in packs:
        for caution in answer.cautions:
            found.setdefault(caution, answer.name)
    return tuple(f"{name}: {caution}" for caution, name in found.items())
