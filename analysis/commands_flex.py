"""``drawbench flex``: bend joints until they break, and say what a handful of them shows."""

import json
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from analysis.bend import (
    BENDS_PER_WEARING,
    Acceleration,
    acceleration,
    assumed_exponent,
    bending_diameter_mm,
    fitted_exponent,
    outer_strain,
)
from analysis.flex_failure import SIMULATED_NOTE, Verdict, criteria_words, read_flex_run
from analysis.flex_life import Claim, FlexLife, flex_life
from analysis.flex_plan import SHAPE_ASSUMED, ClaimPlan, PowerPlan, plan_claim, plan_power
from analysis.flex_words import (
    answers,
    cycles_words,
    method_words,
    number_words,
    percent,
    result_rows,
    target_words,
    times_words,
)
from analysis.life_data import COLUMNS, Specimen, flex_table, notices, read_flex_table
from analysis.life_interval import METHODS
from analysis.section import Section
from analysis.table import Row, interval_title, rows_of
from analysis.washing import CAUTION, PROCEDURE, read_wash_table, wash_change, wash_table
from logger.errors import BenchError
from logger.flex_criterion import CRITERIA, Criterion
from logger.flex_store import FLEX_NAME

TEXT_WIDTH: Final = 79
_F = TypeVar("_F", bound=Callable[..., Any])


@click.group("flex")
def flex() -> None:
    """Bend wire joints until they break or last: plan, record, and say what it shows."""


def _options(*decorators: Callable[[_F], _F]) -> Callable[[_F], _F]:
    def apply(function: _F) -> _F:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return apply


target_options = _options(
    click.option("--cycles", type=float, metavar="N", help="Bends it must survive."),
    click.option("--wearings", type=float, metavar="N", help="... or: evenings it must survive,"),
    click.option(
        "--at",
        "place",
        type=click.Choice(list(BENDS_PER_WEARING)),
        help="at this place of the body ("
        + ", ".join(f"{k} {v}" for k, v in BENDS_PER_WEARING.items())
        + " bends an evening: planning figures without a source),",
    ),
    click.option(
        "--per-wearing", type=float, metavar="N", help="or with your own count of bends an evening."
    ),
    click.option(
        "--reliability",
        type=float,
        default=90.0,
        show_default=True,
        metavar="%",
        help="Share of joints that must survive.",
    ),
    click.option(
        "--confidence",
        type=float,
        default=90.0,
        show_default=True,
        metavar="%",
        help="How sure of that.",
    ),
    click.option(
        "--shape",
        type=click.FloatRange(0.2, 50),
        metavar="X",
        help="A Weibull shape taken as given: an assumption, said so in the result.",
    ),
)


@flex.command("new")
@click.argument("table", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--group", "groups", multiple=True, metavar="NAME", help="What is compared; repeat it."
)
@click.option(
    "--specimens", type=click.IntRange(1, 500), default=5, show_default=True, help="Rows per group."
)
@click.option("--wash", is_flag=True, help="A table for before and after washing instead.")
def new_command(table: Path, groups: tuple[str, ...], specimens: int, wash: bool) -> None:
    """Make an empty TABLE (CSV) to be filled in at the bench."""
    text = wash_table(specimens) if wash else flex_table(groups or ("",), specimens)
    try:
        with table.open("x", encoding="utf-8", newline="") as stream:
            stream.write(text)
    except FileExistsError:
        raise BenchError(
            f"{table} is already there; a table is never written over.",
            next_step="give another name, or move it away.",
        ) from None
    except OSError as error:
        raise BenchError(
            f"{table} cannot be written.",
            evidence=str(error.strerror or error),
            next_step="choose a folder that exists and can be written to.",
        ) from error
    click.echo(f"{table}: fill in a row per specimen.")
    if wash:
        for number, step in enumerate(PROCEDURE, 1):
            _say(f"{number}. {step}")
        _say(f"Caution: {CAUTION}")
        click.echo(f"\nThen: drawbench flex wash {table}")
        return
    for name, meaning in COLUMNS.items():
        _say(f"  {name}: {meaning}", indent="      ")
    click.echo(f"\nThen: drawbench flex life {table} --cycles 4800")


