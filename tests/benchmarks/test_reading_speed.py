"""Speed and memory of reading, against named baselines in the same run.

Run with ``python -m pytest tests/benchmarks/test_reading_speed.py -s``; prints, asserts nothing about time.
"""

import csv
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from logger.run.format import COLUMNS, SAMPLES_NAME
from logger.run.reader import read_run
from logger.text.layout import LayoutWish
from logger.text.read import read_text
from logger.text.table import PlanWish

ROWS = 300_000


def _seconds(work: Callable[[], object]) -> float:
    """Best of three, so that the machine's other work counts less."""
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def _write(path: Path) -> None:
    with path.open("w", newline="") as stream:
        stream.write(",".join(column.name for column in COLUMNS) + "\r\n")
        for n in range(ROWS):
            stream.write(
                f"{n * 0.1:.6f},{n},17,94,4.512300,4.488000,4.507479,48.2130,12.1000,96.4000,"
                f"{n * 0.00134:.6f},{n * 0.00604:.6f}\r\n"
            )


def test_read_run_against_plain_pandas(tmp_path: Path) -> None:
    path = tmp_path / SAMPLES_NAME
    _write(path)
    baseline_s = _seconds(lambda: pd.read_csv(path))
    sound_s = _seconds(lambda: read_run(tmp_path))
    print(f"\nread_run, {ROWS} rows: {sound_s / baseline_s:.2f} x pandas.read_csv")
    data = path.read_bytes()
    middle = data.index(b"\n", len(data) // 2) + 1
    upper, lower = data[:middle], data[middle:]
    for damage, damaged, lost in (
        ("one row of garbage", upper + b"garbage\r\n" + lower, 0),
        ("one bad cell", upper + b"x" + lower, 1),
        ("two numbers in one cell", upper + b"1-" + lower, 1),
        ("NULs", upper + bytes(4096) + lower, 1),
        ("a torn last row", data[:-20], 1),
        ("every 500th row garbage", _spoiled(data), 0),
        ("saved with semicolons and decimal commas", _by_a_spreadsheet(data), 0),
    ):
        path.write_bytes(damaged)
        damaged_s = _seconds(lambda: read_run(tmp_path))
        assert len(read_run(tmp_path).samples) == ROWS - lost
        print(f"  {damage}: {damaged_s / baseline_s:.2f}")


def _spoiled(data: bytes) -> bytes:
    lines = data.split(b"\r\n")
    for place in range(500, len(lines), 500):
        lines[place] = b"garbage\r\n" + lines[place]
    return b"\r\n".join(lines)


def _by_a_spreadsheet(data: bytes) -> bytes:
    return data.translate(bytes.maketrans(b",.", b";,"))


def test_import_against_the_csv_module(tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    _write(path)

    def plain() -> list[list[float]]:
        with path.open(newline="") as stream:
            rows = csv.reader(stream)
            next(rows)
            return [[float(cell) for cell in row] for row in rows]

    baseline_s = _seconds(plain)
    import_s = _seconds(lambda: read_text(path, LayoutWish(), PlanWish()))
    print(f"\nimport, {ROWS} rows: {import_s / baseline_s:.2f} x csv.reader and float()")
