"""Foreign text becomes a run: layout, units, time and faults, on invented and on published data."""

import csv
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import scipy.integrate
from csvw import CSVW
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.format import SAMPLES_NAME
from logger.run.reader import Run, read_run
from logger.text.contact_faults import find_contact_faults
from logger.text.layout import LayoutWish
from logger.text.question import Question
from logger.text.read import Imported, read_text
from logger.text.run import REJECTED_NAME, About, write_run
from logger.text.table import PlanWish
from logger.text.units import parse_amount
from tests.support.foreign_text import night_text, write
from tests.support.places import POUCH


def read(
    path: Path,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    layout: LayoutWish | None = None,
    **wish: Any,
) -> Imported:
    plan = PlanWish(columns or {}, units or {}, **wish)
    return read_text(path, layout or LayoutWish(), plan)


def crossing_s(run: Run, volts: float) -> float:
    """First time below ``volts``, on the straight line between two samples."""
    time_s, pack_v = run.samples["time_s"].to_numpy(), run.samples["pack_v"].to_numpy()
    place = int(np.flatnonzero(pack_v < volts)[0])
    share = (pack_v[place - 1] - volts) / (pack_v[place - 1] - pack_v[place])
    return float(time_s[place - 1] + share * (time_s[place] - time_s[place - 1]))


# --- published data --------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rate", "current", "time_to_cutoff_s", "charge_ah", "energy_wh"),
    [
        # Ai et al. 2020, J. Electrochem. Soc. 167:013512; files from the PyPI wheel pybamm 24.1
        # (SOURCES.md B1: times, charges and energies to the end reckoned from the full files).
        ("0.1C", "0.228A", 36875.5, 2.3355, 8.9124),
        ("0.5C", "1.14A", 7305.3, 2.3133, 8.6703),
        ("1C", "2.28A", 3610.7, 2.2868, 8.4061),
        ("2C", "4.56A", 1768.3, 2.2399, 7.9587),
    ],
)
def test_measured_pouch_cell_reaches_cutoff_at_the_published_time(
    tmp_path: Path,
    rate: str,
    current: str,
    time_to_cutoff_s: float,
    charge_ah: float,
    energy_wh: float,
) -> None:
    current_ma = parse_amount(current, "current")
    path = POUCH / f"{rate}_discharge_U.txt"
    imported = read(path, units={"time": "s"}, constant_current_ma=current_ma)
    write_run(imported, tmp_path / "run", About(pack=Pack("li-ion", 1, "pouch", 2280.0)))
    run = read_run(tmp_path / "run")
    assert run.problems == ()
    assert run.rows_rejected == 0
    # One sample is one second; the published figures have one decimal.
    assert crossing_s(run, 3.0) == pytest.approx(time_to_cutoff_s, abs=0.06)
    hours = run.samples["time_s"].to_numpy() / 3600
    power_w = run.samples["pack_v"].to_numpy() * run.samples["current_ma"].to_numpy() / 1e3
    assert current_ma / 1e3 * crossing_s(run, 3.0) / 3600 == pytest.approx(charge_ah, abs=6e-5)
    assert scipy.integrate.trapezoid(power_w, hours) == pytest.approx(energy_wh, rel=2e-4)


# --- the sketch format of the issue ----------------------------------------------------------


@pytest.mark.slow
def test_zero_padded_tabs_of_a_whole_night(tmp_path: Path) -> None:
    text, truth = night_text()
    path = write(tmp_path, text)
    imported = read(path, {"voltage": "4", "current": "2"}, {"current": "V"}, shunt_ohm=3.5)
    assert imported.rows_read == 44_000
    assert len(imported.rejected) == 0
    assert "column 6 in ms" in imported.plan.time.how
    assert imported.plan.unused == ("column 1", "column 3", "column 5")
    write_run(imported, tmp_path / "night", About())
    run = read_run(tmp_path / "night")
    assert run.problems == ()
    pd.testing.assert_frame_equal(run.samples, truth, check_exact=False, rtol=0, atol=1.01e-4)
    assert run.samples["time_s"].iloc[-1] / 3600 == pytest.approx(13.0, abs=0.1)
    gaps = [event for event in run.description.events if event.kind == "gap"]
    assert [round(event.lost["duration_s"]) for event in gaps] == [720]
    assert gaps[0].lost["rows"] == pytest.approx(720 / 1.046, abs=2)
    faults = [event for event in run.description.events if event.kind == "fault"]
    assert len(faults) == 1
    assert "3 rows" in faults[0].text
    assert (run.samples["pack_v"] == 0).sum() == 3, "a contact fault is told, not removed"


