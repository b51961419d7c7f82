"""Which programs have a file or device open? (Linux; elsewhere the answer is: not known.)"""

import os
from pathlib import Path
from typing import Final

_PTY_MASTERS: Final = {"/dev/ptmx", "/dev/pts/ptmx"}


def is_pty(path: str) -> bool:
    """Whether the device is one end of a pseudo-terminal."""
    return os.path.realpath(path).startswith("/dev/pts/")


def holders(path: str) -> list[str]:
    """Other programs that have ``path`` open, as ``name (process 123)``; only what we may see.

    Whoever holds the controlling end of a pseudo-terminal is the device behind it (a
    simulated board), not another user of it.
    """
    found = []
    target = os.path.realpath(path)
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        try:
            open_here = {os.path.realpath(link) for link in (process / "fd").iterdir()}
            device = is_pty(target) and not open_here.isdisjoint(_PTY_MASTERS)
            if target in open_here and not device:
                name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
                found.append(f"{name} (process {process.name})")
        except OSError:  # ended meanwhile, or another user's
            continue
    return found
