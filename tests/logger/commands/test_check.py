"""``drawbench check`` says in words what is wrong with a run."""

import json
from pathlib import Path

from click.testing import CliRunner

from logger.commands.check import check_command
from logger.run.format import SAMPLES_NAME
from logger.text.layout import LayoutWish
from logger.text.read import read_text
from logger.text.run import About, write_run
from logger.text.table import PlanWish


def make_run(folder: Path) -> Path:
    source = folder / "meter.csv"
    rows = "".join(f"{n},{4.5 - n / 1000:.3f},48\n" for n in range(30) if not 10 <= n < 25)
    source.write_text("time_s,pack_v,current_ma\n" + rows)
    write_run(read_text(source, LayoutWish(), PlanWish()), folder / "run", About(title="vest"))
    return folder / "run"


def check(*arguments: str) -> str:
    result = CliRunner().invoke(check_command, arguments)
    assert result.exit_code == 0
    return result.output


def test_sound_run(tmp_path: Path) -> None:
    folder = make_run(tmp_path)
    output = " ".join(check(str(folder), "--details").split())
    assert "(vest): Nothing is wrong" in output
    assert " 15 rows used, 0 left out" in output
    assert "gap: nothing for 16 s, about 15 rows" in output
    assert "Ended by import" in output
    assert "Nothing is wrong with its files." in output
    short = " ".join(check(str(folder)).split())
    assert "Nothing is wrong with its files. 15 rows used, 0 left out" in short
    assert "Details, 1 event: drawbench check" in short


def test_damaged_run(tmp_path: Path) -> None:
    folder = make_run(tmp_path)
    with (folder / SAMPLES_NAME).open("a") as stream:
        stream.write("31.000000,4.4,\r\n32.0")
    output = check(str(folder), "--details")
    assert " 16 rows used, 1 left out" in " ".join(output.split())
    assert "the last row is torn" in " ".join(check(str(folder)).split())
    assert "Empty in current_ma: 1 rows." in output
    assert "the last row is torn" in output
    said = json.loads(check(str(folder), "--json"))
    assert said["rows_rejected"]["value"] == 1
    assert len(said["warnings"]) == 1