def test_where_it_came_from_is_recorded(tmp_path: Path) -> None:
    path = write(tmp_path, "t_s,V\n0,3\n1,2.9\nx,y\n")
    before = path.read_bytes()
    imported = read(path)
    description = write_run(imported, tmp_path / "run", About(title="x"))
    again = read_run(tmp_path / "run").description
    assert again == description
    assert again.state == "ended"
    assert again.end_reason == "import"
    assert again.imported["file"] == "bench.txt"
    assert again.imported["size_bytes"] == len(before)
    assert again.imported["sha256"] == hashlib.sha256(before).hexdigest()
    assert again.imported["rows_read"] == 3
    assert again.imported["rows_kept"] == 2
    assert again.imported["rows_rejected"] == 1
    assert path.read_bytes() == before
    rejected = (tmp_path / "run" / REJECTED_NAME).read_text()
    assert rejected.endswith("\n4\tits time is no number\tx,y\n")


# --- standards of the written run -------------------------------------------------------------


def test_run_passes_general_purpose_readers(tmp_path: Path) -> None:
    path = write(tmp_path, "t_s,V,mA\n0,3,20\n1,2.9,\n2,2.8,19\n")
    write_run(read(path), tmp_path / "run", About())
    samples = tmp_path / "run" / SAMPLES_NAME
    # RFC 4180: CR LF, same count of fields in every record.
    assert samples.read_bytes().count(b"\r\n") == samples.read_bytes().count(b"\n") == 4
    with samples.open(newline="", encoding="utf-8") as stream:
        records = list(csv.reader(stream, strict=True))
    assert {len(record) for record in records} == {3}
    plain = pd.read_csv(samples)
    assert plain["current_ma"].isna().tolist() == [False, True, False]
    # W3C "Model for Tabular Data and Metadata on the Web" as the library csvw checks it,
    # found from the CSV's own address as a reader on the Web would.
    table = CSVW(str(samples), validate=True)
    assert table.is_valid, table.warnings
    columns = table.t.tableSchema.columns
    assert [column.name for column in columns] == ["time_s", "pack_v", "current_ma"]
    units = [column.common_props["http://qudt.org/schema/qudt/ucumCode"] for column in columns]
    assert units == ["s", "V", "mA"]
    assert [float(row["pack_v"]) for row in table.t.iterdicts()] == [3.0, 2.9, 2.8]


# --- layout ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal"),
    [
        ("0,3.1\n1,3.0\n2,2.9\n", ",", "."),
        ("0\t3.1\n1\t3.0\n2\t2.9\n", "\t", "."),
        ("0\t3,1\n1\t3,0\n2\t2,9\n", "\t", ","),
        ("0;3,1\n1;3,0\n2;2,9\n", ";", ","),
        ("0,5;3,1\n1,5;3,0\n2,5;2,9\n", ";", ","),
        ("0;3.1\n1;3.0\n2;2.9\n", ";", "."),
        ("0|3.1\n1|3.0\n2|2.9\n", "|", "."),
        ("  0   3.1\n  1   3.0\n 10   2.9\n", " ", "."),
        ("0 3,1\n1 3,0\n2 2,9\n", " ", ","),
        ("0, 3.1\n1, 3.0\n2, 2.9\n", ",", "."),
        ('"0","3.1"\n"1","3.0"\n"2","2.9"\n', ",", "."),
        ('"0,0";"3,1"\n"1,0";"3,0"\n"2,0";"2,9"\n', ";", ","),
    ],
)
def test_delimiter_and_decimal_sign_are_found(
    tmp_path: Path, text: str, delimiter: str, decimal: str
) -> None:
    imported = read(write(tmp_path, text), {"voltage": "2"}, {"time": "s"})
    assert (imported.layout.delimiter, imported.layout.decimal) == (delimiter, decimal)
    assert imported.samples["pack_v"].tolist() == [3.1, 3.0, 2.9]
    assert not imported.layout.header


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, line_end: str) -> None:
    text = line_end.join(("Zeit (s);Spannung (V);Strom (µA)", "0;3,1;900", "1;3,0;910", ""))
    imported = read(write(tmp_path, text.encode(encoding)))
    assert imported.samples["current_ma"].tolist() == [0.9, 0.91]
    assert imported.samples["pack_v"].tolist() == [3.1, 3.0]


