"""A night of 100 windows a second, 500 runs in a folder, and the start of the program.

Ratios against ``pandas.read_csv`` of the same file in the same run (processor time, so that a shared machine
counts less); printed, nothing asserted about time. Run with ``python -m pytest tests/benchmarks/test_long_run_speed.py -s``.
"""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.report.digest import DIGEST_NAME
from logger.run.description import Stop, to_document
from logger.run.format import COLUMN_BY_NAME, DESCRIPTION_NAME, SAMPLES_NAME
from tests.support.page_bench import make_run
from tests.support.places import ROOT
from tests.support.runs_by_formula import BOARD

ROWS = 4_320_000
_BLOCK = 100_000
_NAMES = ("time_s", "pack_v", "current_ma", "current_max_ma", "charge_mah", "energy_mwh")
RUNS = 500


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    rng = np.random.default_rng(0)
    time_s = 0.01 * np.arange(1, ROWS + 1)
    current_ma = np.where(time_s % 1.6 < 0.4, 150.0, 60.0) + rng.normal(0, 0.3, ROWS)
    pack_v = 4.7 - 1.9 * (time_s / time_s[-1]) ** 2
    charge_mah = np.cumsum(current_ma) * 0.01 / 3600
    energy_mwh = np.cumsum(current_ma * pack_v) * 0.01 / 3600
    columns = (time_s, pack_v, current_ma, current_ma + 2, charge_mah, energy_mwh)
    pattern = ",".join(f"%.{COLUMN_BY_NAME[name].decimals}f" for name in _NAMES) + "\r\n"
    with (folder / SAMPLES_NAME).open("w", newline="") as stream:
        stream.write(",".join(_NAMES) + "\r\n")
        for begin in range(0, ROWS, _BLOCK):
            block = np.column_stack([column[begin : begin + _BLOCK] for column in columns])
            stream.write("".join(pattern % tuple(row) for row in block.tolist()))
    description = replace(BOARD, window_s=0.01, stop=Stop(cutoff_v=3.0, hold_s=10.0))
    (folder / DESCRIPTION_NAME).write_text(json.dumps(to_document(description, _NAMES)))
    return folder


