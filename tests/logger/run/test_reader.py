"""Runs are read whole, damaged, unfinished or touched by other programs, and what was wrong is said."""

import csv
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.description import Description
from logger.run.format import COLUMNS, DESCRIPTION_NAME, SAMPLES_NAME
from logger.run.reader import read_run
from logger.run.reading.order import longest_in_order
from logger.run.store import write_description

NAMES = [column.name for column in COLUMNS]
ENDED = Description(title="vest", state="ended", pack=Pack("alkaline", 3, "AA"))


def row(number: int) -> str:
    """Row ``number`` of an invented run at 10 windows a second, as the logger writes it."""
    return (
        f"{number * 0.1:.6f},{number},3,94,4.512300,4.488000,4.507479,"
        f"48.2130,12.1000,96.4000,{number * 0.00134:.6f},{number * 0.00604:.6f}"
    )


def make_run(
    folder: Path, rows: Sequence[str], header: str = ",".join(NAMES), end: str = "\r\n"
) -> Path:
    folder.mkdir(exist_ok=True)
    text = "\r\n".join((header, *rows)) + end
    (folder / SAMPLES_NAME).write_bytes(text.encode())
    write_description(folder, ENDED, NAMES)
    return folder


def test_sound_run_has_no_problems(tmp_path: Path) -> None:
    run = read_run(make_run(tmp_path / "run", [row(n) for n in range(50)]))
    assert run.problems == ()
    assert run.rows_rejected == 0
    assert run.description == ENDED
    assert list(run.samples.columns) == NAMES
    assert run.samples["sequence"].dtype == np.int64
    assert run.samples["time_s"].dtype == np.float64
    assert run.samples["time_s"].iloc[-1] == 4.9


def test_samples_file_itself_may_be_named(tmp_path: Path) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(5)])
    run = read_run(folder / SAMPLES_NAME)
    assert run.folder == folder
    assert run.description == ENDED


def test_reading_agrees_with_the_csv_module_and_plain_pandas(tmp_path: Path) -> None:
    # Python's csv module in strict mode and pandas.read_csv without options are the outside check.
    folder = make_run(tmp_path / "run", [row(n) for n in range(20)])
    run = read_run(folder)
    with (folder / SAMPLES_NAME).open(newline="", encoding="utf-8") as stream:
        records = list(csv.DictReader(stream, strict=True))
    assert [float(record["charge_mah"]) for record in records] == run.samples["charge_mah"].tolist()
    pd.testing.assert_frame_equal(pd.read_csv(folder / SAMPLES_NAME), run.samples)


@pytest.mark.parametrize("damage", [None, "{", "[1]", "\xff\xfe", "[" * 100_000])
def test_missing_or_corrupt_description_falls_back_to_header(
    tmp_path: Path, damage: str | None
) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(5)])
    if damage is None:
        (folder / DESCRIPTION_NAME).unlink()
    else:
        (folder / DESCRIPTION_NAME).write_bytes(damage.encode("latin-1"))
    run = read_run(folder)
    assert len(run.samples) == 5
    assert run.description == Description(lost=True)
    assert len(run.problems) == 1
    assert "header names were used" in run.problems[0]


def test_huge_and_unknown_values_in_the_description_are_told(tmp_path: Path) -> None:
    folder = make_run(tmp_path / "run", [row(1)])
    path = folder / DESCRIPTION_NAME
    document = json.loads(path.read_text())
    own = document["urn:drawbench:run"]
    own["pack"]["chemistry"] = "plutonium"
    own["window_s"] = 10**400
    own["format"] = 99
    path.write_text(json.dumps(document))
    run = read_run(folder)
    assert run.description.pack is None
    assert run.description.window_s is None
    assert any("plutonium" in problem for problem in run.problems)
    assert any("format 99" in problem for problem in run.problems)


@pytest.mark.parametrize(
    ("part", "damage"),
    [
        ("pack", {"chemistry": "alkaline", "cells": -1}),
        ("pack", {"chemistry": "alkaline", "cells": True}),
        ("pack", {"chemistry": "alkaline", "cells": 3, "capacity_mah": 0}),
        ("sensor", {"kind": "INA219", "shunt_ohm": 0.0}),
    ],
)
def test_a_pack_or_sensor_that_cannot_be_is_told_and_left_out(
    tmp_path: Path, part: str, damage: dict[str, object]
) -> None:
    folder = make_run(tmp_path / "run", [row(1)])
    path = folder / DESCRIPTION_NAME
    document = json.loads(path.read_text())
    document["urn:drawbench:run"][part] = damage
    path.write_text(json.dumps(document))
    run = read_run(folder)
    assert getattr(run.description, part) is None
    assert any(f"{part!r} is not usable" in problem for problem in run.problems)