def test_preamble_units_row_comments_and_blank_lines(tmp_path: Path) -> None:
    text = (
        "Bench meter, export\nInterval,0.5\n\nTime,Voltage,Current\ns,mV,A\n"
        "0.0,4500,0.02\n# lamp off\n0.5,4490,0.021\n\n1.0,4480,0.022\n"
    )
    imported = read(write(tmp_path, text))
    assert imported.samples["pack_v"].tolist() == [4.5, 4.49, 4.48]
    assert imported.samples["current_ma"].tolist() == [20.0, 21.0, 22.0]
    assert imported.rows_read == 3
    assert dict(imported.others)[7] == "comment"
    assert imported.blank_lines == 2
    lines = {number for number, _ in imported.others} | set(imported.line_numbers.tolist())
    assert len(lines) + imported.blank_lines == len(text.splitlines())


@pytest.mark.parametrize(
    "text",
    [
        "# time_s, pack_v\n0, 3.1\n1, 3.0\n",
        "V:3.1,t_s:0\nV:3.0,t_s:1\n",
        "t=0s V=3100mV\nt=1s V=3000mV\n",
        "t=0ms V=3100mV\nt=1000ms V=3000mV\n",
        "t: 500 ms;3.1 V\nt: 1.5 s;3.0 V\n",
        "elapsed (s),battery\n0,3.1 V\n1,3000 mV\n",
        "21:00:00.000 -> 3.1\n21:00:01.000 -> 3.0\n",
        "Pack: 3.1 V  t: 0 s\nPack: 3.0 V  t: 1 s\n",
        "time_s,Bus Voltage (V),Load Voltage (V)\n0,3.05,3.1\n1,2.95,3.0\n",
        "time_s,pack_v,note\n0,3.1,ok\n1,3.0,ok\n",
        "time_s;pack_v;\n0;3.1;\n1;3.0;\n",
    ],
)
def test_what_sketches_and_serial_monitors_print(tmp_path: Path, text: str) -> None:
    columns = {"voltage": "2"} if "->" in text or "t:" in text[:2] else {}
    imported = read(write(tmp_path, text), columns)
    assert imported.samples["pack_v"].tolist() == [3.1, 3.0]
    assert imported.samples["time_s"].tolist() == [0.0, 1.0]


def test_meter_that_ranges_by_itself(tmp_path: Path) -> None:
    text = "t_s,current\n0,980 µA\n1,1.2 mA\n2,OL\n3,0.5 A\n"
    imported = read(write(tmp_path, text))
    assert imported.samples["current_ma"].tolist()[:2] == pytest.approx([0.98, 1.2])
    assert imported.samples["current_ma"].iloc[-1] == 500.0
    assert dict(imported.rejected) == {4: "has no reading in it"}
    assert any("'OL'" in warning for warning in imported.warnings)


# --- units, scale, offset ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("Time (ms),Voltage (V),Current (A)", ["time_s", "pack_v", "current_ma"]),
        ("millis,U/V,I[mA]", ["time_s", "pack_v", "current_ma"]),
        ("time_us,bus_v,current_ma", ["time_s", "bus_v", "current_ma"]),
        ("t_s,Vbat,power_mW", ["time_s", "pack_v"]),
        ("uptime (min),loadVoltage_V,charge (mAh)", ["time_s", "bus_v", "charge_mah"]),
        ("t_h,pack_v,energy_J", ["time_s", "pack_v", "energy_mwh"]),
        ("time_s,pack_v,current_max_ma", ["time_s", "pack_v"]),
        ("time_s,pack_v,temp_c", ["time_s", "pack_v"]),
        ("time_s,pack_v,Sensor A", ["time_s", "pack_v"]),
    ],
)
def test_columns_by_their_names(tmp_path: Path, header: str, expected: list[str]) -> None:
    imported = read(write(tmp_path, f"{header}\n1000,3.3,20\n2000,3.2,20\n3000,3.1,20\n"))
    assert sorted(imported.samples.columns) == sorted(expected)


