"""Everything that can be wrong before a run begins: exit code 2, words, no traceback, nothing written."""

import os
import shutil
import subprocess
import sys
import tempfile
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.line_feeder import Feeder, FeederBoard
from tests.support.log_process import COMMAND, environment, run_log

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
]
is_root = sys.platform != "win32" and os.geteuid() == 0


@pytest.fixture
def feeder(tmp_path: Path) -> Iterator[Feeder]:
    with Feeder(FeederBoard(load="1"), tmp_path) as feeder:
        yield feeder


def refused(result: subprocess.CompletedProcess[str], *words: str) -> None:
    text = result.stdout + result.stderr
    assert result.returncode == 2, text
    assert "Traceback" not in text
    for word in words:
        assert word in text


def test_no_such_port(tmp_path: Path) -> None:
    refused(run_log(tmp_path / "run", "--port", "/dev/ttyNOPE7"), "no port /dev/ttyNOPE7", "Next:")
    refused(run_log(tmp_path / "run", "--port", "/dev/ttyNOPE*"), "No port fits the pattern")
    refused(run_log(tmp_path / "run", "--port", str(tmp_path / "x")), "no port")
    (tmp_path / "file").write_text("not a port")
    refused(run_log(tmp_path / "run", "--port", str(tmp_path / "file")), "not a serial port")
    refused(run_log(tmp_path / "run", "--port", os.devnull), "is not a serial port")
    nobody = run_log(tmp_path / "run", "--port", "socket://127.0.0.1:9")
    refused(nobody, "cannot be opened", "Seen: Connection refused\n")
    refused(run_log(tmp_path / "run", "--port", "nonsense://x"), "cannot be opened")
    assert not (tmp_path / "run").exists()


def test_port_busy_names_the_program(tmp_path: Path, feeder: Feeder) -> None:
    code = "import sys, time; f = open(sys.argv[1], 'rb', 0); print(1, flush=True); time.sleep(60)"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(feeder.port)], stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        refused(
            run_log(tmp_path / "run", "--port", feeder.port), "is in use", f"process {other.pid}"
        )
        other.kill()


def test_a_second_logger_on_the_port(tmp_path: Path, feeder: Feeder) -> None:
    with subprocess.Popen(
        [*COMMAND, str(tmp_path / "one"), "--port", str(feeder.port)],
        stdout=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
        env=environment(),
    ) as first:
        while not feeder.board.running:
            assert first.poll() is None
        refused(run_log(tmp_path / "two", "--port", feeder.port), "is in use", str(first.pid))
        first.terminate()


def test_permission_denied_names_the_group(tmp_path: Path, feeder: Feeder) -> None:
    """A device that we may not open; as root, by way of another user."""
    device = feeder.port.resolve()
    device.chmod(0o600 if is_root else 0)
    # Another user's way into pytest's own folder would be barred as well.
    run = str((Path(tempfile.gettempdir()) if is_root else tmp_path) / "drawbench-test-not-made")
    arguments = ["log", run, "--port", str(device)]
    code = "import drawbench, logger.commands.log, grp, serial, os, sys; sys.argv[1:] = eval(sys.argv[1]);"
    if is_root:
        code += "os.setgroups([]); os.setgid(65534); os.setuid(65534);"
    code += "drawbench.main()"
    result = subprocess.run(
        [sys.executable, "-c", code, repr(arguments)],
        capture_output=True,
        text=True,
        check=False,
        env=environment(),
    )
    refused(result, "not permitted", f"group {device.group()!r}", f"usermod -aG {device.group()}")


def test_no_board_answers(tmp_path: Path) -> None:
    master, slave = os.openpty()
    refused(
        run_log(tmp_path / "run", "--port", os.ttyname(slave)), "No board answered", "probe sketch"
    )
    os.close(master)
    os.close(slave)
    assert not (tmp_path / "run").exists()


class SlowFeeder(Feeder):
    """A board at another rate: at the wrong one, each side hears garbage."""

    RIGHT = termios.B57600

    def _read_commands(self) -> None:
        if self._master is None:
            return
        right = termios.tcgetattr(self._master)[4] == self.RIGHT
        self.spoil = (lambda data: data) if right else (lambda data: bytes(b | 0x80 for b in data))
        if not right:
            self.board.running = True  # somebody started it earlier: it talks
            try:
                os.read(self._master, 4096)
            except OSError:
                return
        else:
            super()._read_commands()


def test_wrong_baud_rate_names_the_right_one(tmp_path: Path) -> None:
    with SlowFeeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        refused(run_log(tmp_path / "run", "--port", feeder.port), "115200 baud", "--baud 57600")
        result = run_log(
            tmp_path / "run", "--port", feeder.port, "--baud", "57600", "--for", "300ms"
        )
        assert result.returncode == 0, result.stdout + result.stderr


def test_something_else_speaks(tmp_path: Path) -> None:
    with Feeder(FeederBoard(), tmp_path, spoil=lambda data: b"23.5 C, 41 %RH\r\n") as feeder:
        feeder.board.running = True
        refused(run_log(tmp_path / "run", "--port", feeder.port), "not a probe board")


