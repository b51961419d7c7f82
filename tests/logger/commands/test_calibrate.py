"""``drawbench calibrate`` at a simulated bench: guided, scripted, refused; and the run that gets its copy."""

import contextlib
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from analysis.doubt.quantity import Quantity
from firmware_probe.twin.links import best_link
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import INA219, CurrentSensor, PlantedErrors
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.config_folder import FOLDER_VARIABLE
from logger.base.errors import BenchError
from logger.calibration.bench import Bench
from logger.calibration.store import load
from logger.commands.calibrate import calibrate_command
from logger.commands.log import log
from logger.run.format import DESCRIPTION_NAME, RUN_KEY, SAMPLES_NAME
from logger.run.reader import read_run
from logger.run.writer import SampleWriter

# Real processes, ports and time.
pytestmark = pytest.mark.real_time

# Reads 0.62 mA too much at zero, 1.2 % too much of current, 0.3 % too little of voltage.
ERRORS = PlantedErrors(
    shunt_offset_uv=(62.0,) * 4, shunt_gain=0.004, shunt_ohm_error=0.008, bus_gain=-0.003, noise=1.0
)


@contextlib.contextmanager
def bench(current_a: float, volt: float = 4.5) -> Iterator[tuple[str, Callable[[float], None]]]:
    """A board on a port, its load at ``current_a``, and a way to change that."""
    sensor = CurrentSensor(INA219, shunt_ohm=0.1, errors=ERRORS)
    board = SimulatedBoard(IdealPack(volt), constant_load(ConstantCurrent(current_a)), sensor)

    kept = []  # the load remembers modes by identity: they must stay alive

    def put(current_a: float) -> None:
        kept.append(constant_load(ConstantCurrent(current_a)))
        board.circuit.load.programme = kept[-1]

    with BoardServer(board, best_link(), time_factor=0.0) as server:
        yield server.port, put


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "config"))
    return tmp_path / "config" / "calibration"


def run(*arguments: str, answers: str = "") -> Result:
    return CliRunner().invoke(calibrate_command, arguments, input=answers)


def scripted(port: str, *arguments: str) -> Result:
    result = run("--port", port, "--for", "5s", *arguments)
    assert result.exit_code == 0, result.output
    return result


def calibrate_by_script(folder: Path) -> str:
    """Zero, two currents, two readings of the voltage; gives the board's name."""
    with bench(0.0) as (port, _):
        scripted(port, "--zero")
    for current_a in (0.1, 0.4):
        with bench(current_a) as (port, _):
            scripted(port, "--at", f"{1e3 * current_a:.2f}", "--volts", "4.5000")
    with bench(0.1) as (port, _):
        accuracy = ("--accuracy", "0.2", "--volt-accuracy", "0.05")
        made = json.loads(scripted(port, "--finish", *accuracy, "--json").output)
    return str(made["calibration"]["board"])


def test_script_finds_the_planted_errors_and_keeps_them(folder: Path) -> None:
    board = calibrate_by_script(folder)
    (kept,), told = load(folder, board)
    assert told == []
    assert kept.current is not None
    assert kept.voltage is not None
    assert kept.current.zero == pytest.approx(0.62, abs=0.03)
    assert 1 / kept.current.factor == pytest.approx(1.004 * 1.008, abs=2e-3)
    # One voltage only: correct there, whatever is zero and whatever is gain.
    read_v = 4.5 * 0.997
    assert kept.voltage.factor * (read_v - kept.voltage.zero) == pytest.approx(4.5, abs=0.004)
    assert "0.2 % at 100, 400 mA" in kept.method
    assert not list(folder.glob("*.steps"))


def test_run_gets_a_copy_and_reads_true(folder: Path, tmp_path: Path) -> None:
    from analysis.run.rundown import rundown

    calibrate_by_script(folder)
    with bench(0.2) as (port, _):
        arguments = [str(tmp_path / "run"), "--port", port, "--for", "20s", "--plain"]
        result = CliRunner().invoke(log, [*arguments, "--temperature", "22"])
    assert result.exit_code == 0, result.output
    assert "goes with the run" in result.output
    recorded = read_run(tmp_path / "run")
    assert recorded.description.calibration is not None
    assert recorded.samples["current_ma"].mean() == pytest.approx(0.62 + 200 * 1.012, abs=0.2)
    mean = rundown(recorded, None).mean_current
    assert mean.lower is not None
    assert mean.upper is not None
    assert mean.lower < 200.0 < mean.upper
    assert mean.upper - mean.lower < 3.0


