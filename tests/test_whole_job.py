"""The whole way: board, port, run on disk, analysis, report; as processes, as a user would."""

import csv
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.run.rundown import rundown
from firmware_probe.twin.faults import FaultPlayer, FaultRates
from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_board
from logger.run.reader import Run, read_run
from tests.support.demo import Demo
from tests.support.interpreter_bench import needs_interpreter
from tests.support.log_process import run_log
from tests.support.places import POUCH, ROOT

# Real processes, ports and time.
pytestmark = pytest.mark.real_time


def drawbench(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "drawbench", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"},
    )


def night(folder: Path, drop: float = 0.0) -> tuple[Run, SimulatedBoard]:
    """A full compressed night of the vest through the serial path; ``drop``: share of lines lost."""
    board = vest_board(window_us=2_000_000, faults=FaultPlayer(rates=FaultRates(drop=drop), seed=4))
    with BoardServer(board, best_link(), time_factor=0.0) as server:
        result = run_log(
            folder, "--port", server.port, "--pack", "3x AA alkaline", "--cutoff", "2.7",
            "--hold", "60s", "--for", "12h", timeout_s=120,
        )  # fmt: skip
    assert result.returncode == 0, result.stdout + result.stderr
    return read_run(folder), board


@pytest.mark.parametrize("drop", [0.0, 0.05])
def test_counters_and_own_integration_agree_over_a_night(tmp_path: Path, drop: float) -> None:
    """Within 0.1 %, charge and energy, also with 5 % of the lines dropped."""
    run, _ = night(tmp_path / "run", drop)
    by_counter = rundown(run, 2.7, 60.0)
    rows = run.samples.drop(columns=["charge_mah", "energy_mwh"])
    by_rows = rundown(replace(run, samples=rows), 2.7, 60.0)
    assert by_counter.charge.value == pytest.approx(by_rows.charge.value, rel=1e-3)
    assert by_counter.energy.value == pytest.approx(by_rows.energy.value, rel=1e-3)
    if drop:
        # Lost lines are told, every one, and no charge is lost with them: the counter runs on.
        missing = int(run.samples["sequence"].diff().sub(1).sum())
        assert 0.03 * len(run.samples) < missing < 0.07 * len(run.samples)
        assert sum(event.lost.get("rows", 0) for event in run.description.events) == missing


def test_demo_from_a_blank_folder(made_demo: Demo) -> None:
    made = made_demo.folder
    page = (made / "report" / "report.html").read_text(encoding="utf-8")
    assert "SIMULATED" in page
    assert "Night-ride vest" in page
    assert (made / "report" / "report.md").exists()
    # The joints' part: through the rig and by hand, stranded against solid.
    assert "stranded outlasts solid" in page
    assert (made / "report" / "flex-survival.png").exists()
    assert (made / "joints-on-the-rig" / "flex.csv").exists()
    with (made / "run" / "samples.csv").open(newline="", encoding="utf-8") as stream:
        assert next(csv.reader(stream, strict=True))[0] == "time_s"
    again = drawbench("demo", cwd=made.parent)
    assert again.returncode == 2
    assert "not empty" in again.stderr
    assert str(Path("demo/report/report.html")) in again.stderr


@pytest.mark.firmware
@needs_interpreter
def test_demo_on_the_firmware_in_python(tmp_path: Path) -> None:
    """Half an hour; the figure that is wrong in the demo's budget is found in what the firmware counted."""
    result = drawbench("demo", "--firmware", "micropython", cwd=tmp_path)
    assert result.returncode == 0, result.stdout + result.stderr
    assert "Most likely wrong: LEDs: off" in result.stdout
    run = read_run(tmp_path / "demo" / "run")
    assert len(run.samples) >= 1799
    assert (run.samples["sequence"].diff().dropna() == 1).all()
    assert run.description.simulated
    assert "SIMULATED" in (tmp_path / "demo" / "report" / "report.html").read_text("utf-8")
    again = drawbench("demo", "--firmware", "micropython", cwd=tmp_path)
    assert again.returncode == 2
    assert "not empty" in again.stderr


# Ai et al. 2020, J. Electrochem. Soc. 167:013512, measured pouch cell; times to 3.0 V from the
# files that ship with PyBaMM 24.1 (BSD-3).
@pytest.mark.parametrize(
    ("rate", "current", "published_s", "published_ah"),
    [
        ("0.1C", "228mA", 36875.5, 2.3355),
        ("0.5C", "1.14A", 7305.3, 2.3133),
        ("1C", "2.28A", 3610.7, 2.2868),
        ("2C", "4.56A", 1768.3, 2.2399),
    ],
)
def test_measured_cell_through_import_and_rundown(
    tmp_path: Path, rate: str, current: str, published_s: float, published_ah: float
) -> None:
    source = next(POUCH.glob(f"{rate}_*"))
    made = drawbench(
        "import", source, "run", "--constant-current", current, "--time-unit", "s",
        "--pack", "1x pouch li-ion",
        cwd=tmp_path,
    )  # fmt: skip
    assert made.returncode == 0, made.stdout + made.stderr
    shown = drawbench("rundown", "run", "--cutoff", "3.0", "--hold", "0", "--json", cwd=tmp_path)
    assert shown.returncode == 0, shown.stdout + shown.stderr
    result = json.loads(shown.stdout)
    # One sample of the source files at the crossing is 0.5 s at most.
    assert result["cutoff_time"]["value"] == pytest.approx(published_s, abs=0.5)
    assert result["charge_to_cutoff"]["value"] / 1000 == pytest.approx(published_ah, rel=1e-3)


def test_rundown_refuses_a_cutoff_above_the_first_voltage(tmp_path: Path) -> None:
    source = next(POUCH.glob("2C_*"))
    known = ("--constant-current", "4.56A", "--time-unit", "s")
    drawbench("import", source, "run", *known, cwd=tmp_path)
    result = drawbench("rundown", "run", "--cutoff", "4.9", cwd=tmp_path)
    assert result.returncode == 2
    assert "Traceback" not in result.stderr
    assert "4.9" in result.stderr


@pytest.mark.parametrize(
    "command",
    [
        "log",
        "import",
        "check",
        "rundown",
        "forecast",
        "compare",
        "report",
        "simulate",
        "demo",
        "budget",
        "flex",
        "firmware",
        "probe",
    ],
)
def test_every_command_has_help(tmp_path: Path, command: str) -> None:
    result = drawbench(command, "--help", cwd=tmp_path)
    assert result.returncode == 0
    assert "Usage" in result.stdout


def test_a_missing_run_is_told_in_words(tmp_path: Path) -> None:
    """A run folder that is none: exit 2 and a next step, from every command that reads runs."""
    for command in ("rundown", "report", "check"):
        result = drawbench(command, "nowhere", cwd=tmp_path)
        assert result.returncode == 2, result.stdout
        assert "Traceback" not in result.stderr
        assert "nowhere" in result.stderr
