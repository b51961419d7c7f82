"""The simulated board on real ptys and sockets, through pyserial as the logger opens it."""

import socket
import stat
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial

from firmware_probe.line_format import command
from firmware_probe.twin.bench_text import (
    joints_from_text,
    load_from_text,
    pack_from_text,
    sensor_from_text,
)
from firmware_probe.twin.canned_board import CannedBoard, window_lines
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.links import Link, PtyLink, TcpLink
from firmware_probe.twin.pack import CellPack, PowerBank
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_board
from tests.support.board_output import bodies, windows

# Real processes, ports and time.
pytestmark = pytest.mark.real_time

START = command("start")
LINKS = [TcpLink] if sys.platform == "win32" else [PtyLink, TcpLink]
needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="no ptys on this system")


def opened(port: str) -> serial.SerialBase:
    return serial.serial_for_url(port, 115200, timeout=0.05)


def read_until(reader: serial.SerialBase, enough: Callable[[bytes], bool]) -> bytes:
    """What arrives until ``enough``; fails after 20 s."""
    data, end_s = b"", time.monotonic() + 20.0
    while not enough(data):
        assert time.monotonic() < end_s, data[-200:]
        data += reader.read(4096)
    return data


def whole_lines(data: bytes) -> bytes:
    return data[: data.rfind(b"\n") + 1]


@pytest.mark.parametrize("make_link", LINKS)
def test_flat_out_nothing_is_lost_however_slow_the_reader(make_link: Callable[[], Link]) -> None:
    with BoardServer(vest_board(1), make_link(), time_factor=0.0) as server:
        reader = opened(server.port)
        reader.write(b"identify\n")
        read_until(reader, lambda data: b"time_factor=0*" in data)
        reader.write(START)
        time.sleep(0.3)  # the reader's buffer is full long before: the board must wait
        data = read_until(reader, lambda data: data.count(b"\nw,") > 1500)
        rows = windows(whole_lines(data))
        assert [row["sequence"] for row in rows] == list(range(len(rows)))
        assert server.bytes_lost == 0
        reader.close()


@pytest.mark.parametrize("make_link", LINKS)
def test_flat_out_waits_for_a_reader_and_for_start(make_link: Callable[[], Link]) -> None:
    board = vest_board(1)
    with BoardServer(board, make_link(), time_factor=0.0) as server:
        time.sleep(0.1)
        assert server.ask(lambda: board.life_us) == 0
        reader = opened(server.port)
        reader.write(b"identify\n")
        read_until(reader, lambda data: b"hello" in data)
        # Real time, not a night, passes while the host makes up its mind.
        assert server.ask(lambda: board.life_us) < 20_000_000
        reader.close()


@needs_pty
def test_time_factor_is_kept() -> None:
    board = vest_board(1)
    with BoardServer(board, PtyLink(), time_factor=50.0) as server:

        def both_clocks() -> tuple[float, float]:
            """Board time in us, and the host's time at the round that brought it there."""
            return server.ask(lambda: (board.life_us, server._last_s))

        begin_us, begin_s = both_clocks()
        time.sleep(0.2)
        end_us, end_s = both_clocks()
        assert end_us - begin_us == pytest.approx((end_s - begin_s) * 50e6, rel=1e-3)
        assert end_s - begin_s > 0.1


class FakeLink:
    """A link that takes so many bytes a round, for stepping the server by hand."""

    port = "fake"

    def __init__(self, room: int) -> None:
        self.room = room
        self.taken = b""
        self.sent: list[bytes] = []
        self.open = True
        self.plugged = 0

    def plug(self) -> None:
        self.plugged += 1

    def unplug(self) -> None:
        self.plugged -= 1

    def is_open(self) -> bool:
        return self.open

    def read(self) -> bytes:
        return self.sent.pop(0) if self.sent else b""

    def write(self, data: bytes) -> int:
        self.taken += data[: self.room]
        return min(self.room, len(data))

    def wait(self, timeout_s: float, *, to_write: bool) -> None:
        pass


