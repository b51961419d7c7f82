"""From a handful of flexed specimens to the answer: do these joints survive the season?

``flex_life`` is the one function that judges; terminal, page, report and JSON tell what it found.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Literal

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import on_one_radius, speed_cautions
from analysis.flex.claim import Claim, Count, count_shown, stated_shape_shown
from analysis.flex.compare import Comparison, compare, overall_test
from analysis.flex.describe import Described, describe
from analysis.flex.looks import Looks, look_words
from analysis.flex.results import (
    FEW_FAILURES,
    POOR_FIT,
    Model,
    Ordered,
    WeibullResult,
    lives_in_order,
)
from analysis.flex.verdict import LOOKED_BEFORE, By, Evidence, Judged, verdict
from analysis.flex.ways import Way, ways_of
from analysis.life.common_looks import looked_alike
from analysis.life.data import Lives, Specimen, groups_of, lives_of
from analysis.life.fit import LifeFit
from analysis.life.goodness import Goodness
from analysis.life.log_rank import LogRank
from analysis.life.survival import SurvivalCurve, kaplan_meier
from logger.base.errors import BenchError


@dataclass(frozen=True)
class GroupLife:
    """All that is known of one group. ``verdict`` None: no target.

    ``median``, ``b10``: half, a tenth have failed, by the order of the lives alone; None with ``no_median``, ``no_b10`` why.
    What a model says of the lives is reckoned when it is asked for.
    """

    name: str
    specimens: tuple[Specimen, ...]
    lives: Lives
    model: Model
    count: Count | None
    stated_shape_lower: Quantity | None
    verdict: Judged | None
    worn: bool = False
    looked: bool = False

    @property
    def claim(self) -> Claim:
        return self.model.claim

    @property
    def shown_by(self) -> Literal["", "weibull", "count", "stated shape"]:
        """By what the claim is shown; empty unless the verdict is "shown"."""
        by: By = self.verdict.by if self.verdict and self.verdict.word == "shown" else ""
        return by

    @property
    def weibull(self) -> WeibullResult | None:
        """Every number of the Weibull fit; None with ``no_fit`` why."""
        return self.model.result

    @property
    def no_fit(self) -> str:
        return self.model.no_fit

    @property
    def rival(self) -> LifeFit | None:
        return self.model.rival

    @property
    def goodness(self) -> tuple[Goodness, ...]:
        return self.model.goodness

    @property
    def fit_trusted(self) -> bool:
        """Whether an indication may rest on the Weibull fit: enough failures, and they follow it."""
        return self.model.trusted

    @cached_property
    def curve(self) -> SurvivalCurve:
        return kaplan_meier(self.lives, self.claim.coverage)

    @property
    def median(self) -> Quantity | None:
        return self._ordered[0].life

    @property
    def no_median(self) -> str:
        return self._ordered[0].why_not

    @property
    def b10(self) -> Quantity | None:
        return self._ordered[1].life

    @property
    def no_b10(self) -> str:
        return self._ordered[1].why_not

    @cached_property
    def _ordered(self) -> tuple[Ordered, Ordered]:
        return lives_in_order(self.specimens, self.claim.coverage, self.worn, self.looked)

    @cached_property
    def suspects(self) -> tuple[str, ...]:
        """Early failures that no one Weibull holds with the others, by name and row."""
        if not self.model.mixed or self.model.early is None:
            return ()
        failed = sorted(
            (item for item in self.specimens if item.failed), key=lambda item: item.broken_cycles
        )
        return tuple(
            item.name + (f" (row {item.row})" if item.row else "")
            for item in failed[: self.model.early.pieces]
        )

    @cached_property
    def ways(self) -> tuple[Way, ...]:
        """Ways to fail apart; empty where all failed in one."""
        return ways_of(self.specimens, self.claim)

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """What a reader of this group's numbers must know."""
        return group_warnings(self)


@dataclass(frozen=True)
class FlexLife:
    """The whole result: groups, the overall log-rank test, the pairs, and what the rows said of the test."""

    claim: Claim
    groups: tuple[GroupLife, ...]
    comparisons: tuple[Comparison, ...]
    warnings: tuple[str, ...]
    described: Described

    @cached_property
    def overall(self) -> LogRank | None:
        """Are all groups equal? None for one group, or where none failed."""
        return overall_test([group.lives for group in self.groups])


_UNLIKE: Final = (
    "The groups were looked at unlike; they are compared at the looks that all of them share. "
    "Look at all of them alike: then less is lost."
)


def flex_life(
    specimens: Sequence[Specimen],
    claim: Claim,
    notes: Sequence[str] = (),
    reference: str = "",
    looks: Looks | None = None,
    looked_every: float | None = None,
) -> FlexLife:
    """Analyse all groups. ``reference``: group that others are compared with (empty: each with each).

    ``looks``: earlier ones at this table, and its plan. ``looked_every``: bends between looks, if stated
    (1: every life is exact). Raises BenchError for a reference that is none.
    """
    speed = claim.acceleration
    test = describe(specimens, looked_every, keep_radii=speed is not None)
    judged = test.specimens if speed is None else on_one_radius(test.specimens, speed)
    by_group = groups_of(judged)
    if reference and reference not in by_group:
        raise BenchError(
            f"There is no group {reference!r}.",
            evidence=f"groups: {', '.join(map(repr, by_group))}",
            next_step="name one of them.",
        )
    asked = claim
    if speed is not None and speed.fitted:
        # Exponent and lives may both mislead: each gets half of the error (Bonferroni).
        asked = replace(claim, confidence=(1 + claim.confidence) / 2)
    groups = tuple(
        group_life(
            name,
            items,
            asked,
            looks or Looks(),
            claim,
            _worn(items, test),
            _hopeful_upper([item for item in test.specimens if item.group == name], asked),
        )
        for name, items in by_group.items()
    )
    lives = {group.name: group.lives for group in groups}
    comparisons = compare(lives, claim, reference)
    said = (
        *notes,
        *test.notes,
        *_of_looks(groups, claim, looks or Looks()),
        *([] if looked_alike(list(lives.values())) else [_UNLIKE]),
        *speed_cautions(speed),
    )
    return FlexLife(claim, groups, comparisons, (*said, *_few(groups)), test)


