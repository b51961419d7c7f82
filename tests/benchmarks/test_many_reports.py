"""A class of thirty: every report, every sheet and the page of all in one command, against a plain loop over ``report``.

Printed, not asserted: a shared machine's clock proves nothing. Processor time halved is what two idle cores would
take at best. ``MANY_RUNS=6 python -m pytest tests/benchmarks/test_many_reports.py -s`` for fewer; the loop is played
for a few of the runs and multiplied.
"""

import os
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from tests.support.nights_of_a_class import class_in

RUNS = int(os.environ.get("MANY_RUNS", "30"))
LOOPED = min(3, RUNS)


@dataclass(frozen=True)
class Cost:
    """``memory_mb``: the most that all its processes had together, what they share counted once."""

    wall_s: float
    processor_s: float
    memory_mb: float

    def words(self, times: float = 1.0) -> str:
        return (
            f"{times * self.wall_s:6.1f} s, processor {times * self.processor_s:6.1f} s "
            f"(halved {times * self.processor_s / 2:5.1f} s), memory {self.memory_mb:4.0f} MB"
        )


def _memory_mb(process: psutil.Process) -> float:
    total = 0.0
    try:
        for item in (process, *process.children(recursive=True)):
            total += item.memory_full_info().pss / 1e6
    except psutil.Error:
        pass
    return total


def cost_of(*words: str, place: Path) -> Cost:
    """Of one command, from its start to its end."""
    before, begin_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    process = psutil.Popen(
        [sys.executable, "-m", "drawbench", *words], cwd=place, stdout=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    memory_mb = 0.0
    while process.poll() is None:
        memory_mb = max(memory_mb, _memory_mb(process))
        time.sleep(0.2)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert process.returncode == 0, words
    processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(time.perf_counter() - begin_s, processor_s, memory_mb)


def _together(costs: Sequence[Cost]) -> Cost:
    return Cost(
        sum(cost.wall_s for cost in costs),
        sum(cost.processor_s for cost in costs),
        max(cost.memory_mb for cost in costs),
    )


@pytest.mark.timeout(3600)
def test_thirty_reports_sheets_and_the_page(tmp_path: Path) -> None:
    class_in(tmp_path / "class", RUNS)
    class_in(tmp_path / "loop", LOOPED)
    loop = _together(
        [cost_of("report", f"loop/pupil-{number:02}", place=tmp_path) for number in range(LOOPED)]
    )
    command = ("report", "class", "--overview", "page")
    once = cost_of(*command, place=tmp_path)
    again = cost_of(*command, place=tmp_path)
    pictures = cost_of("pictures", "class", "--size", "phone", place=tmp_path)
    times = RUNS / LOOPED
    print(f"\n{RUNS} runs of 8 h at 2 rows/s, 57,600 rows each")
    print(f"loop over report ({LOOPED}, times {times:g}):  {loop.words(times)}")
    print(f"reports, sheets, page of all:     {once.words()}")
    print(f"the same, nothing changed:        {again.words()}")
    print(f"pictures of all, three formats:   {pictures.words()}")
    print(
        f"ratio to the loop, which makes the reports alone: wall {once.wall_s / times / loop.wall_s:.2f}, "
        f"processor {once.processor_s / times / loop.processor_s:.2f}"
    )
    made = list((tmp_path / "class").glob("*/sheet/run-sheet.pdf"))
    assert len(made) == RUNS
    assert len(list((tmp_path / "class").glob("*/report/report.html"))) == RUNS
    assert (tmp_path / "page" / "overview.html").is_file()