def test_units_of_charge_and_energy(tmp_path: Path) -> None:
    # SI brochure: 1 C = 1 A s, 1 J = 1 W s; so 3.6 C = 1 mAh and 3.6 J = 1 mWh.
    text = "time_s,pack_v,a,b\n0,3,0,0\n3600,3,36,108\n"
    imported = read(
        write(tmp_path, text), {"charge": "a", "energy": "b"}, {"charge": "C", "energy": "J"}
    )
    assert imported.samples["charge_mah"].tolist() == pytest.approx([0, 10])
    assert imported.samples["energy_mwh"].tolist() == pytest.approx([0, 30])


def test_scale_offset_and_pack_voltage_from_the_load_side(tmp_path: Path) -> None:
    text = "time_s,adc,bus_v,shunt_mv\n0,512,4.4,10\n1,500,4.3,20\n"
    path = write(tmp_path, text)
    scaled = read(path, {"voltage": "adc"}, scales={"voltage": 0.01}, offsets={"voltage": -0.12})
    assert scaled.samples["pack_v"].tolist() == pytest.approx([5.0, 4.88])
    reckoned = read(path, {"current": "shunt_mv"}, {"current": "mV"}, shunt_ohm=0.1)
    assert reckoned.samples["current_ma"].tolist() == pytest.approx([100.0, 200.0])
    # pack voltage = bus voltage + drop over the shunt (line protocol, "Which voltage is which")
    assert reckoned.samples["pack_v"].tolist() == pytest.approx([4.41, 4.32])
    assert any("pack_v was reckoned" in warning for warning in reckoned.warnings)


# --- time ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "expected_s", "started_utc"),
    [
        (["2026-01-31T23:59:59Z", "2026-02-01T00:00:01.5Z"], [0, 2.5], "2026-01-31T23:59:59.000Z"),
        (
            ["2026-01-31 23:59:59+01:00", "2026-02-01 00:00:00+01:00"],
            [0, 1],
            "2026-01-31T22:59:59.000Z",
        ),
        (["2026/1/31 23:59", "2026/2/1 0:00"], [0, 60], ""),
        (["31.01.2026 23:59:59", "01.02.2026 00:00:00"], [0, 1], ""),
        (["23:59:58", "23:59:59", "00:00:01"], [0, 1, 3], ""),
        (["0:59:59.5", "1:00:00.0"], [0, 0.5], ""),
        (["1769900399", "1769900400"], [0, 1], "2026-01-31T22:59:59.000Z"),
        (["1769900399000", "1769900400500"], [0, 1.5], "2026-01-31T22:59:59.000Z"),
        (["328048", "329100", "330146"], [0, 1.052, 2.098], ""),
        (["5.12", "5.32"], [0, 0.2], ""),
        (["12000000", "14000000"], [0, 2], ""),
    ],
)
def test_forms_of_time(
    tmp_path: Path, times: list[str], expected_s: list[float], started_utc: str
) -> None:
    text = "".join(f"{time};3.{place}\n" for place, time in enumerate(times))
    imported = read(write(tmp_path, text), {"voltage": "2"})
    assert imported.samples["time_s"].tolist() == pytest.approx(expected_s, abs=1e-6)
    assert imported.started_utc == started_utc


def test_date_and_clock_columns_are_joined(tmp_path: Path) -> None:
    text = "Date,Time,Voltage (V)\n2026-01-31,23:59:59,3.1\n2026-02-01,00:00:00,3.0\n"
    path = write(tmp_path, text)
    assert read(path).samples["time_s"].tolist() == [0.0, 1.0]
    assert read(path, {"time": "1+2"}).samples["time_s"].tolist() == [0.0, 1.0]
    assert read(path).started_local == "2026-01-31T23:59:59.000"


