"""Score of what a detector said against the truth: counts with their standard errors, and goals.

A false alarm: an alarm (went dark, comes back, reboots, protection) where none is accepted. A miss:
no accepted end said where the truth is an alarm or a cutoff. "unsure" is neither when its
candidates hold an accepted end; an alarm of another name at the right time is wrong, not a miss;
the share of "unsure" is judged on its own. Contestable runs are tabulated,
not judged.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isnan, nan, sqrt
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.truth import (
    ALARMS,
    CUTOFF,
    KINDS_SAID,
    STILL_RUNNING,
    SWITCHED_OFF,
    UNSURE,
    PieceRun,
)

SLACK_S: Final = 120.0


@dataclass(frozen=True)
class Said:
    """What a detector said: `kind` of `KINDS_SAID`; times in s (nan: none said); `candidates` only
    with "unsure"."""

    kind: str
    time_s: float = nan
    reboots: int = 0
    first_reboot_s: float = nan
    half_draw_s: float = nan
    candidates: tuple[str, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """One run judged; `time_error_s` beyond the accepted window (0 inside; nan: no time to judge).

    `reboot_error`: said over visible reboots, less one; nan where the truth has none.
    """

    piece: str
    pack: str
    true_kind: str
    said_kind: str
    contestable: bool
    alarm_due: bool
    end_due: bool
    right: bool
    exact: bool
    false_alarm: bool
    false_cutoff: bool
    miss: bool
    unsure: bool
    time_error_s: float
    reboot_error: float
    dim_due: bool
    dim_border: bool
    dim_said: bool
    dim_error: float


def judge(run: PieceRun, said: Said) -> Verdict:
    """Hold one statement against one truth; ValueError for a kind the judge does not know."""
    if said.kind not in KINDS_SAID:
        raise ValueError(f"unknown kind said: {said.kind!r}; known: {', '.join(KINDS_SAID)}")
    truth = run.truth
    slack_s = SLACK_S + 2 * run.row_s + run.hold_s
    fitting = [a for a in truth.accept if a.kind == said.kind]
    accepted = {a.kind for a in truth.accept}
    unsure = said.kind == UNSURE
    error_s = nan
    if fitting and said.kind != STILL_RUNNING and not isnan(said.time_s):
        error_s = min(
            (max(a.early_s - said.time_s, said.time_s - a.late_s, 0.0) for a in fitting),
        )
    timed = said.kind in (STILL_RUNNING, SWITCHED_OFF) or error_s <= slack_s
    hedged = unsure and bool(accepted & set(said.candidates))
    end_due = truth.alarm_is_due or (truth.kind == CUTOFF and STILL_RUNNING not in accepted)
    alarm_early = (
        said.kind in ALARMS and bool(fitting) and said.time_s < min(a.early_s for a in fitting) - slack_s
    )  # fmt: skip
    wrong_alarm = (
        truth.alarm_is_due and said.kind in ALARMS
        and any(abs(said.time_s - t) <= slack_s for a in truth.accept for t in (a.early_s, a.late_s))
    )  # fmt: skip
    visible = truth.reboots_visible
    border = isnan(truth.half_draw_band_s[0]) != isnan(truth.half_draw_band_s[1])
    dim_error = nan
    if truth.dimmed and not isnan(said.half_draw_s):
        dim_error = said.half_draw_s / truth.half_draw_s - 1
    return Verdict(
        run.kind, run.pack.name, truth.kind, said.kind, truth.contestable, truth.alarm_is_due, end_due,
        bool(fitting) and timed, said.kind == truth.kind and timed,
        (said.kind in ALARMS and not fitting and truth.alarm_is_false) or alarm_early,
        said.kind == CUTOFF and not (fitting and timed),
        end_due and not hedged and not (fitting and timed) and not wrong_alarm,
        unsure, error_s,
        said.reboots / visible - 1 if visible and said.kind == truth.kind else nan,
        truth.dimmed and truth.half_draw_judged, border or not truth.half_draw_judged,
        not isnan(said.half_draw_s), dim_error,
    )  # fmt: skip


@dataclass(frozen=True)
class Share:
    """`hits` of `runs` with its standard error (of a binomial share; at 0 hits: of one hit)."""

    hits: int
    runs: int

    @property
    def share(self) -> float:
        return self.hits / self.runs if self.runs else nan

    @property
    def error(self) -> float:
        if not self.runs:
            return nan
        p = min(max(self.hits, 1), max(self.runs - 1, 1)) / self.runs
        return sqrt(p * (1 - p) / self.runs)

    def __str__(self) -> str:
        return (
            f"{self.hits}/{self.runs} = {self.share:.1%} ± {self.error:.1%}" if self.runs else "-"
        )


@dataclass(frozen=True)
class Goal:
    """A share that must not go over (`most`) or under (`least`) a bound."""

    name: str
    of: Callable[["Table"], float]
    most: float = float("inf")
    least: float = float("-inf")

    def met(self, table: "Table") -> bool:
        value = self.of(table)
        return not isnan(value) and self.least <= value <= self.most


@dataclass(frozen=True)
class Table:
    """All verdicts; shares are over runs that are not contestable."""

    verdicts: tuple[Verdict, ...]

    @property
    def judged(self) -> tuple[Verdict, ...]:
        return tuple(v for v in self.verdicts if not v.contestable)

    def count(self, hit: str, among: Callable[[Verdict], bool] = lambda v: True) -> Share:
        chosen = [v for v in self.judged if among(v)]
        return Share(sum(bool(getattr(v, hit)) for v in chosen), len(chosen))

    @property
    def right(self) -> Share:
        return self.count("right")

    @property
    def false_alarms(self) -> Share:
        """Among runs in which no alarm is due."""
        return self.count("false_alarm", lambda v: not v.alarm_due)

    @property
    def misses(self) -> Share:
        """Among runs in which an alarm is due."""
        return self.count("miss", lambda v: v.alarm_due)

    @property
    def cutoff_misses(self) -> Share:
        return self.count("miss", lambda v: v.true_kind == CUTOFF and v.end_due)

    @property
    def false_cutoffs(self) -> Share:
        """Cutoffs said where there is none, or none at that time."""
        return self.count("false_cutoff")

    @property
    def unsure(self) -> Share:
        return self.count("unsure")

    @property
    def dims_found(self) -> Share:
        return self.count("dim_said", lambda v: v.dim_due and not v.dim_border)

    @property
    def false_dims(self) -> Share:
        return self.count("dim_said", lambda v: not v.dim_due and not v.dim_border)

    def time_error_s(self, quantile: float) -> float:
        """Quantile of the timing error beyond the accepted window, in s."""
        errors = [v.time_error_s for v in self.judged if not isnan(v.time_error_s)]
        return float(np.quantile(errors, quantile)) if errors else nan

    def confusion(self, contestable: bool = False) -> dict[tuple[str, str], int]:
        """Counts of (true kind, said kind)."""
        return dict(Counter((v.true_kind, v.said_kind) for v in self.verdicts if v.contestable == contestable))  # fmt: skip

    def cells(self) -> dict[tuple[str, str], "Table"]:
        """One table for each (piece, pack)."""
        names = dict.fromkeys((v.piece, v.pack) for v in self.verdicts)
        return {c: Table(tuple(v for v in self.verdicts if (v.piece, v.pack) == c)) for c in names}


GOALS: Final = (
    Goal("false alarms", lambda t: t.false_alarms.share, most=0.01),
    Goal("misses", lambda t: t.misses.share, most=0.02),
    Goal("missed cutoffs", lambda t: t.cutoff_misses.share, most=0.02),
    Goal("false cutoffs", lambda t: t.false_cutoffs.share, most=0.01),
    Goal("said right", lambda t: t.right.share, least=0.93),
    Goal("unsure", lambda t: t.unsure.share, most=0.05),
    Goal("timing, 95 in 100 (s)", lambda t: t.time_error_s(0.95), most=SLACK_S),
)


def table_of(runs: Iterable[PieceRun], detector: Callable[[PieceRun], Said]) -> Table:
    """Judge a detector on runs, one at a time."""
    return Table(tuple(judge(run, detector(run)) for run in runs))


def unmet(table: Table, goals: Sequence[Goal] = GOALS) -> list[str]:
    """Names of the goals that are not met; a goal without runs counts as not met."""
    return [g.name for g in goals if not g.met(table)]


def markdown(table: Table) -> str:
    """The table of section 1: pieces x packs, totals, confusion, goals."""
    lines = ["| piece | pack | said right | false alarms | misses | unsure |", "|---|---|---|---|---|---|"]  # fmt: skip
    for (piece, pack), t in table.cells().items():
        fewer = t.count("miss", lambda v: v.end_due)
        lines.append(f"| {piece} | {pack} | {t.right} | {t.false_alarms} | {fewer} | {t.unsure} |")
    lines.append(f"| all | all | {table.right} | {table.false_alarms} | {table.misses} | {table.unsure} |")  # fmt: skip
    lines += ["", "| true end | " + " | ".join(KINDS_SAID) + " |", "|---" * 9 + "|"]
    counts = table.confusion()
    for true in dict.fromkeys(k for k, _ in counts):
        row = (str(counts.get((true, said), 0)) for said in KINDS_SAID)
        lines.append(f"| {true} | " + " | ".join(row) + " |")
    lines += ["", f"Half draw found {table.dims_found}, said wrongly {table.false_dims}.", ""]
    for goal in GOALS:
        value = goal.of(table)
        lines.append(f"- {goal.name}: {value:.4g} ({'met' if goal.met(table) else 'NOT met'})")
    return "\n".join(lines)
