"""The judge's table on disk, kept up while it works, so that a sitting that is stopped half-way has its table as well.

``MEASUREMENT_TABLE=FOLDER`` writes it: a part for each chip and load, by whichever process judges it, and all of them
together in ``table.md``. Each heading says of how many boards it is.
"""

import os
from collections.abc import Mapping
from pathlib import Path

from tests.benchmarks.measurement_judge.cases import CHIPS, LOADS, STATES
from tests.benchmarks.measurement_judge.score import QUANTITIES, Cell


def table_of(heading: str, cells: Mapping[tuple[str, str], Cell]) -> str:
    """One chip's and load's part in Markdown; ``cells`` by state and quantity."""
    lines = [
        heading,
        "",
        f"| state | {' | '.join(QUANTITIES)} |",
        f"|---|{'---|' * len(QUANTITIES)}",
    ]
    for state in STATES:
        texts = (cells.get((state, name), Cell()).text() for name in QUANTITIES)
        lines.append(f"| {state} | {' | '.join(texts)} |")
    return "\n".join(lines) + "\n"


def keep_table(folder: Path, chip: str, kind: str, text: str) -> None:
    """Write this part, and all that there are together."""
    write_whole(_part(folder, chip, kind), text.encode())
    parts = [_part(folder, each, load) for each in CHIPS for load in LOADS]
    write_whole(
        folder / "table.md", b"\n".join(part.read_bytes() for part in parts if part.exists())
    )


def _part(folder: Path, chip: str, kind: str) -> Path:
    return folder / f"{chip} {kind}.md"


def write_whole(path: Path, content: bytes) -> None:
    """Whole or not at all: another process may read it, or write its own."""
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_suffix(f".{os.getpid()}")
    half.write_bytes(content)
    half.replace(path)