def stepped(
    board: SimulatedBoard, link: FakeLink, **options: Any
) -> tuple[BoardServer, list[float]]:
    """A server on a clock that the test moves, without thread."""
    now = [0.0]
    server = BoardServer(board, link, clock=lambda: now[0], **options)
    return server, now


def test_in_real_time_a_full_buffer_overflows_and_is_counted() -> None:
    link = FakeLink(room=0)
    link.sent = [START]
    server, now = stepped(vest_board(1, window_us=10_000), link, time_factor=1.0)
    for _ in range(30):
        now[0] += 1.0
        server.step()
    # 30 s x 100 lines of about 100 bytes do not fit in 64 KiB.
    assert server.bytes_lost > 100_000
    link.room = 1 << 20
    now[0] += 1.0
    server.step()
    assert len(link.taken) > 65_000


def test_what_is_sent_while_nobody_listens_is_lost_in_real_time() -> None:
    link = FakeLink(room=1 << 20)
    link.sent = [START]
    server, now = stepped(vest_board(1), link, time_factor=1.0)
    server.step()
    link.open = False
    now[0] += 10.0
    server.step()
    link.open = True
    now[0] += 3.0
    server.step()
    rows = windows(link.taken)
    assert [row["sequence"] for row in rows] == [9, 10, 11]


def test_reset_on_open() -> None:
    link = FakeLink(room=1 << 20)
    link.open = False
    board = vest_board(1)
    server, now = stepped(board, link, time_factor=1.0, reset_on_open=True)
    now[0] += 5.0
    server.step()
    assert board.eeprom.boot == 1
    link.open = True
    for _ in range(2):
        now[0] += 1.0
        server.step()
    assert board.eeprom.boot == 2
    assert "cause=reset" in bodies(link.taken)[1]


def test_unplug_by_the_boards_own_faults_takes_board_time() -> None:
    link = FakeLink(room=1 << 20)
    link.sent = [START]
    board = vest_board(1, faults=FaultPlayer(parse_script("5:unplug=20")))
    server, now = stepped(board, link, time_factor=10.0)
    for _ in range(100):
        now[0] += 0.1
        server.step()
        if 0.65 < now[0] < 2.3:
            assert link.plugged == 0
    assert link.plugged == 1
    assert server.unplugged == 1
    sequences = [row["sequence"] for row in windows(link.taken)]
    missing = sorted(set(range(sequences[-1])) - set(sequences))
    assert 18 <= len(missing) <= 22


@needs_pty
def test_pty_goes_away_and_comes_back_under_its_link(tmp_path: Path) -> None:
    name = tmp_path / "board"
    board = vest_board(1)
    with BoardServer(board, PtyLink(name), time_factor=100.0) as server:
        assert server.port == str(name)
        assert name.is_symlink()
        assert stat.S_ISCHR(name.stat().st_mode)
        reader = opened(str(name))
        reader.write(START)
        read_until(reader, lambda data: data.count(b"\nw,") > 3)
        server.unplug(0.2)
        with pytest.raises((serial.SerialException, OSError)):
            read_until(reader, lambda data: False)
        reader.close()
        end_s = time.monotonic() + 20.0
        while not name.exists():
            assert time.monotonic() < end_s
            time.sleep(0.01)
        again = opened(str(name))
        # The board lived on: it still sends, nobody said start again.
        read_until(again, lambda data: data.count(b"\nw,") > 3)
        again.close()
    assert not name.exists()
    assert board.eeprom.boot == 1


@needs_pty
def test_pty_comes_back_under_another_name() -> None:
    link = PtyLink(renames=True)
    names = []
    for _ in range(3):
        link.plug()
        names.append(link.port)
        link.unplug()
    assert names[0] != names[1] != names[2]


