"""``drawbench flex plan``: how many specimens and cycles a claim takes."""

from typing import Any

import click

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import bending_diameter_mm, outer_strain
from analysis.flex.plan import (
    SHAPE_ASSUMED,
    ClaimPlan,
    PowerPlan,
    check_pair,
    plan_claim,
    plan_power,
)
from analysis.flex.terminal import BEND_RADIUS_MM, echo_json, say, target_of, target_options
from analysis.flex.words import cycles_words, number_words, percent, stated_percent, times_words
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
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def plan_command(
    ratio: float, wire: str | None, bench_radius: float | None, as_json: bool, **o: Any
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
    if as_json:
        echo_json(_planecho_json(claim, power, strain))
        return
    for sentence in plan_sentences(claim, power, target[1], strain):
        say(sentence)
        click.echo()


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
