"""``drawbench budget``: estimate before building, compare after measuring."""

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import click

from analysis.commands.screen import (
    TEXT_WIDTH,
    details_option,
    echo_caution,
    echo_next,
    echo_warnings,
    echo_warnings_in_short,
)
from analysis.say.publish import publish
from analysis.say.words import count_words
from logger.base.command_options import PackText
from logger.base.errors import BenchError
from logger.base.measures import CELSIUS
from logger.base.next_step import command_line
from logger.base.numbers import digits_text
from logger.base.typed.number import number_text

if TYPE_CHECKING:
    from analysis.budget.story import BudgetStory
    from analysis.electric.pack_choice import PackAnswer

_NO_RUN: Final = Path("none")
_USUAL_C: Final = 20.0


class _BudgetGroup(click.Group):
    """``budget new FILE`` makes a file; anything else is a budget file to read."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] in self.commands:
            return super().resolve_command(ctx, args)
        return "show", self.commands["show"], args

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        # Options of the reading form may stand before the file.
        if args and args[0] not in (*self.commands, "--help", "-h"):
            args = ["show", *args]
        return super().parse_args(ctx, args)


@click.group("budget", cls=_BudgetGroup, subcommand_metavar="new FILE | FILE [RUN] [OPTIONS]")
def budget_command() -> None:
    """What should it draw, and which figure was wrong?

    \b
    drawbench budget new vest.toml       a commented file to fill in
    drawbench budget vest.toml           estimate, and which pack would do
    drawbench budget vest.toml RUN       estimate against a measured run
    """


@budget_command.command("new")
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path))
def new_command(path: Path) -> None:
    """Write a commented budget file to fill in."""
    from analysis.budget.edit import TEMPLATE
    from analysis.say.new_file import write_new

    write_new(path, TEMPLATE)
    click.echo(f"Wrote {path}. Put your parts in it.")
    echo_next(("Then", ["budget", path]))


@budget_command.command("show", hidden=True)
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path))
@click.argument("run_folder", metavar="[RUN]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--corrected",
    type=click.Path(path_type=Path),
    metavar="NEW-FILE",
    help="Write the budget with the figures that the run has shown.",
)
@click.option(
    "--pictures",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Save the pictures into this folder.",
)
@click.option(
    "--pack",
    "packs",
    multiple=True,
    type=PackText(),
    metavar='"3x AA nimh"',
    help="Judge this pack too; may be given more than once.",
)
@click.option(
    "--pack-run",
    "pack_runs",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="RUN",
    help="Judge the pack of this measured run too, by its own curve; none: of no run. "
    "Default: the newest run in which this pack was emptied.",
)
@click.option(
    "--temperature",
    "temperature_c",
    type=CELSIUS,
    default=_USUAL_C,
    show_default=True,
    metavar="C",
    help="Temperature it will be worn at, in degrees Celsius.",
)
@details_option
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def show_command(
    path: Path,
    run_folder: Path | None,
    corrected: Path | None,
    pictures: Path | None,
    packs: tuple[str, ...],
    pack_runs: tuple[Path, ...],
    temperature_c: float,
    details: bool,
    as_json: bool,
) -> None:
    """Estimate a budget; with a run, find the figure that was wrong."""
    from analysis.budget.edit import corrected_text
    from analysis.budget.file import budget_text
    from analysis.door.budget import budget
    from analysis.say.new_file import refuse_taken, write_new

    if corrected is not None and run_folder is None:
        raise BenchError(
            "--corrected needs a run to correct by.",
            next_step=f"{command_line('budget', path)} RUN --corrected {command_line(corrected).removeprefix('drawbench ')}",
        )
    if corrected is not None:
        refuse_taken(corrected)
    story = budget(
        path,
        run_folder,
        temperature_c=temperature_c,
        packs=packs,
        pack_runs=[run for run in pack_runs if run != _NO_RUN] if pack_runs else None,
    )
    if corrected is not None and story.comparison is None:
        raise BenchError(
            "Nothing to correct by: the modes of this run are not resolved.",
            evidence="; ".join(item.words for item in story.unresolved),
            next_step=f"{story.unresolved[0].measure}.",
        )
    if corrected is not None and story.comparison is not None:
        text = corrected_text(budget_text(path), story.budget, story.comparison)
        write_new(corrected, text)
    if pictures is not None:
        from analysis.budget.plots import draw_budget

        with TemporaryDirectory(prefix="drawbench-") as temporary:
            draw_budget(story, Path(temporary))
            publish(Path(temporary), pictures, what="The pictures")
    if as_json:
        click.echo(json.dumps(story.as_json(), ensure_ascii=False, indent=1, allow_nan=False))
        return
    if story.simulated:
        click.echo("SIMULATED: no hardware was there.\n")
    if details:
        _show_details(story, temperature_c)
    else:
        _show(story)
    if corrected is not None:
        click.echo(f"\nCorrected budget: {corrected}")
    if pictures is not None:
        click.echo(f"\nPictures: {pictures}")
    again: list[str | Path] = ["budget", path]
    again += [] if run_folder is None else [run_folder]
    again += [] if temperature_c == _USUAL_C else ["--temperature", number_text(temperature_c)]
    again += [text for pack in packs for text in ("--pack", pack)]
    again += [text for run in pack_runs for text in ("--pack-run", run)]
    steps = [] if details else [("Details", [*again, "--details"])]
    if run_folder is None:
        from analysis.budget.words import is_over
        from analysis.commands.start_options import start_options

        if not is_over(story.packs[0]):
            steps.append(("Measure it", ["start", *start_options(story)]))
    elif story.comparison is None:
        steps.append(("Record it so", ["log", "--window", "1s"]))
    elif corrected is not None:
        steps.append(("With the corrected figures", ["budget", corrected, run_folder]))
    elif story.culprits:
        new = path.with_name(f"{path.stem}-corrected{path.suffix}")
        steps.append(("Correct it", ["budget", path, run_folder, "--corrected", new]))
    else:
        steps.append(("Report", ["report", run_folder, "--budget", path]))
    echo_next(*steps)


def _show(story: "BudgetStory") -> None:
    """The answer, one table, warnings in short, the cautions of what is offered."""
    from analysis.budget.hazards import fuse_sentences
    from analysis.budget.words import short_sentences
    from analysis.run.heat import is_heat_caution

    for sentence in short_sentences(story):
        click.echo(textwrap.fill(sentence, TEXT_WIDTH, break_on_hyphens=False))
    shown = story.packs[:1]
    if story.run_modes is None:
        shown = _offered(story)
        click.echo()
        _table_of_packs(story, shown)
    elif story.comparison is not None:
        click.echo()
        _table_of_modes(story)
    click.echo()
    click.echo(textwrap.fill(fuse_sentences(story.basis)[0], TEXT_WIDTH))
    # That modes ran together is the answer itself; so is why the budget's own pack does not serve.
    said = story.run_modes.told if story.run_modes is not None else ()
    against = story.packs[0].reasons[:1]
    echo_warnings_in_short(
        [
            text
            for text in story.warnings
            if not is_heat_caution(text)
            and text not in said
            and not any(reason in text for reason in against)
        ]
    )
    for text in filter(is_heat_caution, story.warnings):
        echo_caution("budget", "", text)
    for name, caution in _cautions(shown):
        echo_caution("budget", name, caution)


def _offered(story: "BudgetStory") -> tuple["PackAnswer", ...]:
    """The budget's own pack, what was asked for, and the first other that serves: each comes with its caution."""
    named = 1 + story.asked
    other = next((answer for answer in story.packs[named:] if answer.serves), None)
    return (*story.packs[:named], *([] if other is None else [other]))


