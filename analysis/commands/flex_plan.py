"""``drawbench flex plan``: how many specimens and cycles a claim takes."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import bending_diameter_mm, outer_strain
from analysis.flex.looks import Looks, looks_file, read_looks, write_looks
from analysis.flex.plan import (
    SHAPE_ASSUMED,
    Bench,
    ClaimPlan,
    PowerPlan,
    Way,
    check_pair,
    plan_claim,
    plan_power,
    plan_ways,
)
from analysis.flex.terminal import (
    BEND_RADIUS_MM,
    PERCENT,
    echo_json,
    say,
    target_of,
    target_options,
)
from analysis.flex.words import cycles_words, number_words, percent, stated_percent, times_words
from analysis.life.staged import RULE, StagedPlan, chance_of_passing, staged_plan
from logger.base.errors import BenchError
from logger.base.measures import plain_number


@click.command("plan", short_help="How many specimens and cycles does a claim take?")
@target_options
@click.option(
    "--specimens",
    type=int,
    metavar="N",
    help="Specimens you have: what can they show?",
)
@click.option(
    "--ratio",
    type=plain_number("2"),
    default=2.0,
    show_default=True,
    metavar="X",
    help="Ratio of lives that two groups are to be told apart by.",
)
@click.option("--wire", metavar="WIRE", help='For the strain: "24 stranded", or mm of one strand.')
@click.option(
    "--bench-radius", type=BEND_RADIUS_MM, metavar="MM", help="Inner bend radius on the bench."
)
@click.option(
    "--good",
    type=PERCENT,
    metavar="%",
    help="How good your joints may be: how often would they pass? Left out: a third of the failures that the claim allows.",
)
@click.option(
    "--hand-s",
    type=plain_number("1", least=0.05, most=60.0),
    default=1.0,
    show_default=True,
    metavar="S",
    help="Seconds a full bend takes by hand.",
)
@click.option(
    "--rig-s",
    type=plain_number("2", least=0.1, most=60.0),
    default=2.0,
    show_default=True,
    metavar="S",
    help="... and on the rig,",
)
@click.option(
    "--rig-joints",
    type=click.IntRange(1, 16),
    default=4,
    show_default=True,
    metavar="N",
    help="which bends so many joints at once.",
)
@click.option(
    "--looks",
    type=click.IntRange(2, 10),
    metavar="N",
    help="Plan so many looks at the test; the last allows one failure less than looks.",
)
@click.option(
    "--for",
    "table",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep that plan beside this table, for `flex life`.",
)
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def plan_command(
    ratio: float,
    wire: str | None,
    bench_radius: float | None,
    looks: int | None,
    table: Path | None,
    as_json: bool,
    **o: Any,
) -> None:
    """How many specimens and cycles does a claim take, and what can a handful show?"""
    target = target_of(o)
    if target is None:
        raise BenchError(
            "What must the joint survive?",
            next_step="add --cycles 4800, or --wearings 12 --at elbow.",
        )
    strain = None
    if (wire is None) != (bench_radius is None):
        raise BenchError(
            "The strain takes the wire and the radius it is bent at.",
            next_step='give both --wire "24 stranded" and --bench-radius with the millimetres.',
        )
    if wire is not None and bench_radius is not None:
        strain = outer_strain(bending_diameter_mm(wire), bench_radius)
    check_pair(ratio, SHAPE_ASSUMED if o["shape"] is None else o["shape"])
    claim = plan_claim(
        target[0], o["reliability"] / 100, o["confidence"] / 100, o["specimens"], o["shape"]
    )
    power = plan_power(ratio, claim.shape, o["specimens"])
    bench = Bench(o["hand_s"], o["rig_s"], o["rig_joints"])
    good = 1 - (1 - claim.reliability) * 0.3 if o["good"] is None else o["good"] / 100
    ways = plan_ways(target[0], claim.reliability, claim.confidence, good, bench)
    if table is not None and looks is None:
        raise BenchError("A plan for a table is one of its looks.", next_step="add --looks 3.")
    staged = None
    if looks is not None:
        staged = staged_plan(claim.reliability, claim.confidence, looks, looks - 1)
    if table is not None and staged is not None:
        _keep(table, staged, target[0])
    if as_json:
        echo_json(_planecho_json(claim, power, strain) | _ways_json(ways, staged, good))
        return
    for sentence in plan_sentences(claim, power, target[1], strain):
        say(sentence)
        click.echo()
    for line in ways_table(ways):
        click.echo(line)
    click.echo()
    say(
        "If joints cut from one strip, or made in one evening, may share their luck, make that many strips with one joint each: four of "
        "one strip can count as one."
    )
    if staged is not None:
        click.echo()
        for sentence in staged_sentences(staged, good):
            say(sentence)
    if table is not None:
        say(f"Kept in {looks_file(table)}: `drawbench flex life` goes by it.")


def _keep(table: Path, staged: StagedPlan, cycles: float) -> None:
    looks = read_looks(table)
    if looks.earlier:
        raise BenchError(
            f"{table.name} was judged before, and a plan made afterwards is none.",
            evidence=f"{len(looks.earlier)} looks in {looks_file(table)}",
            next_step="plan a new table with new joints.",
        )
    if looks.plan is not None:
        raise BenchError(
            f"{table.name} has a plan already.",
            evidence=str(looks_file(table)),
            next_step="take that file away if no joint of this table was bent yet.",
        )
    if not write_looks(table, Looks((), staged, cycles)):
        raise BenchError(
            f"{looks_file(table)} cannot be written.", next_step="check the folder of the table."
        )


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


def staged_sentences(plan: StagedPlan, good: float) -> tuple[str, ...]:
    """What passes at each look, and how often."""
    chances = chance_of_passing(plan.joints, plan.allowed, good)
    lines = []
    for joints, allowed, chance in zip(plan.joints, plan.allowed, chances, strict=True):
        what = (
            "cannot be shown yet"
            if allowed < 0
            else f"shown if {'none' if allowed == 0 else f'at most {number_words(allowed)}'} failed"
        )
        lines.append(
            f"After {joints} joints: {what}; joints that are {stated_percent(round(good, 4))} good have passed by then in {100 * chance:.0f} of 100."
        )
    return (
        f"{number_words(len(plan.joints)).capitalize()} looks, the error spent by {RULE}:",
        *lines,
        f"Stop when more than {number_words(plan.allowed[-1])} have failed: it cannot be shown any more.",
    )


def _ways_json(ways: Sequence[Way], staged: StagedPlan | None, good: float) -> dict[str, Any]:
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


def plan_sentences(
    claim: ClaimPlan, power: PowerPlan, words: str, strain: float | None
) -> tuple[str, ...]:
    """The plan in words."""
    more = ", ".join(
        f"{number_words(specimens)} with {number_words(failures)} failure{'s' if failures > 1 else ''}"
        for failures, specimens in claim.needed[1:]
    )
    found = [
        f"To show that at least {stated_percent(claim.reliability)} of joints survive {words}, at {stated_percent(claim.confidence)} "
        f"confidence, bend {number_words(claim.needed[0][1])} specimens that far without a failure; {more}. "
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
    found.append(_power_sentence(power))
    if strain is not None:
        found.append(f"Strain in the outer fibre at that bench radius: {strain * 100:.2g} %.")
    return tuple(found)


def _power_sentence(power: PowerPlan) -> str:
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


def _planecho_json(claim: ClaimPlan, power: PowerPlan, strain: float | None) -> dict[str, Any]:
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
