"""A run that was trimmed says what the part alone would have said, had it been recorded by itself."""

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.run.rundown import rundown
from logger.base.errors import BenchError
from logger.run.description import Description, Event, from_document, to_document
from logger.run.edited.part import PartOfRows, described_part, used_before_words
from logger.run.edited.statements import Trim
from logger.run.feed import RunFeed
from logger.run.format import DESCRIPTION_NAME, RUN_KEY
from logger.run.reader import Run, read_run
from logger.run.run_list import described
from tests.support.runs_by_formula import Floats, board_run, sampled_run, stop_at, stored

BEGIN_S, END_S, OF_S = 120.0, 480.0, 600.0


def volts(time_s: Floats) -> Floats:
    return np.asarray(4.5 - time_s / 400)


def draw(time_s: Floats) -> Floats:
    return np.asarray(80 + 40 * np.sign(np.sin(time_s / 7)))


def whole_run(**changes: Any) -> Run:
    return board_run(volts, draw, OF_S, **changes)


def part_run(**changes: Any) -> Run:
    """The same pack and load, with the recorder switched on later and off sooner."""
    return board_run(lambda t: volts(t + BEGIN_S), lambda t: draw(t + BEGIN_S), END_S - BEGIN_S, **changes)  # fmt: skip


def trimmed(folder: Path, run: Run, begin_s: float = BEGIN_S, end_s: float = END_S) -> Path:
    described = replace(run.description, trim=Trim(begin_s, end_s, OF_S))
    return stored(folder, replace(run, description=described))


def test_its_rows_are_those_of_a_recording_of_that_part(tmp_path: Path) -> None:
    kept = read_run(trimmed(tmp_path / "cut", whole_run()))
    alone = read_run(stored(tmp_path / "alone", part_run()))
    assert list(kept.samples.columns) == list(alone.samples.columns)
    for name in alone.samples.columns.drop("sequence"):
        # A microampere-hour of rounding: six decimals, taken twice.
        np.testing.assert_allclose(kept.samples[name], alone.samples[name], atol=1.6e-6, rtol=0)
    assert kept.problems == (
        "Trimmed: 2 min to 8 min of 10 min; times count from there.",
        "Before the part that counts about 2.8 mAh were drawn: if from this pack, a fresh one lasts longer.",
    )


def test_its_results_are_those_of_that_part(tmp_path: Path) -> None:
    stop = stop_at(3.6)
    kept = rundown(read_run(trimmed(tmp_path / "cut", whole_run(stop=stop))), 3.6, 10.0)
    alone = rundown(read_run(stored(tmp_path / "alone", part_run(stop=stop))), 3.6, 10.0)
    # 3.6 V after 360 s of the recording, so 240 s into the part.
    assert kept.cutoff_time.value == pytest.approx(240, abs=1)
    for name in ("cutoff_time", "charge", "energy", "charge_to_cutoff", "mean_current", "duration"):
        assert getattr(kept, name).value == pytest.approx(getattr(alone, name).value, rel=1e-6)
        assert getattr(kept, name).upper == pytest.approx(getattr(alone, name).upper, rel=1e-4)
    assert kept.warnings[0].startswith("Trimmed: 2 min to 8 min of 10 min")


def test_check_still_looks_at_every_row(tmp_path: Path) -> None:
    folder = trimmed(tmp_path / "cut", whole_run())
    assert len(read_run(folder, whole=True).samples) == 600
    assert not any("contradict" in text for text in rundown(read_run(folder), None).warnings)


@pytest.mark.parametrize("portion", [1, 7, 100, 1000])
def test_portions_do_not_matter(portion: int) -> None:
    columns = {str(name): whole_run().samples[name].to_numpy(float) for name in whole_run().samples}
    trim = Trim(BEGIN_S, END_S, OF_S)
    at_once = PartOfRows(trim, windowed=True).cut(columns)
    cutter = PartOfRows(trim, windowed=True)
    parts = [
        cutter.cut({name: values[start : start + portion] for name, values in columns.items()})
        for start in range(0, 600, portion)
    ]
    for name, values in at_once.items():
        np.testing.assert_array_equal(np.concatenate([part[name] for part in parts]), values)


