"""Programs of our own beside a recording: how they are started, and what becomes of one that ends by itself.

Neither the folder that somebody works in nor PYTHONPATH may put another ``drawbench.py``, ``click.py`` or
``json.py`` in place of the right one: python looks into neither.
"""

import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

_ROOT: Final = Path(__file__).resolve().parents[2]
RESTARTS_MAX: Final = 3
WAITS_S: Final = (0.0, 5.0, 30.0)


def drawbench_command(*arguments: str) -> list[str]:
    """Command line of the same program again; -P keeps the working folder off its path."""
    return [sys.executable, "-P", "-m", "drawbench", *arguments]


def apart(windows: bool = os.name == "nt") -> dict[str, Any]:
    """Arguments for Popen: the terminal's Ctrl-C is the logger's, and not for what runs beside it."""
    if windows:  # CREATE_NEW_PROCESS_GROUP, which only Windows' subprocess names
        return {"creationflags": 0x00000200}
    return {"start_new_session": True}


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


class Restarts:
    """Of one program and one recording; ``fell`` at every unwanted end of it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._due_s = 0.0
        self.count = 0
        self.spent = False

    def fell(self) -> None:
        if self.count == RESTARTS_MAX:
            self.spent = True
            return
        self._due_s = self._clock() + WAITS_S[self.count]
        self.count += 1

    @property
    def due(self) -> bool:
        return not self.spent and self._clock() >= self._due_s

    def words(self, name: str, how: str, then: str, *, is_recording: bool = True) -> str:
        """``name``: the program as the user knows it; ``then``: what becomes of it, or how to do without."""
        state = (
            f"and stays down after {RESTARTS_MAX} new starts"
            if self.spent
            else f"and is started again ({self.count} of at most {RESTARTS_MAX})"
        )
        calm = "The recording goes on." if is_recording else "The recording had ended before."
        return f"{name} has ended by itself ({how}) {state}. {calm} {then}".rstrip()


def how_it_ended(code: int | None) -> str:
    if code is None:
        return "it could not be started"
    return f"signal {-code}" if code < 0 else f"exit code {code}"
