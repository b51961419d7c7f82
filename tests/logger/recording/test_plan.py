"""The small parts of logging: lengths of time, cautions, disk need, clocks, marks, finding boards."""

import os
import socket
import struct
import sys
from collections import namedtuple
from itertools import pairwise
from pathlib import Path

import pytest

from firmware_probe.twin.links import PtyLink, TcpLink
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.vest import vest_board
from logger.base.clock import ANCHORS_MAX, Anchors, Moment, compare, read_clocks
from logger.base.durations import clock_text, parse_duration_s, rough_text
from logger.base.errors import BenchError
from logger.base.holders import holders
from logger.base.marks import MarkReader
from logger.base.pack import parse_pack
from logger.board.port import (
    Candidate,
    Link,
    LinkLostError,
    candidates,
    find_boards,
    one_board,
    open_link,
)
from logger.recording import safety
from logger.recording.plan import Plan
from logger.run import disk_need
from tests.support.line_feeder import Feeder, FeederBoard

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("10h", 36000),
        ("1h 30min", 5400),
        ("1h30m", 5400),
        ("100ms", 0.1),
        ("2.5d", 216000),
        (" 90 s", 90),
    ],
)
def test_lengths_of_time(text: str, seconds: float) -> None:
    assert parse_duration_s(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["", "10", "h", "0s", "-1h", "1h x", "1e3s", "1 dey"])
def test_not_lengths_of_time(text: str) -> None:
    with pytest.raises(ValueError, match="length of time"):
        parse_duration_s(text)


def test_lengths_of_time_in_words() -> None:
    assert [clock_text(s) for s in (59.9, 0.3, 2.5, 9.0)] == ["59 s", "0.3 s", "2.5 s", "9 s"]
    assert clock_text(3723) == "1 h 02 min 03 s"
    assert clock_text(90061) == "1 d 01 h 01 min"
    assert [rough_text(seconds) for seconds in (10, 50, 240, 14760, 50000, 400000)] == [
        "under a minute",
        "about a minute",
        "about 4.0 min",
        "about 4.1 h",
        "about 14 h",
        "about 4.6 d",
    ]


def test_a_cutoff_below_the_floor_is_refused_unless_wanted() -> None:
    pack = parse_pack("3x AA alkaline")
    # Floor 0.8 V per alkaline cell: cell makers' notes (SOURCES.md B10).
    safety.check_cutoff(pack, 2.4, below_floor=False)
    with pytest.raises(BenchError, match=r"below the floor of 3x AA alkaline: 2\.4 V"):
        safety.check_cutoff(pack, 2.39, below_floor=False)
    safety.check_cutoff(pack, 1.0, below_floor=True)
    safety.check_cutoff(None, 1.0, below_floor=False)
    # A new alkaline cell stands at 1.65 V at most (SOURCES.md B10).
    with pytest.raises(BenchError, match=r"above a full pack of 3x AA alkaline: 4\.95 V"):
        safety.check_cutoff(pack, 5.0, below_floor=True)


def test_the_board_guards_the_cells() -> None:
    pack = parse_pack("3x AA alkaline")
    assert safety.guard_v(pack, 2.7, keep_load=False, below_floor=False) == 2.7
    assert safety.guard_v(pack, None, keep_load=False, below_floor=False) == pytest.approx(2.4)
    assert safety.guard_v(None, None, keep_load=False, below_floor=False) == 0.0
    assert safety.guard_v(pack, 2.7, keep_load=True, below_floor=False) == 0.0


def test_cells_of_another_kind_are_taken_with_their_capacity() -> None:
    pack = parse_pack("2x other 180 mAh", other=True)
    assert (pack.cells, pack.capacity_mah) == (2, 180.0)
    # Of their volts nothing is known: no floor is guarded, none is refused, and the caution says so.
    safety.check_cutoff(pack, 0.3, below_floor=False)
    assert safety.guard_v(pack, None, keep_load=False, below_floor=False) == 0.0
    assert "their maker" in pack.caution
    with pytest.raises(BenchError, match="without its capacity"):
        parse_pack("2x other", other=True)
    with pytest.raises(BenchError, match="nothing is known of its voltage"):
        parse_pack("2x other 180 mAh")


def test_cautions_where_they_apply() -> None:
    lithium, alkaline = parse_pack("li-ion"), parse_pack("3x AA alkaline")
    open_end = safety.cautions(lithium, 3.0, load_switch=False, opens_load=True)
    assert any("DANGER OF FIRE" in text and "alone" in text for text in open_end)
    switched = safety.cautions(lithium, 3.0, load_switch=True, opens_load=True)
    assert not any("DANGER" in text for text in switched)
    assert "Protected cell only" in switched[0]
    assert "local codes" in switched[0].lower()
    left_on = safety.cautions(alkaline, 2.7, load_switch=False, opens_load=True)
    assert "Take the cells out" in left_on[-1]
    assert len(safety.cautions(alkaline, 2.7, load_switch=True, opens_load=True)) == 1
    assert "Nobody has seen this board's load switch open" in switched[-1]
    seen = safety.cautions(lithium, 3.0, load_switch=True, opens_load=True, seen_to_open=True)
    assert len(seen) == 1


def test_a_disk_that_will_fill_is_foreseen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage(10**9, 0, 40_000_000))
    # 10 rows/s of 110 bytes for 10 h are 39.6 MB.
    assert disk_need.disk_warning(tmp_path, 0.1, 7 * 3600.0) == ""
    words = disk_need.disk_warning(tmp_path, 0.1, 36_000.0)
    assert "full after 10.1 h" in words
    assert "40 MB are free" in words


