"""What every test needs: Ctrl-C reaches the programs that tests start; what is quick is marked fast; who runs what."""

import os
import signal
from pathlib import Path
from typing import Any, Final

import pytest

from tests.support.demo import Demo, demo_in

# What keeps a test out of the daily loop, ``pytest -m fast``.
_NOT_FAST: Final = frozenset({"firmware", "browser", "real_time", "slow"})

# What a test with this mark usually takes, to begin with the longest file.
_USUAL_S: Final = {"firmware": 4.0, "browser": 3.0, "real_time": 4.0, "slow": 1.5, "fast": 0.05}

# No test reads or writes what the person at this computer keeps: below a file no folder can be made,
# so nothing is kept, and cautions are at full length. Tests of what is kept name a folder of their own.
os.environ["DRAWBENCH_CONFIG_FOLDER"] = str(Path(__file__).resolve() / "kept")

# Started in the background of a script, we have SIGINT ignored, and so would every program we start:
# a test that ends one with Ctrl-C would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def made_demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """One for all workers."""
    own = tmp_path_factory.getbasetemp()
    return demo_in((own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "the-demo")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """A test is fast unless one of its marks says why it is not. Side by side, the longest files begin first."""
    for item in items:
        if _NOT_FAST.isdisjoint(mark.name for mark in item.iter_markers()):
            item.add_marker(pytest.mark.fast)
    if hasattr(config, "workerinput"):
        seconds: dict[str, float] = {}
        for item in items:
            marks = {mark.name for mark in item.iter_markers()}
            path = item.nodeid.partition("::")[0]
            seconds[path] = seconds.get(path, 0.0) + max(_USUAL_S.get(mark, 0.0) for mark in marks)
        items.sort(key=lambda item: -seconds[item.nodeid.partition("::")[0]])


@pytest.hookimpl(tryfirst=True, optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """``-n 2``: a file's tests stay together, so that what they share is made once, not once by each worker."""
    if config.getoption("dist") != "load":
        return None  # another way was asked for
    from xdist.scheduler import LoadFileScheduling

    config.option.loadscopereorder = False  # as sorted above
    return LoadFileScheduling(config, log)
