"""The command ``drawbench``: a table of commands, each imported only when it is called."""

import importlib
import sys
from pathlib import Path
from typing import Final

import click

from logger.errors import BenchError

# command name -> (module, attribute, one line for --help without importing the module)
COMMANDS: Final[dict[str, tuple[str, str, str]]] = {
    "demo": ("drawbench", "demo", "the whole job with a simulated board, no hardware needed"),
    "start": ("logger.commands_start", "start_command", "a few questions, then the night's run"),
    "log": ("logger.commands_log", "log", "record a run from a probe board"),
    "import": (
        "logger.commands_import",
        "import_command",
        "make a run of a text file that another meter wrote",
    ),
    "rundown": ("analysis.commands_rundown", "rundown_command", "how long it lasted, what it drew"),
    "simulate": (
        "firmware_probe.commands_simulate",
        "simulate",
        "play a probe board without hardware, to try the rest",
    ),
    "check": ("logger.commands_check", "check_command", "say in words what is wrong with a run"),
    "watch": ("analysis.commands_watch", "watch_command", "a page with runs, live and finished"),
    "list": ("analysis.commands_list", "list_command", "all runs of a folder, best and worst"),
    "sheet": ("analysis.commands_pictures", "sheet_command", "one page to print, as PDF"),
    "pictures": (
        "analysis.commands_pictures",
        "pictures_command",
        "pictures for page, slide, phone",
    ),
    "report": ("analysis.commands_report", "report_command", "a page with plots for the write-up"),
}


class _LazyGroup(click.Group):
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

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in COMMANDS.items()])


@click.command("demo")
@click.argument("folder", default="demo", type=click.Path(path_type=Path))
def demo(folder: Path) -> None:
    """The whole job on a simulated board: a lit night-ride vest runs three AA down, then the report.

    Needs no hardware. Writes FOLDER/run and FOLDER/report; everything in it is invented.
    """
    from analysis.report import write_report
    from analysis.rundown import rundown
    from firmware_probe import vest
    from firmware_probe.links import best_link
    from firmware_probe.serve import BoardServer
    from logger.log_plan import Plan, prepare, summary
    from logger.run_reader import read_run
    from logger.run_store import create_run_folder
    from logger.screen import LiveScreen, PlainScreen
    from logger.side_by_side import record

    create_run_folder(folder)
    click.echo("1/3  A simulated vest on three alkaline AA runs down; its night takes seconds.")
    screen = LiveScreen() if sys.stdout.isatty() else PlainScreen()
    with BoardServer(vest.vest_board(window_us=10_000_000), best_link(), time_factor=0.0) as board:
        plan = Plan(
            folder / "run",
            (board.port,),
            pack="3x AA alkaline",
            cutoff=vest.CUTOFF_V,
            hold=60.0,
            title="Night-ride vest",
            load_note="24 addressable LEDs, microcontroller and motion sensor behind a 5 V boost converter",
        )
        recorders = prepare(plan, screen.say)
        record(recorders, screen)
    click.echo(f"2/3  {summary(recorders[0])}")
    run = read_run(folder / "run")
    click.echo("3/3  Analysis and report.")
    write_report(run, rundown(run, vest.CUTOFF_V, 60.0), folder / "report")
    click.echo(f"\nThe run:    {folder / 'run' / 'samples.csv'}")
    click.echo(f"The report: {folder / 'report' / 'report.html'}  (open it in a browser)")


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="drawbench")
def cli() -> None:
    """Measure what a battery-powered wearable draws, run its pack down, report it honestly."""


def main() -> None:
    """Run the command line; the one place where an error becomes an exit code."""
    try:
        cli(standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except BenchError as error:
        click.echo(f"drawbench: {error}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
