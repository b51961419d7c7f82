"""The table of faults of a recording, with a few tries each; all of it: python -m tests.benchmarks.faults_judge.recording."""

import os
import shutil
import sys
from collections.abc import Callable

import pytest

from tests.benchmarks.faults_judge.fault import Fault
from tests.benchmarks.faults_judge.recording import (
    clock_jumps,
    days,
    disk_full,
    folder_moved,
    kills,
    resets,
    unplugs,
)
from tests.benchmarks.faults_judge.spoiled_file import file_replaced

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(sys.platform != "linux", reason="needs pseudo-terminals and /proc"),
]
CAN_MOUNT = sys.platform == "linux" and os.geteuid() == 0 and shutil.which("mount") is not None


@pytest.mark.parametrize(
    ("judge", "count"),
    [
        (kills, 4),
        (unplugs, 2),
        (resets, 2),
        pytest.param(
            disk_full, 1, marks=pytest.mark.skipif(not CAN_MOUNT, reason="mounts a small disk")
        ),
        (file_replaced, 2),
        (folder_moved, 2),
        pytest.param(
            clock_jumps,
            2,
            marks=pytest.mark.skipif(shutil.which("cc") is None, reason="compiles a library"),
        ),
        (days, 2),
    ],
)
def test_nothing_is_lost_invented_or_doubled(
    judge: Callable[[int, int], Fault], count: int
) -> None:
    row = judge(count, 11)
    print(row)
    assert row.is_clean, row