def test_several_boards(tmp_path: Path) -> None:
    with (
        Feeder(FeederBoard("0000000A"), tmp_path, "tty-1"),
        Feeder(FeederBoard("0000000B"), tmp_path, "tty-2"),
    ):
        refused(
            run_log(tmp_path / "run", "--port", tmp_path / "tty-*"),
            "2 boards answered",
            "0000000A on",
            "0000000B on",
            "--all-boards",
        )


def test_folder_exists(tmp_path: Path, feeder: Feeder) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "samples.csv").write_text("precious")
    refused(run_log(folder, "--port", feeder.port), "not empty", "samples.csv")
    assert (folder / "samples.csv").read_text() == "precious"
    assert feeder.board.commands == []
    refused(run_log(folder / "samples.csv", "--port", feeder.port), "is a file")
    (folder / "report").mkdir()
    (folder / "report" / "report.html").write_text("")
    refused(run_log(folder, "--port", feeder.port), f"{folder / 'report' / 'report.html'}")


def test_a_folder_whose_logger_was_killed_before_there_was_a_run(
    tmp_path: Path, feeder: Feeder
) -> None:
    """Its half-written first description does not keep the next run out."""
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "samples.csv-metadata.json.new").write_text('{"@con')
    result = run_log(folder, "--port", feeder.port, "--for", "200ms")
    assert result.returncode == 0, result.stdout + result.stderr
    assert sorted(item.name for item in folder.iterdir()) == [
        "samples.csv",
        "samples.csv-metadata.json",
    ]


@pytest.mark.skipif(not is_root or shutil.which("mount") is None, reason="mounts a file system")
def test_read_only_disk(tmp_path: Path, feeder: Feeder) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(disk)], check=True)
    try:
        refused(run_log(disk / "run", "--port", feeder.port), "cannot be made", "Read-only")
        refused(run_log(disk, "--port", feeder.port), "cannot be written", "Read-only")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["--pack", "3x AA alkaline", "--cutoff", "2.0"],
            "below the floor of 3x AA alkaline: 2.4 V",
        ),
        (["--pack", "3x AA cheese"], "not understood"),
        (["--window", "5ms"], "not possible"),
        (["--window", "100"], "not a length of time"),
        (["--for", "-3h"], "not a length of time"),
        (["--cutoff", "abc"], "abc"),
        (["--resume", "nowhere"], "either RUN"),
    ],
)
def test_wrong_options(arguments: list[str], words: str, tmp_path: Path, feeder: Feeder) -> None:
    refused(run_log(tmp_path / "run", "--port", feeder.port, *arguments, cwd=tmp_path), words)
    assert feeder.board.commands == []
    assert not (tmp_path / "run").exists()


def test_nothing_is_left_to_record(tmp_path: Path, feeder: Feeder) -> None:
    """A run that has reached its end is not taken up only to be over at once."""
    folder = tmp_path / "run"
    assert run_log(folder, "--port", feeder.port, "--for", "200ms").returncode == 0
    before = (folder / "samples.csv").read_bytes()
    again = ["--resume", str(folder), "--port", str(feeder.port)]
    refused(run_log(*again), "Nothing is left", "--for 0.2 s")
    refused(run_log(*again, "--charge", "0.00001"), "Nothing is left", "have been drawn")
    assert (folder / "samples.csv").read_bytes() == before
    assert run_log(*again, "--for", "400ms").returncode == 0
    assert (folder / "samples.csv").read_bytes().startswith(before)


def test_nothing_to_resume(tmp_path: Path, feeder: Feeder) -> None:
    refused(run_log("--resume", tmp_path / "x", "--port", feeder.port), "no run in", "begin one")
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "samples.csv-metadata.json").write_text("[1, 2")
    refused(run_log("--resume", tmp_path / "x", "--port", feeder.port), "cannot be taken up again")
    refused(run_log("--resume", tmp_path / "x", "--port=a", "--port=b"), "one --port at most")


def test_capacity_without_a_pack(tmp_path: Path, feeder: Feeder) -> None:
    wrong = run_log(tmp_path / "run", "--port", feeder.port, "--capacity", "2500")
    refused(wrong, "capacity without a pack", "--pack")
    assert not (tmp_path / "run").exists()


def test_cutoff_above_the_first_voltage(tmp_path: Path, feeder: Feeder) -> None:
    """Without a named pack the voltage tells it before anything is begun; with one, rows are kept."""
    options = ("--port", feeder.port, "--cutoff", "50V", "--hold", "500ms")
    refused(run_log(tmp_path / "run", *options), "50 V is above what the pack has now: 4.5")
    assert not (tmp_path / "run").exists()
    named = ("--port", feeder.port, "--pack", "usb-bank", "--cutoff", "4.9", "--hold", "500ms")
    refused(run_log(tmp_path / "run", *named), "below 4.9 V from the first row on")
    assert (tmp_path / "run" / "samples.csv").stat().st_size > 300


def test_load_asked_to_open_at_the_end_is_not_said_to_stay_on(
    tmp_path: Path, feeder: Feeder
) -> None:
    done = run_log(tmp_path / "run", "--port", feeder.port, "--for", "500ms", "--open-load")
    assert done.returncode == 0
    assert "keeps the load on" not in done.stdout + done.stderr


def test_the_same_port_twice(tmp_path: Path, feeder: Feeder) -> None:
    ports = ("--port", feeder.port, "--port", feeder.port)
    refused(run_log(tmp_path / "run", *ports, "--for", "1s"), "given more than once")