def test_a_begin_within_a_window_or_a_gap_is_shared_by_a_straight_line() -> None:
    columns = {
        "time_s": np.array([1.0, 2.0, 12.0, 13.0]),
        "current_ma": np.full(4, 3600.0),
        "charge_mah": np.array([1.0, 2.0, 12.0, 13.0]),
    }
    for begin_s, kept in ((1.5, [0.5, 10.5, 11.5]), (7.0, [5.0, 6.0])):
        part = PartOfRows(Trim(begin_s, 13.0, 13.0), windowed=True).cut(columns)
        np.testing.assert_allclose(part["charge_mah"], kept)
        np.testing.assert_allclose(part["time_s"], kept)


def test_behind_a_gap_the_row_has_its_own_charge_not_the_gaps() -> None:
    # 36 mA for 10 s are 0.1 mAh, at 4 V 0.4 mWh; the gap of 90 s before that had another mean.
    columns = {
        "time_s": np.array([10.0, 110.0, 120.0]), "current_ma": np.array([36.0, 36.0, 72.0]),
        "pack_v": np.array([5.0, 4.0, 4.0]), "charge_mah": np.array([0.1, 1.7, 1.9]), "energy_mwh": np.array([0.5, 7.0, 7.8]),
    }  # fmt: skip
    part = PartOfRows(Trim(100.0, 120.0, 120.0), windowed=True).cut(columns)
    np.testing.assert_allclose(part["charge_mah"], [0.1, 0.3])
    np.testing.assert_allclose(part["energy_mwh"], [0.4, 1.2])
    np.testing.assert_allclose(part["time_s"], [10.0, 20.0])


def test_a_pause_beside_the_part_is_not_told_of_it(tmp_path: Path) -> None:
    """A gap and a new start are told of the moment that the last row before them ended."""
    events = tuple(
        Event(at_s, "boot", "board started again", {"charge_lower_mah": 0.0})
        for at_s in (BEGIN_S - 1.0, END_S)
    )
    part = described(trimmed(tmp_path / "cut", whole_run(events=events)))
    assert part is not None
    assert part.events == ()
    assert part.unknown_words == ""


@pytest.mark.parametrize("counted", [True, False])
def test_what_the_pack_gave_before_the_part_is_told(counted: bool) -> None:
    time_s = np.arange(0.0, 36001.0, 60.0)
    columns = {"time_s": time_s, "current_ma": np.full(len(time_s), 200.0)}
    if counted:
        columns["charge_mah"] = 200 * time_s / 3600
    told = used_before_words(Trim(3600.0, 36000.0, 36000.0), columns)  # 200 mA for an hour
    assert told.startswith("Before the part that counts about 200 mAh were drawn")
    assert used_before_words(Trim(0.0, 18000.0, 36000.0), columns) == ""
    assert used_before_words(Trim(600.0, 36000.0, 36000.0), columns) == ""  # less than 5 %
    assert used_before_words(Trim(3600.0, 36000.0, 36000.0), {"time_s": time_s}) == ""
    off = columns | {name: np.full(len(time_s), np.nan) for name in columns if name != "time_s"}
    assert used_before_words(Trim(3600.0, 36000.0, 36000.0), off) == ""


def test_samples_of_another_meter(tmp_path: Path) -> None:
    time_s = np.arange(0, 601, 5.0)
    run = sampled_run(time_s, volts(time_s), draw(time_s))
    kept = read_run(trimmed(tmp_path / "cut", run, 100.0, 300.0))
    np.testing.assert_allclose(kept.samples["time_s"], np.arange(0, 201, 5.0))
    np.testing.assert_allclose(kept.samples["pack_v"], volts(np.arange(100, 301, 5.0)), atol=1e-6)


def test_the_page_reads_the_same_rows(tmp_path: Path) -> None:
    folder = trimmed(tmp_path / "cut", whole_run())
    feed = RunFeed(folder)
    feed.keep_fresh = True
    while feed.poll():
        pass
    rows = feed.take_fresh()
    samples = read_run(folder).samples
    np.testing.assert_allclose(np.concatenate([item.time_s for item in rows]), samples["time_s"])
    assert feed.rows == 360
    assert feed.latest.charge_mah == pytest.approx(samples["charge_mah"].iloc[-1])
    assert feed.description.end_reason == "trim"
    # Taken back while it is looked at: all rows again.
    raw = json.loads((folder / DESCRIPTION_NAME).read_text())
    raw[RUN_KEY]["trim"] = None
    (folder / DESCRIPTION_NAME).write_text(json.dumps(raw))
    while feed.poll():
        pass
    assert feed.rows == 600


