"""Each opinion has the say that it has earned on the run; where none has, the bound still holds."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.forecast.earlier_runs import earlier_run, earlier_runs
from analysis.forecast.forecast import Forecast, forecast
from analysis.forecast.of_run import forecast_run
from analysis.forecast.words import forecast_line, forecast_words
from analysis.run.history import History
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.reader import read_run
from tests.support.runs_by_formula import VEST, alkaline_v, board_run, sampled_run, stored

Array = NDArray[np.float64]
TIME_S: Array = np.arange(20.0, 36001.0, 20.0)
PACK = Pack("alkaline", 3, "AA", 2200.0)


def found_of(
    volts: Array,
    pack: Pack | None = PACK,
    current_ma: float = 110.0,
    cutoff_v: float = 3.0,
    fresh: bool | None = None,
) -> Forecast:
    history = History(40.0)
    history.add(TIME_S[: len(volts)], volts, np.full(len(volts), current_ma))
    return forecast(history.bins(), pack, cutoff_v, 40.0, fresh=fresh)


def test_a_straight_fall_is_no_nickel_cell_and_says_so() -> None:
    """Closed form: 4.4 V less 0.1 V an hour is at 3.0 V after 14 h; 10 h were seen."""
    found = found_of(4.4 - TIME_S / 36000, Pack("nimh", 3, "AA", 2200.0))
    assert found.basis == "own course"
    assert any("does not behave like nimh" in warning for warning in found.warnings)
    most = found.cutoff_time[1]
    assert most.lower is not None
    assert most.upper is not None
    assert most.lower < 14 * 3600 < most.upper
    assert found.median_s == pytest.approx(14 * 3600, rel=0.25)


def test_a_flat_cell_of_another_kind_is_told_by_its_label() -> None:
    """Flat at 1.55 V a cell for 3 h at 110 mA (330 mAh), label 1000 mAh: about 670 mAh, 6.1 h, are left if it began full."""
    volts = 3.1 - 1e-7 * TIME_S[:540]
    found = found_of(volts, Pack("other", 2, "", 1000.0), cutoff_v=2.0, fresh=True)
    most = found.cutoff_time[1]
    assert found.basis == "own course"
    assert most.lower is not None
    assert most.upper is not None
    assert most.lower < 3600 * 1000 / 110 < most.upper < 3600 * 2000 / 110
    assert found.median_s == pytest.approx(3600 * 1000 / 110, rel=0.25)
    assert found.at_least_s is not None
    assert found.at_least_s > found.now_s


def test_a_flat_output_is_answered_with_a_bound_and_stays_so() -> None:
    for rows in (1000, 1400, 1800):
        found = found_of(np.full(rows, 4.5))
        assert found.basis == "none"
        assert found.at_least_s is not None
        assert found.at_least_s > found.now_s
        assert "regulated output" in found.why
        assert "at least" in forecast_line(found)
        assert "at least" in forecast_words(found)[0]


@pytest.mark.slow
def test_a_dip_that_came_back_is_not_the_cutoff() -> None:
    def dipping(time_s: Array) -> Array:
        return np.asarray(alkaline_v(time_s) - 2.5 * ((time_s > 2940) & (time_s < 3540)))

    run = board_run(dipping, lambda t: np.full(len(t), 110.0), 6 * 3600, 10.0, pack=VEST)
    found = forecast_run(run, 3.0, 30.0)
    assert found.basis == "curve"
    assert any("bad contact" in warning for warning in found.warnings)
    assert not any("pack was put in" in warning for warning in found.warnings)


@pytest.mark.parametrize(
    ("volts", "current"),
    [
        (np.array([4.4, 4.39, 4.38]), 100.0),
        (np.full(400, 4.2), 100.0),
        (np.linspace(3.2, 4.4, 400), 100.0),
        (np.linspace(2.9, 2.4, 400), 100.0),
        (np.linspace(4.4, 3.9, 400), 0.0),
    ],
    ids=["three rows", "all equal", "rising", "below the cutoff", "no current"],
)
def test_odd_input_gets_words(volts: Array, current: float) -> None:
    time_s = 20.0 * np.arange(1, len(volts) + 1)
    time_s[len(time_s) // 2 :] += 5 * 3600  # nothing was recorded for hours
    run = sampled_run(time_s, volts, np.full(len(volts), current), pack=PACK)
    if volts[0] < 3.0:
        with pytest.raises(BenchError, match="3"):
            forecast_run(run, 3.0, 40.0)
        return
    found = forecast_run(run, 3.0, 40.0)
    words = forecast_words(found, 60.0)
    assert all(words)
    assert forecast_line(found)
    if len(volts) == 3:
        assert found.why == "not enough was seen yet"
    if volts[-1] > volts[0]:
        assert found.median_s is None
        assert "risen" in found.why


@pytest.mark.slow
def test_own_earlier_run_is_named_and_sharper() -> None:
    def terraced(time_s: Array) -> Array:
        """No family's curve: it falls in two steps to 3.0 V after 20 h."""
        share = time_s / 72000
        return np.asarray(4.5 - 0.75 / (1 + np.exp(-(share - 0.4) / 0.02)) - 0.75 * share)

    def steady(time_s: Array) -> Array:
        return np.full(len(time_s), 110.0)

    whole = board_run(terraced, steady, 21 * 3600, 60.0, parts=2, pack=PACK)
    before = earlier_run(whole)
    assert before is not None
    now = board_run(terraced, steady, 6 * 3600, 60.0, parts=2, pack=PACK)
    alone = forecast_run(now, 3.0, 60.0, earlier=())
    helped = forecast_run(now, 3.0, 60.0, earlier=(before,))
    truth_s = float(np.interp(-3.0, -terraced(np.arange(0, 80000.0)), np.arange(0, 80000.0)))
    assert alone.median_s is None or abs(alone.median_s - truth_s) > abs(
        (helped.median_s or 0) - truth_s
    )
    assert helped.median_s == pytest.approx(truth_s, rel=0.06)
    late = forecast_run(
        board_run(terraced, steady, 14 * 3600, 60.0, parts=2, pack=PACK),
        3.0,
        60.0,
        earlier=(before,),
    )
    most = late.cutoff_time[1]
    assert most.value == pytest.approx(truth_s, rel=0.01)
    assert most.lower is not None
    assert most.upper is not None
    # never surer than two runs of one make are alike
    assert 0.02 * truth_s < most.upper - most.lower < 0.15 * truth_s
    assert helped.basis == "earlier runs"
    assert before.name in helped.why


def test_only_earlier_runs_of_such_a_pack_beside_it_are_leaned_on(tmp_path: Path) -> None:
    for name, title, pack, when in (
        ("first", "vest", PACK, "2026-01-08"),
        ("other-pack", "vest", Pack("nimh", 3, "AA", 2200.0), "2026-01-08"),
        ("later", "vest", PACK, "2026-02-08"),
        ("zz-copy-of-first", "vest", PACK, "2026-01-08"),
        ("now", "vest", PACK, "2026-01-10"),
    ):
        started = f"{when}T18:00:00Z"
        run = board_run(alkaline_v, lambda t: np.full(len(t), 110.0), 64000, 200.0, parts=2)
        described = replace(run.description, title=title, pack=pack, started_utc=started)
        stored(tmp_path / name, replace(run, description=described))
    now = read_run(tmp_path / "now")
    found = [run.name for run in earlier_runs(now.folder, now.description)]
    assert len(found) == 1  # a copy tells nothing more
    assert found[0] in {"first", "zz-copy-of-first"}
