"""From a handful of flexed specimens to the answer: do these joints survive the season?

``flex_life`` is the one function that judges; terminal, page, report and JSON tell what it found.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Literal

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import on_one_radius
from analysis.flex.claim import Claim, Count, count_shown, stated_shape_shown
from analysis.flex.compare import Comparison, compare, overall_test
from analysis.flex.describe import Described, describe
from analysis.flex.looks import Looks
from analysis.flex.results import FEW_FAILURES, POOR_FIT, Model, WeibullResult
from analysis.flex.verdict import By, Evidence, Judged, verdict
from analysis.flex.ways import Way, ways_of
from analysis.life.data import Lives, Specimen, groups_of, lives_of
from analysis.life.fit import LifeFit
from analysis.life.goodness import Goodness
from analysis.life.log_rank import LogRank
from analysis.life.order import (
    B10Life,
    MedianLife,
    b10_life,
    b10_needs,
    median_life,
    tenth_life,
)
from analysis.life.survival import SurvivalCurve, kaplan_meier
from logger.base.errors import BenchError

STRIPS_MIN: Final = 5


@dataclass(frozen=True)
class Ordered:
    """A life by the order of the lives alone, or why there is none."""

    life: Quantity | None
    why_not: str = ""


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
        return lives_in_order(self.specimens, self.claim.coverage, self.worn)

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
    said = (*notes, *test.notes, *_of_looks(groups, claim, looks or Looks()), *_of_speed(claim))
    return FlexLife(claim, groups, comparisons, (*said, *_few(groups, claim)), test)


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
    """That somebody looked before, and whether that was planned."""
    if claim.target_cycles is None:
        return ()
    before = max(
        (len(looks.before(g.name, claim, g.count)) for g in groups if g.count is not None),
        default=0,
    )
    if looks.plan_for(claim) is not None:
        plan = looks.plan_for(claim)
        assert plan is not None
        return (
            f"A plan with {len(plan.joints)} looks at {_and(plan.joints)} joints is kept beside the table; this is look {before + 1}.",
        )
    if not before:
        return ()
    return (
        f"Judged {before} time{'s' if before > 1 else ''} before with fewer joints, and no plan was made: the promise is weaker, so what "
        "counting would show now is only indicated. Next time: drawbench flex plan --looks 3 --for TABLE, before the first bend.",
    )


def _and(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers[:-1])) + f" and {numbers[-1]}"


def _of_speed(claim: Claim) -> tuple[str, ...]:
    speed = claim.acceleration
    if speed is None or speed.factor.value is None or speed.factor.value <= 10:
        return ()
    factor = (
        f"{speed.factor.value:,.0f}" if speed.factor.value < 1e6 else f"{speed.factor.value:.0e}"
    )
    if speed.factor.value <= 100:
        return (
            f"One bench bend stands for {factor} worn bends: above ten, a small error of the exponent is a large one of the life. "
            "Bend some at a wider radius.",
        )
    return (
        f"One bench bend stands for {factor} worn bends: beyond a hundred nothing is shown, at most indicated. Bend at a radius nearer to "
        "the one as worn.",
    )


def _few(groups: Sequence[GroupLife], claim: Claim) -> tuple[str, ...]:
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
    count, found = None, None
    if claim.target_cycles is not None:
        count = count_shown(lives, claim, [item.strip for item in specimens])
        allowed, before = (looks or Looks()).allowed(name, asked or claim, count)
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
    return GroupLife(name, tuple(specimens), lives, model, count, stated, found, worn)


def lives_in_order(
    specimens: Sequence[Specimen], coverage: float, worn: bool
) -> tuple[Ordered, Ordered]:
    """When half and a tenth have failed, without a shape of the curve; of strips one piece each."""
    if worn:
        none = Ordered(
            None, "some were taken out worn, and when they would have failed nobody knows"
        )
        return none, none
    first = {
        item.strip or f"\0{place}": item for place, item in reversed(list(enumerate(specimens)))
    }
    alone = list(first.values())
    shared = len(alone) < len(specimens)
    if shared and len(alone) < STRIPS_MIN:
        few = (
            f"joints of one strip share their luck, and {len(alone)} strips are too few to know it"
        )
        return Ordered(None, few), Ordered(None, few)
    lives = lives_of(alone if shared else specimens)
    if lives.scattered:
        none = Ordered(None, "some were taken out whole before others failed")
        return none, none
    note = "order of the lives, interpolated" + (", one joint of each strip" if shared else "")
    return _median(lives, coverage, note), _b10(lives, coverage, note)


def _median(lives: Lives, coverage: float, note: str) -> Ordered:
    found = median_life(lives, coverage)
    if found is None:
        few = lives.count < STRIPS_MIN
        return Ordered(None, "fewer than five joints" if few else "fewer than half failed")
    return Ordered(_span(found.value, found, note))


def _b10(lives: Lives, coverage: float, note: str) -> Ordered:
    needs, found = b10_needs(coverage), b10_life(lives, coverage)
    if found is None:
        few = lives.count < needs
        return Ordered(
            None,
            f"fewer than {needs} joints may hold none of the tenth that fails first"
            if few
            else "fewer than a tenth failed",
        )
    return Ordered(_span(tenth_life(lives), found, note))


def _span(value: float | None, found: MedianLife | B10Life, note: str) -> Quantity:
    """Interval of a life; no upper end where nobody saw one."""
    upper = found.upper if math.isfinite(found.upper) else None
    return Quantity(value, "cycles", found.lower, upper, found.coverage, note)


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
            f"{label}: the lives do not lie on a line in the probability plot (p = {straight:.2g}): the Weibull's numbers are not to be trusted here."
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
