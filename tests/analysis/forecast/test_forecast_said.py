"""What the user says of the pack's start reaches every forecast; odd runs get words from the command itself."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from analysis.commands.forecast import forecast_command
from analysis.forecast.forecast import forecast
from analysis.forecast.live import PageForecaster
from analysis.forecast.of_run import forecast_run, seen
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.description import Description, Event, Stop, from_document, to_document
from logger.run.feed import RunFeed
from logger.run.reader import Run
from tests.support import runs_by_formula
from tests.support.runs_by_formula import sampled_run

Array = NDArray[np.float64]
PACK = Pack("alkaline", 3, "AA", 2200.0)


def stored(folder: Path, run: Run, **said: Any) -> Path:
    return runs_by_formula.stored(
        folder, replace(run, description=replace(run.description, **said))
    )


def falling(rows: int = 400) -> Run:
    time_s = 20.0 * np.arange(1, rows + 1)
    return sampled_run(time_s, np.linspace(4.4, 3.9, rows), np.full(rows, 100.0), pack=PACK)


@pytest.mark.parametrize("fresh", [None, True, False])
def test_a_description_keeps_what_was_said(fresh: bool | None) -> None:
    assert from_document(to_document(Description(fresh=fresh), []))[0].fresh is fresh


def test_a_recorded_run_is_forecast_with_what_it_was_told() -> None:
    run = falling()
    told = replace(run, description=replace(run.description, fresh=False))
    assert seen(told).fresh is False
    assert seen(told, fresh=True).fresh is True
    assert seen(run).fresh is None


def test_a_live_run_is_forecast_with_what_it_was_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[object] = []

    def spy(*args: Any, **options: Any) -> object:
        asked.append(options.get("fresh"))
        return forecast(*args, **options)

    monkeypatch.setattr("analysis.forecast.live.forecast", spy)
    folder = stored(tmp_path / "run", falling(), fresh=True, stop=Stop(cutoff_v=3.0))
    feed = RunFeed(folder)
    feed.keep_fresh = True
    forecaster = PageForecaster()
    while feed.poll():
        forecaster(feed)
    forecaster(feed)
    assert asked
    assert set(asked) == {True}


@pytest.mark.slow
def test_the_command_passes_it_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool | None] = []

    def spy(run: Run, *args: Any, **options: Any) -> object:
        asked.append(run.description.fresh)
        return forecast_run(run, *args, **options)

    monkeypatch.setattr("analysis.door.forecast.forecast_run", spy)
    folder = stored(tmp_path / "run", falling())
    for flags in ([], ["--fresh"], ["--part-used"]):
        arguments = [str(folder), "--cutoff", "3.0", *flags]
        CliRunner().invoke(forecast_command, arguments, catch_exceptions=False)
    assert asked == [None, True, False]


ODD: dict[str, tuple[Array, float, str, str]] = {
    "three rows": (np.array([4.4, 4.39, 4.38]), 100.0, "3.0", "not enough was seen yet"),
    "all equal": (np.full(600, 4.2), 100.0, "3.0", "regulated"),
    "rising": (np.linspace(3.2, 4.4, 600), 100.0, "3.0", "has risen"),
    "charging": (np.linspace(3.2, 4.4, 600), -100.0, "3.0", "charged"),
    "need in the past": (np.linspace(4.4, 3.6, 600), 100.0, "3.0", "needed 1 h: yes"),
    "no current": (np.linspace(4.4, 3.6, 600), 0.0, "3.0", "nothing has been drawn"),
}


@pytest.mark.parametrize("name", list(ODD))
def test_the_command_has_words_for_odd_runs(tmp_path: Path, name: str) -> None:
    volts, current, cutoff, words = ODD[name]
    time_s = 20.0 * np.arange(1, len(volts) + 1)
    run = sampled_run(time_s, volts, np.full(len(volts), current), pack=PACK)
    arguments = [str(stored(tmp_path / "run", run)), "--cutoff", cutoff]
    arguments += ["--need", "1h"] if name == "need in the past" else []
    result = CliRunner().invoke(forecast_command, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    assert words in " ".join(result.output.split())


def test_hours_without_rows_are_bridged_in_words(tmp_path: Path) -> None:
    time_s = 20.0 * np.arange(1, 601)
    time_s[300:] += 4 * 3600
    run = sampled_run(time_s, np.linspace(4.4, 3.6, 600), np.full(600, 100.0), pack=PACK)
    arguments = [str(stored(tmp_path / "run", run)), "--cutoff", "3.0"]
    result = CliRunner().invoke(forecast_command, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    assert "7 h 20 min" in result.output


def test_a_cutoff_above_the_first_voltage_is_refused(tmp_path: Path) -> None:
    folder = stored(tmp_path / "run", falling())
    with pytest.raises(BenchError, match="not below the first voltage"):
        CliRunner().invoke(forecast_command, [str(folder), "--cutoff", "5"], catch_exceptions=False)


@pytest.mark.slow
def test_marks_and_rows_are_of_one_clock() -> None:
    """A board 0.4 % off: after ten hours a mark by its clock is 144 s from the row it belongs to."""
    hours = np.linspace(0, 2, 20)
    run = falling()
    clock = tuple((3600 * h, 0.996 * 3600 * h, "") for h in hours)
    mark = Event(6000.0, "mark", "off")
    told = replace(run, description=replace(run.description, clock=clock, events=(mark,)))
    found = seen(told)
    (event,) = found.run.description.events
    assert event.time_s == pytest.approx(0.996 * 6000.0)
    assert found.run.samples["time_s"].iloc[-1] == pytest.approx(found.trace.time_s[-1])