def _table_of_packs(story: "BudgetStory", shown: Sequence["PackAnswer"]) -> None:
    from analysis.budget.words import pack_line

    lines = [pack_line(answer)[:3] for answer in shown]
    if not shown[0].serves:
        lines[0] = (*lines[0][:2], "no: see above")
    _table("pack", lines, "90 % sure to lie in")
    others = sum(answer.serves and answer not in shown for answer in story.packs)
    if others:
        click.echo(f"{count_words(others, 'other pack')}: --details")


def _table_of_modes(story: "BudgetStory") -> None:
    from analysis.say.words import quantity_words, value_words

    assert story.comparison is not None
    rows = [
        (
            item.estimate.mode,
            value_words(item.estimate.current),
            quantity_words(item.measured).replace(" at 95 %)", ")"),
        )
        for item in story.comparison.modes
    ]
    _table("mode", rows, "measured (95 % sure)", "estimated")


def _show_details(story: "BudgetStory", temperature_c: float) -> None:
    from analysis.budget.hazards import fuse_sentences
    from analysis.budget.words import answer_sentences, interval_text
    from analysis.say.words import value_words

    for sentence in answer_sentences(story):
        click.echo(textwrap.fill(sentence, TEXT_WIDTH, break_on_hyphens=False))
    click.echo()
    _show_modes(story)
    if story.comparison is not None:
        click.echo()
        _table(
            "figure, one piece",
            [
                (
                    label,
                    f"{digits_text(before.value or 0.0, 3)} -> {value_words(after)}",
                    interval_text(after),
                )
                for label, before, after in story.figure_rows()
            ],
            "90 % sure to lie in",
        )
    click.echo()
    _show_packs(story, temperature_c)
    click.echo()
    for sentence in filter(None, fuse_sentences(story.basis)):
        click.echo(textwrap.fill(sentence, TEXT_WIDTH))
    if story.changes:
        click.echo("\nwhat to change, and the hours it brings (90 % sure to lie in)")
        for change in story.changes[:5]:
            gain = f"+{value_words(change.gained)} ({interval_text(change.gained)})"
            click.echo(
                textwrap.fill(
                    f"  {gain:22}  {change.words}", TEXT_WIDTH, subsequent_indent=" " * 26
                )
            )
    echo_warnings(story.warnings)
    for name, caution in _cautions([story.packs[0], *(a for a in story.packs if a.serves)]):
        echo_caution("budget", name, caution, whole=True)