def test_costs_of_an_event_that_are_no_numbers_are_told_and_left_out(tmp_path: Path) -> None:
    folder = make_run(tmp_path / "run", [row(1)])
    path = folder / DESCRIPTION_NAME
    document = json.loads(path.read_text())
    lost = {"rows": "many", "span_s": None, "charge_mah": 0.5}
    document["urn:drawbench:run"]["events"] = [
        {"time_s": 1.0, "kind": "gap", "text": "gone", "lost": lost},
        {"time_s": 2.0, "kind": "gap", "text": "gone", "lost": 3},
    ]
    path.write_text(json.dumps(document))
    run = read_run(folder)
    assert [event.lost for event in run.description.events] == [{"charge_mah": 0.5}, {}]
    assert any("costs of some events" in problem for problem in run.problems)


def test_unfinished_run_is_told(tmp_path: Path) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(5)])
    write_description(folder, replace(ENDED, state="recording"), NAMES)
    assert any("never ended" in problem for problem in read_run(folder).problems)


@pytest.mark.parametrize("cut", range(1, len(row(6)), 7))
def test_torn_last_row_is_told_from_a_bad_row_in_the_middle(tmp_path: Path, cut: int) -> None:
    rows = [row(n) for n in range(6)]
    torn = read_run(make_run(tmp_path / "torn", [*rows, row(6)[:-cut]], end=""))
    assert len(torn.samples) == 6
    assert torn.rows_rejected == 1
    assert "torn" in torn.problems[0]
    bad = read_run(make_run(tmp_path / "bad", [*rows[:3], row(3)[:-60], *rows[4:]]))
    assert len(bad.samples) == 5
    assert "line 5" in bad.problems[0]
    assert "torn" not in bad.problems[0]


def test_last_row_without_line_end_is_kept_when_whole(tmp_path: Path) -> None:
    # RFC 4180, section 2.2: the last record may or may not have an ending line break.
    run = read_run(make_run(tmp_path / "run", [row(n) for n in range(4)], end=""))
    assert len(run.samples) == 4
    assert run.problems == ()


@pytest.mark.parametrize("tail", [b"\0" * 4096, row(6)[:20].encode() + b"\0" * 100])
def test_nul_bytes_after_a_power_failure(tmp_path: Path, tail: bytes) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(6)])
    with (folder / SAMPLES_NAME).open("ab") as stream:
        stream.write(tail)
    run = read_run(folder)
    assert len(run.samples) == 6
    assert run.rows_rejected == 1
    with (folder / SAMPLES_NAME).open("ab") as stream:
        stream.write(b"\r\n" + row(7).encode() + b"\r\n")
    run = read_run(folder)
    assert len(run.samples) == 7
    assert "NUL" in run.problems[0]


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (row(3).replace("4.512300", "4.5#2300"), "pack_v is not a number"),
        (row(3).replace("4.512300", "inf"), "pack_v is not a number"),
        (row(3).replace("4.512300", "1e999"), "pack_v is not a number"),
        (row(3).replace("0.300000", "", 1), "the time is missing"),
        (row(3) + ",1", "not 12 fields"),
        (row(3).rpartition(",")[0], "not 12 fields"),
        ("\udcff\udcfe".encode("utf-8", "surrogateescape").decode("latin-1"), "not 12 fields"),
    ],
)
def test_bad_row_in_the_middle_costs_one_row(tmp_path: Path, bad: str, reason: str) -> None:
    rows = [row(n) for n in range(8)]
    rows[3] = bad
    run = read_run(make_run(tmp_path / "run", rows))
    assert run.samples["sequence"].tolist() == [0, 1, 2, 4, 5, 6, 7]
    assert run.rows_rejected == 1
    assert reason in run.problems[0]


def test_too_long_and_too_short_rows_do_not_hide_each_other(tmp_path: Path) -> None:
    rows = [row(n) for n in range(8)]
    rows[0] += ",9"
    rows[5] = rows[5].rpartition(",")[0]
    run = read_run(make_run(tmp_path / "run", rows))
    assert run.rows_rejected == 2
    assert len(run.samples) == 6


def test_time_that_goes_back_and_repeated_rows(tmp_path: Path) -> None:
    rows = [row(n) for n in range(10)]
    rows.insert(4, row(900))
    rows.insert(8, row(7))
    rows.insert(8, row(2))
    run = read_run(make_run(tmp_path / "run", rows))
    assert run.samples["sequence"].tolist() == list(range(10))
    assert run.rows_rejected == 3
    assert (np.diff(run.samples["time_s"]) >= 0).all()


@pytest.mark.parametrize(
    ("good", "bad", "told"),
    [
        ("4.512300", "1e9", "pack_v is beyond all measure"),
        ("48.2130", "-1e300", "current_ma is beyond all measure"),
        ("2.000000", "-5.000000", "their time lies before the run"),
        ("2.900000", "1e15", "time_s is beyond all measure"),
    ],
)
def test_what_no_bench_can_measure_costs_one_row(
    tmp_path: Path, good: str, bad: str, told: str
) -> None:
    """Squares of such numbers overflow in every analysis."""
    rows = [row(n) for n in range(20, 30)]
    place = 9 if good == "2.900000" else 0
    rows[place] = rows[place].replace(good, bad, 1)
    run = read_run(make_run(tmp_path / "run", rows))
    assert len(run.samples) == 9
    assert any(told in text for text in run.problems)