@needs_pty
def test_flat_out_the_board_waits_for_a_killed_reader() -> None:
    sequences: list[int] = []
    with BoardServer(vest_board(1), PtyLink(), time_factor=0.0) as server:
        for _ in range(3):
            reader = opened(server.port)
            reader.write(START)
            data = read_until(reader, lambda part: part.count(b"\nw,") > 300)
            reader.close()
            time.sleep(0.05)
            # The line at the seam may be cut: it begins in the last reader's buffer.
            whole = whole_lines(data[data.index(b"\nw,") + 1 :])
            sequences += [
                row["sequence"] for row in windows(whole.replace(b"ok,start*1507\n", b""))
            ]
    assert sequences == sorted(set(sequences))
    # What lay in the pty (some 20 kB) is gone with its reader; the board did not run on.
    assert sequences[-1] - len(sequences) < 2 * 400


def test_tcp_comes_back_on_the_same_number() -> None:
    with BoardServer(vest_board(1), TcpLink(), time_factor=100.0) as server:
        where = ("127.0.0.1", int(server.port.rpartition(":")[2]))
        with socket.create_connection(where, timeout=5.0) as reader:
            reader.sendall(b"identify\n")
            assert reader.recv(1000).startswith(b"\nsensor,")
            server.unplug(3600.0)
            assert reader.recv(1000) == b""
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(where, timeout=5.0)
        server.ask(lambda: setattr(server, "_plug_in_s", 0.0))
        end_s = time.monotonic() + 20.0
        while server.ask(lambda: server.is_unplugged):
            assert time.monotonic() < end_s
            time.sleep(0.02)
        with socket.create_connection(where, timeout=5.0) as again:
            again.sendall(b"identify\n")
            assert b"hello," in again.recv(1000)


def test_requests_and_errors_come_back_to_the_one_who_asked() -> None:
    board = vest_board(1)
    server = BoardServer(board, TcpLink(), time_factor=1.0)
    with server:
        assert server.ask(lambda: 7) == 7
        with pytest.raises(ZeroDivisionError):
            server.ask(lambda: 1 // 0)
    with pytest.raises(RuntimeError, match="has ended"):
        server.ask(lambda: 7)
    with pytest.raises(ValueError, match="time factor"):
        BoardServer(board, TcpLink(), time_factor=-1.0)


def test_canned_lines_are_valid_and_all_arrive() -> None:
    lines = window_lines(20_000)
    rows = windows(lines)
    assert [row["sequence"] for row in rows] == list(range(20_000))
    hours = rows[-1]["time_us"] / 3.6e9
    assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(200.0 * hours, rel=1e-4)
    with BoardServer(CannedBoard(lines), LINKS[0](), time_factor=0.0) as server:
        reader = opened(server.port)
        reader.write(b"identify\n")
        read_until(reader, lambda data: b"simulated-canned" in data and data.endswith(b"\n"))
        reader.write(START)
        data = read_until(reader, lambda data: len(data) > len(lines))
        assert data == b"ok,start*1507\n" + lines
        reader.close()


def test_bench_in_words() -> None:
    pack = pack_from_text("3x AA alkaline", capacity_mah=2000.0)
    assert isinstance(pack, CellPack)
    assert (pack.cells, pack.kind.capacity_mah) == (3, 2000.0)
    assert isinstance(pack_from_text("usb-bank"), PowerBank)
    assert pack_from_text("Li-Ion").source()[0] > 4.0
    for text in ("3x AA wishes", "99x li-ion", ""):
        with pytest.raises(ValueError, match="write it like"):
            pack_from_text(text)
    assert load_from_text("200mA").steps[0].mode.parts[0].draw().current_a == 0.2
    assert load_from_text("22 ohm").steps[0].mode.parts[0].draw().conductance_s == 1 / 22
    assert load_from_text("500mW").converter is not None
    assert len(load_from_text("vest").steps) > 10
    for text in ("0mA", "5 apples"):
        with pytest.raises(ValueError, match="a resistance"):
            load_from_text(text)
    assert len(joints_from_text("solid, stranded")) == 2
    with pytest.raises(ValueError, match="at most four"):
        joints_from_text("glass")
    assert sensor_from_text("ina226", 0.1, 1, perfect=True).errors.shunt_gain == 0.0
