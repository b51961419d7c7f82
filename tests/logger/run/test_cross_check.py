"""Edited runs are named with their rows, honest ones are not. All kinds and sizes: tests/benchmarks/test_edited_runs.py."""

import json
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner

from firmware_probe.twin.faults import FaultPlayer, FaultRates
from firmware_probe.twin.sensor import INA226
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_pack, vest_programme, vest_sensor
from logger.commands.check import check_command
from logger.run.cross_check import cross_check
from logger.run.cross_description import description_contradictions
from logger.run.description import Board, Description, Stop, from_document
from logger.run.format import COLUMNS, RUN_KEY
from logger.run.reader import read_run
from tests.support.edited_runs import EDITS, opened, record_into, saved
from tests.support.places import ROOT

AT = 40
# A size that is found, and the rows that are named (from 1; None: the description alone).
NAMED = {
    "a current altered": (1e-3, {41}),
    "a voltage altered": (1e-3, {41}),
    "a load voltage altered": (1e-3, {41}),
    "a charge altered": (1e-3, {41, 42}),
    "an energy altered": (1e-3, {41, 42}),
    "a row's time shifted": (0.01, {41, 42}),
    "all times behind shifted": (0.01, {41}),
    "all currents scaled": (1e-3, set(range(1, 120))),
    "all charges scaled": (1e-3, set(range(1, 120))),
    "rows deleted": (2.0, {41}),
    "rows deleted, numbers closed up": (2.0, {41}),
    "rows deleted, times closed up": (2.0, {41}),
    "a row inserted, numbered anew": (1.0, {41, 42}),
    "a row doubled": (1.0, {42}),
    "values of rows swapped": (5.0, {41, 42, 46, 47}),
    "described window": (1e-2, None),
    "described shunt": (1e-3, None),
    "described range": (-0.99, None),
    "described boot": (1.0, {1}),
    "described start": (600.0, None),
}


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    board = SimulatedBoard(
        vest_pack(), vest_programme(3), vest_sensor(3, INA226), seed=3, window_us=500_000
    )
    return record_into(tmp_path_factory.mktemp("honest") / "run", board, 60.0)


def test_an_honest_run_is_not_named(honest: Path) -> None:
    assert cross_check(read_run(honest)).lines == ()
    said = CliRunner().invoke(check_command, [str(honest)]).output
    assert "Nothing is wrong with its files." in " ".join(said.split())


@pytest.mark.parametrize(
    ("firmware", "state", "named"),
    [
        ("simulated-0.1.0", "recording", False),
        ("simulated-0.1.0", "ended", True),
        ("0.1.0", "recording", True),
    ],
)
def test_a_killed_recording_of_a_board_played_fast_is_not_named(
    firmware: str, state: str, named: bool
) -> None:
    """21 s of the board in 0.3 s of the computer, and killed before a second look at the clocks was kept."""
    known = Description(
        board=Board("6D0B93F6", 1, firmware, "", ""),
        state=state,
        started_utc="2026-11-29T22:22:13.942+00:00",
        clock=((21.0, 21.001, "2026-11-29T22:22:14.214+00:00"),),
    )
    found = list(description_contradictions(known, {}, whole=False))
    assert ["started_utc" in what for what, _ in found] == [True] * named


def test_a_run_read_and_saved_again_is_not_named(honest: Path, tmp_path: Path) -> None:
    assert cross_check(read_run(saved(opened(honest), tmp_path / "again"))).lines == ()


@pytest.mark.parametrize("name", NAMED)
def test_an_edit_is_named_with_its_rows(name: str, honest: Path, tmp_path: Path) -> None:
    edit = {told: how for told, _, _, how in EDITS}[name]
    size, wanted = NAMED[name]
    run = opened(honest)
    edit(run, AT, size)
    found = cross_check(read_run(saved(run, tmp_path / "edited")))
    assert found.text
    rows = {row for item in found.contradictions for row in item.rows}
    if name == "described range":
        return  # many rows lie beyond it
    assert wanted is None or wanted <= rows
    assert len(rows) <= len(wanted or ()) + 1


@pytest.mark.parametrize("name", [told for told, *_ in EDITS if told.startswith("rows swapped")])
def test_swapped_rows_are_named_by_the_reader(name: str, honest: Path, tmp_path: Path) -> None:
    edit = {told: how for told, _, _, how in EDITS}[name]
    run = opened(honest)
    edit(run, AT, 5.0)
    assert any(
        "their time goes back" in problem
        for problem in read_run(saved(run, tmp_path / "e")).problems
    )


def test_trouble_is_no_contradiction(tmp_path: Path) -> None:
    rates = FaultRates(0.05, 0.05, 0.02, 0.05, 60.0, 30.0, 60.0, 60.0, 30.0, 20.0, 60.0)
    for seed in range(2):
        board = SimulatedBoard(
            vest_pack(), vest_programme(seed), vest_sensor(seed), seed=seed, window_us=500_000,
            faults=FaultPlayer(rates=rates, seed=seed), clock_ppm=4000.0,
        )  # fmt: skip
        run = read_run(record_into(tmp_path / str(seed), board, 200.0))
        assert cross_check(run).lines == ()
        assert {"boot", "noise"} <= {event.kind for event in run.description.events}


