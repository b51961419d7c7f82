"""A damaged body read around its damage gives the same as judging every line of it: columns, words, rows, counts."""

import io
from typing import Final

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import logger.run.reading.damaged as damaged
from logger.run.reading.damaged import columns_of
from logger.run.reading.findings import Findings
from logger.run.reading.lines import LineJudge
from logger.run.reading.parse import Columns, parse, parse_at_once

HEADER: Final = ["time_s", "mine", "pack_v", "current_ma"]
Told = tuple[Columns, tuple[str, ...], int]


def line_by_line(body: bytes, delimiter: bytes, header: list[str]) -> Told:
    """What a reader does that knows no blocks: all at once if all is sound, else each line by itself."""
    found = Findings()
    columns = parse_at_once(body, header) if delimiter == b"," else None
    if columns is None:
        good = LineJudge(delimiter, header).good_lines(body, 2, found)
        columns = parse(good, header)
    return columns, found.problems(), found.rejected


def around_the_damage(body: bytes, delimiter: bytes, header: list[str]) -> Told:
    found = Findings()
    return columns_of(body, delimiter, header, 2, found), found.problems(), found.rejected


def assert_same(body: bytes, delimiter: bytes = b",", header: list[str] = HEADER) -> None:
    found, wanted = (
        around_the_damage(body, delimiter, header),
        line_by_line(body, delimiter, header),
    )
    assert found[1:] == wanted[1:]
    assert list(found[0]) == list(wanted[0])
    for name, values in wanted[0].items():
        np.testing.assert_array_equal(found[0][name], values, err_msg=name)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(damaged, "BLOCK_BYTES", 400)
    monkeypatch.setattr(damaged, "FEW_BYTES", 80)


def row(n: int) -> bytes:
    return b"%d.500000,7,4.%06d,%d.2500" % (n, n, 100 + n)


LONG: Final = b"1" * 31
# What becomes of one line, from the line itself.
DAMAGES: Final[tuple[bytes, ...]] = (
    b"", b" ", b"garbage", b"1.0,7,4.5", b"1.0,7,4.5,80,9", b"1.0,7,4.5,80,", b"x,7,4.5,80", b"1.0,x,4.5,80", b"1.0,1-2,4.5,80",
    b"1.0,7,1-2,80", b"1.0,7,1.2.3,80", b"1.0,7,.,80", b"1.0,7,-,80", b"1.0,7,,80", b",7,4.5,80", b" ,7,4.5,80", b"1.0,7, 4.5 ,80",
    b"1.0,7,4.5e0,80", b"1.0,7,4.5e100,80", b"1.0,7,+4.5,80", b"1.0,7,inf,80", b"1.0,7,nan,80", b'1.0,7,"4.5",80',
    b'1.0,7,"4,5",80', b'"1.0,7,4.5,80', b"\0\0\0\0", b"1.0,7,\0,80", b"1.0,7," + LONG + b",80", b"1.0,7,0." + LONG + b",80",
    b"1.0," + LONG + b",4.5,80", b"\xff\xfe", b"1.0,7,4\xb75,80", b"1.0,\xe4,4.5,80", b"\xef\xbb\xbf1.0,7,4.5,80", b"1.0;7;4,5;80",
    b"1.0,7,4.5,80\r", b"\r", b"1.0,7\r4.5,80", b"5.5,7,4.5,80", b"0x1,7,4.5,80", b"1_0,7,4.5,80", b"#", b"-1.0,7,4.5,80",
)  # fmt: skip


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("damage", DAMAGES)
def test_one_damaged_line_in_many(damage: bytes, end: bytes) -> None:
    lines = [row(n) for n in range(60)]
    assert_same(end.join([*lines[:31], damage, *lines[31:], b""]))


@pytest.mark.parametrize("delimiter", [b";", b"\t"])
@pytest.mark.parametrize("damage", DAMAGES)
def test_one_damaged_line_of_a_spreadsheet_with_decimal_commas(
    damage: bytes, delimiter: bytes
) -> None:
    def saved(line: bytes) -> bytes:
        return line.translate(bytes.maketrans(b",.", delimiter + b","))

    lines = [saved(row(n)) for n in range(40)]
    for bad in (damage, saved(damage)):
        assert_same(b"\r\n".join([*lines[:21], bad, *lines[21:], b""]), delimiter)