def _show_modes(story: "BudgetStory") -> None:
    from analysis.budget.words import interval_text
    from analysis.budget.worst import worst_drop_v, worst_peak_ma
    from analysis.say.words import value_words

    rows: list[tuple[str, str, str]] = [
        (f"{item.mode}, estimated", value_words(item.current), interval_text(item.current))
        for item in story.estimates
    ]
    if story.comparison is not None:
        rows = []
        for item in story.comparison.modes:
            rows.append(
                (
                    f"{item.estimate.mode}, estimated",
                    value_words(item.estimate.current),
                    interval_text(item.estimate.current),
                )
            )
            rows.append(("  measured", value_words(item.measured), interval_text(item.measured)))
    _table("mode", rows, "95 % sure to lie in")
    for estimate in story.estimates:
        mode = story.basis.mode(estimate.mode)
        peak = worst_peak_ma(story.basis, mode)
        lost = {
            wire.name: worst_drop_v(story.basis, wire, mode).value for wire in story.basis.wires
        }
        drops = [f"{name} loses {volts:.2f} V" for name, volts in lost.items() if volts >= 0.005]
        low, high = estimate.worst_ma
        extra = f"; in the wires: {', '.join(drops)}" if drops else ""
        click.echo(
            textwrap.fill(
                f"{estimate.mode}: at most {peak.value:.0f} mA for a moment{f', {peak.when}' if peak.when else ''}; all parts at their limits {low:.0f} to {high:.0f} mA{extra}.",
                TEXT_WIDTH,
                subsequent_indent="  ",
            )
        )


def _show_packs(story: "BudgetStory", temperature_c: float) -> None:
    from analysis.budget.words import listed, pack_basis, pack_lines, refusals

    lines = pack_lines(story)
    widths = [max(len(line[place]) for line in lines) for place in range(2)]
    click.echo(f"{'pack':{widths[0]}}  {'':{widths[1]}}  90 % sure to lie in")
    for answer, (name, runtime, bounds, kind) in zip(listed(story), lines, strict=True):
        line = f"{name:{widths[0]}}  {runtime:>{widths[1]}}  "
        # Why it does not serve stands in the answer and in the warnings.
        line += f"{bounds:19}  {kind}" if answer.serves else "does not serve, see above"
        click.echo(line.rstrip())
    for text in refusals(story):
        click.echo(textwrap.fill(f"not {text}", TEXT_WIDTH, subsequent_indent="  "))
    click.echo(textwrap.fill(pack_basis(story, temperature_c), TEXT_WIDTH))


def _cautions(shown: Sequence["PackAnswer"]) -> list[tuple[str, str]]:
    """Cautions of these packs, each once, with the first that it is for."""
    found: dict[str, str] = {}
    for answer in shown:
        for caution in answer.cautions:
            found.setdefault(caution, answer.name)
    return [(name, caution) for caution, name in found.items()]


def _table(title: str, rows: list[tuple[str, str, str]], head: str, middle: str = "") -> None:
    if not rows:
        return
    first = max(len(title), *(len(row[0]) for row in rows))
    second = max(len(middle), *(len(row[1]) for row in rows))
    click.echo(f"{title:{first}}  {middle:>{second}}  {head}".rstrip())
    for label, value, bounds in rows:
        line = f"{label:{first}}  {value:>{second}}  {bounds}".rstrip()
        click.echo(
            textwrap.fill(
                line,
                TEXT_WIDTH,
                subsequent_indent=" " * (first + second + 4),
                replace_whitespace=False,
                drop_whitespace=True,
            )
            if len(line) > TEXT_WIDTH
            else line
        )