def test_guided_steps_with_a_meter(folder: Path) -> None:
    # The load changes between the questions: from off to two currents.
    with bench(0.0) as (port, put):
        plain_point = Bench.point

        def point(self: Bench, current: str | None, volts: str | None) -> None:
            put(float(current or 0) / 1e3)
            plain_point(self, current, volts)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Bench, "point", point)
            typed = "100.00\n4.500\n400.00\n\n\n"
            result = run("--port", port, "--for", "3s", answers=typed)
            put(0.0)
            for_machines = run("--port", port, "--for", "3s", "--json", answers=typed)
    assert result.exit_code == 0, result.output
    assert for_machines.exit_code == 0, for_machines.output
    assert "1. Zero" in result.output
    # The questions go beside the answer, not into it.
    assert "2. Currents" in for_machines.stderr
    assert "2. Currents" not in for_machines.stdout
    made = json.loads(for_machines.stdout[for_machines.stdout.index("{") :])
    assert made["calibration"]["current"]["points"] == 2
    assert "Kept in" in result.output
    assert len(list(folder.glob("*.json"))) == 1


def test_zero_with_current_flowing_is_refused(folder: Path) -> None:
    with bench(0.1) as (port, _):
        result = run("--port", port, "--for", "2s", "--zero")
    assert isinstance(result.exception, BenchError)
    assert "current flows" in result.exception.happened
    assert not folder.exists()


def test_reference_that_cannot_be_right_is_refused(folder: Path) -> None:
    with bench(0.1) as (port, _):
        result = run("--port", port, "--for", "2s", "--at", "120.0", "--finish")
    assert isinstance(result.exception, BenchError)
    assert "more than this sensor can be wrong" in result.exception.happened
    assert not list(folder.glob("*.json"))


@pytest.mark.parametrize("typed", ["hundred", "", "-5", "1e30"])
def test_what_is_no_reading_is_refused(folder: Path, typed: str) -> None:
    with bench(0.1) as (port, _):
        result = run("--port", port, "--for", "2s", "--at", typed or "nan")
    assert isinstance(result.exception, BenchError)


def test_known_resistor_as_the_reference(folder: Path) -> None:
    with bench(0.1, volt=4.5 + 0.1 * 0.1008) as (port, _):
        good = ("--resistor", "45", "--tolerance", "0.1", "--volt-accuracy", "0.1")
        said = scripted(port, "--at", "0", "--resistor", "45", "--volts", "4.510").output
        assert "0.45 W into heat" in said
        made = json.loads(scripted(port, "--finish", *good, "--json").output)
    line = made["calibration"]["current"]
    read_ma = 0.62 + 100 * 1.012
    # Without a zero, zero and factor share the difference; at the point the answer is right.
    assert line["factor"] * (read_ma - line["zero"]) == pytest.approx(100.0, abs=0.3)
    assert "45 Ω" in made["calibration"]["method"]


def test_show_lists_what_is_kept(folder: Path) -> None:
    with bench(0.1) as (port, _):
        assert "has no calibration" in run("--port", port, "--show").output
    calibrate_by_script(folder)
    with bench(0.1) as (port, _):
        assert "Calibration of" in run("--port", port, "--show").output


@pytest.fixture
def old_run(folder: Path, tmp_path: Path) -> Path:
    """200 mA recorded before its board was ever calibrated."""
    with bench(0.2) as (port, _):
        made = CliRunner().invoke(
            log, [str(tmp_path / "old"), "--port", port, "--for", "20s", "--plain"]
        )
    assert made.exit_code == 0, made.output
    return tmp_path / "old"


def width_ma(quantity: Quantity) -> float:
    assert quantity.lower is not None
    assert quantity.upper is not None
    return quantity.upper - quantity.lower


def test_later_calibration_is_attached_to_an_old_run(folder: Path, old_run: Path) -> None:
    from analysis.run.rundown import rundown

    before = {item.name: item.read_bytes() for item in old_run.iterdir()}
    wide_ma = width_ma(rundown(read_run(old_run), None).mean_current)
    calibrate_by_script(folder)
    said = run("--attach", str(old_run))
    assert said.exit_code == 0, said.output
    assert (old_run / SAMPLES_NAME).read_bytes() == before[SAMPLES_NAME]
    (aside,) = set(old_run.iterdir()) - {old_run / name for name in before}
    assert aside.name == "samples.csv-metadata.before-calibration-1.json"
    assert aside.read_bytes() == before[DESCRIPTION_NAME]
    assert str(aside) in said.output
    changed = json.loads((old_run / DESCRIPTION_NAME).read_bytes())
    assert changed[RUN_KEY].pop("calibration")["board"]
    unchanged = json.loads(aside.read_bytes())
    assert unchanged[RUN_KEY].pop("calibration") is None
    assert changed == unchanged
    # The analysis takes it at its word: true 200 mA, told an order of magnitude better.
    mean = rundown(read_run(old_run), None).mean_current
    assert mean.lower is not None
    assert mean.lower < 200.0 < mean.lower + width_ma(mean) < mean.lower + wide_ma / 3
    again = json.loads(run("--attach", str(old_run), "--json").output)
    assert again["kept_aside"].endswith("before-calibration-2.json")
    assert aside.read_bytes() == before[DESCRIPTION_NAME]