@flex.command("life")
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@target_options
@click.option(
    "--coverage",
    type=float,
    default=90.0,
    show_default=True,
    metavar="%",
    help="Of two-sided intervals.",
)
@click.option(
    "--interval",
    "method",
    type=click.Choice(METHODS),
    default="calibrated",
    show_default=True,
    help="Likelihood ratio calibrated for small samples, plain likelihood ratio, or Wald.",
)
@click.option(
    "--reference", default="", metavar="GROUP", help="Compare the others with this group."
)
@click.option(
    "--criterion", type=click.Choice(CRITERIA), help="Of recorded runs: what failed means."
)
@click.option("--open-ms", type=float, metavar="MS", help="Least interruption that counts.")
@click.option(
    "--factor", type=float, metavar="X", help="Resistance over the joint's own first value."
)
@click.option("--in-a-row", type=int, metavar="N", help="... for so many cycles in a row.")
@click.option(
    "--wire",
    metavar="WIRE",
    help='For bends at another radius: "24 stranded", or mm of one strand.',
)
@click.option("--bench-radius", type=float, metavar="MM", help="Inner bend radius on the bench.")
@click.option("--worn-radius", type=float, metavar="MM", help="Inner bend radius as worn.")
@click.option(
    "--exponent",
    type=click.FloatRange(0.1, 20),
    metavar="X",
    help="Of life against strain: an assumption. Left away with two radii in the table: fitted.",
)
@click.option(
    "--report",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write a page with pictures into this folder.",
)
@click.option("--title", default="", help="Of that page.")
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def life_command(
    sources: tuple[Path, ...], report: Path | None, title: str, as_json: bool, **o: Any
) -> None:
    """How long do the joints live, and is the claim shown? SOURCES: hand-test tables and recorded runs."""
    criterion = _criterion(o)
    specimens, verdicts, used, notes = read_sources(sources, criterion)
    target = _target(o)
    speed = _acceleration(specimens, o)
    claim = _claim(o, target, speed)
    result = flex_life(specimens, claim, notes, o["reference"])
    if report is not None:
        from analysis.flex_report import write_page
        from analysis.flex_section import flex_section

        simulated = SIMULATED_NOTE in notes
        files = write_page(
            lambda folder: flex_section(result, folder, verdicts, used, speed),
            report,
            title,
            simulated=simulated,
            items=tuple(criteria_words(verdict) for verdict in verdicts),
        )
    if as_json:
        from analysis.flex_section import flex_json

        _json(flex_json(result, verdicts, speed))
        return
    _show_life(result, verdicts, used, speed)
    if report is not None:
        page = next(file for file in files if file.name == "report.html")
        click.echo(f"\nOpen in a browser:\n  {page}")


def read_sources(
    sources: Sequence[Path], criterion: Criterion | None
) -> tuple[tuple[Specimen, ...], tuple[Verdict, ...], Criterion | None, tuple[str, ...]]:
    """Specimens of tables and recorded runs together, verdicts and criterion of the runs, notes."""
    specimens: list[Specimen] = []
    verdicts: list[Verdict] = []
    notes: list[str] = []
    used = criterion
    for source in sources:
        if source.is_dir() or source.name == FLEX_NAME:
            folder = source if source.is_dir() else source.parent
            description, found, said = read_flex_run(folder, criterion)
            used = used or description.criterion
            if criterion is None and description.criterion != used:
                notes.append(
                    f"{folder.name} was judged by another criterion: {description.criterion}."
                )
            verdicts += found
            specimens += [v.life((criterion or description.criterion).name) for v in found]
        else:
            table, said = read_flex_table(source)
            specimens += table
        notes += [note for note in said if note not in notes]
    names = [item.name for item in specimens]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise BenchError(
            "The same specimen stands in two sources.",
            evidence=", ".join(twice[:5]),
            next_step="give each test piece a name of its own over all tables and runs.",
        )
    if len(sources) > 1:
        notes += [note for note in notices(specimens) if note not in notes]
    return tuple(specimens), tuple(verdicts), used if verdicts else None, tuple(notes)


def section_maker(
    sources: Sequence[Path], claim: Claim, reference: str = ""
) -> Callable[[Path], Section]:
    """Flex part for the report of a run: give it to ``analysis.report.write_report``."""
    specimens, verdicts, used, notes = read_sources(sources, None)
    result = flex_life(specimens, claim, notes, reference)

    def make(folder: Path) -> Section:
        from analysis.flex_section import flex_section

        return flex_section(result, folder, verdicts, used)

    return make