def test_same_time_with_other_values_is_kept_and_told(tmp_path: Path) -> None:
    rows = [row(n) for n in range(5)]
    rows.insert(3, rows[2].replace("4.512300", "4.512301"))
    run = read_run(make_run(tmp_path / "run", rows))
    assert len(run.samples) == 6
    assert "same time" in run.problems[0]


def test_unknown_and_doubled_columns(tmp_path: Path) -> None:
    rows = ['0.0,4.5,fine,"a, b",4.4', "0.1,4.4,,,4.3", "0.2,x,,,4.2"]
    run = read_run(make_run(tmp_path / "run", rows, "time_s,pack_v,mood,remark,pack_v"))
    assert list(run.samples.columns) == ["time_s", "pack_v"]
    assert run.samples["pack_v"].tolist() == [4.5, 4.4]
    assert "'mood', 'remark'" in run.problems[0]
    assert "twice" in run.problems[1]


def test_empty_fields_are_missing_values(tmp_path: Path) -> None:
    run = read_run(make_run(tmp_path / "run", ["0.0,4.5,", "0.1,,12"], "time_s,pack_v,current_ma"))
    assert run.samples["pack_v"].isna().tolist() == [False, True]
    assert run.problems == ()


def test_header_row_lost(tmp_path: Path) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(1, 4)], row(0))
    run = read_run(folder)
    assert len(run.samples) == 4
    assert "header row is missing" in run.problems[0]
    text = (folder / SAMPLES_NAME).read_text()
    (folder / SAMPLES_NAME).write_text(",".join(NAMES).replace("time", "t#me") + "\n" + text)
    run = read_run(folder)
    assert len(run.samples) == 4
    assert "header row is damaged" in run.problems[0]
    (folder / SAMPLES_NAME).write_text(text)
    (folder / DESCRIPTION_NAME).unlink()
    with pytest.raises(BenchError, match="not the samples file"):
        read_run(folder)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_saved_by_a_spreadsheet_with_semicolons_and_decimal_commas(
    tmp_path: Path, encoding: str
) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(5)])
    text = (folder / SAMPLES_NAME).read_bytes().decode()
    text = text.replace(",", ";").replace(".", ",")
    (folder / SAMPLES_NAME).write_bytes(text.encode(encoding))
    run = read_run(folder)
    assert run.samples["pack_v"].tolist() == [4.5123] * 5
    assert any("semicolons" in problem for problem in run.problems)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"\0" * 5000, "is empty"),
        (bytes(range(256)) * 40, "not the samples file"),
        (b"\x89PNG\r\n\x1a\n" + bytes(2000), "not the samples file"),
        (b"time_s,pack_v\r\n", "no usable row"),
        (b"time_s,pack_v\r\nx,y\r\n", "no usable row"),
        (b"time_s,boot\r\n1,2\r\n", "lacks columns"),
        (b"pack_v,current_ma\r\n1,2\r\n", "lacks columns"),
    ],
)
def test_nothing_usable_is_a_clear_error(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / SAMPLES_NAME).write_bytes(content)
    with pytest.raises(BenchError, match=message):
        read_run(tmp_path)


def test_wrong_place_names_what_is_near(tmp_path: Path) -> None:
    make_run(tmp_path / "vest-night", [row(1)])
    with pytest.raises(BenchError, match="vest-night"):
        read_run(tmp_path / "vest-nigth")
    with pytest.raises(BenchError, match="runs inside it: vest-night"):
        read_run(tmp_path)


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=40))
def test_longest_in_order_is_longest(times: list[float]) -> None:
    keep = longest_in_order(np.array(times))
    kept = np.array(times)[keep]
    assert (np.diff(kept) >= 0).all()
    best = [1] * len(times)  # textbook O(n^2) recursion as the independent answer
    for i in range(len(times)):
        best[i] += max((best[j] for j in range(i) if times[j] <= times[i]), default=0)
    assert len(kept) == max(best)


@pytest.mark.slow
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200, deadline=None
)
@given(data=st.data())
def test_random_damage_raises_nothing_but_bench_error(tmp_path: Path, data: st.DataObject) -> None:
    folder = make_run(tmp_path / "run", [row(n) for n in range(12)])
    for name in (SAMPLES_NAME, DESCRIPTION_NAME):
        content = bytearray((folder / name).read_bytes())
        for place, piece in data.draw(
            st.lists(st.tuples(st.integers(0, len(content)), st.binary(max_size=6)), max_size=4)
        ):
            content[place : place + len(piece)] = piece
        (folder / name).write_bytes(content[: data.draw(st.integers(0, len(content)))])
    try:
        run = read_run(folder)
    except BenchError:
        return
    time_s = run.samples["time_s"].to_numpy()
    assert (np.diff(time_s) >= 0).all()
    assert np.isfinite(time_s).all()
    assert not np.isinf(run.samples.to_numpy().astype(float)).any()
