"""Programs of our own beside a recording: how they are started.

Neither the folder that somebody works in nor PYTHONPATH may put another ``drawbench.py``, ``click.py`` or
``json.py`` in place of the right one: python looks into neither.
"""

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

_ROOT: Final = Path(__file__).resolve().parents[2]


def drawbench_command(*arguments: str) -> list[str]:
    """Command line of the same program again; -P keeps the working folder off its path."""
    return [sys.executable, "-P", "-m", "drawbench", *arguments]


def drawbench_environment() -> dict[str, str]:
    """Environment without the user's PYTHONPATH; with our own folder in it where nothing else leads there."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    return kept if is_installed(sys.path, _ROOT) else {**kept, "PYTHONPATH": str(_ROOT)}


def is_installed(path: Sequence[str], root: Path) -> bool:
    """Whether ``root`` is one of site's folders, or linked to from there: these follow the standard library.

    What stands before the standard library came from PYTHONPATH, the working folder or the script's.
    """
    folders = [Path(entry or os.curdir).resolve() for entry in path]
    library = Path(os.__file__).resolve().parent
    return library in folders and root in folders[folders.index(library) :]
