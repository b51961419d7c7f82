"""The forecast on the page, as of a moment of a recorded run, against how that run went on."""

import shutil
from pathlib import Path

import pytest

from analysis.forecast.live import PageForecaster
from analysis.run.rundown import rundown
from logger.page.bench import Bench, Known, PageRun
from logger.run.feed import RunFeed
from logger.run.format import SAMPLES_NAME
from logger.run.reader import read_run
from tests.support.page_bench import describe
from tests.support.places import SAMPLES

VEST = SAMPLES / "night-ride-vest"


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.4, 0.7])
def test_the_band_holds_what_came_and_narrows(tmp_path: Path, share: float) -> None:
    whole = read_run(VEST)
    stop = whole.description.stop
    assert stop.cutoff_v is not None
    truth_s = rundown(whole, stop.cutoff_v, stop.hold_s).cutoff_time.value
    assert truth_s is not None
    lines = (VEST / SAMPLES_NAME).read_bytes().splitlines(keepends=True)
    (tmp_path / SAMPLES_NAME).write_bytes(b"".join(lines[: int(share * len(lines))]))
    describe(tmp_path, stop=stop, pack=whole.description.pack, board=whole.description.board)
    feed = RunFeed(tmp_path)
    feed.keep_fresh = True
    run = PageRun("r1", feed, forecaster=PageForecaster())
    Bench([run]).poll()
    left = run.left
    assert left is not None
    assert left.lower_s is not None
    assert left.upper_s is not None
    assert left.lower_s < truth_s < left.upper_s
    assert left.words.startswith("About ")
    assert left.detail.startswith("Nine in ten: ")
    assert left.fan is not None
    assert left.fan["time_s"][0] == pytest.approx(feed.latest.time_s, rel=0.02)
    assert all(a <= b <= c for a, b, c in zip(left.fan["low"], left.fan["mid"], left.fan["high"], strict=True))  # fmt: skip
    assert b'"fan":{' in Bench([run]).message(run, Known())


def test_no_cutoff_no_forecast(tmp_path: Path) -> None:
    shutil.copy(VEST / SAMPLES_NAME, tmp_path)
    describe(tmp_path)
    feed = RunFeed(tmp_path)
    feed.keep_fresh = True
    feed.poll()
    assert PageForecaster()(feed) is None


@pytest.mark.slow
def test_it_is_made_anew_only_now_and_then(tmp_path: Path) -> None:
    lines = (VEST / SAMPLES_NAME).read_bytes().splitlines(keepends=True)
    whole = read_run(VEST)
    describe(tmp_path, stop=whole.description.stop, pack=whole.description.pack)
    now = [0.0]
    forecaster = PageForecaster(lambda: now[0])
    feed = RunFeed(tmp_path)
    feed.keep_fresh = True
    seen = []
    for number, clock in ((1000, 0.0), (1500, 5.0), (1500, 11.0)):
        now[0] = clock
        (tmp_path / SAMPLES_NAME).write_bytes(b"".join(lines[:number]))
        feed.poll()
        seen.append(forecaster(feed))
    assert seen[0] is seen[1]
    assert seen[2] is not seen[1]