def _criterion(o: dict[str, Any]) -> Criterion | None:
    given = {
        "name": o["criterion"],
        "open_s": None if o["open_ms"] is None else o["open_ms"] / 1000,
        "resistance_factor": o["factor"],
        "cycles_in_a_row": o["in_a_row"],
    }
    chosen = {key: value for key, value in given.items() if value is not None}
    return Criterion(**chosen) if chosen else None


def _target(o: dict[str, Any]) -> tuple[float, str] | None:
    """Bends as worn and in words; None if no target was given."""
    if o["cycles"] is not None and o["wearings"] is not None:
        raise BenchError("Both --cycles and --wearings were given.", next_step="leave one away.")
    if o["cycles"] is not None:
        return o["cycles"], target_words(o["cycles"], None)
    if o["wearings"] is None:
        if o["place"] or o["per_wearing"] is not None:
            raise BenchError(
                "How many evenings must it survive?",
                next_step="add --wearings, e.g. --wearings 12.",
            )
        return None
    each = o["per_wearing"] if o["per_wearing"] is not None else BENDS_PER_WEARING.get(o["place"])
    if each is None or each <= 0 or o["wearings"] <= 0:
        raise BenchError(
            "How many bends is one evening?",
            next_step="add --at elbow (shoulder, hip), or your own count with --per-wearing 400.",
        )
    return o["wearings"] * each, target_words(o["wearings"] * each, o["wearings"])


def _acceleration(specimens: Sequence[Specimen], o: dict[str, Any]) -> Acceleration | None:
    if o["worn_radius"] is None:
        return None
    radii = {item.bend_radius_mm for item in specimens} - {None}
    bench_mm = (
        o["bench_radius"]
        if o["bench_radius"] is not None
        else (radii.pop() if len(radii) == 1 else None)
    )
    if o["wire"] is None or bench_mm is None:
        raise BenchError(
            "The worn radius alone says nothing.",
            next_step='add --wire "24 stranded" and --bench-radius with the millimetres on the bench.',
        )
    diameter_mm = bending_diameter_mm(o["wire"])
    exponent = None
    if o["exponent"] is None:
        exponent = fitted_exponent(specimens, diameter_mm, o["coverage"] / 100)
    return acceleration(
        diameter_mm, bench_mm, o["worn_radius"], exponent or assumed_exponent(o["exponent"])
    )


def _claim(
    o: dict[str, Any], target: tuple[float, str] | None, speed: Acceleration | None
) -> Claim:
    cycles, words = target if target is not None else (None, "")
    if cycles is not None and speed is not None and speed.factor.value is not None:
        factor = speed.factor.value if speed.factor.lower is None else speed.factor.lower
        cycles /= factor
        words += f", which is {cycles_words(cycles)} on the bench"
    return Claim(
        cycles,
        words,
        o["reliability"] / 100,
        o["confidence"] / 100,
        o["coverage"] / 100,
        o["method"],
        o["shape"],
    )


def _show_life(
    result: FlexLife,
    verdicts: Sequence[Verdict],
    used: Criterion | None,
    speed: Acceleration | None,
) -> None:
    from analysis.flex_section import RIG_CAUTION, acceleration_words, all_warnings, fit_words

    if SIMULATED_NOTE in result.warnings:
        _say(SIMULATED_NOTE)
        click.echo()
    for sentence in answers(result):
        _say(sentence)
        click.echo()
    if used is not None:
        _say(f"Failed means: {used}. First cycle by each criterion:")
        _criteria_table(verdicts)
        click.echo()
    if speed is not None:
        _say(acceleration_words(speed))
        click.echo()
    for group in result.groups:
        failures = int(group.lives.failures)
        click.echo(f"{group.name or 'All specimens'}: {failures} of {len(group.specimens)} failed")
        _table(rows_of(result_rows(group, result.claim)))
        for line in fit_words(group):
            _say(line, indent="  ")
        click.echo()
    for warning in all_warnings(result):
        if warning == SIMULATED_NOTE:
            continue
        _say(f"! {warning}", indent="  ")
        click.echo()
    _say(method_words(result.claim))
    click.echo()
    _say(f"Caution: {RIG_CAUTION}")


