"""The screen of ``drawbench flex plan``: the claim, the ways to it, looks, and what two kinds of joint take."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import click

from analysis.doubt.quantity import Quantity
from analysis.flex.plan import SHAPE_ASSUMED, ClaimPlan, PowerPlan, Way
from analysis.flex.terminal import say
from analysis.flex.words import cycles_words, number_words, percent, stated_percent, times_words
from analysis.life.staged import RULE, StagedPlan, chance_of_passing


@dataclass(frozen=True)
class Words:
    """What the screen says beside the plan: the target, how good joints may be, looks and strain if asked for."""

    target: str
    good: float
    staged: StagedPlan | None
    strain: float | None


def show_plan(claim: ClaimPlan, power: PowerPlan, ways: Sequence[Way], words: Words) -> None:
    """The claim, the ways to it, how to look more than once, then what two kinds of joint take."""
    for sentence in claim_sentences(claim, words.target):
        say(sentence)
        click.echo()
    for line in ways_table(ways):
        click.echo(line)
    click.echo()
    joints = number_words(ways[0].joints)
    say(
        f"Joints of one strip, or of one evening, may share their luck: then it takes {joints} strips with one joint each; "
        "four of one strip can count as one."
    )
    click.echo()
    if words.staged is not None:
        for line in staged_table(words.staged, words.good):
            click.echo(line)
        click.echo()
    say(power_sentence(power))
    click.echo()
    if words.strain is not None:
        say(f"Strain in the outer fibre at that bench radius: {words.strain * 100:.2g} %.")
        click.echo()


def ways_table(ways: Sequence[Way]) -> tuple[str, ...]:
    """A line per plan: what it shows, joints, hours, and how often joints that are good enough pass it."""
    head = (
        "",
        "joints",
        "by hand",
        "on the rig",
        f"passes if {stated_percent(round(ways[0].good, 4))} good",
    )
    rows = [
        (
            f"shows {int(100 * way.reliability + 1e-9)} %, {number_words(way.failures) if way.failures else 'none'} may fail",
            f"{way.joints:,}",
            hours_words(way.by_hand_h),
            hours_words(way.on_rig_h),
            f"{100 * way.passes:.0f} of 100",
        )
        for way in ways
    ]
    widths = [max(len(line[place]) for line in (head, *rows)) for place in range(len(head))]
    return tuple(
        f"  {line[0]:{widths[0]}}"
        + "".join(f"  {cell:>{width}}" for cell, width in zip(line[1:], widths[1:], strict=True))
        for line in (head, *rows)
    )


def hours_words(hours: float) -> str:
    """``29 h``, ``40 min``."""
    return f"{hours:,.0f} h" if hours >= 1.5 else f"{60 * hours:.0f} min"


def staged_table(plan: StagedPlan, good: float) -> tuple[str, ...]:
    """A line per look: what passes there, and how often joints that are good enough have passed by then."""
    chances = chance_of_passing(plan.joints, plan.allowed, good)
    rows = [("look after", "shown if", f"passed by then if {stated_percent(round(good, 4))} good")]
    for joints, allowed, chance in zip(plan.joints, plan.allowed, chances, strict=True):
        what = (
            "not yet" if allowed < 0 else f"{number_words(allowed) if allowed else 'none'} failed"
        )
        what = what.replace(" failed", " failed at most") if allowed > 0 else what
        rows.append((f"{joints} joints", what, f"{100 * chance:.0f} of 100"))
    widths = [max(len(row[place]) for row in rows) for place in range(3)]
    lines = [
        f"  {row[0]:>{widths[0]}}  {row[1]:<{widths[1]}}  {row[2]:>{widths[2]}}" for row in rows
    ]
    return (
        f"{number_words(len(plan.joints)).capitalize()} looks ({RULE}):",
        *lines,
        f"Stop when more than {number_words(plan.allowed[-1])} have failed: it cannot be shown any more.",
    )


def ways_json(ways: Sequence[Way], staged: StagedPlan | None, good: float) -> dict[str, Any]:
    """The ways and the staged plan in plain form."""
    return {
        "plans": [
            {
                "joints": way.joints,
                "failures_allowed": way.failures,
                "shows_reliability": way.reliability,
                "by_hand_h": way.by_hand_h,
                "on_rig_h": way.on_rig_h,
                "passes_if_good": way.passes,
                "good": way.good,
            }
            for way in ways
        ],
        "staged": None
        if staged is None
        else {
            "rule": RULE,
            "joints": list(staged.joints),
            "failures_allowed": list(staged.allowed),
            "passed_if_good": list(chance_of_passing(staged.joints, staged.allowed, good)),
        },
    }


def claim_sentences(claim: ClaimPlan, words: str) -> tuple[str, ...]:
    """What the claim takes, and what the specimens that were stated can show."""
    found = [
        f"To show that at least {stated_percent(claim.reliability)} of joints survive {words}, at {stated_percent(claim.confidence)} "
        f"confidence, bend {number_words(claim.needed[0][1])} specimens that far without a failure, or more with some. "
        "(Exact binomial: nothing is assumed of the lives.)"
    ]
    if (
        claim.specimens is not None
        and claim.reliability_shown is not None
        and claim.confidence_shown is not None
    ):
        enough = claim.reliability_shown >= claim.reliability
        verdict = "enough for the claim" if enough else "not the claim"
        found.append(
            f"{number_words(claim.specimens).capitalize()} specimens without a failure show {int(claim.reliability_shown * 100)} % "
            f"at {stated_percent(claim.confidence)} confidence ({verdict}), or {stated_percent(claim.reliability)} "
            f"at {int(claim.confidence_shown * 100)} % confidence."
        )
        if not enough and claim.cycles_each is not None:
            source = "which you stated" if claim.shape_stated else "a usual guess, not measured"
            found.append(
                f"They could show it by running on to {cycles_words(claim.cycles_each)} bends each without a failure, but only "
                f"if the Weibull shape is {claim.shape:g} ({source}). A bench that bends on until they break tells the shape, too."
            )
    return tuple(found)


def power_sentence(power: PowerPlan) -> str:
    """What it takes to tell two kinds of joint apart."""
    need = (
        f"takes {number_words(power.needed_each)} specimens of each"
        if power.needed_each is not None
        else "takes more than a hundred specimens of each"
    )
    text = (
        f"To tell apart two kinds of joint of which one lives {times_words(power.ratio)} times as long {need}, all bent until they break, for "
        f"four tests in five to see it (log-rank at 5 %, simulated with Weibull shape {power.shape:g})."
    )
    if power.each is not None and power.power is not None:
        if power.power == 0:
            return (
                f"{text} With {number_words(power.each)} of each no outcome could tell them apart."
            )
        text += f" With {number_words(power.each)} of each, {percent(power.power)} of tests see it."
    return text


def plan_json(claim: ClaimPlan, power: PowerPlan, strain: float | None) -> dict[str, Any]:
    """The claim and what two kinds of joint take in plain form."""

    def plain(value: float | None, unit: str = "", note: str = "") -> dict[str, Any]:
        return Quantity(value, unit, note=note).as_json()

    error = 2 * power.standard_error
    return {
        "target_cycles": claim.target_cycles,
        "specimens_needed": plain(claim.needed[0][1], "specimens", "no failure, exact binomial"),
        "specimens_needed_with_failures": [
            {"failures": failures, **plain(specimens, "specimens")}
            for failures, specimens in claim.needed
        ],
        "reliability_shown": plain(
            claim.reliability_shown, note="by the specimens stated, none failing"
        ),
        "confidence_shown": plain(claim.confidence_shown),
        "cycles_each": plain(
            claim.cycles_each, "cycles", f"none failing, if the Weibull shape is {claim.shape:g}"
        ),
        "shape": plain(claim.shape, "", "as stated" if claim.shape_stated else "assumed")
        | {"stated": claim.shape_stated, "default": SHAPE_ASSUMED},
        "power": Quantity(
            power.power,
            "",
            None if power.power is None else max(power.power - error, 0.0),
            None if power.power is None else min(power.power + error, 1.0),
            None if power.power is None else 0.95,
            "simulated",
        ).as_json(),
        "specimens_each_for_80_percent": plain(power.needed_each, "specimens"),
        "outer_strain": plain(strain),
        "warnings": [],
    }
