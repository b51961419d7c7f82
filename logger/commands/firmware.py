"""The command ``drawbench firmware``: writes the sketch out for the IDE."""

from pathlib import Path

import click

from logger.base.next_step import next_words
from logger.commands.sketch_folder import SKETCH_NAME, write_sketch


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
def firmware(folder: Path) -> None:
    """Write the board's sketch into FOLDER/firmware_probe (here, if no FOLDER is given).

    Nothing is overwritten: settings that you changed in an older copy stay yours.
    """
    target, names = write_sketch(folder)
    click.echo(f"Wrote {len(names)} files into {target}")
    click.echo(f"1. Wire the board: {target / 'README.md'} has parts list, pictures and cautions.")
    click.echo(f"2. Open {target / f'{SKETCH_NAME}.ino'} in the IDE for the board.")
    click.echo("3. Another shunt than 0.1 Ohm, or a faster link? Change settings.h first.")
    click.echo("4. Choose the board (Uno or Nano) and its port, upload, close the serial monitor.")
    click.echo()
    click.echo(next_words(("5. Are board and wiring right", ["probe"])))