def test_dates_by_pattern_and_rows_at_a_fixed_rate(tmp_path: Path) -> None:
    path = write(tmp_path, "01/02/2026 10:00,3.1\n01/02/2026 10:01,3.0\n")
    imported = read(path, {"time": "1", "voltage": "2"}, time_format="%m/%d/%Y %H:%M")
    assert imported.samples["time_s"].tolist() == [0.0, 60.0]
    with pytest.raises(Question, match="day or the month"):
        read(path, {"time": "1", "voltage": "2"})
    only = write(tmp_path, "3.1\n3.0\n2.9\n")
    assert read(only, {"voltage": "1"}, every_s=0.5).samples["time_s"].tolist() == [0.0, 0.5, 1.0]


@pytest.mark.parametrize(
    ("wrap", "unit", "step"),
    [(2**32, "ms", 1000), (2**32, "us", 100_000), (2**31, "ms", 1000), (2**16, "ms", 1000)],
)
def test_counters_that_wrap_go_on(tmp_path: Path, wrap: int, unit: str, step: int) -> None:
    counts = [(wrap - 5 * step + 7 * (n % 3) + n * step) % wrap for n in range(12)]
    text = "".join(f"{count}\t{3.3 - n / 100:.2f}\n" for n, count in enumerate(counts))
    imported = read(write(tmp_path, text), {"time": "1", "voltage": "2"}, {"time": unit})
    factor = {"ms": 1e-3, "us": 1e-6}[unit]
    expected = [(7 * (n % 3) + n * step) * factor for n in range(12)]
    assert imported.samples["time_s"].tolist() == pytest.approx(expected, abs=1e-6)
    assert len(imported.rejected) == 0
    clocks = [event.text for event in imported.events if event.kind == "clock"]
    assert len(clocks) == 1
    assert "wrapped" in clocks[0]


def test_restart_that_happens_near_a_wrap_is_a_restart(tmp_path: Path) -> None:
    """1990 s and then 0 s again, 157 s before a microsecond counter would have wrapped."""
    path = write(tmp_path, rows_at([*(10.0 * n for n in range(200))] * 2))
    imported = read(path)
    assert [event.kind for event in imported.events] == ["boot"]
    assert imported.samples["time_s"].iloc[-1] == pytest.approx(3990.0)
    assert imported.samples["boot"].sum() == 200


def test_named_column_without_numbers_is_told(tmp_path: Path) -> None:
    """A run without the current that the file has would be silently less than the file."""
    text = "time_s,voltage_V,current_uA\n" + "".join(f"{n},4.{n},1k{n}\n" for n in range(9))
    with pytest.raises(BenchError, match=r"'current_uA' may be the current.*\n.*\n.*--leave-out 3"):
        read(write(tmp_path, text))
    left = read(write(tmp_path, text), leave_out=("3",))
    assert list(left.samples.columns) == ["time_s", "pack_v"]


def test_signed_counter_goes_negative(tmp_path: Path) -> None:
    # A 32-bit signed count of ms (two's complement) steps from 2**31 - 1 to -2**31.
    counts = [2**31 - 2500 + n * 1000 for n in range(6)]
    signed = [count - 2**32 if count >= 2**31 else count for count in counts]
    text = "".join(f"{count},3.{n}\n" for n, count in enumerate(signed))
    imported = read(write(tmp_path, text), {"time": "1", "voltage": "2"}, {"time": "ms"})
    assert imported.samples["time_s"].tolist() == [float(n) for n in range(6)]


def test_glitch_and_restart_close_together_lose_only_the_glitch(tmp_path: Path) -> None:
    times = [*(500.0 + n for n in range(30)), 9.0, 531.0, 532.0, *(1.0 + n for n in range(40))]
    imported = read(write(tmp_path, rows_at(times)))
    assert dict(imported.rejected) == {32: "its time goes back"}
    assert imported.samples["boot"].sum() == 40


def rows_at(times: list[float]) -> str:
    return "t_s,pack_v\n" + "".join(
        f"{time:.1f},{3.3 - place / 1000:.3f}\n" for place, time in enumerate(times)
    )