def fresh(code: str, *arguments: object) -> dict[str, float]:
    """What the code prints as JSON, from a Python of its own: caches and peak memory are its own."""
    command = [sys.executable, "-c", code, *map(str, arguments)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


COMMAND = "import resource, subprocess, sys, json; subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True); u = resource.getrusage(resource.RUSAGE_CHILDREN); print(json.dumps({'s': u.ru_utime + u.ru_stime}))"
BASELINE = """
import sys, time, json, pandas
b, w = time.process_time(), time.perf_counter(); pandas.read_csv(sys.argv[1] + "/samples.csv")
print(json.dumps({"s": time.process_time() - b, "wall": time.perf_counter() - w}))
"""
ANALYSIS = """
import sys, time, json, resource, pandas, scipy.optimize, scipy.special
from pathlib import Path
from logger.run.reader import read_run
from analysis.run.rundown import rundown
b, w = time.process_time(), time.perf_counter(); rundown(read_run(Path(sys.argv[1])), 3.0, 10.0)
print(json.dumps({"s": time.process_time() - b, "wall": time.perf_counter() - w, "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""
PAGE = """
import sys, time, json, resource, tempfile, pandas, scipy.optimize, scipy.special
from pathlib import Path
from analysis.commands.watch import page_run
from logger.page.bench import Bench, Known
import analysis.report.plots, analysis.commands.rundown, analysis.run.rundown, logger.run.reader
b, w = time.process_time(), time.perf_counter()
run = page_run("r1", Path(sys.argv[1])); bench = Bench([run]); bench.poll(); bench.message(run, Known())
page, wall = time.process_time() - b, time.perf_counter() - w
if len(sys.argv) > 2:
    read = logger.run.reader.read_run(Path(sys.argv[1])); result = analysis.run.rundown.rundown(read, 3.0, 10.0)
    b, w = time.process_time(), time.perf_counter(); analysis.report.plots.draw_plots(result, None, (), Path(sys.argv[2]))
    page += time.process_time() - b; wall += time.perf_counter() - w
print(json.dumps({"s": page, "wall": wall, "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is read the POSIX way")
def test_a_night_of_100_windows_a_second(night: Path, tmp_path: Path) -> None:
    rounds = [(fresh(BASELINE, night), fresh(ANALYSIS, night)) for _ in range(3)]
    first, second = fresh(PAGE, night, tmp_path), fresh(PAGE, night)
    size_mb = (night / SAMPLES_NAME).stat().st_size / 1e6
    print(f"\n{ROWS} rows, {size_mb:.0f} MB; baseline pandas.read_csv")
    for name, words in (("s", "processor time, all cores"), ("wall", "by the clock")):
        baseline_s = min(baseline[name] for baseline, _ in rounds)
        print(
            f"{words}: baseline {baseline_s:.2f} s; load and rundown "
            f"{min(analysis[name] for _, analysis in rounds) / baseline_s:.2f}, page and pictures "
            f"{first[name] / baseline_s:.2f} of it; second opening {second[name]:.2f} s"
        )
    peak_mb = max(item["mb"] for item in (first, second, *(analysis for _, analysis in rounds)))
    print(f"peak memory {peak_mb:.0f} MB")
    for command in ("rundown", "report"):
        (night / DIGEST_NAME).unlink()
        more = ["--out", tmp_path / "report"] if command == "report" else []
        opened = [
            fresh(COMMAND, sys.executable, "-m", "drawbench", command, night, *more)["s"]
            for _ in range(2)
        ]
        print(f"drawbench {command}: {opened[0]:.2f} s, the second time {opened[1]:.2f} s")
    assert second["s"] < first["s"]


@pytest.mark.parametrize("kind", ["bare", "with a sensor"])
def test_a_folder_of_500_runs(tmp_path: Path, kind: str) -> None:
    """``with a sensor``: of a known one, so that intervals and wiring are looked at as well."""
    from analysis.report.run_table import by_lasting, read_lines

    more = {"board": BOARD.board, "sensor": BOARD.sensor} if kind == "with a sensor" else {}
    folders = [
        make_run(tmp_path / f"run-{n:03d}", rows=600, state="ended", **more) for n in range(RUNS)
    ]

    def seconds(work: Callable[[], object]) -> tuple[float, float]:
        busy, clock = time.process_time(), time.perf_counter()
        work()
        return time.process_time() - busy, time.perf_counter() - clock

    _, first = seconds(lambda: read_lines(folders))  # by the clock: other processes do it
    again, clock = seconds(lambda: by_lasting(read_lines(folders)))
    for folder in folders:
        (folder / DIGEST_NAME).unlink()
    begin = time.perf_counter()
    whole = fresh(COMMAND, sys.executable, "-m", "drawbench", "list", tmp_path)["s"]
    print(
        f"\ndrawbench list: {time.perf_counter() - begin:.2f} s by the clock, {whole:.2f} s of processor time"
    )
    print(
        f"\nlist of {RUNS} runs, {kind}: {again:.2f} s ({clock:.2f} s by the clock), the first time {first:.2f} s by the clock"
    )
    assert len(read_lines(folders)) == RUNS


def test_start_of_the_program() -> None:
    def busy(*command: str) -> float:
        return min(fresh(COMMAND, *command)["s"] for _ in range(3))

    empty_s = busy(sys.executable, "-c", "pass")
    help_s = busy(sys.executable, "-m", "drawbench", "--help")
    log_s = busy(sys.executable, "-m", "drawbench", "log", "--help")
    print(
        f"\ndrawbench --help {help_s:.2f} s, log --help {log_s:.2f} s; an empty Python {empty_s:.2f} s"
    )
    assert help_s > 0
