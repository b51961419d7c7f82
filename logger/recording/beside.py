"""Programs of our own beside a recording: how they are started."""

import os
from pathlib import Path


def drawbench_environment() -> dict[str, str]:
    """The same program again, also when it runs from a source folder."""
    root = str(Path(__file__).resolve().parents[2])
    paths = [root, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
