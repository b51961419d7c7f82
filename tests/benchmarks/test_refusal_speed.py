"""How soon every refusal answers, and how soon the front door is open, as a ratio to an empty Python and to ``drawbench --help`` in the same run.

By processor time, so that a shared machine counts less, and by the clock; the least of some starts. Printed, nothing
asserted about time. Run with ``python -m pytest tests/benchmarks/test_refusal_speed.py -s``.
"""

import os
import shlex
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.support.places import ROOT
from tests.support.refusals import lay_out, refusals

REPEATS = 3


@pytest.mark.skipif(sys.platform == "win32", reason="processor time is read the POSIX way")
@pytest.mark.timeout(3600)
def test_every_refusal(tmp_path: Path) -> None:
    lay_out(tmp_path)
    environment = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "XDG_CONFIG_HOME": str(tmp_path / "config"),
    }

    def children_s() -> float:
        import resource

        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        return used.ru_utime + used.ru_stime

    def seconds(wanted_code: int, *arguments: str) -> tuple[float, float]:
        """Least processor and wall-clock time of some starts."""
        busy, clock = [], []
        for _ in range(REPEATS):
            before_s, begin = children_s(), time.perf_counter()
            done = subprocess.run(
                [sys.executable, "-P", *arguments],
                cwd=tmp_path,
                env=environment,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                check=False,
            )
            clock.append(time.perf_counter() - begin)
            busy.append(children_s() - before_s)
            assert done.returncode == wanted_code, arguments
        return min(busy), min(clock)

    empty_s, empty_clock_s = seconds(0, "-c", "pass")
    help_s, help_clock_s = seconds(0, "-m", "drawbench", "--help")
    click_s, _ = seconds(0, "-c", "import click")
    door_s, _ = seconds(0, "-c", "import drawbench")
    asked = list(refusals())
    timed = [(*seconds(2, "-m", "drawbench", *item), shlex.join(item)) for item in asked]
    print(
        f"\nan empty Python {empty_s:.3f} s ({empty_clock_s:.2f} s by the clock), drawbench --help {help_s:.2f} s "
        f"({help_clock_s:.2f} s); {len(timed)} refusals, slowest first"
    )
    print(
        f"import click {click_s:.3f} s, import drawbench {door_s:.3f} s: {door_s / click_s:.1f} times"
    )
    print("  busy  clock  of empty  of help")
    for busy_s, clock_s, words in sorted(timed, reverse=True):
        print(
            f"{busy_s:6.2f} {clock_s:6.2f}  {busy_s / empty_s:8.1f}  {busy_s / help_s:7.1f}  drawbench {words}"
        )
    print(f"{sum(busy_s > 0.3 for busy_s, _, _ in timed)} of {len(timed)} take more than 0.3 s")
