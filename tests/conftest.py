"""What every test needs: Ctrl-C reaches the programs that tests start; what is quick is marked fast."""

import os
import signal
from pathlib import Path
from typing import Final

import pytest

# What keeps a test out of the daily loop, ``pytest -m fast``.
_NOT_FAST: Final = frozenset({"firmware", "browser", "real_time", "slow"})

# No test reads or writes what the person at this computer keeps: below a file no folder can be made,
# so nothing is kept, and cautions are at full length. Tests of what is kept name a folder of their own.
os.environ["DRAWBENCH_CONFIG_FOLDER"] = str(Path(__file__).resolve() / "kept")

# Started in the background of a script, we have SIGINT ignored, and so would every program we start:
# a test that ends one with Ctrl-C would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test is fast unless one of its marks says why it is not."""
    for item in items:
        if _NOT_FAST.isdisjoint(mark.name for mark in item.iter_markers()):
            item.add_marker(pytest.mark.fast)
