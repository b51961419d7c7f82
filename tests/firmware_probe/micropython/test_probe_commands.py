"""Commands to the firmware in Python: answered as the compiled sketch answers them, however they arrive."""

import random
from pathlib import Path

import pytest

from firmware_probe.line_format import command, frame
from tests.support.board_output import bodies
from tests.support.firmware_sim.bench import Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch
from tests.support.interpreter_bench import kinds, needs_interpreter, started, steady

pytestmark = [pytest.mark.firmware, needs_interpreter]

# Good and bad, but for what only one of the two has: bursts, the flex rig.
BODIES = (
    "window,10000", "window,9999", "window,60000000", "window,60000001", "window,4294967296",
    "window,99999999999", "window", "window,", "window,1e5", "window,-1", "window, 10000",
    "window,0000010000", "window,00000010000", "window,100000,7", "windows,100000", "Window,100000",
    "start", "start,1", "stop", "stop,stop", "", ",", ",,,,", "identif", "identify2", "dance", "load",
    "load,2", "load,", "load,01", "load,1.0", "load,x", "load,-1", "cutoff", "cutoff,3.0",
    "cutoff,3.000000", "cutoff,3.000000,", "cutoff,3,500", "cutoff,3.00000,500", "cutoff,3.0000000,500",
    "cutoff,.000000,500", "cutoff,40.960000,0", "cutoff,40.960001,0", "cutoff,41.000000,0",
    "cutoff,2.700000,4294967295", "cutoff,2.700000,4294967296", "cutoff,2.7x0000,1", "cutoff,x.700000,1",
    "cutoff,0.000000,0", "burst", "burst,", "burst,1", "burst,99999", "burst,60000001", "burst,x",
    "flex-start", "flex-start,servo", "flex-start,motor,5,2000,200,10,170,1,0",
    "flex-start,servo,0,2000,200,10,170,1,0", "flex-start,servo,5,99,20,10,170,1,0",
    "flex-start,servo,5,2000,1001,10,170,1,0", "flex-start,servo,5,2000,200,181,170,1,0",
    "flex-start,servo,5,2000,200,10,170,5,0", "flex-start,servo,5,600001,200,10,170,1,0",
    "flex-start,servo,5,2000,200,10,170,1", "flex-start,,,,,,,,", "flex-stop", "flex-stop,1",
    "load,1,1", "load,1", "load,0", "load,1,2", "load,1,", "load,0,1", "load,1,x", "load,0,0,0", "load,1,0",
    "sensor", "sensor,", "sensor,ina219", "sensor,INA21", "sensor,INA2190", "sensor,auto ", "sensor,none",
    "sensor,auto INA219", "address", "address,", "address,4", "address,4a", "address,50", "address,3F",
    "address,4G", "address,040", "address,Auto", "address,0x40", "stop", "sensor,INA228", "sensor,INA219", "sensor,auto",
    "address,40", "address,auto", "start", "sensor,INA219", "address,40", "sensor,x", "address,99", "stop",
    "a" * 60, "b" * 73, "~" * 20, "ok,start", "no,?,crc", "load 1", "start ",
)  # fmt: skip


# A change that it keeps takes the sketch 16 bytes of 4 ms.
STEP_S = 0.07


def lines_of_a_bad_link(count: int, seed: int) -> list[bytes]:
    """Commands with a byte changed, lost or put in, or cut off; no LF within."""
    rng = random.Random(seed)
    found: list[bytes] = []
    while len(found) < count:
        line = bytearray(frame(rng.choice(BODIES[:60]))[:-1])
        at = rng.randrange(len(line))
        trick = rng.randrange(4)
        if trick == 0:
            line[at] = rng.randrange(256)
        elif trick == 1:
            del line[at]
        elif trick == 2:
            line.insert(at, rng.randrange(256))
        else:
            del line[at:]
        # Ctrl-C is the interpreter's way out; an empty line is no command.
        if line.strip(b"\r") and b"\n" not in line and 3 not in line:
            found.append(bytes(line))
    return found


