"""``drawbench flex plan``: how many specimens and cycles a claim takes."""

from pathlib import Path
from typing import Any, Final

import click

from analysis.commands.flex_plan_screen import Words, plan_json, show_plan, ways_json
from analysis.flex.bend import bending_diameter_mm, outer_strain
from analysis.flex.looks import Looks, looks_file, read_looks, write_looks
from analysis.flex.plan import (
    SHAPE_ASSUMED,
    Bench,
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
from analysis.life.staged import StagedPlan, staged_plan
from logger.base.errors import BenchError
from logger.base.measures import plain_number, whole_number

ROWS_MAX: Final = 500  # of a new table


@click.command("plan", short_help="How many specimens and cycles does a claim take?")
@target_options
@click.option(
    "--specimens",
    type=whole_number("8"),
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
    type=whole_number("4", 1, 16),
    default=4,
    show_default=True,
    metavar="N",
    help="which bends so many joints at once.",
)
@click.option(
    "--looks",
    type=whole_number("3", 2, 10),
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
        echo_json(plan_json(claim, power, strain) | ways_json(ways, staged, good))
        return
    show_plan(claim, power, ways, Words(target[1], good, staged, strain))
    if table is not None:
        say(f"Kept in {looks_file(table)}: `drawbench flex life` goes by it.")
    joints = staged.joints[-1] if staged is not None else ways[0].joints
    click.echo(f"Next:\n  drawbench flex new joints.csv --specimens {min(joints, ROWS_MAX)}")
    say("Caution: pack out while bending, fingers clear of the rig.")


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
