"""Digest, drawbench list, overview, run sheet, pictures: what they say and what they withstand."""

import csv
import io
import json
import os
import pickle
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt
from matplotlib.figure import Figure
from matplotlib.text import Text

from analysis.commands import rundown as commands_rundown
from analysis.commands.list_runs import list_command
from analysis.commands.pictures import pictures_command, sheet_command
from analysis.commands.report import report_command
from analysis.commands.rundown import rundown_command
from analysis.commands.watch import page_run
from analysis.doubt.quantity import Quantity
from analysis.report import digest as digests
from analysis.report import run_table
from analysis.report.digest import DIGEST_NAME, digest_of
from analysis.report.overview import draw_overview
from analysis.report.run_table import as_csv, by_lasting, in_order, matching, read_lines, shown
from analysis.report.sheet import write_sheet
from analysis.run.rundown import rundown
from analysis.say.words import moment_words, quantity_words, value_words
from logger.base.durations import parse_duration_s
from logger.base.errors import BenchError
from logger.run.description import Event
from logger.run.format import DESCRIPTION_NAME
from logger.run.reader import Run, read_run
from tests.support.places import SAMPLES
from tests.support.runs_by_formula import board_run, stop_at, stored

HOURS = {"a": 6.0, "b": 4.0, "c": 8.0}


def falling(hours: float, share: float = 1.1, **changes: Any) -> Run:
    """4.5 V falling in a straight line, 3.0 V after ``hours``; 80 mA."""
    return board_run(
        lambda t: 4.5 - 1.5 * t / (hours * 3600), lambda t: 80.0 + 0 * t, share * hours * 3600, 60.0,
        parts=4, stop=stop_at(3.0, 60.0), **changes,
    )  # fmt: skip


@pytest.fixture
def season(tmp_path: Path) -> Path:
    for number, (name, hours) in enumerate(HOURS.items()):
        stored(
            tmp_path / "runs" / name,
            falling(hours, title=f"vest {name}", started_utc=f"2026-03-0{number + 1}T20:00:00Z"),
        )
    stored(tmp_path / "runs" / "short", falling(9.0, 0.5, title="=HYPERLINK(1)", load="rope light"))
    return tmp_path / "runs"


