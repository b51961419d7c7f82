"""Budget tables and the probe's own effect, in JSON, in the terminal and by formula."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.commands.rundown import rundown_command
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import Component, combined, coverage_factor
from analysis.run.doubt_table import DoubtTable, two_digits
from analysis.run.rundown import Rundown, rundown
from logger.recording.terms import COLUMN_NAMES
from logger.run.store import write_description
from tests.support.runs_by_formula import Floats, board_run, sampled_run, write_samples

CURRENT_MA = 200.0


def falling(**changes: Any) -> Rundown:
    """From 4.5 V by 0.9 V an hour at 200 mA; 2.7 V after two hours."""
    run = board_run(
        lambda t: 4.5 - 0.9 * t / 3600,
        lambda t: np.full_like(t, CURRENT_MA),
        9000.0,
        1.0,
        **changes,
    )
    return rundown(run, 2.7)


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0.00345, "0.0034"),
        (0.0996, "0.10"),
        (12.4, "12"),
        (1234.0, "1200"),
        (0.0, "0"),
        (9.96, "10"),
    ],
)
def test_two_significant_digits(number: float, text: str) -> None:
    assert two_digits(number) == text


def test_every_main_result_has_its_budget_in_json() -> None:
    document = falling().as_json()
    json.dumps(document, allow_nan=False)
    budgets = document["uncertainty_budget"]
    assert set(budgets) == {"charge", "energy", "mean_current", "cutoff_time", "duration"}
    for name, budget in budgets.items():
        shares = [part["share"] for part in budget["components"]]
        assert sum(shares) == pytest.approx(1.0)
        assert shares == sorted(shares, reverse=True)
        assert budget["expanded"] == pytest.approx(budget["coverage_factor"] * budget["standard"])
        assert budget["unit"] == document[name]["unit"]
        half = (document[name]["upper"] - document[name]["lower"]) / 2
        # The interval of a time adds clock and voltage by their half-widths, and has two sides.
        assert half == pytest.approx(
            budget["expanded"], rel=0.05 if name == "cutoff_time" else 1e-9
        )


def test_slope_turns_the_voltage_s_doubt_into_time() -> None:
    components = {part.source: part.standard for part in falling().fall.components}
    # TI SBOS448G 7.5: 0.5 % of 2.7 V, rectangular, at 0.9 V an hour.
    assert components["sensor's voltage gain"] == pytest.approx(
        0.005 * 2.7 / np.sqrt(3) / 0.9 * 3600, rel=0.01
    )


def test_small_components_share_one_row() -> None:
    table = DoubtTable(
        "x",
        "X",
        Quantity(10.0, "mAh"),
        (Component("big", "B", 1.0), Component("a", "B", 0.01), Component("b", "A", 0.02)),
    )
    assert [row[0] for row in table.rows()] == ["big", "all others"]
    assert table.rows()[1][1] == "A/B"
    assert table.standard == pytest.approx(combined(table.components))
    assert table.factor == pytest.approx(coverage_factor(table.components))


def test_voltage_lost_in_the_shunt() -> None:
    # 200 mA over 0.1 ohm are 20 mV; over 2.5 h 0.1 x 0.04 x 2.5 = 10 mWh.
    probe = falling().probe
    assert probe is not None
    assert probe.shunt_drop_peak.value == pytest.approx(0.020)
    assert probe.shunt_loss.value == pytest.approx(10.0)
    # The piece saw 2.7 V when the pack stood at 2.72 V: 80 s earlier at 0.9 V an hour.
    assert probe.cutoff_time_at_piece.value == pytest.approx(7200 - 80, abs=1.0)
    without = probe.cutoff_time_without_probe
    assert without.value == pytest.approx(7200, abs=1.0)
    assert without.lower is not None
    assert without.upper is not None
    assert without.lower < 7200 * (1 - probe.loss_share)
    assert probe.piece_current.value is None


def test_board_that_hangs_on_the_pack_shortens_the_run() -> None:
    probe = falling(board_draw_ma=20.0).probe
    assert probe is not None
    assert probe.piece_current.value == pytest.approx(CURRENT_MA - 20)
    # At the same charge: 200 / 180 as long.
    assert probe.cutoff_time_without_probe.value == pytest.approx(7200 * 200 / 180, rel=1e-3)


def test_energy_lost_in_the_shunt_is_the_difference_of_the_two_voltages() -> None:
    result = falling()
    assert result.probe is not None
    trace = result.draw.trace
    assert trace.voltage_v is not None
    assert trace.bus_v is not None
    assert trace.current_ma is not None
    both: Floats = (trace.voltage_v - trace.bus_v) * trace.current_ma * trace.weight_s / 3600
    assert result.probe.shunt_loss.value == pytest.approx(float(both.sum()), rel=1e-6)


def test_import_without_a_shunt_has_neither() -> None:
    result = rundown(sampled_run(np.arange(100.0), np.full(100, 4.5), np.full(100, 50.0)), None)
    assert result.probe is None
    assert result.doubts == ()
    assert result.as_json()["uncertainty_budget"] == {}


def test_tables_in_the_terminal(tmp_path: Path) -> None:
    run = board_run(lambda t: 4.5 - 0.9 * t / 3600, lambda t: np.full_like(t, 200.0), 9000.0, 10.0)
    write_samples(tmp_path / "run", run)
    write_description(tmp_path / "run", run.description, COLUMN_NAMES)
    arguments = [str(tmp_path / "run"), "--cutoff", "2.7"]
    shown = CliRunner().invoke(rundown_command, [*arguments, "--doubt"])
    assert shown.exit_code == 0, shown.output
    assert "sensor's current offset" in shown.output
    assert "voltage lost in the shunt at the peak" in shown.output
    assert "sensor's current offset" not in CliRunner().invoke(rundown_command, arguments).output