def test_board_that_started_again_keeps_all_rows(tmp_path: Path) -> None:
    times = [*(100.0 + n for n in range(50)), *(2.0 + n for n in range(30))]
    imported = read(write(tmp_path, rows_at(times)))
    assert len(imported.samples) == 80
    assert imported.samples["boot"].tolist() == [0] * 50 + [1] * 30
    assert imported.samples["time_s"].tolist() == [float(n) for n in range(80)]
    boots = [event for event in imported.events if event.kind == "boot"]
    assert [event.time_s for event in boots] == [50.0]
    assert "not known" in boots[0].text


def test_charge_that_the_meter_counted_goes_on_after_a_restart(tmp_path: Path) -> None:
    rows = enumerate((*range(8), *range(5)))
    text = "t_s,pack_v,charge_mah\n" + "".join(
        f"{n},{3 - place / 100},{n + 1}\n" for place, n in rows
    )
    imported = read(write(tmp_path, text))
    assert imported.samples["boot"].sum() == 5
    # 1 to 8 mAh, then 1 to 5 mAh more; counted from 0
    assert imported.samples["charge_mah"].tolist() == [*range(8), *range(8, 13)]


def test_rows_out_of_order_cost_one_row(tmp_path: Path) -> None:
    imported = read(write(tmp_path, rows_at([0, 1, 2, 4, 3, 5, 6])))
    assert dict(imported.rejected) == {6: "its time goes back"}


def test_single_odd_times_cost_their_row_only(tmp_path: Path) -> None:
    times = [float(n) for n in range(60)]
    times[20], times[40] = 9999.0, 3.0
    imported = read(write(tmp_path, rows_at(times)))
    assert len(imported.samples) == 58
    assert dict(imported.rejected) == {
        22: "its time is far ahead of the rows around",
        42: "its time goes back",
    }
    assert (np.diff(imported.samples["time_s"]) > 0).all()


def test_clock_set_back_is_asked_and_each_answer_does_what_it_says(tmp_path: Path) -> None:
    times = [*(7200.0 + n for n in range(40)), *(3640.0 + n for n in range(40))]
    path = write(tmp_path, rows_at(times))
    with pytest.raises(Question, match="line 42 says 3640 s, line 41 7239 s"):
        read(path)
    restarted = read(path, time_back="restart")
    assert len(restarted.samples) == 80
    assert [event.kind for event in restarted.events] == ["boot"]
    sorted_rows = read(path, time_back="sort")
    assert sorted_rows.line_numbers.tolist() == [*range(42, 82), *range(2, 42)]
    dropped = read(path, time_back="drop")
    assert len(dropped.samples) == 40
    assert dropped.reasons == {"its time goes back": 40}


def test_duplicates_are_not_counted_twice(tmp_path: Path) -> None:
    text = "t_s,pack_v\n0,3.3\n1,3.2\n1,3.2\n1,3.1\n2,3.0\n"
    imported = read(write(tmp_path, text))
    assert dict(imported.rejected) == {4: "repeats the row above"}
    assert imported.samples["time_s"].tolist() == [0, 1, 1, 2]
    assert any("same time" in warning and "line 5" in warning for warning in imported.warnings)
    rows = [f"{n},{3.3 - n / 100:.2f}" for n in range(20)]
    twice = read(write(tmp_path, "t_s,pack_v\n" + "\n".join(rows[:12] + rows[6:]) + "\n"))
    assert twice.samples["time_s"].tolist() == [float(n) for n in range(20)]
    assert twice.reasons == {"repeats an earlier row": 6}


def test_newest_row_first_is_turned_round(tmp_path: Path) -> None:
    rows = [f"{n}.0,{3.3 - n / 1000:.3f}\n" for n in range(20, 0, -1)]
    imported = read(write(tmp_path, "t_s,pack_v\n" + "".join(rows)))
    assert imported.samples["time_s"].tolist() == [float(n) for n in range(20)]
    assert imported.line_numbers.tolist() == list(range(21, 1, -1))
    assert any("newest" in warning for warning in imported.warnings)