def _hopeful_upper(items: Sequence[Specimen], claim: Claim) -> float | None:
    """Upper bound of the share that survives if a bench bend is worth as much as its interval allows.

    The target on the bench is by the cautious end, which must refute nobody. None where the factor has no interval.
    """
    speed = claim.acceleration
    if speed is None or speed.factor.lower is None or claim.target_cycles is None:
        return None
    upper = speed.factor.upper
    if upper is None or not math.isfinite(upper):
        return 1.0
    target = claim.target_cycles * speed.cautious / upper
    there = on_one_radius(items, speed, cautious=False)
    strips = [item.strip for item in items]
    return count_shown(lives_of(there), replace(claim, target_cycles=target), strips).upper


def _worn(items: Sequence[Specimen], test: Described) -> bool:
    return any(item.name in test.worn for item in items)


def _of_looks(groups: Sequence[GroupLife], claim: Claim, looks: Looks) -> tuple[str, ...]:
    counts = {group.name: group.count for group in groups if group.count is not None}
    lowered = any(
        group.verdict is not None and group.verdict.why == LOOKED_BEFORE for group in groups
    )
    return look_words(looks, counts, claim, lowered)


def _few(groups: Sequence[GroupLife]) -> tuple[str, ...]:
    """What so few failures cannot show, once for all groups."""
    open_shape = [
        f"{group.name or 'all specimens'} ({group.lives.failures:.0f} of {group.lives.count:.0f})"
        for group in groups
        if 2 <= group.lives.failures < FEW_FAILURES and not group.no_fit
    ]
    if not open_shape:
        return ()
    return (
        f"Fewer than five failed: {'; '.join(open_shape)}. That leaves the Weibull shape nearly open, so counting alone speaks there.",
    )


def group_life(
    name: str,
    specimens: Sequence[Specimen],
    claim: Claim,
    looks: Looks | None = None,
    asked: Claim | None = None,
    worn: bool = False,
    upper: float | None = None,
) -> GroupLife:
    """Curve, fit, intervals, counting bound and verdict of one group.

    ``asked``: the claim as the user knows it, where ``claim`` is stricter; ``worn``: some were taken out worn.
    ``upper``: bound of the share that survives, above which nothing is refuted, where it is not the count's own.
    """
    lives = lives_of(specimens)
    model = Model(lives, claim)
    stated = stated_shape_shown(lives, claim)
    count, found, looked = None, None, False
    if claim.target_cycles is not None:
        count = count_shown(lives, claim, [item.strip for item in specimens])
        allowed, before = (looks or Looks()).allowed(name, asked or claim, count)
        looked = bool((looks or Looks()).before(name, asked or claim, count))
        evidence = Evidence(
            count,
            model,
            None if stated is None else stated.lower,
            allowed,
            before,
            worn,
            count.upper if upper is None else upper,
            None if claim.acceleration is None else claim.acceleration.factor.value,
        )
        found = verdict(evidence, claim)
    return GroupLife(name, tuple(specimens), lives, model, count, stated, found, worn, looked)


def group_warnings(group: GroupLife) -> tuple[str, ...]:
    """What a reader of this group's numbers must know."""
    found = []
    label, claim, lives = group.name or "all specimens", group.claim, group.lives
    straight, suspects = group.model.straight, group.suspects
    if suspects:
        one = len(suspects) == 1
        found.append(
            f"{label}: {', '.join(suspects)} failed too early for one kind of joint, so two may be mixed. Look at "
            f"{'that joint' if one else 'those joints'}, and inspect sharper before sewing."
        )
    if straight is not None and straight < POOR_FIT:
        found.append(
            f"{label}: the lives do not lie on a line in the probability plot ({'p < 0.001' if straight < 0.001 else f'p = {straight:.2g}'}): the Weibull's numbers are not to be trusted here."
        )
    if claim.target_cycles is not None and group.model.fit is not None and group.rival is not None:
        fits = (group.model.fit, group.rival)
        first, second = (fit.reliability(claim.target_cycles) for fit in fits)
        if abs(first - second) > 0.05:
            found.append(
                f"{label}: Weibull says {first * 100:.0f} %, lognormal {second * 100:.0f} % at the target: these specimens cannot tell which."
            )
    seen = float(lives.seen_cycles.max())
    if (
        claim.target_cycles is not None
        and claim.target_cycles > seen
        and group.model.fit is not None
    ):
        found.append(
            f"{label}: the target of {claim.target_cycles:,.0f} bends lies beyond the longest test ({seen:,.0f}): what the Weibull says there is extrapolated."
        )
    if lives.inspected:
        found.append(
            f"{label}: some failures are only known to lie between two inspections; the fit uses that, the curve drops where the failure was found."
        )
    return tuple(found)