def sent_lines() -> list[bytes]:
    plain = [frame(body)[:-1] for body in BODIES if body]
    odd = [
        b"identify*0000",
        b"start*1507\r",
        b"start*1507\r\r",
        b"start*150",
        b"start*15070",
        b"*0000",
    ]
    odd += [b"start*1507" + b" " * 100, b"x" * 79, b"x" * 80, b"x" * 300, bytes(range(128, 256))]
    return plain + odd + lines_of_a_bad_link(120, 7)


@needs_toolchain
def test_answers_are_the_sketchs_to_the_byte(tmp_path: Path) -> None:
    script = Script().at(0, "switch-fitted", "pack-v 4.5", "load-ma 80")
    for number, line in enumerate(sent_lines()):
        script.at(0.3 + STEP_S * number, f"send-hex {(line + bytes([10])).hex()}")
    outcome = run_bench(sketch(), script, tmp_path, 0.6 + STEP_S * len(sent_lines()))
    wanted = [",".join((line.kind, *line.fields)) for line in outcome.of("ok", "no")]
    with started(tmp_path / "python") as board:
        board.boot(averages=1)
        sent = b""
        at_us = 0
        for line in sent_lines():
            board.host(line + b"\n")
            at_us = steady(board, 20, start_us=at_us)
            sent += board.run(at_us).sent
        sent += board.run(at_us + 1_000_000).sent
    found = kinds(bodies(sent), "ok", "no")
    assert len(wanted) > 190
    assert found == wanted


def answers(folder: Path, portions: list[bytes]) -> list[str]:
    """What a board says to bytes that come in these portions, 21 ms apart; without times and numbers of starts."""
    with started(folder) as board:
        at_us = 0
        sent = board.boot(averages=1).sent
        for portion in portions:
            board.host(portion)
            at_us = steady(board, 20, start_us=at_us)
            sent += board.run(at_us).sent
    return kinds(bodies(sent), "ok", "no")


def test_split_at_each_byte(tmp_path: Path) -> None:
    line = command("cutoff", "3.000000", "500")
    for cut in range(1, len(line)):
        folder = tmp_path / str(cut)
        assert answers(folder, [line[:cut], line[cut:]]) == ["ok,cutoff"]
    singly = [bytes([byte]) for byte in line]
    assert answers(tmp_path / "singly", singly) == ["ok,cutoff"]


def test_many_at_once_are_all_answered_in_order(tmp_path: Path) -> None:
    names = ["start", "stop", "flex-stop"] * 20
    found = answers(tmp_path, [b"".join(command(name) for name in names), *[b""] * 40])
    assert found == [f"ok,{name}" for name in names]


def test_what_it_has_not_is_said(tmp_path: Path) -> None:
    flex = command("flex-start", "servo", "5", "2000", "200", "10", "170", "1", "0")
    found = answers(tmp_path, [command("burst", "1000000") + flex, b"", b""])
    assert found == ["no,burst,fitted", "no,flex-start,fitted"]


def test_garbage_leaves_nothing_behind(tmp_path: Path) -> None:
    rng = random.Random(3)
    garbage = bytes(byte for byte in rng.randbytes(5000) if byte not in (3, 10))
    found = answers(tmp_path, [garbage, *[b""] * 5, b"\n" + command("start"), b""])
    assert found == ["no,?,crc", "ok,start"]


def test_two_interrupts_on_an_empty_line_open_the_switch_and_leave(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.boot(averages=1)
        board.host(command("load", "1"))
        told = board.run(steady(board, 60))
        assert told.closed
        board.host(b"start\x03\x03\n")
        told = board.run(steady(board, 60, start_us=told.now_us))
        assert told.closed
        assert not told.left
        board.host(b"\r\x03\x03")
        told = board.run(steady(board, 60, start_us=told.now_us))
        assert told.left
        assert not told.closed
