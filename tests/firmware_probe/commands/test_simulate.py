"""``drawbench simulate`` as a user starts it: a process, a port, Ctrl-C."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest
import serial
from click.testing import CliRunner

from firmware_probe.commands.simulate import simulate
from firmware_probe.line_format import command
from tests.support.board_output import windows
from tests.support.places import ROOT

# Real processes, ports and time.
pytestmark = pytest.mark.real_time

PROGRAM = "from firmware_probe.commands.simulate import simulate; simulate()"


@pytest.mark.skipif(sys.platform == "win32", reason="no Ctrl-C to a child on this system")
@pytest.mark.parametrize("way", [(), ("--tcp", "0")], ids=["default", "tcp"])
def test_board_in_a_process_of_its_own(way: tuple[str, ...], tmp_path: Path) -> None:
    memory = tmp_path / "memory.json"
    arguments = ["--time-factor", "0", "--seed", "1", "--memory", str(memory), *way]
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *arguments], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "Seed 1.\n"
        port = process.stdout.readline().split()[-1]
        with serial.serial_for_url(port, 115200, timeout=0.05) as reader:
            # Without a memory file yet it is a new board, whose load switch is open.
            reader.write(command("load", "1") + command("window", "1000000") + command("start"))
            data = b""
            while data.count(b"\nw,") < 20:
                data += reader.read(4096)
            reader.write(command("stop"))
            while b"ok,stop" not in data:
                data += reader.read(4096)
        process.send_signal(signal.SIGINT if not way else signal.SIGTERM)
        rest = process.stdout.read()
        assert process.wait(10) == 0
    charge_mah = windows(data[: data.rfind(b"\n") + 1])[-1]["charge_mah"] / 1e6
    truth_mah = float(rest.split("gave ")[1].split()[0])
    # A window or two goes by unseen between the last line and the end.
    assert truth_mah == pytest.approx(charge_mah, rel=0.5)
    assert '"boot": 1' in memory.read_text()


@pytest.mark.skipif(sys.platform == "win32", reason="no ptys on this system")
def test_link_does_not_overwrite_a_file(tmp_path: Path) -> None:
    precious = tmp_path / "thesis.txt"
    precious.write_text("all of it")
    result = CliRunner().invoke(simulate, ["--link", str(precious)])
    assert result.exit_code == 2
    assert "there already" in result.output
    assert precious.read_text() == "all of it"


@pytest.mark.parametrize(
    ("arguments", "seen"),
    [
        (["--pack", "5 potatoes"], "write it like"),
        (["--load", "much"], "a current (200mA)"),
        (["--faults", "3:foo"], "kinds: garble"),
        (["--joints", "glass"], "at most four"),
        (["--time-factor", "-1"], "not in the range"),
        (["--link", "/nowhere/at/all"], "No such file"),
        (["--memory", "/nowhere/at/all"], "No such file"),
    ],
)
def test_bad_options_are_explained(arguments: list[str], seen: str) -> None:
    result = CliRunner().invoke(simulate, arguments)
    assert result.exit_code == 2
    assert seen in result.output
    assert "Traceback" not in result.output
