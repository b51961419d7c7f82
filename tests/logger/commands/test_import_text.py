"""``drawbench import`` from the command line: one command, exit codes, and what is said."""

import json
import shlex
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import drawbench
from logger.base.errors import BenchError
from logger.commands.import_text import import_command
from logger.run.reader import read_run
from logger.text.run import REJECTED_NAME
from tests.support.foreign_text import night_text, write
from tests.support.places import POUCH

VEST = "time_s,pack_v,current_ma\n0,4.5,48\n1,4.49,47\n2,bad,46\n3,4.47,47\n"


def run_import(*arguments: object) -> str:
    result = CliRunner().invoke(import_command, [str(item) for item in arguments])
    if result.exception is not None:
        raise result.exception
    return result.output


@pytest.mark.slow
def test_sketch_format_goes_in_with_one_command(tmp_path: Path) -> None:
    path = write(tmp_path, night_text()[0], "night.txt")
    before = path.read_bytes()
    folder = tmp_path / "night"
    arguments = (
        *("--time", 6, "--time-unit", "ms", "--voltage", 4),
        *("--current", 2, "--current-unit", "V", "--shunt-ohm", 3.5),
    )
    output = run_import(path, folder, *arguments, "--pack", "1x AA alkaline")
    assert "44000 rows read, 44000 kept, 0 rejected" in output
    assert "Not used: column 1, column 3, column 5." in output
    assert "nothing for 12 min 0 s" in output
    assert "Caution, 1x AA alkaline: Stop at 0.8 V per cell" in output
    assert f"with your circuit's cutoff:\n  drawbench rundown {folder} --cutoff 1.0" in output
    assert path.read_bytes() == before
    run = read_run(folder)
    assert run.problems == ()
    assert len(run.samples) == 44_000
    assert run.description.pack is not None
    assert run.description.sensor is not None
    assert run.description.sensor.shunt_ohm == 3.5
    assert not (folder / REJECTED_NAME).exists()


def test_time_is_found_when_it_is_not_given(tmp_path: Path) -> None:
    path = write(tmp_path, night_text(2000)[0])
    output = run_import(path, tmp_path / "r", "--voltage", 4)
    assert "column 6 in ms (guessed" in output
    assert "there is no current" in output


def test_constant_current_and_caution_for_lithium(tmp_path: Path) -> None:
    arguments = ("--constant-current", "4.56A", "--pack", "1x pouch li-ion", "--time-unit", "s")
    output = run_import(POUCH / "2C_discharge_U.txt", tmp_path / "run", *arguments)
    assert "1773 rows read, 1773 kept" in output
    assert "the current was not measured: 4560 mA throughout" in output
    assert "Never leave it alone without a hardware cutoff" in output
    assert read_run(tmp_path / "run").samples["current_ma"].eq(4560.0).all()


def test_dry_run_shows_first_rows_and_writes_nothing(tmp_path: Path) -> None:
    path = write(tmp_path, VEST)
    output = run_import(path, tmp_path / "run", "--dry-run")
    assert "4 rows read, 3 kept, 1 rejected" in output
    assert "1 rejected: pack_v is no number" in output
    assert "line  time_s  pack_v  current_ma" in output
    assert "   2       0    4.50          48" in output, "as many digits as the file had"
    assert "Nothing was written" in output
    assert [item.name for item in tmp_path.iterdir()] == ["bench.txt"]
    assert "Nothing was written" in run_import(path, "--dry-run")
    kept = ("--save-mapping", tmp_path / "meter.toml")
    for more in ((), ("--json",)):
        assert "is kept for the next file" not in run_import(path, "--dry-run", *kept, *more)
    assert [item.name for item in tmp_path.iterdir()] == ["bench.txt"]


@pytest.mark.parametrize("name", ["nowhere/meter.toml", "link.toml", "folder"])
def test_without_room_for_the_mapping_there_is_no_run_either(tmp_path: Path, name: str) -> None:
    path, victim = write(tmp_path, VEST), tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / "link.toml").symlink_to(victim)
    (tmp_path / "folder").mkdir()
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(BenchError, match="no run was made"):
        run_import(path, tmp_path / "run", "--save-mapping", tmp_path / name)
    assert sorted(tmp_path.rglob("*")) == before
    assert victim.read_text() == "mine"


