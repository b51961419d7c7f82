"""Runs in a folder."""

from pathlib import Path

from logger.base.errors import BenchError
from logger.base.safe_files import read_json
from logger.run.description import Description, from_document
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME


def described(folder: Path) -> Description | None:
    """A run's description without its rows, which take far longer to read; None where it cannot be read."""
    try:
        return from_document(read_json(folder / DESCRIPTION_NAME))[0]
    except (OSError, ValueError, RecursionError, AttributeError, TypeError):
        return None


def find_runs(paths: tuple[Path, ...]) -> list[Path]:
    """Folders of runs: each path itself, or every run at most two folders below it, by name.

    Raises BenchError if a path is not there or holds no run.
    """
    found: list[Path] = []
    for path in paths:
        if not path.exists():
            raise BenchError(
                f"There is no folder {path}.", next_step="give a run, or a folder of runs."
            )
        if path.name == SAMPLES_NAME:
            path = path.parent
        if (path / SAMPLES_NAME).is_file():
            found.append(path)
            continue
        inside = sorted(
            item.parent for depth in ("*", "*/*") for item in path.glob(f"{depth}/{SAMPLES_NAME}")
        )
        if not inside:
            raise BenchError(
                f"{path} holds no run.",
                evidence=f"no {SAMPLES_NAME} in it, nor in the folders below",
                next_step="record one with: drawbench log --page",
            )
        found += inside
    return list(dict.fromkeys(found))
