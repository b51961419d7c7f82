"""The front door: what a notebook asks of a run, and the command ``drawbench``.

``import drawbench`` gives functions, each loaded when it is first asked for::

    run = drawbench.read_run("sample_runs/night-ride-vest")
    run.plot()
    drawbench.rundown(run)

``read_run``, ``rundown``, ``forecast``, ``compare``, ``budget``, ``flex_life``, ``report``, ``edit``. Their
results say the answer in words with its doubt, ``.to_frame()`` gives tables with units in the
column names, ``.plot()`` a picture. What can be mended is raised as ``BenchError``: what happened,
the evidence, what to do next; where that names an option of the command, the argument bears the same
name: ``--cutoff`` is ``cutoff_v``.

The commands stand in a table, each imported only when it is called.
"""

import importlib
import os
import sys
from contextlib import closing
from importlib.machinery import ModuleSpec
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click
from click.shell_completion import CompletionItem


def _keep_own_packages() -> None:
    """Import our packages before anything of the same name can take their place.

    Raises ImportError, or ends the command with exit code 2, where a file of the user's already does;
    that file is not run.
    """
    for name in ("logger", "analysis", "firmware_probe"):
        own = Path(__file__).resolve().parent / name
        try:
            spec = find_spec(name)
        except ValueError:  # already imported, from no file
            spec = ModuleSpec(name, None, origin="a module made by hand")
        places = (spec and spec.submodule_search_locations) or []
        if spec and spec.origin and own not in [Path(place).resolve() for place in places]:
            words = _hidden_words(name, Path(spec.origin), own)
            if __name__ != "__main__" and Path(sys.argv[0]).stem != "drawbench":
                raise ImportError(words, name=name, path=spec.origin)
            click.echo(f"drawbench: {words}", err=True)
            sys.exit(2)
        importlib.import_module(name)


def _hidden_words(name: str, found: Path, own: Path) -> str:
    """What hides our package ``name``, as a BenchError would say it; that class may be hidden as well."""
    found = found.parent if found.name == "__init__.py" else found
    installed = {"site-packages", "dist-packages"} & set(found.parts)
    remedy = (
        "install drawbench into a virtual environment of its own"
        if installed
        else "rename it or move it to another folder; in a notebook, restart the kernel then"
    )
    return (
        f"{found} hides a part of drawbench that has the same name.\n"
        f"  Seen: import {name} finds it before {own}\n"
        f"  Next: {remedy}."
    )


_keep_own_packages()

from logger.base.clean_text import clean_streams  # noqa: E402  # only once it is certain to be ours
from logger.base.console_signs import say_what_the_console_cannot  # noqa: E402
from logger.base.errors import BenchError  # noqa: E402
from logger.base.typed.suggest import Choice, SuggestingGroup  # noqa: E402

if TYPE_CHECKING:
    import analysis.budget.told
    import analysis.flex.judge
    import analysis.run.rundown
    import logger.run.reader
    from analysis.budget.file import Budget
    from analysis.door.public import *  # noqa: F403 (the one list of the types)
    from analysis.report.build import SectionMaker
    from firmware_probe.twin.serve import Board

# public name -> module that has it, imported when the name is first asked for
_PUBLIC: Final[dict[str, str]] = {
    "BudgetStory": "analysis.door.budget",
    "Comparison": "analysis.door.compare",
    "Criterion": "logger.flex.criterion",
    "FlexLife": "analysis.door.flex",
    "Forecast": "analysis.door.forecast",
    "Quantity": "analysis.doubt.quantity",
    "Run": "analysis.door.runs",
    "Rundown": "analysis.door.runs",
    "budget": "analysis.door.budget",
    "compare": "analysis.door.compare",
    "edit": "analysis.door.edit",
    "flex_life": "analysis.door.flex",
    "forecast": "analysis.door.forecast",
    "import_text": "analysis.door.imports",
    "read_run": "analysis.door.runs",
    "report": "analysis.door.report",
    "rundown": "analysis.door.runs",
}

__all__ = ["BenchError", *_PUBLIC]

if not TYPE_CHECKING:  # a type checker would take any name for public otherwise

    def __getattr__(name: str) -> object:
        if name not in _PUBLIC:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        value = getattr(importlib.import_module(_PUBLIC[name]), name)
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted({*globals(), *_PUBLIC})