def test_what_happened_outside_is_not_told_as_the_runs(tmp_path: Path) -> None:
    events = tuple(Event(at_s, "mark", f"at {at_s:g}") for at_s in (10.0, 130.0, 470.0, 590.0))
    folder = trimmed(tmp_path / "cut", whole_run(events=events, end_reason="cutoff"))
    part = described(folder)
    assert part is not None
    assert [(event.time_s, event.text) for event in part.events] == [
        (10, "at 130"),
        (350, "at 470"),
    ]
    assert part.started_utc == "2026-01-10T18:02:00+00:00"
    assert part.end_reason == "trim"
    assert read_run(folder).description == part
    assert len(read_run(folder, whole=True).description.events) == 4


def test_a_pack_that_was_fresh_hours_before_is_not_said_to_be() -> None:
    run = Description(fresh=True, trim=Trim(300.0, 600.0, 600.0))
    assert described_part(run).fresh is None
    assert described_part(replace(run, trim=Trim(20.0, 600.0, 600.0))).fresh is True
    assert described_part(replace(run, fresh=False)).fresh is False


def test_a_trim_within_the_fall_ends_no_other_meters_run(tmp_path: Path) -> None:
    """Other meters stop at the first reading below the cutoff; whoever trims there has seen no hold."""
    time_s = np.arange(0, 601, 5.0)
    run = sampled_run(time_s, volts(time_s), draw(time_s))  # 3.6 V after 360 s
    whole = rundown(trimmed_run(tmp_path / "a", run, 360.0), 3.6, 30.0)
    held = rundown(trimmed_run(tmp_path / "b", run, 400.0), 3.6, 30.0)
    assert whole.cutoff_time.value is None
    assert held.cutoff_time.value == pytest.approx(360, abs=5)


def trimmed_run(folder: Path, run: Run, end_s: float) -> Run:
    return read_run(trimmed(folder, run, 0.0, end_s))


ODD: list[Any] = [
    [], {}, "12min", {"begin_s": 1}, {"begin_s": 5, "end_s": 2, "of_s": 9}, {"begin_s": -1, "end_s": 2, "of_s": 9},
    {"begin_s": float("nan"), "end_s": 2, "of_s": 9}, {"begin_s": 1, "end_s": 1e300, "of_s": 1e300},
    {"begin_s": True, "end_s": 2, "of_s": 9}, {"begin_s": 1, "end_s": 10**400, "of_s": 9},
]  # fmt: skip


@pytest.mark.parametrize("odd", ODD, ids=repr)
def test_a_strangers_trim_that_is_none_costs_nothing(tmp_path: Path, odd: Any) -> None:
    folder = stored(tmp_path / "run", whole_run())
    raw = json.loads((folder / DESCRIPTION_NAME).read_text())
    raw[RUN_KEY]["trim"] = odd
    (folder / DESCRIPTION_NAME).write_text(json.dumps(raw))
    run = read_run(folder)
    assert len(run.samples) == 600
    assert any("'trim' is not usable" in text for text in run.problems)


def test_a_trim_that_leaves_no_row_is_not_believed(tmp_path: Path) -> None:
    run = read_run(trimmed(tmp_path / "cut", whole_run(), 599.7, 599.9))
    assert len(run.samples) == 600
    assert run.description.trim is None
    assert any("leaves no row" in text for text in run.problems)


def test_no_trim_and_no_history_is_an_old_run() -> None:
    document = to_document(Description(title="old"), ["time_s"])
    for name in ("trim", "history", "photos", "cutoff"):
        del document[RUN_KEY][name]
    found, problems = from_document(document)
    assert not problems
    assert found == Description(title="old")
    assert asdict(found)["history"] == ()


def test_a_trimmed_run_is_not_recorded_on(tmp_path: Path) -> None:
    from logger.recording.resume import read_description

    folder = trimmed(tmp_path / "cut", whole_run())
    with pytest.raises(BenchError, match="was trimmed"):
        read_description(folder)
