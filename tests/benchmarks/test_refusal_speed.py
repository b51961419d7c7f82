"""How soon every refusal answers, as a ratio to an empty Python and to ``drawbench --help`` in the same run.

Printed, nothing asserted about time. Run with ``python -m pytest tests/benchmarks/test_refusal_speed.py -s``.
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


@pytest.mark.timeout(1800)
def test_every_refusal(tmp_path: Path) -> None:
    lay_out(tmp_path)
    environment = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "XDG_CONFIG_HOME": str(tmp_path / "config"),
    }

    def seconds(*arguments: str) -> tuple[float, int]:
        """Least wall-clock time of some starts, and the exit code."""
        found, code = [], 0
        for _ in range(REPEATS):
            begin = time.perf_counter()
            code = subprocess.run(
                [sys.executable, "-P", *arguments], cwd=tmp_path, env=environment, stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False,
            ).returncode  # fmt: skip
            found.append(time.perf_counter() - begin)
        return min(found), code

    empty_s, _ = seconds("-c", "pass")
    help_s, _ = seconds("-m", "drawbench", "--help")
    timed = []
    for arguments in refusals():
        taken_s, code = seconds("-m", "drawbench", *arguments)
        assert code == 2, arguments
        timed.append((taken_s, shlex.join(arguments)))
    print(
        f"\nan empty Python {empty_s:.3f} s, drawbench --help {help_s:.3f} s; {len(timed)} refusals, slowest first"
    )
    print("     s  of empty  of help")
    for taken_s, words in sorted(timed, reverse=True):
        print(
            f"{taken_s:6.3f}  {taken_s / empty_s:8.1f}  {taken_s / help_s:7.1f}  drawbench {words}"
        )
    slow = sum(taken_s > 0.3 for taken_s, _ in timed)
    print(f"{slow} of {len(timed)} above 0.3 s")
