"""``drawbench log`` on the compiled sketch: a rundown to cutoff, and a host that is killed before it."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from firmware_probe.line_format import command
from logger.run.reader import Run, read_run
from tests.support.firmware_sim.bench import (
    CYCLES_PER_US,
    Host,
    Outcome,
    Script,
    live_bench,
    read_outcome,
)
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch
from tests.support.places import ROOT

pytestmark = [pytest.mark.firmware, needs_toolchain]

SPEED = 3600  # the pack empties so many times faster: an hour of current in a second
CAPACITY_MAH = 2000.0
CUTOFF_V = 2.7


def pack_file(folder: Path) -> Path:
    """Open-circuit voltage of three alkaline AA over depth: the falling line of a maker's sheet, from memory."""
    depths = np.linspace(0, CAPACITY_MAH, 60)
    volts = 4.65 - 1.35 * depths / CAPACITY_MAH - 1.1 * np.exp((depths - CAPACITY_MAH) / 90)
    path = folder / "pack.csv"
    path.write_text("".join(f"{x:.3f},{y:.5f}\n" for x, y in zip(depths, volts, strict=True)))
    return path


def vest(folder: Path) -> Script:
    """A lit vest: a resistive part and pulses; runs down in about ten seconds of board time."""
    folder.mkdir(parents=True, exist_ok=True)
    table = folder / "load.csv"
    table.write_text("0,90\n11000,240\n17000,60\n")
    return Script().at(
        0,
        f"pack-table {pack_file(folder)}",
        "pack-ohm 0.5",
        f"pack-speed {SPEED}",
        f"load-table 33333 {table}",
        "load-ohm 60",
        "switch-fitted",
    )


def start_log(run: Path, port: str, *options: str) -> "subprocess.Popen[bytes]":
    words = [sys.executable, "-m", "drawbench", "log", str(run), "--port", port, "--plain"]
    words += ["--pack", "3x AA alkaline", "--cutoff", str(CUTOFF_V), "--hold", "500ms", *options]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with (run.parent / "said.txt").open("w") as said:
        return subprocess.Popen(
            words,
            cwd=run.parent,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
        )


def wait_for_rows(run: Path, rows: int, patience_s: float = 30) -> None:
    """Returns when so many rows are on disk."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        samples = run / "samples.csv"
        if samples.exists() and samples.read_bytes().count(b"\n") > rows:
            return
        time.sleep(0.05)
    pytest.fail(f"no {rows} rows in {run} after {patience_s} s")


def check_samples(run: Run) -> None:
    assert run.rows_rejected == 0
    assert not run.problems
    steps = np.diff(run.samples["time_s"])
    assert np.all(steps > 0)
    assert np.diff(run.samples["sequence"]).max() == 1


def recorded_to_cutoff(image: Path, folder: Path, patience_s: float) -> tuple[Run, Outcome]:
    """A whole run of this sketch as ``drawbench log`` wrote it, and what the bench knows of it."""
    bench = folder / "bench"
    with live_bench(image, vest(bench), bench, "--pace", "1") as port:
        code = start_log(folder / "run", port).wait(timeout=patience_s)
    words = (folder / "said.txt").read_text()
    assert code == 0, words
    run, outcome = read_run(folder / "run"), read_outcome(bench)
    assert run.description.end_reason == "cutoff", words
    check_samples(run)
    assert run.samples.iloc[-1]["pack_v"] < CUTOFF_V
    assert outcome.truth["switch_closed"] == 0
    return run, outcome


def test_whole_rundown_to_cutoff(tmp_path: Path) -> None:
    run, outcome = recorded_to_cutoff(sketch(), tmp_path, patience_s=60)
    assert run.description.sensor is not None
    assert run.description.sensor.kind == "INA219"
    assert run.description.board is not None
    assert not run.description.board.firmware.startswith("simulated")
    # every row is a line of the board, and the run's charge is the board's own, from the first row to the last
    sent = {int(window["sequence"]): window for window in outcome.windows}
    first, final = (sent[int(run.samples["sequence"].iloc[i])] for i in (0, -1))
    drawn_mah = float(final["charge_mah"]) - float(first["charge_mah"])
    recorded = run.samples["charge_mah"]
    assert recorded.iloc[-1] - recorded.iloc[0] == pytest.approx(drawn_mah, abs=2e-6)
    assert outcome.truth["depth_mah"] == pytest.approx(
        outcome.truth["charge_mah"] * SPEED, rel=1e-6
    )


def test_switch_opens_at_cutoff_with_the_host_killed_before(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    with live_bench(sketch(), vest(folder), folder, "--pace", "2") as port:
        log = start_log(tmp_path / "run", port)
        wait_for_rows(tmp_path / "run", 10)
        os.kill(log.pid, signal.SIGKILL)
        log.wait(timeout=10)
        end_s = time.monotonic() + 30
        while not _opened(folder) and time.monotonic() < end_s:
            time.sleep(0.1)
        time.sleep(0.3)
        # opening the port restarts the board: what it was told outlives that
        with Host(port, 115_200) as host:
            heard = host.hear(b"running=0", ask=command("identify"))
    outcome = read_outcome(folder)
    assert outcome.truth["switch_closed"] == 0
    opened_us = outcome.event_times("switch open")[-1]
    reasons = [line.fields[2] for line in outcome.of("load") if line.fields[1] == "0"]
    assert [reason for reason in reasons if reason != "boot"] == ["cutoff"]
    assert b"opened=cutoff" in heard
    assert b"load=0" in heard
    assert b"cutoff_v=%.6f" % CUTOFF_V in heard
    # below the cutoff for the time that the logger had set on the board, not for longer
    hold_us = 1000 * int(re.findall(rb"hold_ms=(\d+)", heard)[-1])
    assert 500_000 <= hold_us < 10_000_000
    assert opened_us - _below_cutoff_us(outcome, opened_us) == pytest.approx(hold_us, abs=5000)
    # what was recorded before the kill can be read
    run = read_run(tmp_path / "run")
    assert len(run.samples) >= 10
    assert run.description.state == "recording"


def _opened(folder: Path) -> bool:
    events = (folder / "events.txt").read_text()
    return events.rstrip().endswith("switch open") and events.count("switch open") > 1


def _below_cutoff_us(outcome: Outcome, opened_us: float) -> float:
    """When the pack fell below the cutoff for the last time before the switch opened."""
    found = outcome.conversions
    found = found[found["cycle"] / CYCLES_PER_US < opened_us]
    above = np.flatnonzero(found["bus"] * 4e-3 + found["value"] * 10e-6 >= CUTOFF_V)
    return float(found["cycle"][above[-1] + 1]) / CYCLES_PER_US