def listed(*arguments: object) -> str:
    result = CliRunner().invoke(list_command, [str(item) for item in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.output


@pytest.mark.slow
def test_times_to_the_cutoff_are_those_of_the_formula(season: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(listed(season, "--csv", "-", "--sort", "run"))))
    assert [row["run"] for row in rows] == ["a", "b", "c", "short"]
    for row in rows[:3]:
        assert float(row["cutoff_time_s"]) == pytest.approx(HOURS[row["run"]] * 3600, abs=1)
        assert float(row["charge_mah"]) == pytest.approx(80 * 1.1 * HOURS[row["run"]], rel=1e-6)
    assert rows[3]["cutoff_time_s"] == ""
    assert rows[3]["title"] == "'=HYPERLINK(1)"


@pytest.mark.slow
def test_best_worst_sorting_and_filters(season: Path) -> None:
    lines = read_lines(sorted(season.iterdir()))
    assert [line.name for line in by_lasting(lines)] == ["c", "a", "short", "b"]
    # 80 mA for 8.8, 6.6, 4.5 and 4.4 h.
    assert [line.name for line in in_order(lines, "charge_mah", True)] == ["c", "a", "short", "b"]
    assert [line.name for line in in_order(lines, "cutoff_time_s")] == ["b", "a", "c", "short"]
    assert [line.name for line in matching(lines, ["VEST", "b"])] == ["b"]
    assert [line.name for line in matching(lines, ["rope"])] == ["short"]
    text = listed(season, "--best", 1, "--worst", 1)
    assert "vest c" in text
    assert "vest b" in text
    assert "vest a" not in text
    assert "vest a" not in listed(season, "--since", "2026-03-02", "--before", "2026-03-03")
    with pytest.raises(BenchError, match="No run in"):
        listed(season, "--find", "nothing like it")


@pytest.mark.slow
def test_one_cutoff_for_all(season: Path) -> None:
    found = json.loads(listed(season, "--json", "--cutoff", 3.9, "--sort", "run"))
    times = [run["cutoff_time"]["value"] for run in found["runs"]]
    assert times == pytest.approx([0.4 * hours * 3600 for hours in (*HOURS.values(), 9.0)], abs=2)


@pytest.mark.slow
def test_a_broken_run_keeps_its_line(season: Path) -> None:
    (season / "broken").mkdir()
    (season / "broken" / "samples.csv").write_bytes(b"\0\0\0")
    text = listed(season)
    assert "5 runs" in text
    assert "\nbroken " in text
    assert "cannot be read: " in text
    for cutoff in ("nan", "-1"):
        refused = CliRunner().invoke(list_command, [str(season), f"--cutoff={cutoff}"])
        assert refused.exit_code == 2
        assert "--cutoff" in refused.output
    rows = csv.DictReader(io.StringIO(as_csv(read_lines(sorted(season.iterdir())))))
    assert "is empty" in {row["run"]: row["problem"] for row in rows}["broken"]


@pytest.mark.slow
def test_the_digest_is_used_only_for_what_it_was_made_from(
    season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = season / "a"
    first = digest_of(folder)
    made: list[Path] = []
    make = digests._make

    def counted(path: Path, *rest: Any) -> digests.Digest:
        made.append(path)
        return make(path, *rest)

    monkeypatch.setattr(digests, "_make", counted)
    assert digest_of(folder) == first
    assert made == []
    digest_of(folder, cutoff_v=3.5)
    assert len(made) == 1
    # Another byte in the samples, same size and time of change.
    path = folder / "samples.csv"
    digest_of(folder)
    stat = path.stat()
    data = path.read_bytes()
    path.write_bytes(data.replace(b"80.0000", b"90.0000", 1))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    made.clear()
    digest_of(folder)
    assert made == [folder]
    document = json.loads((folder / DIGEST_NAME).read_bytes())
    other_course = json.dumps({**document, "course": "%%"}).encode()
    for spoilt in (
        b"",
        b"{}",
        b"[1]",
        b'{"source": 3}',
        (folder / DIGEST_NAME).read_bytes()[:-40],
        other_course,
    ):
        (folder / DIGEST_NAME).write_bytes(spoilt)
        made.clear()
        assert digest_of(folder).count > 0
        assert made == [folder]


UNCHANGED = "\nNothing changed since this report was made; it is left as it is.\n"


def run_command(command: click.Command, *arguments: object) -> str:
    result = CliRunner().invoke(command, [str(item) for item in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.output


@pytest.mark.parametrize("more", [(), ("--json",), ("--cutoff", "3.9"), ("--hold", "0")])
def test_rundown_says_the_same_from_what_is_kept(
    season: Path, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...]
) -> None:
    first = run_command(rundown_command, season / "a", *more)

    def never(*_: object) -> None:
        raise AssertionError("the run was read again")

    with monkeypatch.context() as patch:
        patch.setattr(commands_rundown, "analysed", never)
        assert run_command(rundown_command, season / "a", *more) == first
        # Another question, another program, another description: not from what is kept.
        with pytest.raises(AssertionError, match="read again"):
            run_command(rundown_command, season / "a", "--cutoff", "3.33")
        patch.setattr(digests, "_program", lambda: "another")
        with pytest.raises(AssertionError, match="read again"):
            run_command(rundown_command, season / "a", *more)
    described = season / "a" / DESCRIPTION_NAME
    described.write_text(described.read_text().replace("3x AA", "4x AA").replace('"cells": 3', '"cells": 4'))  # fmt: skip
    with monkeypatch.context() as patch:
        patch.setattr(commands_rundown, "analysed", never)
        with pytest.raises(AssertionError, match="read again"):
            run_command(rundown_command, season / "a", *more)


def test_a_cutoff_that_does_not_fit_is_said_each_time(season: Path) -> None:
    run = falling(4.0)
    stored(
        season / "high", replace(run, description=replace(run.description, stop=stop_at(5.5, 10.0)))
    )
    read_lines([season / "high"])  # keeps a digest without the time to the cutoff
    for _ in range(2):
        with pytest.raises(BenchError, match=r"5\.5 V"):
            run_command(rundown_command, season / "high")


@pytest.mark.slow
def test_a_report_is_left_as_it_is_only_if_nothing_changed(season: Path, tmp_path: Path) -> None:
    def report(*more: object) -> str:
        return run_command(report_command, season / "b", "--out", tmp_path / "r", *more)

    def times() -> dict[str, int]:
        return {path.name: path.stat().st_mtime_ns for path in (tmp_path / "r").iterdir()}

    first, made = report(), times()
    assert "Nothing changed" not in first
    again = report()
    assert "Nothing changed" in again
    assert again.replace(UNCHANGED, "") == first
    assert times() == made
    assert "Nothing changed" not in report("--cutoff", "3.5")
    assert "Nothing changed" not in report()
    (tmp_path / "r" / "voltage.png").unlink()
    assert "Nothing changed" not in report()
    assert (tmp_path / "r" / "voltage.png").is_file()
    with (season / "b" / "samples.csv").open("a", newline="") as stream:
        stream.write(_last_line(season / "b"))
    assert "Nothing changed" not in report()


def _last_line(folder: Path) -> str:
    """A row a minute after the last one."""
    line = (folder / "samples.csv").read_text().splitlines()[-1]
    time_s, rest = line.split(",", 1)
    return f"{float(time_s) + 60:.6f},{rest}\r\n"


def test_a_finished_run_on_the_page_comes_from_its_digest(season: Path) -> None:
    run = page_run("r1", season / "c")
    run.poll(0.0)
    assert run.told["headline"] == "8 h to 3 V"
    assert run.feed.rows == len(read_run(season / "c").samples)
    assert run.feed.latest.charge_mah == pytest.approx(80 * 8.8, rel=1e-4)
    steps = run.feed.course.steps()
    direct = page_run("r2", season / "c")
    direct.results = None
    direct.poll(0.0)
    thin = {step[0]: step[2] for step in direct.feed.course.steps()}
    assert {step[0]: step[2] for step in steps} == pytest.approx(thin, abs=2e-4)


@pytest.mark.slow
def test_overview_page_and_markdown(season: Path, tmp_path: Path) -> None:
    stored(season / "hostile", falling(5.0, title="<script>alert(1)</script> | a](x)"))
    listed(season, "--overview", tmp_path / "over")
    html = (tmp_path / "over" / "overview.html").read_text(encoding="utf-8")
    markdown = (tmp_path / "over" / "overview.md").read_text(encoding="utf-8")
    assert "<script" not in html
    assert "Lasted longest: vest c (c), 8 h." in html.replace("\u00a0", " ")
    assert "](lasting.svg)" in markdown
    assert "](voltages.svg)" in markdown
    assert "Stop at 0.8 V per cell" in markdown
    rendered = MarkdownIt("gfm-like", {"linkify": False}).render(markdown)
    assert rendered.count("<tr>") == (1 + 5) + (1 + 5)  # pieces, then every run
    assert "<script" not in rendered
    for name in ("lasting.png", "voltages.svg", "runs.csv"):
        assert (tmp_path / "over" / name).stat().st_size > 100


@pytest.mark.parametrize("half_s", [0.4, 3.0, 12.0, 16.0, 23.0, 90.0, 110.0, 700.0, 2000.0, 9000.0])
def test_a_time_is_told_no_finer_than_a_clock_and_its_interval_bear(half_s: float) -> None:
    """The step it is rounded to is at least a twentieth of the half-width, and at most two thirds of it."""
    times_s = [
        parse_duration_s(value_words(Quantity(t, "s", t - half_s, t + half_s, 0.95)))
        for t in np.arange(40_000.0, 40_400.0, 0.5)
    ]
    steps_s = np.diff(np.unique(times_s))
    if steps_s.size:
        assert half_s / 20 <= steps_s.min() <= max(2 / 3 * half_s, 1.0) + 1e-9


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (47.2, "47 s"), (754.0, "12 min 34 s"), (33_978.0, "9 h 26 min")],
)
def test_a_moment_is_told_to_three_digits(seconds: float, words: str) -> None:
    assert moment_words(seconds) == words


def test_a_time_known_to_two_minutes_is_not_told_to_the_second() -> None:
    told = quantity_words(Quantity(19_673.0, "s", 19_563.0, 19_783.0, 0.95))
    assert told == "5 h 28 min (5 h 26 min to 5 h 30 min at 95 %)"
    assert quantity_words(Quantity(83.0, "s", 79.0, 87.0, 0.95)).startswith(
        "1 min 23 s (1 min 19 s"
    )


@pytest.mark.slow
def test_pictures_of_simulated_runs_say_so_and_a_cutoff_has_no_padded_digits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    texts: list[str] = []

    def keep(figure: Figure, stem: Path) -> None:
        figure.canvas.draw()
        texts.append(" ".join(text.get_text() for text in figure.findobj(Text)))

    monkeypatch.setattr("analysis.report.overview.save_figure", keep)
    real_run = falling(5.0, title="real vest")
    stored(tmp_path / "runs" / "real", real_run)
    assert real_run.description.board is not None
    board = replace(real_run.description.board, firmware="simulated-1.0")
    stored(tmp_path / "runs" / "played", falling(6.0, title="A" * 40, board=board))
    lines = read_lines([tmp_path / "runs" / "played", tmp_path / "runs" / "real"])
    assert [shown(line, "cutoff_v") for line in lines] == ["3 V", "3 V"]
    for chosen in (lines[:1] * 2, lines, lines[1:] * 2):
        draw_overview(chosen, tmp_path)
    simulated, mixed, real = texts[:2], texts[2:4], texts[4:]
    assert all("SIMULATED" in text for text in simulated)
    assert all("played (SIMULATED)" in text and "real vest" in text for text in mixed)
    assert real
    assert not any("SIMULATED" in text for text in real)


@pytest.mark.slow
def test_run_sheet_is_one_page_with_embedded_fonts_and_the_caution(
    season: Path, tmp_path: Path
) -> None:
    result = CliRunner().invoke(
        sheet_command, [str(season / "a"), "--out", str(tmp_path / "s")], catch_exceptions=False
    )
    assert result.exit_code == 0
    data = (tmp_path / "s" / "run-sheet.pdf").read_bytes()
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") == 1
    assert b"/FontFile2" in data
    assert b"CreationDate" not in data
    text = _pdf_text(tmp_path / "s" / "run-sheet.pdf")
    for words in (
        "vest a",
        "after 6 h",
        "Wiring",
        "3x AA alkaline",
        "Stop at 0.8 V per cell",
        "95 %",
    ):
        assert words in text


@pytest.mark.slow
def test_run_sheet_of_a_bad_night_still_holds_its_cautions(tmp_path: Path) -> None:
    events = tuple(Event(float(n), "mark", "a long note, " * 20) for n in range(60))
    run = falling(
        5.0, title="long name " * 40, notes="note " * 200, load="load " * 90, events=events
    )
    write_sheet(run, rundown(run, 3.0, 60.0), tmp_path)
    assert "Stop at 0.8 V per cell" in _pdf_text(tmp_path / "run-sheet.pdf")


def _pdf_text(path: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext here (Debian package poppler-utils)")
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)  # fmt: skip
    return " ".join(done.stdout.split())


@pytest.mark.slow
@pytest.mark.parametrize("size", ["page", "slide", "phone"])
def test_pictures_in_every_size_and_format(season: Path, tmp_path: Path, size: str) -> None:
    out = tmp_path / size
    arguments = [str(season / "b"), "--size", size, "--out", str(out)]
    assert CliRunner().invoke(pictures_command, arguments, catch_exceptions=False).exit_code == 0
    assert {path.suffix for path in out.glob("voltage.*")} == {".png", ".svg", ".pdf"}
    head = (out / "voltage.png").read_bytes()[16:24]
    wide, high = np.frombuffer(head, dtype=">u4")
    assert (wide > high) == (size != "phone")


def test_the_list_gives_the_charge_of_the_rundowns_sentence() -> None:
    """Until the cutoff where it was reached; the whole run goes on to the end of the hold."""
    (line,) = read_lines([SAMPLES / "bench-lamp-li-ion"])
    assert line.digest is not None
    assert f"gave {shown(line, 'given_mah')} until then" in line.digest.answer
    whole, given = line.value("charge_mah"), line.value("given_mah")
    assert isinstance(whole, float)
    assert isinstance(given, float)
    assert given < whole


@pytest.mark.slow
def test_runs_read_on_all_cores_are_those_read_one_after_the_other(
    season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the folders' order, each told once; one that cannot be read keeps its line."""
    folders = [*sorted(season.iterdir()), season / "nothing"]
    (season / "nothing").mkdir()
    told: list[int] = []
    with monkeypatch.context() as patch:
        patch.setattr(run_table, "_WORTH_S", 0.0)
        patch.setattr("analysis.say.many.usable_cores", lambda: 1)  # processes: test_many
        both = read_lines(folders, progress=told.append)
    assert pickle.loads(pickle.dumps(both)) == both
    assert told == [*range(1, len(folders) + 1)]
    for folder in folders:
        (folder / DIGEST_NAME).unlink(missing_ok=True)
    assert read_lines(folders) == both
    assert [line.problem != "" for line in both] == [*[False] * (len(folders) - 1), True]


def test_a_file_too_long_to_be_read_is_no_reason_to_read_on_all_cores(tmp_path: Path) -> None:
    (tmp_path / "samples.csv").touch()
    os.truncate(tmp_path / "samples.csv", 1 << 40)
    assert run_table._each_s([tmp_path]) < 1
