"""Several runs through report, sheet and pictures: who is meant, what is said, what is left, what is refused."""

import errno
import os
import shutil
import webbrowser
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

import drawbench
from analysis.commands import makers, opening, pictures, report
from analysis.commands.makers import Job, Made
from analysis.commands.rundown import analysed
from analysis.commands.several import jobs_of, meant_runs, single_run
from analysis.report.digest import digest_of
from logger.base.errors import BenchError
from logger.run.format import DESCRIPTION_NAME
from tests.support.next_command import read_back
from tests.support.runs_by_formula import VEST, sampled_run, stop_at, stored


def evening(folder: Path, **changes: Any) -> Path:
    """A run of a meter that measured the voltage alone: an hour, a row a minute."""
    time_s = 60.0 * np.arange(61)
    told: dict[str, Any] = {
        "title": "lantern",
        "pack": VEST,
        "stop": stop_at(3.0),
        "need_s": 1800.0,
    }
    return stored(folder, sampled_run(time_s, 4.5 - 2e-4 * time_s, **told | changes))


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three runs and one that is none, in ``class``; the folder to work in is the one above."""
    for name in ("amy", "ben"):
        evening(tmp_path / "class" / name)
    evening(tmp_path / "class" / "cleo", title="comet", state="recording")
    broken = tmp_path / "class" / "bad"
    broken.mkdir()
    (broken / "samples.csv").write_text("what,is\n1,2\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("analysis.say.many.usable_cores", lambda: 1)
    return tmp_path / "class"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> list[Job]:
    """Pictures and reports that are not drawn: the jobs that were asked for."""
    asked: list[Job] = []

    def make(job: Job) -> Made:
        _, _, kept = analysed(job.run_folder, None, None)
        asked.append(job)
        file = job.run_folder / "page.html"
        return Made((file,), True, kept, ())

    for module, name in ((pictures, "PICTURES"), (report, "REPORT")):
        maker = replace(getattr(module, name), make=make, kept=lambda job: None)
        monkeypatch.setattr(module, name, maker)
    return asked


def say(*words: object) -> tuple[str, BenchError | None]:
    """What the command prints, and how it was refused."""
    given = [str(word) for word in words]
    result = CliRunner().invoke(drawbench.cli, given)
    error = result.exception
    assert error is None or isinstance(error, BenchError), result.output
    return result.output, error


def test_a_line_for_each_and_the_broken_one_named(shelf: Path, quick: list[Job]) -> None:
    output, error = say("pictures", "class")
    lines = output.splitlines()
    assert lines[:6] == [
        "bad   not made: samples.csv is not the samples file of a run (it begins with",
        "  'what,is')",
        "amy   Yes: 1 h of 30 min needed",
        "ben   Yes: 1 h of 30 min needed",
        "cleo  Yes: 1 h of 30 min needed; still open",
        "",
    ], "trouble first; that a pack was still above its cutoff is no warning to count"
    assert "3 picture sets made, 1 could not be made." in output
    assert output.count("Caution, 3x AA alkaline") == 1
    assert read_back(lines[-1]) == ["report", "class"]
    assert error is not None
    assert error.happened == "1 of 4 picture sets could not be made."
    assert error.evidence == "bad"
    assert "drawbench import" in error.next_step


def test_trouble_first_and_what_is_wrong_is_said(shelf: Path, quick: list[Job]) -> None:
    """In the order of the list; a sound run without a need, and one whose description is lost."""
    shutil.rmtree(shelf / "bad")
    evening(shelf / "zoe", need_s=7200.0)
    evening(shelf / "dot", need_s=None)
    (shelf / "ben" / DESCRIPTION_NAME).write_text('{"title": "lan')
    output, error = say("pictures", "class")
    assert error is None
    assert output.splitlines()[:6] == [
        "ben   1 h !; no need known",
        "zoe   Not shown: over 1 h of 2 h needed",
        "dot   1 h; no need known",
        "amy   Yes: 1 h of 30 min needed",
        "cleo  Yes: 1 h of 30 min needed; still open",
        "! ben: its description cannot be read: drawbench check class/ben",
    ]
    listed = say("list", "class", "--sort", "trouble", "--csv", "-")[0].splitlines()[1:]
    assert [line.split(",")[0] for line in listed] == ["ben", "zoe", "dot", "amy", "cleo"]


def test_a_run_named_twice_is_made_once(shelf: Path, quick: list[Job]) -> None:
    (shelf / "link").symlink_to(shelf / "amy")
    output, error = say(
        "pictures", "class/amy", "class/amy/", "class/link", "class/amy/samples.csv"
    )
    assert error is None
    assert [job.run_folder for job in quick] == [Path("class/amy")]
    assert "A run was named 3 times more; each is made once." in output


def test_what_is_no_run_costs_the_others_nothing(shelf: Path, quick: list[Job]) -> None:
    (shelf.parent / "empty").mkdir()
    (shelf.parent / "letters").mkdir()
    (shelf.parent / "letters" / "letter.txt").write_text("dear\n")
    output, error = say("pictures", "class/amy", "nobody", "empty", "letters", "class/ben")
    assert len(quick) == 2
    for name in ("nobody", "empty", "letters"):
        assert name in output
    assert error is not None
    assert error.happened == "3 of 5 picture sets could not be made."
    assert error.evidence == "nobody, empty, letters"


@pytest.mark.parametrize(
    ("paths", "single"),
    [
        (("class/amy",), "class/amy"),
        (("class/amy/samples.csv",), "class/amy"),
        (("class",), None),
        (("class/amy", "class/ben"), None),
        (("nobody",), "nobody"),
        (("empty",), "empty"),
        (("one",), "one/only"),
    ],
)
def test_which_single_run_is_meant(shelf: Path, paths: tuple[str, ...], single: str | None) -> None:
    (shelf.parent / "empty").mkdir()
    shutil.copytree(shelf / "amy", shelf.parent / "one" / "only")
    found = single_run([Path(path) for path in paths])
    assert found == (None if single is None else Path(single))


def test_no_two_folders_alike(shelf: Path) -> None:
    for name in ("Amy", "amy-2"):
        shutil.copytree(shelf / "amy", shelf.parent / "other" / name)
    shutil.copytree(shelf / "amy", shelf.parent / "third" / "class" / "amy")
    meant = meant_runs([Path("class"), Path("other"), Path("third")])
    jobs = jobs_of(meant.runs, Path("out"), makers.Asked())
    names = [str(job.out) for job in jobs]
    assert names == [f"out/{name}" for name in ("amy", "bad", "ben", "cleo", "other-Amy", "amy-2", "class-amy")]  # fmt: skip
    assert len({name.casefold() for name in names}) == len(names)


def test_a_budget_belongs_to_one_piece(shelf: Path, quick: list[Job]) -> None:
    _, error = say("report", "class", "--budget", "vest.toml")
    assert error is not None
    assert error.happened.startswith("--budget belongs to one piece, and these 4 runs are of 3.")
    assert quick == []


@pytest.mark.parametrize("command", ["report", "sheet", "pictures"])
def test_never_thirty_windows(shelf: Path, opened: list[str], command: str) -> None:
    _, error = say(command, "class", "--open")
    assert error is not None
    assert "--open opens one" in error.happened
    assert opened == []


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Addresses that a browser was asked to open."""
    found: list[str] = []

    def browser(address: str) -> bool:
        found.append(address)
        return True

    monkeypatch.setattr(webbrowser, "open", browser)
    monkeypatch.setattr(opening, "has_display", lambda: True)
    return found


