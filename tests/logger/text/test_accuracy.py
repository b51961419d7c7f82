"""Accuracy as manuals write it: read, kept in the run, carried into every interval; refused where it is no accuracy."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.doubt.uncertainty import limits_of
from analysis.run.rundown import rundown
from logger.base.errors import BenchError
from logger.commands.import_text import import_command
from logger.run.reader import read_run
from logger.text.accuracy import Stated, parse_accuracy

BOTH = Stated(0.005, 3.0)


@pytest.mark.parametrize(
    "text",
    [
        "0.5% + 3 digits",
        "0,5 % + 3 dgt",
        "±0.5 % of reading + 3",
        "+/-0.5% rdg + 3 counts",
        "(0.5%+3d)",
    ],
)
def test_one_text_for_both_quantities(text: str) -> None:
    assert parse_accuracy(text) == {"voltage": BOTH, "current": BOTH}


def test_each_quantity_by_itself() -> None:
    assert parse_accuracy("V: 0.5% + 2 digits, A: 1% + 3 digits") == {
        "voltage": Stated(0.005, 2.0),
        "current": Stated(0.01, 3.0),
    }
    found = parse_accuracy("voltage = 0.5% + 5 mV; mA = 1.2% + 20 µA")
    assert found["voltage"].amount == pytest.approx(0.005)
    assert found["current"].amount == pytest.approx(0.02)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "good",
        "%",
        "-1%",
        "0.5% + 3 volts",
        "99%",
        "0%",
        "V: 1%, V: 2%",
        "V: 1% + 3 mA",
        "x: 1%",
        "0.5% + 3 digits, and more",
        "0.5% - 3 digits",
        "5 mV",
    ],
)
def test_what_is_no_accuracy_is_refused(text: str) -> None:
    with pytest.raises(BenchError) as refused:
        parse_accuracy(text)
    assert "0.5% + 3 digits" in refused.value.next_step


def imported(folder: Path, *more: str) -> Path:
    """A steady 4.50 V at 123 mA for an hour, written with 0.01 V and 0.001 A."""
    text = folder / "meter.csv"
    text.write_text(
        "time_s,voltage_V,current_A\n" + "".join(f"{n},4.50,0.123\n" for n in range(0, 3601, 10))
    )
    done = CliRunner().invoke(import_command, [str(text), str(folder / "run"), *more])
    assert done.exit_code == 0, done.output
    return folder / "run"


def test_the_manuals_figures_reach_the_intervals(tmp_path: Path) -> None:
    run = read_run(imported(tmp_path, "--accuracy", "V: 0.5% + 2 digits, A: 1% + 3 digits"))
    meter = run.description.meter
    assert meter is not None
    assert meter.voltage_offset_v == pytest.approx(0.02)
    assert meter.current_offset_ma == pytest.approx(3.0)
    result = rundown(run, None)
    # Two rectangular limits, 1.23 and 3 mA: standard 1.87 mA (JCGM 100, 4.3.7 and 5.1.2).
    mean = result.mean_current
    assert mean.value == pytest.approx(123.0)
    assert mean.upper is not None
    assert 1.6 * 1.872 < mean.upper - 123.0 < 2.4 * 1.872
    assert result.energy.upper is not None
    assert limits_of(run.description) is not None


def test_without_it_nothing_is_said_to_be_exact(tmp_path: Path) -> None:
    run = read_run(imported(tmp_path))
    result = rundown(run, None)
    assert result.charge.upper is None
    assert "--accuracy" in result.charge.note


def test_a_quantity_that_is_left_out_is_asked_for(tmp_path: Path) -> None:
    text = tmp_path / "meter.csv"
    text.write_text("time_s,voltage_V,current_A\n0,4.50,0.123\n10,4.50,0.123\n20,4.49,0.122\n")
    done = CliRunner().invoke(import_command, [str(text), str(tmp_path / "run"), "--accuracy", "V: 1%"])  # fmt: skip
    assert isinstance(done.exception, BenchError)
    assert "current" in str(done.exception)
    assert not (tmp_path / "run").exists()
