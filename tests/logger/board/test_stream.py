"""The decoder: every whole line is taken, no damaged one, at any cutting into chunks."""

import random
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_probe.line_format import LINE_MAX_BYTES, crc16, frame
from logger.board.stream import (
    Answer,
    Fault,
    Flex,
    FlexEnd,
    Hello,
    Item,
    LineDecoder,
    Load,
    Void,
    Window,
)
from tests.support.stream_material import HELLO, OTHERS, damage, window_line

WINDOW = frame(
    "w,1042,104200512,94,4.512300,4.488000,4.507479,48.2130,12.1000,96.4000,1.395521,6.297012"
)


def decode(data: bytes, cuts: Sequence[int] = ()) -> list[Item]:
    decoder = LineDecoder()
    items: list[Item] = []
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    for start, end in pairwise(edges):
        items += decoder.feed(data[start:end])
    return items


def test_crc_is_the_published_one() -> None:
    # CRC-16/XMODEM check value 31C3h, published CRC catalogues (SOURCES.md C14).
    assert crc16(b"123456789") == 0x31C3
    decoder = LineDecoder()
    decoder.feed(b"\n123456789*31C3\n123456789*29B1\n")  # 29B1h: the same polynomial, init FFFFh
    assert decoder.unknown == 1
    assert decoder.voids == {"crc": 1}


def test_the_example_of_the_protocol_page() -> None:
    assert decode(WINDOW) == [
        Window(
            1042,
            104200512,
            b"94,4.512300,4.488000,4.507479,48.2130,12.1000,96.4000",
            4.5123,
            96.4,
            1395521,
            6297012,
        )
    ]


def test_every_other_kind_of_line() -> None:
    hello, load, fault, flex, flex_end, yes, no = decode(b"".join(OTHERS))
    assert isinstance(hello, Hello)
    assert (hello.board, hello.boot, hello.window_us, hello.load) == ("7F3A91C2", 17, 100_000, "1")
    assert hello.time_factor is None
    assert load == Load(120_000, "0", "cutoff")
    assert fault == Fault(500_000, "overflow", "12")
    assert flex == Flex(312, 401200112, 1, 9.8121, 10.0455, 0.1412, 0.1577, 0, 0)
    assert flex_end == FlexEnd(313, 401300112, "open")
    assert (yes, no) == (Answer("start", True), Answer("window", False, "range"))


def test_a_joint_open_all_the_time_has_no_resistance() -> None:
    line = frame("flex,312,401200112,1,0.0000,0.0000,,,1,800000")
    assert decode(line) == [Flex(312, 401200112, 1, 0.0, 0.0, None, None, 1, 800_000)]


def test_carriage_return_and_fields_of_later_versions_are_ignored() -> None:
    longer = frame(WINDOW.split(b"*")[0].decode() + ",7.5,later")
    assert len(decode(WINDOW.replace(b"\n", b"\r\n"))) == 1
    assert isinstance(decode(longer)[0], Window)
    assert decode(frame("tomorrow,1,2")) == []


@pytest.mark.parametrize(
    "body",
    [
        "w,1,2,3",
        "w,1,2,3,4.5,4.5,4.5,1.0,1.0,1.0,1.0,1.0",
        "w,-1,104200512,94,4.512300,4.488000,4.507479,48.2130,12.1000,96.4000,1.395521,6.297012",
        "w,1e3,104200512,94,4.512300,4.488000,4.507479,48.2130,12.1000,96.4000,1.395521,6.297012",
        "w,1042,104200512,94,nan,4.488000,4.507479,48.2130,12.1000,96.4000,1.395521,6.297012",
        "hello,protocol=1,board=xyz,boot=1,time_us=1,window_us=100000",
        "hello,protocol=1",
        "load,1,2,host",
        "fault",
        "flex,1,2,3",
        "flex,1,2,3,1.0,1.0,1_0,1.0,0,0",
        "ok",
    ],
)
def test_right_crc_but_wrong_fields_is_void(body: str) -> None:
    decoder = LineDecoder()
    items = decoder.feed(b"\n" + frame(body))
    assert [item.reason for item in items if isinstance(item, Void)] == ["fields"]
    assert decoder.lines == 0


def test_voids_tell_where_and_why() -> None:
    data = WINDOW + b"noise\n" + WINDOW.replace(b"4.5123", b"4.5124") + b"\x80\xff\n" + WINDOW
    voids = [item for item in decode(data) if isinstance(item, Void)]
    size = len(WINDOW)
    assert voids == [
        Void(size, 6, "characters"),
        Void(size + 6, size, "crc"),
        Void(2 * size + 6, 3, "characters"),
    ]


