"""What ``drawbench rundown RUN --before-wash BEFORE`` says: is it dry, may the pack go back?"""

import json
import textwrap
from pathlib import Path

import click

from analysis.commands.screen import TEXT_WIDTH, echo_caution, echo_next


def show_since_wash(before_folder: Path, after_folder: Path, *, as_json: bool) -> None:
    """The first minute after the wash against the run from before it."""
    from analysis.door.runs import read_run

    before, after = read_run(before_folder), read_run(after_folder)
    from analysis.electric.wet import WASH_CAUTION, since_wash
    from analysis.run.rundown import is_simulated

    found = since_wash(before, after)
    if as_json:
        click.echo(json.dumps(found.as_json(), ensure_ascii=False, indent=1, allow_nan=False))
        return
    if is_simulated(before) or is_simulated(after):
        click.echo("SIMULATED: for some run no hardware was there.\n")
    click.echo(textwrap.fill(found.words, TEXT_WIDTH))
    echo_caution("rundown", "", WASH_CAUTION, whole=found.answer in ("wet", "open"))
    if found.answer == "dry":
        echo_next(("Wear it, or record it", ["start"]))
        return
    first = "Looked at" if found.answer == "less" else "When it has dried"
    again = ["log", "--for", "2m", "--window", "1s"]
    echo_next((f"{first}, record two minutes again", again))