def test_a_run_that_cannot_be_written_leaves_the_mapping_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "meter.toml"
    kept.write_text("mine")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("logger.text.run._write_samples", full)
    with pytest.raises(BenchError, match=r"The run .* cannot be written"):
        run_import(write(tmp_path, VEST), tmp_path / "run", "--save-mapping", kept)
    assert kept.read_text() == "mine"
    assert sorted(item.name for item in tmp_path.iterdir()) == ["bench.txt", "meter.toml"]


def test_a_mapping_that_fails_after_all_is_said_to_be_all_that_is_missing(tmp_path: Path) -> None:
    run = tmp_path / "run"  # by then a folder stands where the mapping is to go
    with pytest.raises(BenchError, match="The run is written, but the mapping") as said:
        run_import(write(tmp_path, VEST), run, "--save-mapping", run)
    assert "into another folder once more" in str(said.value)
    assert len(read_run(run).samples) == 3
    inside = tmp_path / "other" / "meter.toml"
    run_import(tmp_path / "bench.txt", inside.parent, "--save-mapping", inside)
    assert inside.is_file()


def test_rejected_rows_are_kept_in_a_file(tmp_path: Path) -> None:
    path = write(tmp_path, VEST + "# lamp off\n")
    output = run_import(path, tmp_path / "run")
    rejected = (tmp_path / "run" / REJECTED_NAME).read_text().splitlines()
    assert rejected[2:] == ["4\tpack_v is no number\t2,bad,46", "6\tcomment\t# lamp off"]
    assert str(tmp_path / "run" / REJECTED_NAME) in output


def test_json_has_counts_and_warnings(tmp_path: Path) -> None:
    said = json.loads(run_import(write(tmp_path, VEST), tmp_path / "run", "--json"))
    assert said["rows_read"]["value"] == 4
    assert said["rows_kept"] == {
        "value": 3,
        "unit": "1",
        "lower": None,
        "upper": None,
        "coverage": None,
    }
    assert said["rows_rejected"]["value"] == 1
    assert said["duration"]["value"] == 3.0
    assert said["warnings"] == []
    assert (tmp_path / "run").is_dir()


def test_what_the_user_says_is_written_down(tmp_path: Path) -> None:
    arguments = (
        *("--title", "vest <night>", "--author", "M", "--load-note", "24 LEDs", "--notes", "cold"),
        *("--started", "2026-01-31T22:00:00+01:00", "--sensor", "INA219", "--scale", "voltage=2"),
    )
    run_import(write(tmp_path, VEST), tmp_path / "run", *arguments)
    description = read_run(tmp_path / "run").description
    assert description.title == "vest <night>"
    assert (description.author, description.load, description.notes) == ("M", "24 LEDs", "cold")
    assert description.started_utc == "2026-01-31T21:00:00.000Z"
    assert description.ended_utc == "2026-01-31T21:00:03.000Z"
    assert read_run(tmp_path / "run").samples["pack_v"].iloc[0] == 9.0


