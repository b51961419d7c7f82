"""What differs on Windows and macOS, on simulated layers: neither was ever run here (DEVELOPERS.md, "Never run")."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import unicodedata
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import pytest
from PIL import Image

from firmware_probe.twin.links import TcpLink
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.vest import vest_board
from logger.base import clock, safe_files
from logger.base.console_signs import in_plain_signs
from logger.base.file_names import why_not_on_windows
from logger.base.safe_files import _put_in_place
from logger.recording.beside import apart
from logger.recording.side_by_side import _Signals
from tests.support.places import ROOT, SAMPLES, VEST_BUDGET

# Spaces, brackets and an umlaut, as Linux and Windows write it and taken apart, as macOS may hand it on.
NAME: Final = "Weste über Nacht (2)"
TAKEN_APART: Final = unicodedata.normalize("NFD", NAME)
EVENING: Final = "runs/vest-evening"


def on_windows(folder: Path, *commands: tuple[str, ...]) -> list[dict[str, Any]]:
    """Every module of ours imported there, then the commands, each through the front door."""
    done = subprocess.run(
        [sys.executable, "-X", "warn_default_encoding", "-m", "tests.support.windows_layer"],
        input=json.dumps(commands), capture_output=True, text=True, check=True, cwd=folder, timeout=240,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "", "COLUMNS": "80"},
    )  # fmt: skip
    told = json.loads(done.stdout)
    assert told["refused"] == {}, "modules that need POSIX"
    results: list[dict[str, Any]] = told["results"]
    for result in results:
        assert "Traceback" not in result["complained"], result
        assert "a fault of the program" not in result["complained"], result
        assert "?" not in result["said"].replace("Your own piece?", ""), result
    return results


def with_windows_line_ends(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))


@pytest.mark.real_time
def test_commands_where_only_windows_is(tmp_path: Path) -> None:
    """No module needs POSIX; commands end well in cp1252; names of devices are refused; line ends do not matter.

    A recording is locked with msvcrt and described anew while it grows; no row of it is missing.
    """
    ignored = shutil.ignore_patterns(".*", "pictures")
    shutil.copytree(SAMPLES, tmp_path / "runs", ignore=ignored)
    for name in (NAME, TAKEN_APART):
        shutil.copytree(SAMPLES / "vest-evening", tmp_path / "runs" / name, ignore=ignored)
        with_windows_line_ends(tmp_path / "runs" / name / "samples.csv-metadata.json")
    for name in ("vest.toml", "ends.toml"):
        shutil.copy(VEST_BUDGET, tmp_path / name)
    with_windows_line_ends(tmp_path / "ends.toml")
    Image.new("RGB", (8, 8)).save(tmp_path / "shot.png")
    rows = [f"{n},{4.5 - n / 100},80" for n in range(30)]
    (tmp_path / "meter.csv").write_text("\r\n".join(["seconds,volt_V,current_mA", *rows]))
    fine: list[tuple[str, ...]] = [
        ("list",), ("check", "runs/vest-with-faults"), ("budget", "vest.toml", EVENING), ("budget", "ends.toml", EVENING),
        ("import", "meter.csv", "imported"), ("report", EVENING, "--out", "page"),
        ("rundown", EVENING), ("rundown", f"runs/{NAME}"), ("rundown", f"runs/{TAKEN_APART}"),
        ("flex", "new", "bends.csv"),
        ("edit", "imported", "--title", "Weste", "--trim", "2s..20s", "--photo", "shot.png"), ("edit", "imported", "--name", "named"),
        ("edit", "named", "--history"), ("edit", "named", "--undo"), ("rundown", "imported"),
    ]  # fmt: skip
    refused: list[tuple[str, ...]] = [
        ("import", "meter.csv", "nul"), ("import", "meter.csv", "runs/aux.2"), ("import", "meter.csv", "17:30"),
        ("import", "meter.csv", "dot."), ("log", "night", "--port", "COM12"), ("log", "con", "--port", "COM3"),
    ]  # fmt: skip
    with BoardServer(vest_board(window_us=2_000_000), TcpLink(), time_factor=0.0) as server:
        log = ("log", "rec", "--for", "2min", "--plain", "--no-forecast", "--port", server.port)
        results = on_windows(tmp_path, log, ("check", "rec"), *fine, *refused)
    recorded, checked, *results = results
    assert "60 rows" in recorded["said"], recorded
    assert "60 rows used, 0 left out" in checked["said"], checked
    for result in results[: len(fine)]:
        assert result["code"] == 0, result
    for result in results[len(fine) :]:
        assert result["code"] == 2, result
        assert "Next: " in result["complained"]
    said = {tuple(result["command"]): result["said"] for result in results}
    budget = said["budget", "vest.toml", EVENING]
    assert said["budget", "ends.toml", EVENING] == re.sub(r"vest(\.|-corr)", r"ends\1", budget)
    plain = said["rundown", EVENING]
    for name in (NAME, TAKEN_APART):
        assert said["rundown", f"runs/{name}"].split("\n\n")[0] == plain.split("\n\n")[0]
    assert "COM12" in results[-2]["complained"]
    assert not (tmp_path / "night").exists() or not any((tmp_path / "night").iterdir())


@pytest.mark.parametrize(
    ("name", "word"),
    [("CON", "device"), ("nul.csv", "device"), ("Lpt1", "device"), ("com¹", "device"), ("aux .x", "device"),
     ("vest.", "dot"), ("vest ", "space"), ("17:30", "':'"), ("why?", "'?'"), ("a\tb", "'\\t'")],
)  # fmt: skip
def test_names_that_windows_does_not_take(name: str, word: str) -> None:
    assert word in why_not_on_windows(Path("runs") / name / "samples.csv")


@pytest.mark.parametrize(
    "name", ["console", "com", "com10", "nullen", "vest 2", NAME, "..", ".hidden", "a.b"]
)
def test_names_that_windows_takes(name: str) -> None:
    assert why_not_on_windows(Path("/runs") / name / "samples.csv") == ""


def test_signs_that_a_console_does_not_know_are_said_in_others() -> None:
    said = in_plain_signs("≥ 503 mA – 0.1 Ω ± 2 µV … “Überwurf” → 5 °C 中")
    assert said == '>= 503 mA - 0.1 ohm +/- 2 uV ... "Uberwurf" -> 5 deg C ?'


@pytest.mark.parametrize("code", ["cp1252", "cp850", "cp437", "ascii"])
def test_no_sign_of_our_own_ends_a_command(code: str) -> None:
    """Every sign that stands in our source, in every code page that a console here may have."""
    import drawbench
    from logger.base.console_signs import NAME as INSTEAD
    from logger.base.console_signs import say_what_the_console_cannot

    say_what_the_console_cannot()
    sources = [
        Path(drawbench.__file__),
        *(ROOT / "logger").rglob("*.py"),
        *(ROOT / "analysis").rglob("*.py"),
    ]
    signs = {sign for path in sources for sign in path.read_text(encoding="utf-8")} - set("\r\n")
    said = "".join(sorted(signs)).encode(code, INSTEAD)
    assert (b">=" in said) is (code != "cp437"), "which has a sign for it"
    assert said.count(b"?") <= 12, "only the blocks of a bar have no other sign"


def test_a_file_that_is_being_read_is_replaced_when_it_is_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """CreateFile without FILE_SHARE_DELETE: refused while open. Lasting, it is the caller's to know."""
    made, name = tmp_path / "new", tmp_path / "old"
    made.write_text("new", encoding="utf-8")
    waits: list[float] = []
    real = Path.replace

    def held(path: Path, target: Path) -> Path:
        if len(waits) < 3:
            raise PermissionError(13, "being used by another process")
        return real(path, target)

    monkeypatch.setattr(Path, "replace", held)
    _put_in_place(made, name, waits.append)
    assert name.read_text(encoding="utf-8") == "new"
    assert sum(safe_files._PATIENCE_S) < 1.0
    monkeypatch.setattr(
        Path, "replace", lambda *_: (_ for _ in ()).throw(PermissionError(13, "held"))
    )
    with pytest.raises(PermissionError):
        _put_in_place(made, name, waits.append)