# Three evenings of 400 bends at the elbow; the rig ends while some joints are whole.
DEMO_BENDS: Final = 1200.0
DEMO_CYCLES: Final = 1200
DEMO_FIRMWARE_S: Final = 1800.0

# By it a shell asks for what may follow: click's own means.
COMPLETE_VARIABLE: Final = "_DRAWBENCH_COMPLETE"

# command name -> (module, attribute, one line for --help without importing the module)
COMMANDS: Final[dict[str, tuple[str, str, str]]] = {
    "demo": ("drawbench", "demo", "the whole job with a simulated board, no hardware needed"),
    "budget": (
        "analysis.commands.budget",
        "budget_command",
        "what should it draw, and which figure was wrong",
    ),
    "firmware": (
        "logger.commands.firmware",
        "firmware",
        "write the board's program: sketch, or Python files",
    ),
    "probe": ("analysis.commands.probe", "probe_command", "is it wired right, which board is it"),
    "conform": (
        "logger.commands.conform",
        "conform_command",
        "does a firmware of one's own keep the protocol's rules",
    ),
    "start": ("logger.commands.start", "start_command", "a few questions, then the night's run"),
    "calibrate": (
        "logger.commands.calibrate",
        "calibrate_command",
        "find out how far off this board reads",
    ),
    "log": ("logger.commands.log", "log", "record a run from a probe board"),
    "import": (
        "logger.commands.import_text",
        "import_command",
        "make a run of a text file that another meter wrote",
    ),
    "check": ("logger.commands.check", "check_command", "say in words what is wrong with a run"),
    "rundown": ("analysis.commands.rundown", "rundown_command", "how long it lasted, what it drew"),
    "forecast": (
        "analysis.commands.forecast",
        "forecast_command",
        "will it last: time to cutoff of a run that is not over",
    ),
    "compare": ("analysis.commands.compare", "compare_command", "is one run better than another"),
    "flex": (
        "analysis.commands.flex",
        "flex",
        "bend joints until they break, say what a handful shows",
    ),
    "report": ("analysis.commands.report", "report_command", "a page with plots for the write-up"),
    "simulate": (
        "firmware_probe.commands.simulate",
        "simulate",
        "play a probe board without hardware, to try the rest",
    ),
    "watch": ("analysis.commands.watch", "watch_command", "a page with runs, live and finished"),
    "list": ("analysis.commands.list_runs", "list_command", "all runs of a folder, best and worst"),
    "edit": (
        "analysis.commands.edit",
        "edit_command",
        "correct what a run says of itself, not its samples",
    ),
    "sheet": ("analysis.commands.pictures", "sheet_command", "one page to print, as PDF"),
    "pictures": (
        "analysis.commands.pictures",
        "pictures_command",
        "pictures for page, slide, phone",
    ),
}


class _LazyGroup(SuggestingGroup):
    """Group that imports a command's module on use, so that --help and log start fast."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Names out of the table: nothing is imported for them."""
        if incomplete.startswith("-"):
            return click.Command.shell_complete(self, ctx, incomplete)
        return [
            CompletionItem(name, help=text)
            for name, (_, _, text) in COMMANDS.items()
            if name.startswith(incomplete)
        ]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in COMMANDS.items()])


@click.command("demo")
@click.argument("folder", default="demo", type=click.Path(path_type=Path))
@click.option(
    "--firmware",
    type=Choice(["model", "micropython"]),
    default="model",
    show_default=True,
    help="micropython: the real firmware in Python on this computer's MicroPython, half an hour of the night.",
)
def demo(folder: Path, firmware: str) -> None:
    """The whole job on a simulated board: a lit night-ride vest, from its budget to the report.

    Needs no hardware. Writes a budget file, two runs, a flex test and a report into FOLDER; all of it is invented.
    """
    if firmware == "micropython":
        _demo_firmware(folder)
        return
    from logger.base.next_step import next_words
    from logger.run.store import create_run_folder

    create_run_folder(folder)
    from analysis.budget.story import tell_budget
    from analysis.budget.words import answer_sentences
    from analysis.flex.words import answers
    from analysis.run.rundown import rundown
    from analysis.say.words import short_words
    from firmware_probe.twin import vest
    from logger.run.reader import read_run

    said: set[str] = set()
    budget = _demo_budget(folder, "1/5")
    click.echo("2/5  The simulated vest runs three alkaline AA down; its night takes seconds.")
    _demo_run(folder / "run", "Night-ride vest", 1.0, said)
    run = read_run(folder / "run")
    result = rundown(run, vest.CUTOFF_V, 60.0)
    _tell_verdict(result)
    story = tell_budget(budget, run, pack_runs=None)
    click.echo(f"3/5  {' '.join(answer_sentences(story)[:2])}")
    remedy = next(item for item in story.changes if "ride at 70 %" in item.words)
    _demo_run(folder / "remedy", "Night-ride vest, ride at 70 % brightness", 0.7, said)
    click.echo(f"4/5  Remedy: {remedy.words}. Forecast: {short_words(remedy.runtime)}. Run down:")
    _tell_verdict(rundown(read_run(folder / "remedy"), vest.CUTOFF_V, 60.0))
    click.echo(
        "5/5  Its joints: four on the simulated flex rig, twenty more bent by a simulated hand."
    )
    joints, flex_section = _demo_joints(folder)
    first, *others = answers(joints)
    for text in (first, *(other for other in others if "outlasts" in other)):
        click.echo(f"     {text}")
    _demo_report(folder, run, result, story, flex_section)
    click.echo(
        next_words(
            ("The run by itself", ["rundown", folder / "run"]),
            ("Your own piece", ["budget", "new", "my-piece.toml"]),
        )
    )


