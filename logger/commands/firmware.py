"""The command ``drawbench firmware``: writes out what makes a board a probe."""

from pathlib import Path
from typing import Final

import click

from logger.base.next_step import next_words
from logger.base.typed.suggest import Choice
from logger.commands.interpreter_folder import BOARDS, write_board_folder
from logger.commands.sketch_folder import SKETCH_NAME, write_sketch

SKETCH: Final = "sketch"


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
@click.option(
    "--board",
    type=Choice([SKETCH, *BOARDS]),
    default=SKETCH,
    show_default=True,
    help="The sketch for the IDE, or files for a board with an interpreter of Python: copied, done.",
)
def firmware(folder: Path, board: str) -> None:
    """Write the board's program into a folder of its own in FOLDER (here, if no FOLDER is given).

    Nothing is overwritten: settings that you changed in an older copy stay yours.
    """
    if board == SKETCH:
        _write_sketch(folder)
    else:
        _write_files(folder, board)
    click.echo()
    click.echo(next_words(("5. Are board and wiring right", ["probe"])))


def _write_sketch(folder: Path) -> None:
    target, names = write_sketch(folder)
    click.echo(f"Wrote {len(names)} files into {target}")
    click.echo(f"1. Wire the board: {target / 'README.md'} has parts list, pictures and cautions.")
    click.echo(f"2. Open {target / f'{SKETCH_NAME}.ino'} in the IDE for the board.")
    click.echo("3. Another shunt than 0.1 Ohm, or a faster link? Change settings.h first.")
    click.echo("4. Choose the board (Uno or Nano) and its port, upload, close the serial monitor.")


def _write_files(folder: Path, name: str) -> None:
    board = BOARDS[name]
    target, names = write_board_folder(folder, name)
    click.echo(f"Wrote {len(names)} files for {board.words} into {target}")
    click.echo("Rehearsed on a computer's interpreter; on no real board yet.")
    click.echo(f"1. Wire it: {board.pins}. Sensor at 3.3 V, never 5 V; {target / 'README.md'}.")
    click.echo("2. Put the interpreter onto the board, as its makers say for your board.")
    click.echo(
        "3. Another shunt than 0.1 Ohm, other pins? Change probe/settings.py, the port file."
    )
    click.echo(f"4. Copy {board.start} and the folder probe {board.copying}; unplug, plug in.")