def test_ctrl_c_of_the_console_is_not_for_what_runs_beside() -> None:
    """Python's documentation: CREATE_NEW_PROCESS_GROUP is 0x200; start_new_session is POSIX only."""
    assert apart(windows=True) == {"creationflags": 0x200}
    assert apart(windows=False) == {"start_new_session": True}


def test_ctrl_break_ends_a_recording_well(monkeypatch: pytest.MonkeyPatch) -> None:
    ended: list[tuple[str, str]] = []
    session = SimpleNamespace(
        stop=lambda *said: ended.append(said), hurry=SimpleNamespace(set=list)
    )
    monkeypatch.setattr(signal, "SIGBREAK", signal.SIGUSR1, raising=False)
    with _Signals([SimpleNamespace(session=session)]):  # type: ignore[list-item]
        signal.raise_signal(signal.SIGUSR1)
    assert ended == [("user", "ended with Ctrl-Break")]


@pytest.mark.parametrize(("platform", "slept_s"), [("darwin", 3600.0), ("win32", 0.0)])
def test_clocks_of_other_systems(
    platform: str, slept_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """macOS: monotonic() stands still in sleep, CLOCK_MONOTONIC_RAW goes on (from memory). Windows: one clock, which goes on."""
    now = {"raw": 100.0, "monotonic": 100.0}
    fake = SimpleNamespace(
        monotonic=lambda: now["monotonic"], clock_gettime=lambda _: now["raw"], time=lambda: now["raw"], CLOCK_MONOTONIC_RAW=4
    )  # fmt: skip
    monkeypatch.setattr(clock, "time", fake)
    monkeypatch.setattr(clock, "sys", SimpleNamespace(platform=platform))
    before = clock.read_clocks()
    now["raw"] += 3601.0
    now["monotonic"] += 1.0 if platform == "darwin" else 3601.0
    seen = clock.compare(before, clock.read_clocks())
    assert sum(event.seconds for event in seen if event.kind == "sleep") == slept_s
