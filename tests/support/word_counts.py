"""How many words each screen says, counted as ``wc -w`` counts them, on the sample runs; in a fresh evening."""

import contextlib
import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from click.testing import CliRunner

import drawbench
from tests.support.places import SAMPLES, VEST_BUDGET

RUNS: Final = tuple(
    sorted(path.name for path in SAMPLES.iterdir() if (path / "samples.csv").exists())
)
# name of the screen -> arguments; ``runs`` and ``vest.toml`` are copies in the folder it is asked in.
SCREENS: Final[dict[str, tuple[str, ...]]] = {
    **{f"rundown {name}": ("rundown", f"runs/{name}") for name in RUNS},
    "budget": ("budget", "vest.toml"),
    "budget against a run": ("budget", "vest.toml", "runs/vest-evening"),
    "check": ("check", "runs/vest-with-faults"),
    "list": ("list",),
    "compare": ("compare", "runs/night-ride-vest", "runs/vest-with-faults", "--cutoff", "2.7"),
    "forecast": ("forecast", "runs/vest-evening", "--cutoff", "2.7"),
    "report": ("report", "runs/night-ride-vest", "--out", "report"),
}
# The same with a need, in which the answer has to stand first.
NEEDED: Final[dict[str, tuple[str, ...]]] = {
    **{f"rundown {name}, needed 6 h": ("rundown", f"runs/{name}", "--need", "6h") for name in RUNS},
    "forecast, needed 6 h": ("forecast", "runs/vest-evening", "--cutoff", "2.7", "--need", "6h"),
    "list, needed 6 h": ("list", "--need", "6h"),
    "sheet": ("sheet", "runs/night-ride-vest", "--out", "sheet"),
    "pictures": ("pictures", "runs/night-ride-vest", "--out", "pictures", "--format", "png"),
    "flex life": ("flex", "life", "joints.csv", "--wearings", "12", "--at", "elbow"),
}


def bench_folder(folder: Path) -> Path:
    """The sample runs and the vest's budget in ``folder``, as a person would have them."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copytree(SAMPLES, folder / "runs", ignore=shutil.ignore_patterns(".*", "pictures"))
    shutil.copy(VEST_BUDGET, folder / "vest.toml")
    shutil.copy(SAMPLES / "vest-joints-by-hand.csv", folder / "joints.csv")
    return folder


def screen(command: Sequence[str], arguments: Sequence[str], folder: Path) -> str:
    """What ``command`` with these arguments prints in ``folder``; no caution was shown this evening."""
    done = subprocess.run(
        [*command, *arguments],
        cwd=folder,
        env=os.environ | _fresh_evening(folder),
        capture_output=True,
        check=True,
    )
    return done.stdout.decode("utf-8")


def screen_here(arguments: Sequence[str], folder: Path) -> str:
    """The same of this source, in this process: a second of processor time less for each screen."""
    with contextlib.chdir(folder):
        done = CliRunner().invoke(
            drawbench.cli, list(arguments), env=_fresh_evening(folder), catch_exceptions=False
        )
    assert done.exit_code == 0, done.output
    return done.stdout


def _fresh_evening(folder: Path) -> dict[str, str]:
    kept = folder / "kept"
    shutil.rmtree(kept, ignore_errors=True)
    return {"DRAWBENCH_CONFIG_FOLDER": str(kept), "COLUMNS": "80"}


def words(text: str) -> int:
    return len(text.split())