@pytest.mark.parametrize(
    ("content", "arguments", "message"),
    [
        ("", [], "is empty"),
        ("\x00\x01\x02\x03" * 500, [], "is not text"),
        (VEST, ["--voltage", "pack_w"], "did you mean 'pack_v'?"),
        (VEST, ["--voltage", "7"], "the columns are: 1 'time_s', 2 'pack_v', 3 'current_ma'"),
        (VEST, ["--current-unit", "furlong"], "no unit of the current"),
        (VEST, ["--every", "soon"], "is not understood as a time"),
        (VEST, ["--every", "1s", "--time", "1"], "Both --time and --every"),
        (VEST, ["--scale", "pack=2"], "is not understood"),
        (VEST, ["--scale", "voltage=0"], "is not understood"),
        (VEST, ["--offset", "voltage=x"], "is not understood"),
        (VEST, ["--shunt-ohm", "0"], "above 0 ohm"),
        (VEST, ["--delimiter", "::"], "cannot divide columns"),
        (VEST, ["--delimiter", ",", "--decimal", "comma"], "the same"),
        (VEST, ["--encoding", "klingon"], "no encoding"),
        (VEST, ["--started", "yesterday"], "is not understood"),
        (VEST, ["--started", "2026-01-31T21:00:00"], "with its zone"),
        (VEST, ["--capacity", "2000"], "give --pack with it"),
        (VEST, ["--constant-current", "20mA", "--current", "3"], "both given"),
        (VEST, ["--constant-current", "20"], "number with its unit"),
        (VEST, ["--pack", "three potatoes"], "is not understood"),
        (VEST, ["--decimal", "dot"], "Invalid value"),
        ("t_s,pack_v,mA\n0,x,5\n1,y,6\n2,z,7\n", ["--voltage", "2"], "No row of"),
        ("t_s,pack_v\n7,3\n7,2.9\n7,2.8\n", [], "does not increase at all"),
    ],
)
def test_bad_input_ends_with_a_clear_message_and_exit_code_2(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    content: str,
    arguments: list[str],
    message: str,
) -> None:
    path = write(tmp_path, content)
    entry = ("logger.commands.import_text", "import_command", "")
    monkeypatch.setitem(drawbench.COMMANDS, "import", entry)
    folder = tmp_path / "run"
    monkeypatch.setattr(sys, "argv", ["drawbench", "import", str(path), str(folder), *arguments])
    with pytest.raises(SystemExit) as ended:
        drawbench.main()
    assert ended.value.code == 2
    assert message in capsys.readouterr().err
    assert path.read_bytes() == content.encode()
    assert not folder.exists()


def test_folder_and_file_in_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, VEST)
    run_import(path, tmp_path / "run")
    before = {item.name: item.read_bytes() for item in (tmp_path / "run").iterdir()}
    entry = ("logger.commands.import_text", "import_command", "")
    monkeypatch.setitem(drawbench.COMMANDS, "import", entry)
    for arguments, message in (
        ([path, tmp_path / "run"], "never written over another"),
        ([path, path], "is a file, not a folder"),
        ([tmp_path, tmp_path / "x"], "is a folder"),
        ([tmp_path / "none.txt", tmp_path / "x"], "does not exist"),
        ([path], "no name for the run"),
    ):
        monkeypatch.setattr(sys, "argv", ["drawbench", "import", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            drawbench.main()
        assert ended.value.code == 2
        assert message in capsys.readouterr().err
    assert before == {item.name: item.read_bytes() for item in (tmp_path / "run").iterdir()}
    assert path.read_bytes() == VEST.encode()


def test_a_dry_run_ends_with_the_same_command_without_it(tmp_path: Path) -> None:
    file = tmp_path / "other meter.csv"
    file.write_text("seconds,volts\n" + "".join(f"{n},{4.5 - n / 500:.3f}\n" for n in range(100)))
    arguments = [
        str(file),
        "--time",
        "seconds",
        "--voltage",
        "volts",
        "--pack",
        "3x AA alkaline",
        "--scale",
        "voltage=2",
        "--dry-run",
    ]
    shown = CliRunner().invoke(import_command, arguments, catch_exceptions=False).output
    again = shlex.split(shown.rstrip().splitlines()[-1])
    assert again[:4] == ["drawbench", "import", str(file), "imported"]
    assert again[4:] == [
        "--time",
        "seconds",
        "--voltage",
        "volts",
        "--scale",
        "voltage=2",
        "--pack",
        "3x AA alkaline",
    ]


@pytest.mark.parametrize(
    ("text", "told", "said"),
    [
        ("0.150", (), True),
        ("0.150", ("--current-unit", "A"), False),
        ("48.2", (), False),
        ("0.0", (), False),
    ],
)
def test_small_currents_under_milliamperes_are_read_and_what_they_mean_is_said(
    tmp_path: Path, text: str, told: tuple[str, ...], said: bool
) -> None:
    rows = "".join(f"{n},{4.5 - n / 500:.3f},{text}\n" for n in range(40))
    path = write(tmp_path, f"Time (s),Voltage (V),Current (mA)\n{rows}")
    output = run_import(path, tmp_path / "run", *told)
    line = "0.15 mA on average: if the file means amperes, give --current-unit A"
    assert (line in output) == said
    read_ma = read_run(tmp_path / "run").samples["current_ma"].iloc[0]
    assert read_ma == pytest.approx(float(text) * (1e3 if told else 1))
