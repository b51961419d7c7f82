"""From a handful of flexed specimens to the answer: do these joints survive the season?

``flex_life`` is the one function that judges; terminal, page, report and JSON tell what it found.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import on_one_radius
from analysis.flex.claim import Claim, Count, count_shown, stated_shape_shown
from analysis.flex.compare import Comparison, compare
from analysis.flex.describe import Described, describe
from analysis.flex.looks import Looks
from analysis.flex.results import WeibullResult, weibull_result
from analysis.flex.verdict import (
    FEW_FAILURES,
    POOR_FIT,
    STRAIGHT,
    By,
    Evidence,
    Judged,
    forgiving_confidence,
    may_forgive,
    verdict,
)
from analysis.flex.ways import Way, ways_of
from analysis.life.data import Lives, Specimen, groups_of, lives_of
from analysis.life.fit import LifeFit, why_not
from analysis.life.goodness import Goodness, goodness
from analysis.life.interval import Asked, intervals
from analysis.life.log_rank import LogRank
from analysis.life.lognormal import fit_lognormal
from analysis.life.order import median_life
from analysis.life.solver import LOGNORMAL, WEIBULL
from analysis.life.survival import SurvivalCurve, kaplan_meier
from analysis.life.weibull import fit_weibull
from logger.base.errors import BenchError

STRIPS_MIN: Final = 5
_GAP: Final = 2.0  # lives apart by this factor or more make the early ones suspects


@dataclass(frozen=True)
class GroupLife:
    """All that is known of one group. ``weibull`` None: ``no_fit`` says why. ``verdict`` None: no target.

    ``median``: half have failed, by the order of the lives alone; None with ``no_median`` why.
    ``suspects``: names of early failures that no one shape holds. ``ways``: ways to fail apart.
    """

    name: str
    specimens: tuple[Specimen, ...]
    lives: Lives
    curve: SurvivalCurve
    weibull: WeibullResult | None
    no_fit: str
    rival: LifeFit | None
    goodness: tuple[Goodness, ...]
    count: Count | None
    stated_shape_lower: Quantity | None
    verdict: Judged | None
    median: Quantity | None
    no_median: str
    suspects: tuple[str, ...]
    ways: tuple[Way, ...]
    warnings: tuple[str, ...]

    @property
    def shown_by(self) -> Literal["", "weibull", "count", "stated shape"]:
        """By what the claim is shown; empty unless the verdict is "shown"."""
        by: By = self.verdict.by if self.verdict and self.verdict.word == "shown" else ""
        return by

    @property
    def fit_trusted(self) -> bool:
        """Whether an indication may rest on the Weibull fit: enough failures, and they lie on its line."""
        return _trusted(self.lives, self.weibull, self.goodness)


@dataclass(frozen=True)
class FlexLife:
    """The whole result: groups, the overall log-rank test, the pairs, and what the rows said of the test."""

    claim: Claim
    groups: tuple[GroupLife, ...]
    overall: LogRank | None
    comparisons: tuple[Comparison, ...]
    warnings: tuple[str, ...]
    described: Described


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
        group_life(name, items, asked, looks or Looks(), claim, _worn(items, test))
        for name, items in by_group.items()
    )
    lives = {group.name: group.lives for group in groups}
    overall, comparisons = compare(lives, claim, reference)
    said = (*notes, *test.notes, *_of_looks(groups, claim, looks or Looks()), *_of_speed(claim))
    return FlexLife(claim, groups, overall, comparisons, (*said, *_few(groups, claim)), test)


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
        if group.weibull is not None and group.lives.failures < FEW_FAILURES
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
) -> GroupLife:
    """Curve, fit, intervals, counting bound and verdict of one group.

    ``asked``: the claim as the user knows it, where ``claim`` is stricter; ``worn``: some were taken out worn.
    """
    lives = lives_of(specimens)
    no_fit = why_not(lives)
    weibull, rival = None, None
    fits: tuple[Goodness, ...] = ()
    if not no_fit:
        try:
            weibull = weibull_result(fit_weibull(lives), claim)
            rival = fit_lognormal(lives)
        except BenchError as error:
            no_fit = error.happened.split(": ", 1)[-1].rstrip(".")
        else:
            fits = (goodness(lives, WEIBULL), goodness(lives, LOGNORMAL))
    strips = [item.strip for item in specimens]
    count = count_shown(lives, claim, strips) if claim.target_cycles is not None else None
    stated = stated_shape_shown(lives, claim)
    found = None
    if count is not None:
        trusted = _trusted(lives, weibull, fits)
        model = weibull.reliability_lower if weibull is not None and trusted else None
        allowed, before = (looks or Looks()).allowed(name, asked or claim, count)
        evidence = Evidence(
            count,
            None if model is None else model.lower,
            None,
            fits[0].p_value if fits else None,
            None if stated is None else stated.lower,
            allowed,
            before,
            worn,
            None if claim.acceleration is None else claim.acceleration.factor.value,
        )
        if weibull is not None and may_forgive(evidence, claim):
            evidence = replace(evidence, forgiving_lower=_forgiving(weibull, count, claim))
        found = verdict(evidence, claim)
    median, no_median = _median(specimens, claim, worn)
    suspects = _suspects(specimens, fits)
    return GroupLife(
        name,
        tuple(specimens),
        lives,
        kaplan_meier(lives, claim.coverage),
        weibull,
        no_fit,
        rival,
        fits,
        count,
        stated,
        found,
        median,
        no_median,
        suspects,
        ways_of(specimens, claim),
        _warnings(name, lives, weibull, rival, fits, claim, suspects),
    )


def _forgiving(weibull: WeibullResult, count: Count, claim: Claim) -> float:
    assert claim.target_cycles is not None
    coverage = 2 * forgiving_confidence(count, claim) - 1
    asked = [Asked("reliability", claim.target_cycles)]
    return intervals(weibull.fit, asked, coverage, claim.method)[0].lower


def _trusted(lives: Lives, weibull: WeibullResult | None, fits: tuple[Goodness, ...]) -> bool:
    if weibull is None or lives.failures < FEW_FAILURES:
        return False
    return not (fits and fits[0].p_value is not None and fits[0].p_value < POOR_FIT)


def _median(specimens: Sequence[Specimen], claim: Claim, worn: bool) -> tuple[Quantity | None, str]:
    """Half have failed, without a shape of the curve; of strips one piece each."""
    if worn:
        return None, "some were taken out worn, and when they would have failed nobody knows"
    first = {
        item.strip or f"\0{place}": item for place, item in reversed(list(enumerate(specimens)))
    }
    alone = list(first.values())
    shared = len(alone) < len(specimens)
    if shared and len(alone) < STRIPS_MIN:
        return (
            None,
            f"joints of one strip share their luck, and {len(alone)} strips are too few to know it",
        )
    lives = lives_of(alone if shared else specimens)
    if lives.scattered:
        return None, "some were taken out whole before others failed"
    found = median_life(lives, claim.coverage)
    if found is None:
        return (
            None,
            "fewer than half failed" if lives.count >= STRIPS_MIN else "fewer than five joints",
        )
    note = "order of the lives, interpolated" + (", one joint of each strip" if shared else "")
    return Quantity(found.value, "cycles", found.lower, found.upper, found.coverage, note), ""


def _suspects(specimens: Sequence[Specimen], fits: tuple[Goodness, ...]) -> tuple[str, ...]:
    """Early failures beyond the widest gap in the shorter half, where no one shape holds the lives."""
    p = fits[0].p_value if fits else None
    failed = sorted(
        (item for item in specimens if item.failed), key=lambda item: item.broken_cycles
    )
    half = len(failed) // 2
    if p is None or p >= STRAIGHT or half < 1:
        return ()
    ratios = [failed[i + 1].broken_cycles / failed[i].broken_cycles for i in range(half)]
    widest = int(np.argmax(ratios))
    if ratios[widest] < _GAP and p >= POOR_FIT:
        return ()
    return tuple(
        item.name + (f" (row {item.row})" if item.row else "") for item in failed[: widest + 1]
    )


def _warnings(
    name: str,
    lives: Lives,
    weibull: WeibullResult | None,
    rival: LifeFit | None,
    fits: tuple[Goodness, ...],
    claim: Claim,
    suspects: tuple[str, ...],
) -> tuple[str, ...]:
    """What a reader of this group's numbers must know."""
    found = []
    label = name or "all specimens"
    poor = bool(fits) and fits[0].p_value is not None and fits[0].p_value < POOR_FIT
    if suspects:
        found.append(
            f"{label}: {', '.join(suspects)} failed far before the others, so two kinds of failure may be mixed. Look at "
            f"{'that joint' if len(suspects) == 1 else 'those joints'}, and inspect sharper before sewing."
        )
    if poor:
        assert fits[0].p_value is not None
        found.append(
            f"{label}: the lives do not lie on a line in the probability plot (p = {fits[0].p_value:.2g}): the Weibull's numbers are not to be trusted here."
        )
    if weibull is not None and rival is not None and claim.target_cycles is not None:
        first, second = (f.reliability(claim.target_cycles) for f in (weibull.fit, rival))
        if abs(first - second) > 0.05:
            found.append(
                f"{label}: Weibull says {first * 100:.0f} %, lognormal {second * 100:.0f} % at the target: these specimens cannot tell which."
            )
    seen = float(lives.seen_cycles.max())
    if claim.target_cycles is not None and claim.target_cycles > seen and weibull is not None:
        found.append(
            f"{label}: the target of {claim.target_cycles:,.0f} bends lies beyond the longest test ({seen:,.0f}): what the Weibull says there is extrapolated."
        )
    if lives.inspected:
        found.append(
            f"{label}: some failures are only known to lie between two inspections; the fit uses that, the curve drops where the failure was found."
        )
    return tuple(found)
