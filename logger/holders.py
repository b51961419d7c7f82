"""Which programs have a file or device open? (Linux; elsewhere the answer is: not known.)"""

import os
from pathlib import Path


def holders(path: str) -> list[str]:
    """Other programs that have ``path`` open, as ``name (process 123)``; only what we may see."""
    found = []
    target = os.path.realpath(path)
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        try:
            if any(os.path.realpath(link) == target for link in (process / "fd").iterdir()):
                name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
                found.append(f"{name} (process {process.name})")
        except OSError:  # ended meanwhile, or another user's
            continue
    return found