@flex.command("plan")
@target_options
@click.option("--specimens", type=int, metavar="N", help="Specimens you have: what can they show?")
@click.option(
    "--ratio",
    type=float,
    default=2.0,
    show_default=True,
    metavar="X",
    help="Ratio of lives that two groups are to be told apart by.",
)
@click.option("--wire", metavar="WIRE", help='For the strain: "24 stranded", or mm of one strand.')
@click.option("--bench-radius", type=float, metavar="MM", help="Inner bend radius on the bench.")
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def plan_command(
    ratio: float, wire: str | None, bench_radius: float | None, as_json: bool, **o: Any
) -> None:
    """How many specimens and cycles does a claim take, and what can a handful show?"""
    target = _target(o)
    if target is None:
        raise BenchError(
            "What must the joint survive?",
            next_step="add --cycles 4800, or --wearings 12 --at elbow.",
        )
    claim = plan_claim(
        target[0], o["reliability"] / 100, o["confidence"] / 100, o["specimens"], o["shape"]
    )
    power = plan_power(ratio, claim.shape, o["specimens"])
    strain = None
    if wire is not None and bench_radius is not None:
        strain = outer_strain(bending_diameter_mm(wire), bench_radius)
    if as_json:
        _json(_plan_json(claim, power, strain))
        return
    for sentence in plan_sentences(claim, power, target[1], strain):
        _say(sentence)
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
        f"To show that at least {percent(claim.reliability)} of joints survive {words}, at {percent(claim.confidence)} "
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
            f"at {percent(claim.confidence)} confidence ({verdict}), or {percent(claim.reliability)} "
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


def _plan_json(claim: ClaimPlan, power: PowerPlan, strain: float | None) -> dict[str, Any]:
    from analysis.quantity import Quantity

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
        "shape": {"value": claim.shape, "stated": claim.shape_stated, "default": SHAPE_ASSUMED},
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


@flex.command("wash")
@click.argument("table", type=click.Path(path_type=Path))
@click.option(
    "--coverage", type=click.FloatRange(50, 99.9), default=95.0, show_default=True, metavar="%"
)
@click.option(
    "--report",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write a page with a picture into this folder.",
)
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def wash_command(table: Path, coverage: float, report: Path | None, as_json: bool) -> None:
    """What did washing do? TABLE: resistance and draw of each specimen before and after."""
    from analysis.flex_section import wash_rows, wash_section, wash_words

    result = wash_change(read_wash_table(table), coverage / 100)
    if report is not None:
        from analysis.flex_report import write_page

        write_page(lambda folder: wash_section(result, folder), report, "", simulated=False)
    if as_json:
        _json(
            {
                "resistance_ratio": result.resistance_ratio.as_json(),
                "resistance_change": result.resistance_change.as_json(),
                "current_change": result.current_change.as_json(),
                "broken": list(result.broken),
                "warnings": list(result.warnings),
            }
        )
        return
    for sentence in wash_words(result):
        _say(sentence)
    _table(rows_of(wash_rows(result)))
    for warning in result.warnings:
        _say(f"! {warning}", indent="  ")
    _say(f"Caution: {CAUTION}")
    if report is not None:
        click.echo(f"\nOpen in a browser:\n  {report / 'report.html'}")


def _criteria_table(verdicts: Sequence[Verdict]) -> None:
    width = max(8, *(len(verdict.specimen) for verdict in verdicts))
    click.echo(f"  {'':{width}}" + "".join(f"{name:>12}" for name in (*CRITERIA, "healed")))
    for verdict in verdicts:
        cells = ["-" if c is None else f"{c:,}" for c in verdict.first_cycle.values()]
        cells.append(f"{len(verdict.healed):,}")
        click.echo(f"  {verdict.specimen:{width}}" + "".join(f"{cell:>12}" for cell in cells))
    click.echo("  healed: interrupted cycles after which the joint conducted again")


def _table(rows: Sequence[Row]) -> None:
    if not rows:
        return
    widths = [max(len(row.label) for row in rows), max(len(row.value) for row in rows)]
    title = interval_title(rows)
    if title:
        click.echo(f"  {'':{widths[0]}}  {'':{widths[1]}}  {title}")
    for row in rows:
        click.echo(f"  {row.label:{widths[0]}}  {row.value:>{widths[1]}}  {row.interval}".rstrip())


def _say(text: str, indent: str = "") -> None:
    kept = text.replace(" %", "\u00a0%")  # a number stays with its sign
    click.echo(textwrap.fill(kept, TEXT_WIDTH, subsequent_indent=indent, break_on_hyphens=False))


def _json(document: dict[str, Any]) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))


def _lazy_log() -> click.Command:
    from logger.commands_flex_log import flex_log

    return flex_log


flex.add_command(_lazy_log())
