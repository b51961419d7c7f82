"""The tool asked by the judge of budgets: a budget file and a run in, what it names and clears out.

The one file that knows both; whoever changes the tool's words or entry points changes it here.
"""

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

import drawbench
from logger.run.description import Event
from logger.run.reader import Run
from tests.benchmarks.measurement_adapter import description_of, frame_of
from tests.support.datasheet_boards.errors import Law, draw_boards
from tests.support.datasheet_boards.packs import make_world
from tests.support.datasheet_boards.record import record
from tests.support.known_budgets import (
    NOT_LISTED,
    UNRESOLVED,
    WIRE,
    KnownBudget,
    budget_toml,
)
from tests.support.limited_pieces import OTHER_PACKS, LimitedPiece, fresh_v
from tests.support.true_pieces import load_of, pack_of, starts_s

WINDOW_S: Final = 1.0
# Words of the tool -> the judge's labels.
_NOT_LISTED: Final = re.compile(
    r"not (?:listed|in the budget)|nothing lists|no part|unlisted|does not list", re.I
)
_UNRESOLVED: Final = re.compile(
    r"cannot be told|not told apart|tell (?:them|these) apart|unresolved|not resolved|did not resolve|merged|look the same|saw no",
    re.I,
)
_ALL_CLEAR: Final = re.compile(r"everything (?:is )?within|all stay within", re.I)


@dataclass(frozen=True)
class BudgetAnswer:
    """``named``: culprits in the tool's order, by the judge's labels. ``clear``: it says that all is well. ``words``: as said."""

    named: tuple[str, ...]
    clear: bool
    words: str

    @property
    def blames(self) -> bool:
        """A figure or a part is said to be wrong or missing."""
        return any(name != UNRESOLVED for name in self.named)


def run_of(known: KnownBudget, seed: int) -> Run:
    """The true piece's run, measured by a board of the data sheet as bought."""
    rng = np.random.default_rng([seed, len(known.name), 8])
    board = draw_boards(known.chip, Law.LIMITS, rng, 1)
    pack = pack_of(known.true)
    load = load_of(known.true, pack)
    windows = record(make_world(load, pack, load.round_s), board, WINDOW_S, rng)
    description = description_of(windows, pack.chemistry, None, rng)
    marks = tuple(Event(begin_s, "mark", mode) for mode, begin_s in starts_s(known.true).items())
    told = marks if known.told == "marks" else ()
    return Run(Path("judge"), replace(description, events=told), frame_of(windows))


def ask(known: KnownBudget, folder: Path, seed: int) -> BudgetAnswer:
    """What ``drawbench budget FILE RUN`` says."""
    path = folder / "piece.toml"
    path.write_text(budget_toml(known), encoding="utf-8")
    story = drawbench.budget(path, run_of(known, seed), pack_runs=())
    labels = [label for label, *_ in story.figure_rows()]
    words = repr(story)
    named = [WIRE if "wire" in label else label for label in (labels[i] for i in story.culprits)]
    if _NOT_LISTED.search(words):
        named.append(NOT_LISTED)
    if _UNRESOLVED.search(words):
        named.append(UNRESOLVED)
    if story.misfit:
        off = [item.estimate.mode for item in story.comparison.modes] if story.comparison else []
        named += [mode for mode in off if f"{mode}:" in words]
    return BudgetAnswer(tuple(named), bool(_ALL_CLEAR.search(words)), words)


def packs_offered(piece: LimitedPiece, folder: Path) -> list[str]:
    """Packs that would do by the tool's table, and those that its changes lead to."""
    path = folder / "piece.toml"
    path.write_text(piece.toml, encoding="utf-8")
    try:
        story = drawbench.budget(path, packs=OTHER_PACKS, pack_runs=())
    except drawbench.BenchError as error:
        # The whole file may be refused for its own pack, but for nothing else.
        if fresh_v(piece.pack) <= piece.most_v or "not known" in str(error):
            raise
        return []
    offered = [item.name for item in story.packs if item.serves]
    more = re.compile(r"(?:one cell more|another cell)", re.I)
    if any(more.search(change.words) for change in story.changes):
        own = story.packs[0].pack
        offered.append(f"{own.cells + 1}x {own.size} {own.chemistry}")
    return offered