@pytest.mark.parametrize(
    ("command", "module", "kept", "file"),
    [
        ("report", report, "kept_report", "report.html"),
        ("sheet", pictures, "kept_sheet", "run-sheet.pdf"),
        ("pictures", pictures, "kept_pictures", "voltage.png"),
    ],
)
def test_one_run_is_opened_and_only_if_asked(
    shelf: Path, opened: list[str], monkeypatch: pytest.MonkeyPatch, command: str, module: Any, kept: str, file: str
) -> None:  # fmt: skip
    files = tuple(shelf / "amy" / name for name in ("charge.svg", "report.md", file))
    made = Made(files, False, digest_of(shelf / "amy"), ("It lasted 1 h.",))
    monkeypatch.setattr(module, kept, lambda job: made)
    assert say(command, "class/amy")[1] is None
    assert opened == []
    assert say(command, "class/amy", "--open")[1] is None
    assert opened == [(shelf / "amy" / file).as_uri()]


@pytest.mark.slow
def test_one_command_for_reports_sheets_and_the_page(
    shelf: Path, opened: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.rmtree(shelf / "cleo")
    assert say("sheet", "class/amy", "--out", "direct")[1] is None
    output, error = say("report", "class", "--overview", "all", "--open")
    assert error is not None, "the broken one is still told"
    assert "2 reports made, 1 could not be made." in output
    assert opened == [(shelf.parent / "all" / "overview.html").as_uri()]
    for name in ("amy", "ben"):
        sheet = (shelf / name / "sheet" / "run-sheet.pdf").read_bytes()
        assert sheet == (shelf / name / "report" / "run-sheet.pdf").read_bytes()
        assert name != "amy" or sheet == (shelf.parent / "direct" / "run-sheet.pdf").read_bytes()
    assert read_back(output.splitlines()[-1])[:1] == ["rundown"]
    again, _ = say("report", "class", "--overview", "all")
    assert "2 reports unchanged, 1 could not be made." in again
    assert "2 sheets unchanged" in say("sheet", "class")[0]
    # The report's own is taken where the sheet's folder is gone: nothing is drawn again.
    shutil.rmtree(shelf / "amy" / "sheet")
    monkeypatch.setattr("analysis.report.sheet.sheet_figure", None)
    assert say("sheet", "class/amy")[1] is None
    assert (shelf / "amy" / "sheet" / "run-sheet.pdf").is_file()


def no_room(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def not_writable(folder: Path) -> None:
    """Something stands where the sheet's folder goes: refused whoever we are."""
    (folder / "sheet").write_text("mine\n")


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["no room", "not writable"])
def test_a_disk_or_folder_that_takes_nothing_is_told(
    shelf: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    if fault == "no room":
        monkeypatch.setattr("analysis.commands.makers.TemporaryDirectory", no_room)
        words = "The sheet cannot be made (No space left on device)"
    else:
        for name in ("amy", "ben"):
            not_writable(shelf / name)
        words = "The sheet cannot be written to"
    monkeypatch.setattr("analysis.report.sheet.write_sheet", lambda *_: None)
    output, error = say("sheet", "class/amy", "class/ben")
    assert " ".join(output.split()).count(words) == 2
    assert error is not None
    assert error.happened == "2 of 2 sheets could not be made."
    helps = "room on the disk" if fault == "no room" else "choose another folder"
    assert helps in error.next_step, "what helps both, not what is wrong with the first"
    assert "Print:" not in output


def test_what_was_made_is_told_before_the_page_finds_no_room(
    shelf: Path, quick: list[Job], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> Path:
        raise BenchError("The report cannot be written to all.")

    monkeypatch.setattr(report, "_overview", full)
    output, error = say("report", "class", "--overview", "all")
    assert "3 reports made, 1 could not be made." in output
    assert error is not None
    assert error.happened == "The report cannot be written to all."


def test_where_no_report_was_made_there_is_none_to_open(shelf: Path, quick: list[Job]) -> None:
    output, error = say("report", "class/bad", "nobody")
    assert error is not None
    assert "0 reports made, 2 could not be made." in output
    assert "Open in a browser" not in output


def test_one_long_name_leaves_the_others_their_lines(shelf: Path, quick: list[Job]) -> None:
    evening(shelf / ("n" * 200))
    output, _ = say("pictures", "class/amy", f"class/{'n' * 200}")
    assert "Yes: 1 h" in next(line for line in output.splitlines() if line.startswith("amy"))


def test_without_a_display_the_path_is_enough(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"):
        monkeypatch.delenv(name, raising=False)
    assert not opening.has_display("linux")
    assert opening.has_display("win32")
    monkeypatch.setenv("DISPLAY", ":0")
    assert opening.has_display("linux")
    monkeypatch.setattr(opening, "has_display", lambda: False)
    opening.open_file(Path("report.html"))
    assert "no display" in capsys.readouterr().out