def _demo_budget(folder: Path, step: str) -> "Budget":
    """The vest's budget, as a file too; says what its maker believes."""
    from analysis.budget.file import read_budget
    from analysis.budget.story import tell_budget
    from analysis.budget.words import answer_sentences
    from firmware_probe.twin import vest
    from logger.base.safe_files import create_file

    path = folder / "night-ride-vest.toml"
    create_file(path, vest.budget_text().encode())
    budget = read_budget(path)
    click.echo(f"{step}  What its maker believes: {answer_sentences(tell_budget(budget))[0]}")
    return budget


def _demo_report(
    folder: Path,
    run: "logger.run.reader.Run",
    result: "analysis.run.rundown.Rundown",
    story: "analysis.budget.told.BudgetStory",
    *more: "SectionMaker",
) -> None:
    """Write the page on the run, its budget and what ``more`` makes; say where it is."""
    from analysis.budget.section import budget_section
    from analysis.report.build import write_report
    from analysis.report.parts import discharge_parts
    from firmware_probe.twin import vest

    sections = [
        lambda made: budget_section(story, made),
        *discharge_parts(run, vest.CUTOFF_V, 60.0),
        *more,
    ]
    write_report(run, result, folder / "report", sections)
    click.echo(f"\nOpen in a browser:\n  {folder / 'report' / 'report.html'}\n")


def _tell_verdict(result: "analysis.run.rundown.Rundown") -> None:
    if result.verdict is not None:
        click.echo(f"     {result.verdict.words}")


def _demo_run(folder: Path, title: str, brightness: float, said: set[str]) -> None:
    """One compressed night of the simulated vest. ``said``: see ``_record_vest``."""
    from firmware_probe.twin import vest

    simulated = vest.vest_board(window_us=2_000_000, brightness=brightness)
    _record_vest(folder, title, simulated, said)


def _demo_firmware(folder: Path) -> None:
    """The vest's first half hour, counted by the firmware in Python: a whole night would take it many minutes."""
    from tempfile import TemporaryDirectory

    from firmware_probe.interpreter.board import InterpreterBoard
    from firmware_probe.interpreter.process import InterpreterMissing, interpreter_command
    from firmware_probe.twin import vest
    from logger.base.next_step import next_words
    from logger.run.store import create_run_folder

    try:
        interpreter_command()
    except InterpreterMissing as error:
        raise click.BadParameter(str(error), param_hint="--firmware") from error
    create_run_folder(folder)
    from analysis.budget.story import tell_budget
    from analysis.budget.words import answer_sentences
    from analysis.run.rundown import rundown
    from logger.run.reader import read_run

    budget = _demo_budget(folder, "1/3")
    click.echo(
        f"2/3  The firmware in Python counts the vest's first {DEMO_FIRMWARE_S / 60:.0f} minutes, "
        "on this computer's MicroPython; a whole night of it would take many minutes."
    )
    with TemporaryDirectory(prefix="drawbench-") as memory:
        board = InterpreterBoard(
            vest.vest_pack(),
            vest.vest_programme(),
            vest.vest_sensor(),
            Path(memory),
            window_us=1_000_000,
        )
        with closing(board):
            _record_vest(folder / "run", "Night-ride vest", board, set(), DEMO_FIRMWARE_S)
    run = read_run(folder / "run")
    story = tell_budget(budget, run)
    click.echo(f"3/3  {' '.join(answer_sentences(story)[:2])}")
    click.echo("     Neither run down nor flexed here: this firmware drives no flex rig.")
    _demo_report(folder, run, rundown(run, vest.CUTOFF_V, 60.0), story)
    click.echo(
        next_words(
            ("The whole job, on the model", ["demo", "whole-demo"]),
            ("This firmware for a board", ["firmware", "--board", "rp2040-micropython", "."]),
        )
    )


