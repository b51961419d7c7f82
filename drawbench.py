"""The command ``drawbench``: a table of commands, each imported only when it is called."""

import importlib
import sys
from typing import Final

import click

from logger.errors import BenchError

# command name -> (module, attribute, one line for --help without importing the module)
COMMANDS: Final[dict[str, tuple[str, str, str]]] = {}


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
