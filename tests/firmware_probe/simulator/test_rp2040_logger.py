"""``drawbench log`` on the sketch on a simulated RP2040: sensor, I2C registers, UART, port, decoder, rows."""

from pathlib import Path

import pytest

from logger.run.reader import read_run
from tests.firmware_probe.simulator.test_logger import (
    recorded_to_cutoff,
    start_log,
    vest,
    wait_for_rows,
)
from tests.support.firmware_sim.bench import Outcome, live_bench, read_outcome
from tests.support.firmware_sim.exact import INA219, check_windows, read_pairs
from tests.support.firmware_sim.toolchain import needs_rp2040, rp2040_sketch

pytestmark = [pytest.mark.firmware, needs_rp2040, pytest.mark.real_time]


def rows_of(outcome: Outcome, sequences: list[int]) -> list[dict[str, str]]:
    sent = {int(window["sequence"]): window for window in outcome.windows}
    return [sent[sequence] for sequence in sequences]


def test_whole_rundown_to_cutoff(tmp_path: Path) -> None:
    run, outcome = recorded_to_cutoff(rp2040_sketch(), tmp_path, patience_s=120)
    assert run.description.board is not None
    assert run.description.board.board == outcome.hellos[0]["board"]
    assert len(run.samples) > 40
    # each row is a line of the board, and each line is the sensor's conversions to the last digit
    rows = rows_of(outcome, [int(sequence) for sequence in run.samples["sequence"]])
    assert [int(row["conversions"]) for row in rows] == list(run.samples["conversions"])
    assert [float(row["current_ma"]) for row in rows] == list(run.samples["current_ma"])
    check_windows(read_pairs(outcome, bursts=True), rows, INA219)
    drawn_mah = float(rows[-1]["charge_mah"]) - float(rows[0]["charge_mah"])
    recorded = run.samples["charge_mah"]
    assert recorded.iloc[-1] - recorded.iloc[0] == pytest.approx(drawn_mah, abs=2e-6)


def test_restart_while_recording(tmp_path: Path) -> None:
    """The recording goes on over a hang of the program: both parts are there, and the gap is told."""
    folder = tmp_path / "bench"
    script = vest(folder).at(0, "pack-speed 1").at(4, "stall")
    with live_bench(rp2040_sketch(), script, folder, "--pace", "1") as port:
        log = start_log(tmp_path / "run", port, "--for", "12s")
        wait_for_rows(tmp_path / "run", 10, patience_s=60)
        code = log.wait(timeout=120)
    words = (tmp_path / "said.txt").read_text()
    assert code == 0, words
    run, outcome = read_run(tmp_path / "run"), read_outcome(folder)
    assert [hello["cause"] for hello in outcome.hellos][-1] == "watchdog"
    assert set(run.samples["boot"]) == {1, 2}
    assert run.rows_rejected == 0