def _record_vest(
    folder: Path, title: str, simulated: "Board", said: set[str], duration_s: float | None = None
) -> None:
    """Record the vest through the real serial path.

    ``said``: what the demo has told already and need not tell again; added to.
    """
    from firmware_probe.twin import vest
    from firmware_probe.twin.links import best_link
    from firmware_probe.twin.serve import BoardServer
    from logger.recording.follow_up import end_line
    from logger.recording.plan import Plan, prepare
    from logger.recording.screen import choose_screen
    from logger.recording.side_by_side import record

    screen = choose_screen(plain=False)
    with BoardServer(simulated, best_link(), time_factor=0.0) as board:
        plan = Plan(
            folder,
            (board.port,),
            pack="3x AA alkaline",
            cutoff_v=vest.CUTOFF_V,
            hold_s=60.0,
            need_s=vest.NEED_S,
            duration_s=duration_s,
            title=title,
            load_note="24 addressable LEDs, microcontroller and motion sensor behind a 5 V boost converter",
            calibration=False,
        )

        def say_once(text: str) -> None:
            if text not in said:
                said.add(text)
                screen.say(text)

        recorders = prepare(plan, say_once)
        record(recorders, screen)
    click.echo(f"     {end_line(recorders[0].folder, recorders[0].recording.status())}")


def _demo_joints(folder: Path) -> "tuple[analysis.flex.judge.FlexLife, SectionMaker]":
    """Joints of the vest through the board's flex lines and as a hand test, judged together."""
    from analysis.flex.claim import Claim
    from analysis.flex.sources import flex_part
    from analysis.flex.words import target_words
    from firmware_probe.twin import vest
    from firmware_probe.twin.hand_test import hand_test_table
    from firmware_probe.twin.joints import JOINT_KINDS, new_joints
    from firmware_probe.twin.links import best_link
    from firmware_probe.twin.serve import BoardServer
    from logger.base.safe_files import create_file
    from logger.commands.flex_log import flex_log

    table, rig = folder / "joints-by-hand.csv", folder / "joints-on-the-rig"
    create_file(table, hand_test_table().encode())
    kinds = list(JOINT_KINDS.values())
    board = vest.vest_board(joints=[new_joints(kind, 1, 5)[0] for kind in kinds])
    with BoardServer(board, best_link(), time_factor=0.0) as server:
        names = tuple(f"rig-{number}={kind.name}" for number, kind in enumerate(kinds, start=1))
        click.get_current_context().invoke(
            flex_log, folder=rig, specimens=names, cycles=DEMO_CYCLES, port=server.port
        )
    claim = Claim(DEMO_BENDS, target_words(DEMO_BENDS, 3))
    return flex_part((table, rig), claim, "solid")


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="drawbench")
def cli() -> None:
    """Measure what a battery-powered wearable draws, run its pack down, report it honestly."""


def main() -> None:
    """Run the command line; the one place where an error becomes an exit code, and where text leaves."""
    say_what_the_console_cannot()
    if COMPLETE_VARIABLE not in os.environ:  # a shell is answered in bytes, in our own words only
        clean_streams()
    try:
        cli(standalone_mode=False, complete_var=COMPLETE_VARIABLE)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except BenchError as error:
        click.echo(f"drawbench: {error}", err=True)
        sys.exit(2)
    except Exception as error:
        # A fault of ours: in words for the person at the bench, whole for who is to mend it.
        if os.environ.get("DRAWBENCH_TRACEBACK"):
            raise
        click.echo(
            f"drawbench: a fault of the program itself; what was recorded is kept.\n"
            f"  Seen: {type(error).__name__}: {error}\n"
            "  Next: please report it, with what the same command prints after DRAWBENCH_TRACEBACK=1 was set.",
            err=True,
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