@pytest.mark.slow
@settings(
    deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    places=st.lists(
        st.tuples(st.integers(0, 59), st.sampled_from(DAMAGES)), min_size=1, max_size=8
    ),
    doubled=st.lists(st.integers(0, 59), max_size=3),
    swapped=st.lists(st.integers(0, 58), max_size=3),
    ends=st.lists(
        st.sampled_from([b"\n", b"\r\n", b"\r\n", b"\r\n", b"\n\n"]), min_size=1, max_size=7
    ),
)
@example(
    places=[(0, b"1.0,7,4.5e100,80"), (1, b"1.0,\xe4,4.5,80")], doubled=[], swapped=[], ends=[b"\n"]
)
@example(places=[(0, b",7,4.5,80"), (59, b"x,7,4.5,80")], doubled=[], swapped=[], ends=[b"\n"])
def test_many_damages(
    places: list[tuple[int, bytes]], doubled: list[int], swapped: list[int], ends: list[bytes]
) -> None:
    lines = [row(n) for n in range(60)]
    for place in swapped:
        lines[place], lines[place + 1] = lines[place + 1], lines[place]
    for place, damage in places:
        lines[place] = damage
    for place in doubled:
        lines.insert(place, lines[place])
    assert_same(b"".join(line + ends[n % len(ends)] for n, line in enumerate(lines)))


def test_a_sound_body_and_an_empty_one() -> None:
    assert_same(b"".join(row(n) + b"\r\n" for n in range(60)))
    assert_same(b"")
    assert_same(b"\r\n\r\n")


def test_numbers_of_another_program_are_taken_as_at_once() -> None:
    """Signs, exponents and blanks are odd, but sound: exponents of three digits only where nothing is damaged."""
    lines = [b"%d, 7,+4.5e-001, 80" % n for n in range(60)]
    assert_same(b"\n".join([*lines, b""]))
    assert_same(b"\n".join([*lines, b"x", b""]))
    columns = columns_of(b"\n".join([*lines, b""]), b",", HEADER, 2, Findings())
    assert columns["pack_v"].tolist() == [0.45] * 60


@pytest.mark.parametrize("blank", [b" ", b"\t", b"\v", b"\f"])
def test_blanks_of_any_kind_around_the_numbers_of_a_sound_file(blank: bytes) -> None:
    body = b"".join(blank + row(n).replace(b",", blank + b"," + blank) + b"\n" for n in range(60))
    assert_same(body)
    assert len(columns_of(body, b",", HEADER, 2, Findings())["time_s"]) == 60


@pytest.mark.parametrize("second", [b"word", b"1-2", b"1.2.3", b""])
@pytest.mark.parametrize("other", [b"", b"garbage\n"])
def test_a_column_there_twice_costs_no_row_by_its_second_field(second: bytes, other: bytes) -> None:
    """Only the first is used."""
    header = ["time_s", "pack_v", "pack_v", "current_ma"]
    body = b"".join(b"%d.5,4.5,%b,80\n" % (n, second) for n in range(60)) + other
    assert_same(body, header=header)
    assert len(columns_of(body, b",", header, 2, Findings())["time_s"]) == 60


def test_lines_are_parsed_in_large_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """One damaged line in a large block: its neighbours are not judged one by one."""
    monkeypatch.setattr(damaged, "BLOCK_BYTES", 100_000)
    judged = []
    good_line = LineJudge.good_line

    def counted(self: LineJudge, line: bytes, number: int, findings: Findings) -> bytes | None:
        judged.append(number)
        return good_line(self, line, number, findings)

    monkeypatch.setattr(LineJudge, "good_line", counted)
    lines = [row(n) for n in range(3000)]
    body = io.BytesIO()
    body.writelines(line + b"\r\n" for line in [*lines[:1500], b"garbage", *lines[1500:]])
    found = Findings()
    assert len(columns_of(body.getvalue(), b",", HEADER, 2, found)["time_s"]) == 3000
    assert judged == [1502]
    assert found.problems() == ("1 row left out: not 4 fields (line 1502: 'garbage')",)
