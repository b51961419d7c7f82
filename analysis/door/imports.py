"""Another meter's text file as a run."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from analysis.door.runs import Run, read_run
from analysis.door.show import StrPath
from logger.base.errors import BenchError

_OF_THE_SCREEN: Final = ("dry_run", "json", "help")


def import_text(
    file: StrPath, run: StrPath, **options: str | float | StrPath | Sequence[str] | None
) -> Run:
    """Make a run of a text file that another meter or sketch wrote; nobody is asked.

    Parameters
    ----------
    file : str or os.PathLike
        The text file; it is not changed.
    run : str or os.PathLike
        Folder to write, not there yet.
    **options
        As of the command ``drawbench import``, with underscores: ``time_unit="s"``, ``clock="mm:ss"``,
        ``current_sign="turned"``, ``mapping="meter.toml"``, ``save_mapping="meter.toml"``, ``header=False``.

    Returns
    -------
    Run
        The run, as ``read_run`` gives it.

    Raises
    ------
    BenchError
        If the file cannot be read, or can be read in two ways: then with the option that settles it.

    Examples
    --------
    >>> import pathlib, shutil, tempfile
    >>> import drawbench
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> size = (folder / "meter.txt").write_text("time;U (V);I (mA)\\n0;4.50;80\\n1;4.49;81\\n")
    >>> drawbench.import_text(folder / "meter.txt", folder / "run", time_unit="min")
    meter: pack not stated, 2 rows over 1 min, ended by import.
    >>> shutil.rmtree(folder)
    """
    from logger.commands.import_text import import_command, make_run

    words = []
    for name, value in options.items():
        option = f"--{name.replace('_', '-')}"
        if name in _OF_THE_SCREEN:
            raise BenchError(
                f"{option} is for the terminal only.",
                next_step="leave it out: import_text writes the run, shows nothing and returns it.",
            )
        if value is None:
            continue
        if name == "header":
            words.append(option if value else "--no-header")
            continue
        values = value if isinstance(value, Sequence) and not isinstance(value, str) else (value,)
        words += [word for item in values for word in (option, str(item))]
    try:
        # The names last, behind the sign that no option follows: a file may be called "-night.txt".
        context = import_command.make_context("import", [*words, "--", str(file), str(run)])
        given = dict(context.params)
    except click.UsageError as error:
        raise BenchError(
            error.format_message(), next_step="options are those of drawbench import."
        ) from None
    for name in ("file", "run", "dry_run", "to_json"):
        given.pop(name)
    make_run(Path(file), Path(run), given)
    return read_run(run)