def test_time_that_falls_with_the_voltage_may_count_down(tmp_path: Path) -> None:
    path = write(tmp_path, rows_at([float(n) for n in range(20, 0, -1)]))
    with pytest.raises(Question, match="count down"):
        read(path)
    assert read(path, row_order="count-down").samples["pack_v"].iloc[0] == 3.3
    assert read(path, row_order="newest-first").samples["pack_v"].iloc[0] == 3.281


def test_missing_rows_and_gaps(tmp_path: Path) -> None:
    times = [float(n) for n in range(200) if n not in (50, 51, 90) and not 120 <= n < 160]
    imported = read(write(tmp_path, rows_at(times)))
    assert [event.kind for event in imported.events] == ["gap"]
    assert imported.events[0].time_s == 119.0
    assert imported.events[0].lost == {"rows": 40.0, "duration_s": 41.0}
    assert any("missing, a few at a time: about 3" in warning for warning in imported.warnings)


def test_last_line_cut_off(tmp_path: Path) -> None:
    imported = read(write(tmp_path, "t_s,mA\n1,120\n2,121\n3,12"), units={})
    assert dict(imported.rejected) == {4: "the file ends in the middle of it"}
    whole = read(write(tmp_path, "t_s,mA\n1,120\n2,121\n3,122"))
    assert len(whole.samples) == 3


# --- contact faults --------------------------------------------------------------------------


def test_loose_contact_is_told_from_a_load_that_switches() -> None:
    rng = np.random.default_rng(3)
    time_s = np.arange(200.0)
    pack_v = 4.5 - time_s / 1000 + rng.normal(0, 2e-3, 200)
    current_ma = 50 + rng.normal(0, 0.1, 200)
    pack_v[50:53] = 0.01
    contact_v, contact_ma = pack_v.copy(), current_ma.copy()
    contact_v[120:] -= 0.4
    contact_ma[120:] -= 6
    events, warnings = find_contact_faults(time_s, contact_v, contact_ma)
    assert [event.time_s for event in events] == [50.0, 120.0]
    assert "jump together" in events[1].text
    assert len(warnings) == 2
    load_v, load_ma = pack_v.copy(), current_ma.copy()
    load_v[120:] -= 0.4  # more load: voltage down, current up
    load_ma[120:] += 60
    events, _ = find_contact_faults(time_s, load_v, load_ma)
    assert [event.time_s for event in events] == [50.0]


def test_pack_that_dies_at_the_end_is_no_contact_fault() -> None:
    pack_v = np.concatenate((np.full(100, 3.3), np.full(5, 0.1)))
    assert find_contact_faults(np.arange(105.0), pack_v, None) == ([], [])


# --- where no safe guess can be made -----------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "columns", "message"),
    [
        ("", {}, "is empty"),
        ("\n\n  \n", {}, "is empty"),
        (bytes(range(1, 256)) * 20, {}, "is not text"),
        (b"PK\x03\x04" + bytes(200), {}, "save the sheet as CSV"),
        ("hello\nworld\n", {}, "No rows of numbers"),
        ("t_s,pack_v\n0,3\n1,2\n", {"voltage": "pakc_v"}, "did you mean 'pack_v'"),
        ("t_s,pack_v\n0,3\n1,2\n", {"voltage": "9"}, "the columns are: 1 't_s', 2 'pack_v'"),
        ("t_s,pack_v\n5,3\n5,2\n5,1\n", {}, "does not increase at all"),
        ("t_s,b\n0.1,3\n0.2,2\n0.3,2\n", {}, "voltage or the current cannot be told"),
        ("0.5\n0.6\n0.4\n0.5\n", {}, "time cannot be told.*\n.*\n.*one value a line.*--every 1s"),
        ("60,3\n120,2\n180,2\n", {"voltage": "2"}, "Which unit has the time in column 1"),
        ("t_s,current\n0,0.3\n1,0.3\n", {}, "unit of the current"),
        ("t_s,V1 (V),V2 (V)\n0,3,4\n1,3,4\n", {}, "More than one column could be the voltage"),
        ("t_s,shunt\n0,3\n1,4\n", {"current": "2", "unit": "V"}, "not over which resistance"),
        ("t_s,V\n0,1e300\n1,1e300\n", {}, "No row of"),
    ],
)
def test_clear_errors(
    tmp_path: Path, text: str | bytes, columns: dict[str, str], message: str
) -> None:
    path = write(tmp_path, text)
    before = path.read_bytes()
    units = {"current": columns["unit"]} if "unit" in columns else {}
    chosen = {word: name for word, name in columns.items() if word != "unit"}
    with pytest.raises(BenchError, match=message):
        read(path, chosen, units)
    assert path.read_bytes() == before