def test_clocks_compared() -> None:
    now = read_clocks()
    assert compare(now, read_clocks()) == []
    later = Moment(now.steady_s + 3600, now.awake_s + 1, now.wall_s + 3600)
    assert [event.kind for event in compare(now, later)] == ["sleep"]
    later = Moment(now.steady_s + 60, now.awake_s + 60, now.wall_s + 60)
    assert [event.kind for event in compare(now, later)] == ["stall"]
    later = Moment(now.steady_s + 0.1, now.awake_s + 0.1, now.wall_s - 3600)
    (step,) = compare(now, later)
    assert (step.kind, round(step.seconds)) == ("step", -3600)
    assert "back by 3600" in step.text


@pytest.mark.slow
def test_anchors_are_bounded_and_even() -> None:
    anchors = Anchors()
    for second in range(0, 49 * 86_400, 30):
        anchors.add(second * 1.001, float(second), Moment(0, 0, 1_800_000_000.0 + second))
    kept = anchors.all()
    assert ANCHORS_MAX // 3 < len(kept) <= ANCHORS_MAX + 1
    assert kept[0][1] == 0.0
    assert kept[-1][1] == 49 * 86_400 - 30
    steps = [b[1] - a[1] for a, b in pairwise(kept)][:-1]
    assert max(steps) <= 2 * min(steps)


@posix
def test_marks_from_a_pipe() -> None:
    read, write = os.pipe()
    with os.fdopen(read) as stream, MarkReader(stream) as marks:
        assert marks.poll() == []
        os.write(write, b"first\nsec")
        assert marks.poll() == ["first"]
        os.write(write, b"ond\r\n\n\xff\n" + b"x" * 5000)
        assert marks.poll()[0] == "second"
        os.close(write)
        assert marks.poll() == []
        assert marks.poll() == []


@posix
def test_keys_on_a_terminal_that_is_not_ours_are_left_alone() -> None:
    """A pty that is not our controlling terminal: as in the background, no key may be read."""
    master, slave = os.openpty()
    os.write(master, b"abc\n")
    with os.fdopen(slave) as stream, MarkReader(stream) as marks:
        assert marks.is_terminal
        assert marks.poll() == []
    os.close(master)


def read_for_ever(link: Link) -> None:
    while True:
        link.read(0.5)


@pytest.mark.slow
@posix
@pytest.mark.parametrize("make", [PtyLink, TcpLink])
def test_a_board_is_found_and_its_link_breaks(make: type[PtyLink] | type[TcpLink]) -> None:
    with BoardServer(vest_board(4), make(), time_factor=1.0) as server:
        (found,) = find_boards(server.port)
        assert found.hello.firmware.startswith("simulated-")
        assert found.hello.time_factor == 1.0
        assert one_board([found]) is found
        server.unplug()
        with pytest.raises(LinkLostError):
            read_for_ever(found.link)
        found.link.close()


@pytest.mark.slow
@posix
def test_a_link_whose_other_end_hung_up_first_leaves_no_socket_open() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = open_link(f"socket://127.0.0.1:{server.getsockname()[1]}")
        other = server.accept()[0]
        # An abrupt end, as of a killed program: the connection is gone before we close ours.
        other.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        other.close()
        with pytest.raises(LinkLostError):
            read_for_ever(link)
        number = link._fd
        link.close()
    assert number is not None
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(number)


@pytest.mark.slow
@posix
def test_boards_are_found_among_other_ports(tmp_path: Path) -> None:
    master, slave = os.openpty()
    silent = os.ttyname(slave)
    with (
        Feeder(FeederBoard("0000000A"), tmp_path, "a"),
        Feeder(FeederBoard("0000000B"), tmp_path, "b"),
    ):
        ports = [Candidate(str(tmp_path / "b")), Candidate(silent), Candidate(str(tmp_path / "a"))]
        found = find_boards(None, patience_s=0.8, list_candidates=lambda pattern: ports)
        assert {item.hello.board for item in found} == {"0000000A", "0000000B"}
        with pytest.raises(BenchError, match="2 boards answered"):
            one_board(found)
    os.close(master)
    os.close(slave)
    with pytest.raises(BenchError, match="No port with a board"):
        find_boards(None, list_candidates=lambda pattern: [])


@posix
def test_holders_and_patterns(tmp_path: Path) -> None:
    path = tmp_path / "held"
    path.write_text("x")
    with path.open():
        assert holders(str(path)) == []  # ourselves do not count
    for name in ("tty-2", "tty-1"):
        (tmp_path / name).touch()
    assert [item.port for item in candidates(f"{tmp_path}/tty-*")] == [
        f"{tmp_path}/tty-1",
        f"{tmp_path}/tty-2",
    ]
    assert candidates("socket://127.0.0.1:7") == [Candidate("socket://127.0.0.1:7")]


@pytest.mark.slow
@posix
def test_two_loggers_cannot_open_one_port(tmp_path: Path) -> None:
    with Feeder(FeederBoard(), tmp_path) as feeder:
        link = open_link(str(feeder.port))
        with pytest.raises(BenchError, match="is in use"):
            open_link(str(feeder.port))
        link.close()
        open_link(str(feeder.port)).close()


def test_no_hold_without_a_cutoff() -> None:
    assert Plan(Path("x")).stop.hold_s == 0.0
    assert Plan(Path("x"), cutoff_v=2.7).stop.hold_s == 10.0
