"""The demo, made once for all tests that look at it: it takes ten seconds of a processor."""

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.support.places import ROOT

_PATIENCE_S: Final = 240.0


@dataclass(frozen=True)
class Demo:
    """``folder``: what ``drawbench demo`` made, to be left as it is; ``output``: what it said."""

    folder: Path
    output: str


def demo_in(place: Path) -> Demo:
    """Made in ``place`` by the first who asks; whoever asks meanwhile, in whatever process, waits."""
    place.mkdir(exist_ok=True)
    said = place / "said.txt"
    try:
        (place / "begun").touch(exist_ok=False)
    except FileExistsError:
        _wait_for(said)
    else:
        _make(place, said)
    return Demo(place / "demo", said.read_text(encoding="utf-8"))


def _make(place: Path, said: Path) -> None:
    """As a user would, in a process of its own; a warning is an error. What went wrong is said to all who wait."""
    done = subprocess.run(
        [sys.executable, "-m", "drawbench", "demo"],
        capture_output=True, text=True, timeout=_PATIENCE_S, check=False, cwd=place,
        env=os.environ
        | {"PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error", "COLUMNS": "80",
           "DRAWBENCH_CONFIG_FOLDER": str(place / "kept")},
    )  # fmt: skip
    text = done.stdout if done.returncode == 0 else f"FAILED\n{done.stdout}{done.stderr}"
    unfinished = said.with_suffix(".new")
    unfinished.write_text(text, encoding="utf-8")
    unfinished.replace(said)
    assert done.returncode == 0, text


def _wait_for(said: Path) -> None:
    end_s = time.monotonic() + _PATIENCE_S
    while not said.exists():
        assert time.monotonic() < end_s, "the demo was not made in time"
        time.sleep(0.1)
    assert not said.read_text(encoding="utf-8").startswith("FAILED")
