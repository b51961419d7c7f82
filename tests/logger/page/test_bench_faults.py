"""One run that breaks its forecast or its results takes the page of no other with it."""

from pathlib import Path
from typing import Any

import pytest

from logger.base.errors import BenchError
from logger.page.bench import Bench
from logger.run.feed import RunFeed
from tests.support.page_bench import make_run, page_run


def broken(feed: RunFeed) -> Any:
    raise ZeroDivisionError("a fault of ours")


def test_a_forecast_that_fails_is_said_and_asked_no_more(tmp_path: Path) -> None:
    bad = page_run(make_run(tmp_path / "bad"), forecaster=broken)
    good = page_run(make_run(tmp_path / "good"), "r2")
    bench = Bench([bad, good])
    bench.poll()
    bench.poll()
    assert bench.state(good)["rows"] == bench.state(bad)["rows"] == 50
    assert bad.forecaster is None
    assert "The forecast failed (ZeroDivisionError)" in bench.state(bad)["cautions"][1]
    assert len(bench.state(good)["cautions"]) == 1


def test_results_that_fail_are_said(tmp_path: Path) -> None:
    bad = page_run(make_run(tmp_path / "bad", state="ended"), results=broken)
    good = page_run(make_run(tmp_path / "good"), "r2")
    bench = Bench([bad, good])
    bench.poll()
    assert bench.state(good)["rows"] == 50
    assert "cannot be worked out: ZeroDivisionError" in bench.state(bad)["results"]["answer"]


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (BenchError("There are no rows.", next_step="none"), "There are no rows."),
        (PermissionError(13, "Permission denied", "/home/somebody/vest"), "The run cannot be read: Permission denied."),
    ],
)  # fmt: skip
def test_results_that_the_run_does_not_give_are_its_own_fault(
    tmp_path: Path, error: Exception, told: str
) -> None:
    def refused(feed: RunFeed) -> Any:
        raise error

    run = page_run(make_run(tmp_path / "run", state="ended"), results=refused)
    bench = Bench([run])
    bench.poll()
    assert bench.state(run)["results"]["answer"] == told
    assert run.fault == ""


def test_a_run_that_may_not_be_read_tells_nothing_of_the_folders(tmp_path: Path) -> None:
    def refused() -> None:
        raise PermissionError(13, "Permission denied", "/home/somebody/vest")

    bad = page_run(make_run(tmp_path / "bad"))
    bad.feed.glance = refused  # type: ignore[method-assign]
    bench = Bench([bad])
    bench.poll()
    assert bench.state(bad)["trouble"] == "The run cannot be read: Permission denied."