@pytest.mark.parametrize("folder", sorted((ROOT / "sample_runs").glob("*/samples.csv")), ids=str)
def test_sample_runs_are_not_named(folder: Path) -> None:
    assert cross_check(read_run(folder.parent)).lines == ()


@pytest.mark.parametrize(
    "stop", [Stop(4.68, 3.0), Stop(duration_s=40.0), Stop(charge_mah=2.0)], ids=str
)
def test_an_end_that_was_asked_for_goes_with_its_last_row(stop: Stop, tmp_path: Path) -> None:
    board = SimulatedBoard(
        vest_pack(), vest_programme(3), vest_sensor(3), seed=3, window_us=500_000
    )
    folder = record_into(tmp_path / "ended", board, 300.0, stop=stop)
    run = read_run(folder)
    assert run.description.end_reason in ("cutoff", "duration", "charge")
    assert (cross_check(run).lines, cross_check(run).notes) == ((), ())
    edited = opened(folder)
    for name, value in (("cutoff_v", 4.0), ("charge_mah", 3.0), ("duration_s", 55.0)):
        if edited.about["stop"][name] is not None:
            edited.about["stop"][name] = value
    assert any(
        "it ended" in line for line in cross_check(read_run(saved(edited, tmp_path / "e"))).lines
    )


def test_rows_that_the_disk_did_not_take_are_no_contradiction(honest: Path, tmp_path: Path) -> None:
    run = opened(honest)
    {told: how for told, _, _, how in EDITS}["rows deleted"](run, AT, 5.0)
    run.about["events"].append(
        {"time_s": 20.0, "kind": "disk", "text": "the disk is full", "lost": {}}
    )
    assert cross_check(read_run(saved(run, tmp_path / "full"))).lines == ()


def test_a_part_of_a_run_is_told_and_no_contradiction(honest: Path, tmp_path: Path) -> None:
    run = opened(honest)
    run.rows = {name: values[20:40] for name, values in run.rows.items()}
    found = cross_check(read_run(saved(run, tmp_path / "part")))
    assert found.lines == ()
    assert [note.split(":")[0] for note in found.notes] == [
        "The first row is at 10.5 s",
        "The last row is at 20.0 s, but it was recorded until 1 min 3 s",
    ]


@pytest.mark.parametrize("name", [column.name for column in COLUMNS if column.name != "time_s"])
def test_columns_that_are_not_there_or_have_holes_are_no_contradiction(
    name: str, honest: Path
) -> None:
    run = read_run(honest)
    assert cross_check(replace(run, samples=run.samples.drop(columns=name))).lines == ()
    holed = run.samples.astype(float)
    holed.loc[[0, AT], name] = float("nan")
    found = {
        row for item in cross_check(replace(run, samples=holed)).contradictions for row in item.rows
    }
    assert found == set()


def spoilt(part: object, rng: Random) -> object:
    """A description as a stranger may hand it in: now and then a value of another kind or size."""
    if isinstance(part, dict):
        strange: list[object] = [None, "", -1, 0, 1e308, -1e308, "2026", [], {}, True, 1e-320]
        return {
            key: rng.choice(strange) if rng.random() < 0.08 else spoilt(value, rng)
            for key, value in part.items()
        }
    return [spoilt(value, rng) for value in part] if isinstance(part, list) else part


def test_no_description_stops_the_check(honest: Path) -> None:
    run, rng = read_run(ROOT / "sample_runs" / "vest-with-faults"), Random(20)
    about = opened(ROOT / "sample_runs" / "vest-with-faults").about
    for _ in range(300):
        strange = spoilt(about, rng)
        assert isinstance(strange, dict)
        description, _problems = from_document({RUN_KEY: strange | {"source": "board"}})
        cross_check(replace(run, description=description))


def test_an_import_has_nothing_to_compare(honest: Path) -> None:
    run = read_run(honest)
    spoiled = run.samples.assign(current_ma=1.0)
    imported = replace(run, samples=spoiled, description=Description(source="import"))
    assert cross_check(imported).lines == ()


def test_check_says_which_rows(honest: Path, tmp_path: Path) -> None:
    run = opened(honest)
    run.rows["pack_v"][AT] += 0.01
    folder = saved(run, tmp_path / "edited")
    told = " ".join(CliRunner().invoke(check_command, [str(folder)]).output.split())
    assert "Wrong with it: The file was changed after the recording, or is damaged" in told
    assert (
        "pack_v, bus_v and current_ma do not go together over the shunt: row 41 (at 20.5 s)" in told
    )
    as_json = json.loads(CliRunner().invoke(check_command, [str(folder), "--json"]).output)
    assert as_json["contradictions"][0]["rows"] == [41]