def test_another_boards_calibration_is_attached_by_force_only(
    folder: Path, old_run: Path, tmp_path: Path
) -> None:
    from analysis.doubt.correction import correction_of

    calibrate_by_script(folder)
    (kept_in,) = folder.glob("*.json")
    foreign = tmp_path / "foreign.json"
    foreign.write_text(kept_in.read_text().replace(kept_in.stem, "0DDB0A2D"))
    before = {item.name: item.read_bytes() for item in old_run.iterdir()}
    refused = run("--attach", str(old_run), "--from", str(foreign))
    assert isinstance(refused.exception, BenchError)
    assert "another board (0DDB0A2D" in refused.exception.happened
    assert {item.name: item.read_bytes() for item in old_run.iterdir()} == before
    forced = run("--attach", str(old_run), "--from", str(foreign), "--force")
    assert forced.exit_code == 0, forced.output
    correction = correction_of(read_run(old_run).description)
    assert correction.current is not None
    assert "made as board 0DDB0A2D, attached by force" in correction.words


@pytest.mark.parametrize(
    ("old", "new"),
    [('"INA219"', '"INA226"'), ('"shunt_ohm": 0.1', '"shunt_ohm": 0.01')],
)
def test_other_sensor_or_shunt_is_refused_even_by_force(
    folder: Path, old_run: Path, tmp_path: Path, old: str, new: str
) -> None:
    calibrate_by_script(folder)
    (kept_in,) = folder.glob("*.json")
    wrong = tmp_path / "wrong.json"
    assert old in kept_in.read_text()
    wrong.write_text(kept_in.read_text().replace(old, new))
    refused = run("--attach", str(old_run), "--from", str(wrong), "--force")
    assert isinstance(refused.exception, BenchError)
    assert "another s" in refused.exception.happened
    assert len(list(old_run.glob("*.json"))) == 1


def test_no_calibration_is_attached_while_the_run_is_recorded(folder: Path, old_run: Path) -> None:
    calibrate_by_script(folder)
    with contextlib.closing(SampleWriter(old_run, resume=True)):
        refused = run("--attach", str(old_run))
    assert isinstance(refused.exception, BenchError)
    assert "recording" in refused.exception.happened
    assert len(list(old_run.glob("*.json"))) == 1


def test_what_cannot_be_attached_is_said(folder: Path, old_run: Path, tmp_path: Path) -> None:
    def happened(*arguments: str) -> str:
        refused = run(*arguments)
        assert isinstance(refused.exception, BenchError)
        return refused.exception.happened

    assert "no calibration for the board" in happened("--attach", str(old_run))
    empty = tmp_path / "empty.json"
    empty.write_text("{}")
    assert "holds no calibration" in happened("--attach", str(old_run), "--from", str(empty))
    assert "is not a run" in happened("--attach", str(tmp_path / "nothing"))
    assert "belong to --attach" in happened("--force")
    description = old_run / DESCRIPTION_NAME
    description.write_text(description.read_text().replace('"board": {', '"other": {'))
    assert "does not say which board" in happened("--attach", str(old_run))
    description.write_text("{")
    assert "cannot be read" in happened("--attach", str(old_run))


def test_each_step_keeps_the_accuracy_of_its_own_reference(folder: Path) -> None:
    """A resistor good to 5 % is not taken for a meter good to 1 % because --finish does not repeat it."""
    with bench(0.1, volt=4.5 + 0.1 * 0.1008) as (port, _):
        scripted(port, "--at", "0", "--resistor", "45", "--tolerance", "5")
        made = json.loads(scripted(port, "--finish", "--json").output)
    assert "against 45 Ω within 5" in made["calibration"]["method"]
    gain = made["current_gain_error"]
    assert set(gain) >= {"value", "unit", "lower", "upper", "coverage"}
    assert any("cannot be told apart" in told for told in made["warnings"])


def test_a_step_that_compares_nothing_is_refused(folder: Path) -> None:
    with bench(0.1) as (port, _):
        result = run("--port", port, "--for", "2s", "--at", "0")
    assert isinstance(result.exception, BenchError)
    assert "nothing to compare" in result.exception.happened
    assert not list(folder.glob("*.steps"))


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder that takes no files")
def test_a_step_that_cannot_be_kept_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(FOLDER_VARIABLE, "/proc/nowhere")
    with bench(0.1) as (port, _):
        result = run("--port", port, "--for", "2s", "--at", "100")
    assert isinstance(result.exception, BenchError)
    assert "cannot be kept" in result.exception.happened


def test_steps_of_another_day_are_told(folder: Path) -> None:
    with bench(0.1) as (port, _):
        scripted(port, "--at", "100")
        (kept,) = folder.glob("*.steps")
        steps = json.loads(kept.read_text(encoding="utf-8"))
        steps[0]["taken_utc"] = "2026-01-02T03:04:05+00:00"
        kept.write_text(json.dumps(steps), encoding="utf-8")
        assert "begin on 2026-01-02" in scripted(port, "--at", "100").output


def test_show_as_json(folder: Path) -> None:
    with bench(0.1) as (port, _):
        scripted(port, "--at", "100", "--finish")
        shown = json.loads(scripted(port, "--show", "--json").output)
    assert shown["calibrations"][0]["current_zero"]["unit"] == "mA"
    assert shown["warnings"] == []
