"""Forecast, rundown and live view say one thing of a piece that went dark; what a verdict covers."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from analysis.forecast.forecast import FORESEEN
from analysis.forecast.live import PageForecaster, foreseen
from analysis.forecast.of_run import forecast_run
from analysis.forecast.verdict_words import covers_words, live_verdict, told_words
from analysis.run.lifetime import End
from analysis.run.rundown import rundown
from analysis.run.verdict import Answer, Usual
from logger.base.pack import Pack
from logger.recording.forecast_beside import foreseen_of
from logger.run.description import Stop
from logger.run.feed import RunFeed
from logger.run.reader import Run
from logger.run.store import create_run_folder, write_description
from tests.support.runs_by_formula import VEST, board_run

H = 3600.0
DARK_S = 5 * H


@pytest.fixture(scope="module")
def dark_run() -> Run:
    """150 mA until the booster locks out at 3.1 V; the pack recovers to 3.4 V, the cutoff of 2.4 V never comes."""
    run = board_run(
        lambda t: np.where(t < DARK_S, 4.6 - 1.5 * t / DARK_S, 3.4),
        lambda t: np.where(t < DARK_S, 150.0, 0.05),
        6 * H,
        5.0,
    )
    described = replace(run.description, pack=VEST, stop=Stop(2.4, 10.0), need_s=6 * H)
    return replace(run, description=described)


@pytest.mark.slow
def test_the_forecast_foresees_nothing_after_the_end(dark_run: Run) -> None:
    found = forecast_run(dark_run, 2.4, 10.0)
    assert found.basis == "ended"
    assert found.life == rundown(dark_run, 2.4, 10.0).lifetime
    first = told_words(found, dark_run.description)[0]
    assert first.startswith("Needed 6 h. It went dark after 5 h")
    assert first.endswith("no, 60 min short.") or "1 h short" in first
    early = forecast_run(dark_run, 2.4, 10.0, until_s=3 * H)
    assert early.basis in FORESEEN


@pytest.mark.slow
def test_the_page_says_the_same_while_it_is_recorded(dark_run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    create_run_folder(folder)
    columns = list(dark_run.samples.columns)
    dark_run.samples.to_csv(folder / "samples.csv", index=False, lineterminator="\r\n")
    write_description(folder, replace(dark_run.description, state="recording"), columns)
    feed = RunFeed(folder)
    feed.keep_fresh = True
    while feed.poll():
        pass
    forecaster = PageForecaster()
    left = forecaster(feed)
    assert left is not None
    assert left.words == "Went dark after 5 h"
    assert left.share is None
    assert forecaster.found is not None
    assert forecaster.found.life is not None
    whole = rundown(dark_run, 2.4, 10.0).lifetime
    assert (forecaster.found.life.end, forecaster.found.life.time.value) == (
        whole.end,
        whole.time.value,
    )
    assert left.foreseen is not None
    assert "went dark" in left.foreseen["text"]


def test_what_one_run_covers(dark_run: Run) -> None:
    result = rundown(dark_run, 2.4, 10.0)
    assert result.lifetime.end is End.DARK
    told = covers_words(result, dark_run.description)
    assert told.startswith("One pack, temperature not noted; 1 in 20 others")
    assert "at 0 °C" in told
    warm = covers_words(result, replace(dark_run.description, temperature_c=21.0))
    assert "at 21 °C" in warm
    assert covers_words(replace(result, verdict=None), dark_run.description) == ""


@pytest.mark.slow
def test_a_need_asked_now_counts_before_the_runs_own(dark_run: Run) -> None:
    found = live_verdict(forecast_run(dark_run, 2.4, 10.0), dark_run.description, 4 * H)
    assert found is not None
    assert found.answer is Answer.YES


def test_while_it_is_too_early_no_number_of_the_forecast_is_told(dark_run: Run) -> None:
    """In words, and in what the recording takes; the budget's number is called so."""
    usual = Usual(9 * H, "by the budget", "By the budget about 9 h")
    found = forecast_run(dark_run, 2.4, 10.0, until_s=300.0)
    told = told_words(found, dark_run.description, None, usual.words)
    assert told[0] == "Too early to say; at least 5 min by now. By the budget about 9 h."
    assert not any("Nine times in ten" in paragraph for paragraph in told)
    answer = live_verdict(found, dark_run.description, earlier=usual.words)
    line = foreseen(found, answer, usual)
    assert line is not None
    assert line["early"] is True
    assert (line["usual_s"], line["usual_by"]) == (9 * H, "by the budget")
    assert "end_s" not in line
    taken = foreseen_of(json.dumps(line).encode())
    assert taken is not None
    assert (taken.end_s, taken.usual_s, taken.usual_by) == (None, 9 * H, "by the budget")


@pytest.mark.slow
def test_where_it_cannot_be_told_forecast_and_rundown_say_the_same() -> None:
    """Three long losses of the draw on a good pack, before it was needed no more."""
    spans = ((1.3 * H, 400.0), (2.9 * H, 45.0), (4.1 * H, 1300.0))

    def off(t: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        return np.asarray(np.any([(t >= at) & (t < at + long) for at, long in spans], axis=0))

    run = board_run(
        lambda t: 4.5 - 0.6 * t / (5 * H) + 0.1 * off(t),
        lambda t: np.where(off(t), 0.5, 100.0 + np.sin(t)),
        5 * H,
        5.0,
    )
    run = replace(run, description=replace(run.description, pack=VEST, need_s=4 * H))
    whole = rundown(run, 2.4, 10.0)
    assert whole.verdict is not None
    told = told_words(forecast_run(run, 2.4, 10.0), run.description)
    assert told[0] == whole.verdict.words
    assert not any("almost certain" in paragraph for paragraph in told)


def test_another_pack_is_not_blamed_for_what_was_not_the_packs(dark_run: Run) -> None:
    result = rundown(dark_run, 2.4, 10.0)
    hot = replace(result, lifetime=replace(result.lifetime, by_pack=False))
    assert "another would not have made it last" in covers_words(hot, dark_run.description)
    assert "0 °C" not in covers_words(hot, dark_run.description)


@pytest.mark.parametrize(
    ("pack", "told"),
    [
        ("nimh 3 1900", "a weak cell in the row"),
        ("nimh 1 1900", ""),
        ("alkaline 3 2200", "an old cell among new ones"),
    ],
)
def test_unlike_cells_in_a_row_are_named_as_a_condition(pack: str, told: str) -> None:
    """Nothing tells it beforehand: the forecast says so, after the answer."""
    chemistry, cells, capacity = pack.split()
    stated = Pack(chemistry, int(cells), "AA", float(capacity))
    run = board_run(
        lambda t: int(cells) * (1.35 - 0.15 * t / (8 * H)),
        lambda t: np.full(len(t), 150.0),
        4 * H,
        20.0,
        pack=stated,
    )
    found = forecast_run(run, 1.0 * int(cells), 10.0)
    assert found.basis in FORESEEN
    words = told_words(found, run.description)
    conditions = [text for text in words[1:] if "if all cells are alike" in text]
    assert len(conditions) == (1 if told else 0)
    assert all(told in text for text in conditions)
