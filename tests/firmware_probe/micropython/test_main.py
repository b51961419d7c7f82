"""main.py and its host port for real: standard input and output of MicroPython on a pseudo terminal, in real time."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from firmware_probe.interpreter.process import FIRMWARE, interpreter_command
from firmware_probe.line_format import command
from tests.support.board_output import bodies
from tests.support.interpreter_bench import kinds, needs_interpreter

pytestmark = [
    pytest.mark.firmware,
    pytest.mark.real_time,
    needs_interpreter,
    pytest.mark.skipif(sys.platform == "win32", reason="no ptys on this system"),
]

SHUNT, BUS = 500, 1100  # 50 mA and 4.4 V


@pytest.fixture
def port(tmp_path: Path) -> Iterator[tuple[str, "subprocess.Popen[bytes]"]]:
    import pty
    import tty

    master, slave = pty.openpty()
    tty.setraw(master)
    live = [str(FIRMWARE / "bench" / "live.py"), str(FIRMWARE), str(SHUNT), str(BUS)]
    command_line = [*interpreter_command(), "-X", "heapsize=320k", *live]
    process = subprocess.Popen(
        command_line, stdin=master, stdout=master, stderr=subprocess.PIPE, cwd=tmp_path
    )
    os.close(master)
    name = os.ttyname(slave)
    yield name, process
    os.close(slave)
    if process.poll() is None:
        process.kill()
    process.communicate()


def hear(reader: serial.Serial, words: bytes, patience_s: float = 20.0) -> bytes:
    end_s = time.monotonic() + patience_s
    heard = b""
    while words not in heard or not heard.endswith(b"\n"):
        assert time.monotonic() < end_s, heard[-300:]
        heard += reader.read(max(1, reader.in_waiting))
    return heard


def test_as_a_board_does(port: tuple[str, "subprocess.Popen[bytes]"]) -> None:
    name, process = port
    with serial.Serial(name, 115200, timeout=0.1) as reader:
        hear(reader, b"load,")
        reader.write(command("start") + command("load", "1"))
        heard = hear(reader, b"w,9,")
        found = bodies(heard[heard.index(b"ok,start") :])
        windows = [body.split(",") for body in kinds(found, "w")]
        assert [int(fields[1]) for fields in windows] == list(range(len(windows)))
        for fields in windows:
            assert fields[4:8] == ["4.405000", "4.405000", "4.400000", "50.0000"]
        # A busy computer may miss some; those are told.
        assert sum(int(fields[3]) for fields in windows) >= len(windows)
        assert kinds(found, "load")[-1].split(",")[2] == "1", "the load is on"
        reader.write(b"\r\x03\x03")
        _, told = process.communicate(timeout=20)
    # Ctrl-C ends it, and nobody watches the cells any more.
    assert told.endswith(b"load switch open\n"), told
