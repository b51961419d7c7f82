"""What is started beside a recording is our own program, whatever lies in the working folder or in PYTHONPATH."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from firmware_probe.twin.vest import vest_board
from logger.recording.beside import drawbench_command, drawbench_environment, is_installed
from logger.run.format import DESCRIPTION_NAME
from tests.support.log_process import read_described
from tests.support.places import ROOT
from tests.support.slowing_clock import served_for_a_forecast

# Our own names, a library that we need, two of python's own, and what python runs at its start by itself.
HOSTILE = ("drawbench", "logger", "analysis", "click", "json", "queue", "sitecustomize")
# The logger itself runs undisturbed; what it starts inherits this PYTHONPATH and its working folder.
PARENT = (
    "import os, sys; os.environ['PYTHONPATH'] = sys.argv.pop(1); from drawbench import main; main()"
)


@pytest.fixture
def planted(tmp_path: Path) -> Path:
    """Hostile files in ``here`` and ``there``; each leaves its name in ``run`` when it is run."""
    (tmp_path / "run").mkdir()
    for place in ("here", "there"):
        (tmp_path / place).mkdir()
        for name in HOSTILE:
            trace = tmp_path / "run" / f"{place}-{name}"
            code = f"open({str(trace)!r}, 'w').close()\n"
            (tmp_path / place / f"{name}.py").write_text(code, encoding="utf-8")
    return tmp_path


def run_files(planted: Path) -> list[str]:
    return sorted(path.name for path in (planted / "run").iterdir())


def test_the_planted_files_are_run_without_our_care(planted: Path) -> None:
    """Else the tests below would show nothing."""
    there = {**os.environ, "PYTHONPATH": os.pathsep.join((str(planted / "there"), str(ROOT)))}
    for arguments, place in ((["-m", "drawbench"], "here"), (["-P", "-m", "drawbench"], "there")):
        subprocess.run(
            [sys.executable, *arguments], cwd=planted / "here", env=there, check=False,
            capture_output=True, timeout=60,
        )  # fmt: skip
        assert f"{place}-drawbench" in run_files(planted)
    imports = f"import {', '.join(HOSTILE)}"
    subprocess.run([sys.executable, "-P", "-c", imports], env=there, check=True, timeout=60)
    assert {f"there-{name}" for name in HOSTILE} <= set(run_files(planted))


@pytest.mark.real_time
@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
@pytest.mark.parametrize("beside", ["forecast", "page"])
def test_hostile_files_beside_a_recording_are_not_run(planted: Path, beside: str) -> None:
    """With a page, the forecast is made there and only there: either way it shows who is at work."""
    folder = planted / "recorded"
    with served_for_a_forecast(vest_board(window_us=5_000_000)) as server:
        process = subprocess.Popen(
            [
                sys.executable, "-P", "-c", PARENT, str(planted / "there"), "log", str(folder),
                "--port", server.port, "--pack", "3x AA alkaline", "--cutoff", "2.7", "--hold", "60s",
                "--plain", *(["--page"] if beside == "page" else []),
            ],
            cwd=planted / "here", env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        try:
            wait_for(lambda: bool(forecasts(folder)) or process.poll() is not None)
        finally:
            process.send_signal(signal.SIGINT)
            output, _ = process.communicate(timeout=60)
    assert process.returncode == 0, output
    assert forecasts(folder)[0].startswith("cutoff 2.7 V at about"), output
    assert ("Page: http://" in output) == (beside == "page")
    assert run_files(planted) == []


def wait_for(what: Callable[[], bool], patience_s: float = 200.0) -> None:
    end_s = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.2)


def forecasts(folder: Path) -> list[str]:
    if not (folder / DESCRIPTION_NAME).exists():
        return []
    return [event.text for event in read_described(folder).events if event.kind == "forecast"]


def test_of_pythonpath_nothing_but_our_own_folder_is_left(
    planted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same program, its version asked for: from a source folder ours is the one folder added."""
    monkeypatch.setenv("PYTHONPATH", str(planted / "there"))
    monkeypatch.setenv("SOMETHING_ELSE", "kept")
    environment = drawbench_environment()
    assert environment.get("PYTHONPATH") in (None, str(ROOT))
    assert environment["SOMETHING_ELSE"] == "kept"
    done = subprocess.run(
        drawbench_command("--help"), env=environment, cwd=planted / "here",
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert "rundown" in done.stdout
    assert run_files(planted) == []


def test_installed_is_what_follows_the_standard_library(tmp_path: Path) -> None:
    library = str(Path(os.__file__).parent)
    site = str(tmp_path / "site-packages")
    source = str(tmp_path / "source")
    assert is_installed(["/bench", library, site], Path(site))
    # ``pip install -e``: site's folder leads to the source folder, which stands last.
    assert is_installed(["/bench", library, site, source], Path(source))
    assert not is_installed([source, library, site], Path(source))
    assert not is_installed(["", library], Path.cwd())
    assert not is_installed([source], Path(source))


@pytest.mark.parametrize("installed", [False, True], ids=["source", "installed"])
def test_our_folder_is_added_only_where_nothing_leads_to_it(
    installed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", "elsewhere")
    library = str(Path(os.__file__).parent)
    path = [library, str(ROOT)] if installed else [str(ROOT), library]
    monkeypatch.setattr(sys, "path", path)
    assert drawbench_environment().get("PYTHONPATH") == (None if installed else str(ROOT))