def test_random_times_are_no_time(tmp_path: Path) -> None:
    times = np.random.default_rng(1).uniform(0, 1000, 300).tolist()
    with pytest.raises(BenchError, match="again and again"):
        read(write(tmp_path, rows_at(times)))


def test_wrong_units_are_doubted_and_a_negative_current_is_turned(tmp_path: Path) -> None:
    imported = read(write(tmp_path, "t_s,pack_v,mA\n0,105,-0.1\n1,95,-0.1\n"))
    assert any("100 V" in warning for warning in imported.warnings)
    assert any("its sign was turned" in warning for warning in imported.warnings)
    assert imported.samples["current_ma"].tolist() == [0.1, 0.1]


def test_disk_that_refuses_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    imported = read(write(tmp_path, "t_s,pack_v\n0,3\n1,2\n"))

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(BenchError, match="No space left"):
        write_run(imported, tmp_path / "run", About())
    assert not (tmp_path / "run").exists()


# --- any text at all -------------------------------------------------------------------------

CELLS = st.one_of(
    st.integers(-10, 10**12).map(str),
    st.floats(allow_nan=True).map(str),
    st.sampled_from(
        ["", "nan", "OL", "1:02:03", "2026-01-31", "2026-99-99", "0:99", "a:1", "3 V", '"', "#"]
    ),
    st.text(max_size=5),
)
TABLES = st.builds(
    lambda rows, sign, end: end.join(sign.join(row) for row in rows),
    st.lists(st.lists(CELLS, min_size=1, max_size=4), max_size=12),
    st.sampled_from([",", "\t", ";", " "]),
    st.sampled_from(["\n", "\r\n"]),
)
# Mostly sound rows, so that the way to a run is walked too: small steps, now and then a fault.
STEPS = st.one_of(st.integers(1, 3), st.integers(1, 3), st.sampled_from([0, -1, -40, 5000, 10**13]))
VOLTS = st.one_of(st.integers(30, 45).map(lambda tenths: f"{tenths / 10}"), CELLS)
RISING = st.builds(
    lambda rows: "".join(
        f"{time},{cell}\n"
        for time, cell in zip(
            np.cumsum([row[0] for row in rows]), [row[1] for row in rows], strict=True
        )
    ),
    st.lists(st.tuples(STEPS, VOLTS), min_size=2, max_size=60),
)


@pytest.mark.slow
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=300, deadline=None
)
@given(
    content=st.one_of(
        TABLES.map(lambda text: text.encode("utf-8", "surrogatepass")),
        RISING.map(lambda text: text.encode("utf-8", "surrogatepass")),
        RISING.map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.binary(max_size=200),
    ),
    columns=st.sampled_from([{"time": "1", "voltage": "2"}, {"voltage": "2"}, {}]),
    units=st.sampled_from([{"time": "s", "voltage": "V"}, {"time": "ms"}, {}]),
)
def test_any_file_is_a_run_or_a_bench_error(
    tmp_path: Path, content: bytes, columns: dict[str, str], units: dict[str, str]
) -> None:
    path = write(tmp_path, content)
    try:
        imported = read(path, columns, units)
    except BenchError:
        return
    finally:
        assert path.read_bytes() == content
    assert imported.rows_read == len(imported.samples) + len(imported.rejected)
    # Counted anew: every line of the file is a row, another line, or blank.
    with path.open(encoding=imported.layout.encoding, errors="replace") as stream:
        total = sum(1 for _ in stream)
    assert imported.rows_read + len(imported.others) + imported.blank_lines == total
    kept = set(imported.line_numbers.tolist())
    assert not kept & {number for number, _ in imported.rejected}
    assert (np.diff(imported.samples["time_s"]) >= 0).all()
    json.dumps([event.lost for event in imported.events], allow_nan=False)