def test_lower_case_hex_and_odd_crc_texts_are_refused() -> None:
    body, crc = WINDOW.strip().split(b"*")
    for other in (crc.lower(), b" " + crc[1:], b"+" + crc[1:], crc[:3], crc + b"0"):
        if other != crc:
            assert not any(isinstance(item, Window) for item in decode(b"\n" + body + b"*" + other))


def test_an_overlong_line_is_void_and_costs_no_memory() -> None:
    decoder = LineDecoder()
    items: list[Item] = []
    items += decoder.feed(b"\n" + WINDOW)
    for _ in range(1000):
        items += decoder.feed(b"x" * 1000)
    assert len(decoder._pending) < LINE_MAX_BYTES
    items += decoder.feed(b"\n" + WINDOW)
    assert [type(item) for item in items] == [Window, Void, Window]
    assert items[1] == Void(len(WINDOW) + 1, 1_000_001, "length")


def test_the_piece_of_a_line_at_opening_is_not_noise() -> None:
    decoder = LineDecoder()
    assert len(decoder.feed(WINDOW[20:] + WINDOW)) == 1
    decoder.feed(WINDOW[:30])
    decoder.restart()
    assert len(decoder.feed(WINDOW[50:] + WINDOW)) == 1
    assert decoder.voids == {}


LINE = st.one_of(
    st.sampled_from((*OTHERS, HELLO)),
    st.integers(0, 10**6).map(lambda number: window_line(number, random.Random(number))),
)
PIECE = st.one_of(
    LINE.map(lambda line: (line, True)),
    st.tuples(LINE, st.integers(0, 2**32)).map(
        lambda pair: (damage(pair[0], random.Random(pair[1])), False)
    ),
    st.binary(max_size=400).map(lambda noise: (noise.replace(b"\n", b"") + b"\n", False)),
)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.lists(PIECE, max_size=20), st.lists(st.integers(0, 10**6), max_size=10))
def test_any_damage_any_chunks(pieces: list[tuple[bytes, bool]], cuts: list[int]) -> None:
    """Whole lines come through whatever stood on the line before; the cutting does not matter."""
    data = b"\n" + b"".join(piece for piece, _ in pieces)
    items = decode(data, cuts)
    assert items == decode(data)
    taken: list[Item] = [item for item in items if not isinstance(item, Void)]
    whole = [item for piece, good in pieces if good for item in decode(b"\n" + piece)]
    # A damaged piece may be a valid line only by repeating one (its CR cut, say) or by the CRC's odds.
    assert len(taken) >= len(whole)
    position = 0
    for item in whole:
        position = taken.index(item, position) + 1


@pytest.mark.slow
def test_ten_million_damaged_bytes() -> None:
    """No crash, no damaged line beyond the CRC's own odds, every whole line taken."""
    rng = random.Random(20_26)
    decoder = LineDecoder()
    number = damaged = total = 0
    sent: set[int] = set()
    wrong = 0
    taken: set[int] = set()
    decoder.feed(b"\n")
    while total < 10_000_000:
        block = []
        for _ in range(2000):
            line = window_line(number, rng)
            if rng.random() < 0.5:
                line = damage(line, rng)
                damaged += 1
            else:
                sent.add(number)
            number += 1
            block.append(line)
        data = b"".join(block)
        total += len(data)
        start = 0
        while start < len(data):
            end = start + rng.randint(1, 8192)
            for item in decoder.feed(data[start:end]):
                if isinstance(item, Window):
                    wrong += item.sequence not in sent
                    taken.add(item.sequence)
            start = end
    assert sent <= taken
    # Every damaged line matches its CRC with probability 2^-16 at most; six standard deviations.
    expected = damaged / 65536
    assert wrong <= expected + 6 * expected**0.5 + 1
    assert len(decoder._pending) < LINE_MAX_BYTES


def test_random_bytes_alone() -> None:
    rng = random.Random(7)
    decoder = LineDecoder()
    for _ in range(100):
        assert not any(not isinstance(item, Void) for item in decoder.feed(rng.randbytes(20_000)))
        assert len(decoder._pending) < LINE_MAX_BYTES
    assert any(isinstance(item, Window) for item in decoder.feed(b"\n" + WINDOW))
