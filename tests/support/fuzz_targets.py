"""What must hold of any bytes given as a run, as another meter's file, as a budget: read right or refused in words.

Each target takes bytes and a folder to write in, raises AssertionError if a reader broke its promise, and lets every
error through but BenchError. ``tests/fuzz/fuzz_files.py`` feeds them for as long as one likes.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

from analysis.budget.estimate import pack_ma
from analysis.budget.file import parse_budget
from logger.base.errors import BenchError
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME
from logger.run.reader import read_run
from logger.text.layout import LayoutWish
from logger.text.read import read_text
from logger.text.table import PlanWish
from tests.support.places import SAMPLES, VEST_BUDGET

# Between a run's samples and its description.
CUT: Final = b"\n-- description --\n"
_NUMBER: Final = re.compile(r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?")
_CODES: Final = ("utf-8", "utf-16", "utf-16-be", "utf-16-le")


def _numbers_in(data: bytes) -> set[float]:
    """Every number that can be read out of these bytes, however they are meant."""
    found = set()
    for code in _CODES:
        for text in _NUMBER.findall(data.decode(code, "replace")):
            found.add(float(text.replace(",", ".")))
            found |= {
                float(part)
                for part in re.split("[,;]", text)
                if _NUMBER.fullmatch(part) and "," not in part
            }
    return found  # fmt: skip


def run_target(data: bytes, folder: Path) -> None:
    """A run: rows in order, finite times, each time one that stands in the file, never more rows than lines."""
    samples, _, description = data.partition(CUT)
    (folder / SAMPLES_NAME).write_bytes(samples)
    (folder / DESCRIPTION_NAME).write_bytes(description)
    try:
        run = read_run(folder)
    except BenchError:
        return
    time_s = run.samples["time_s"].to_numpy()
    assert np.isfinite(time_s).all(), "a time that is no number"
    assert (np.diff(time_s) >= 0).all(), "times out of order"
    lines = max(samples.count(b"\n"), samples.count(b"\r")) + 1
    assert len(time_s) <= lines, "more rows than lines"
    assert set(time_s.tolist()) <= _numbers_in(samples), "a row that nobody wrote"


def import_target(data: bytes, folder: Path) -> None:
    """Another meter's file: each line is a row kept, a row rejected, another line, or blank; the file is left alone."""
    path = folder / "meter.txt"
    path.write_bytes(data)
    try:
        imported = read_text(path, LayoutWish(), PlanWish({}, {}))
    except BenchError:
        return
    finally:
        assert path.read_bytes() == data, "the file was changed"
    assert imported.rows_read == len(imported.samples) + len(imported.rejected)
    kept = set(imported.line_numbers.tolist())
    assert not kept & {number for number, _ in imported.rejected}, "kept and rejected"
    time_s = imported.samples["time_s"].to_numpy()
    assert np.isfinite(time_s).all()
    assert (np.diff(time_s) >= 0).all(), "times out of order"


def budget_target(data: bytes, folder: Path) -> None:
    """A budget file: refused, or in each mode a draw that is a number."""
    del folder
    try:
        budget = parse_budget(data.decode("utf-8", "surrogateescape"), "fuzzed.toml")
        draws_ma = [pack_ma(budget, mode, budget.pack.cells * 1.2) for mode in budget.modes]
    except BenchError:
        return
    assert np.isfinite(draws_ma).all(), draws_ma


TARGETS: Final[dict[str, Callable[[bytes, Path], None]]] = {
    "run": run_target,
    "import": import_target,
    "budget": budget_target,
}


def seeds(name: str) -> list[bytes]:
    """Sound files to begin with."""
    if name == "budget":
        return [VEST_BUDGET.read_bytes()]
    found = []
    for path in sorted(SAMPLES.glob(f"*/{SAMPLES_NAME}")):
        samples = b"".join(path.read_bytes().splitlines(keepends=True)[:12])
        description = (path.parent / DESCRIPTION_NAME).read_bytes()
        found.append(samples + CUT + description if name == "run" else samples)
    if name == "import":
        found += [
            b"Zeit;Spannung (V);Strom (mA)\r\n0;4,512;48,2\r\n1;4,511;48,3\r\n2;4,509;51,0\r\n",
            b"2026-01-10 18:00:00,4.5,80\n2026-01-10 18:00:01,4.49,81\n2026-01-10 18:00:02,4.48,80\n",
            "time\tvoltage mV\n00:00:01\t4500\n00:00:02\t4490\n".encode("utf-16"),
        ]
    return found
