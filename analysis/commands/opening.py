"""``--open``: what was made, in the browser of this computer."""

import os
import sys
import webbrowser
from pathlib import Path
from typing import Final

import click

open_option: Final = click.option(
    "--open", "open_it", is_flag=True, help="Open it in the browser afterwards."
)


def open_file(path: Path) -> None:
    """Open one file; where that cannot be, say so: its path stands on the screen already."""
    if not has_display():
        click.echo("\n--open: this computer has no display here. Open the file on one that has.")
    elif not webbrowser.open(path.absolute().as_uri()):
        click.echo("\n--open: no browser was found. Open the file by hand.")


def has_display(platform: str = sys.platform) -> bool:
    """Whether a window can be shown; a browser in the terminal itself would take that over."""
    if platform in ("win32", "darwin"):
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"))
