"""Columns of a body that may be damaged: only lines that look odd are judged one by one.

A line of digits, points, signs and as many delimiters as the header has goes to the C parser as it is, together with
its neighbours; where the parser refuses them, the block is halved until the fault stands in a few lines. So a damaged
row costs those lines, not the whole file, and the findings are those of a judgement line by line.
"""

import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.run.fast_csv import THREADS_MAX
from logger.run.reading.findings import Findings
from logger.run.reading.lines import LineJudge
from logger.run.reading.parse import Columns, known_places, parse, parse_at_once

BLOCK_BYTES: Final = 4 * 1024 * 1024
FEW_BYTES: Final = 16 * 1024  # below, a parser costs as much as judging line by line
_DIGITS_MOST: Final = 30  # in a row; more are damage (logger.run.reading.lines)
_DIGIT, _OTHER, _COMMA, _LINE_END, _RETURN = b"0!,\n\r"
# What may stand in a number of another program, or around it: a line of these may be sound as well.
_NUMBER_SIGNS: Final = b"0123456789.-+eE, \t\v\f\r"

Rows = npt.NDArray[np.intp]


@dataclass(frozen=True)
class _Block:
    """A piece of the body whose first line has this number in the file.

    ``ends``: where its lines end, counted from ``begin``; None: only a judgement line by line tells. ``odd``: numbers
    of its odd lines.
    """

    body: bytes
    begin: int
    end: int
    first_line: int
    ends: Rows | None
    odd: Rows

    @property
    def data(self) -> bytes:
        return self.body[self.begin : self.end]

    def line(self, number: int) -> tuple[int, int]:
        """Where the line with this number in the block begins and ends, without its line end."""
        assert self.ends is not None
        return int(self.ends[number - 1]) + 1 if number else 0, int(self.ends[number])

    def may_be_sound(self, header: Sequence[str]) -> bool:
        """Whether another way of writing numbers, or words in a column of another program, can be all that is odd."""
        if self.ends is None:
            return True  # not known: the parser tells
        places = known_places(header)
        for number in self.odd.tolist():
            begin, end = self.line(number)
            line = self.body[self.begin + begin : self.begin + end]
            if not line.strip():
                continue
            fields = line.split(b",")
            if len(fields) != len(header) or b"\0" in line or b'"' in line:
                return False
            if b"".join([fields[place] for place in places]).translate(None, _NUMBER_SIGNS):
                return False
        return True


def columns_of(
    body: bytes, delimiter: bytes, header: list[str], first_line: int, findings: Findings
) -> Columns:
    """Known columns of the body's good lines, as float64; the other lines are told. ``first_line``: its number in the file."""
    judge = LineJudge(delimiter, header)
    blocks = list(_blocks(body, first_line, _Kinds(delimiter, len(header))))
    if (
        delimiter == b","
        and any(block.ends is None or len(block.odd) for block in blocks)
        and all(block.may_be_sound(header) for block in blocks)
    ):
        columns = parse_at_once(body, header)
        if columns is not None:
            return columns

    def read(block: _Block) -> tuple[Columns, Findings]:
        return _read(block, judge, header)

    parts: list[Columns] = []
    for columns, found in _side_by_side(read, blocks):
        findings.take(found)
        parts.append(columns)
    if len(parts) == 1:
        return parts[0]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _side_by_side(
    read: Callable[[_Block], tuple[Columns, Findings]], blocks: Sequence[_Block]
) -> Iterator[tuple[Columns, Findings]]:
    """In order; the C parser lets other threads work meanwhile."""
    threads = min(THREADS_MAX, os.cpu_count() or 1, len(blocks))
    if threads < 2:
        yield from map(read, blocks)
        return
    with ThreadPoolExecutor(threads) as pool:
        yield from pool.map(read, blocks)


class _Kinds:
    """Which lines of a block hold anything but digits, points, signs and the right number of delimiters."""

    def __init__(self, delimiter: bytes, width: int) -> None:
        table = bytearray([_OTHER]) * 256
        for sign in b"0123456789":
            table[sign] = _DIGIT
        for sign in b".-," if delimiter != b"," else b".-":
            table[sign] = ord(".")
        for sign in b"\r\n":
            table[sign] = sign
        table[delimiter[0]] = _COMMA
        self._table = bytes(table)
        self._commas = width - 1
        self._long = b"0" * (_DIGITS_MOST + 1)

    def look(self, data: bytes) -> tuple[Rows | None, Rows]:
        """Ends of the block's lines and the numbers of the odd ones, as ``_Block`` has them."""
        nothing = np.empty(0, np.intp)
        kinds = data.translate(self._table)
        signs = np.frombuffer(kinds, np.uint8)
        ends = np.flatnonzero(signs == _LINE_END)
        alone = np.count_nonzero(signs == _RETURN) - np.count_nonzero(signs[ends - 1] == _RETURN)
        if alone or not data.endswith(b"\n"):
            return None, nothing
        odd = self._miscounted(signs == _COMMA, ends)
        if _OTHER in kinds:
            # Line by line, not sign by sign: a hole of zeros may be as large as the file.
            odd |= np.logical_or.reduceat(signs == _OTHER, _begins(ends))
        at = kinds.find(self._long)
        while at >= 0:
            row = int(np.searchsorted(ends, at))
            odd[row] = True
            at = kinds.find(self._long, int(ends[row]))
        return ends, np.flatnonzero(odd)

    def _miscounted(self, commas: npt.NDArray[np.bool_], ends: Rows) -> npt.NDArray[np.bool_]:
        """Lines with more or fewer delimiters than there should be; ``commas``: which signs are delimiters."""
        if np.count_nonzero(commas) == len(ends) * self._commas:
            table = np.flatnonzero(commas).reshape(len(ends), self._commas)
            wrong = table[:, -1] > ends
            wrong[1:] |= table[1:, 0] < ends[:-1]
            if not wrong.any():
                return wrong
        counts = np.add.reduceat(commas.view(np.uint8), _begins(ends), dtype=np.uint32)
        return np.asarray(counts != self._commas)


def _begins(ends: Rows) -> Rows:
    """Where the lines begin that end there."""
    return np.concatenate(([0], ends[:-1] + 1))


def _blocks(body: bytes, first_line: int, kinds: _Kinds) -> Iterator[_Block]:
    """The body in pieces that end with a line."""
    begin, end = 0, -1
    while end < len(body):
        end = body.find(b"\n", begin + BLOCK_BYTES) + 1 or len(body)
        data = body[begin:end]
        ends, odd = kinds.look(data)
        yield _Block(body, begin, end, first_line, ends, odd)
        first_line += len(re.findall(rb"\r\n|\n|\r", data)) if ends is None else len(ends)
        begin = end


def _read(block: _Block, judge: LineJudge, header: list[str]) -> tuple[Columns, Findings]:
    if block.ends is not None:
        found = Findings()
        try:
            columns = parse(_sound_text(block, judge, found), header)
        except (ValueError, OverflowError):  # ParserError is a ValueError
            columns = None
        # A line without a time is told by its number.
        if columns is not None and not np.isnan(columns["time_s"]).any():
            return columns, found
        if block.end - block.begin > FEW_BYTES and len(block.ends) > 1:
            return _halved(block, judge, header)
    found = Findings()
    return parse(judge.good_lines(block.data, block.first_line, found), header), found


def _halved(block: _Block, judge: LineJudge, header: list[str]) -> tuple[Columns, Findings]:
    assert block.ends is not None
    middle = len(block.ends) // 2
    length = int(block.ends[middle - 1]) + 1
    place, later = block.begin + length, block.odd >= middle
    first = replace(block, end=place, ends=block.ends[:middle], odd=block.odd[~later])
    second = replace(
        block,
        begin=place,
        first_line=block.first_line + middle,
        ends=block.ends[middle:] - length,
        odd=block.odd[later] - middle,
    )
    upper, found = _read(first, judge, header)
    lower, below = _read(second, judge, header)
    found.take(below)
    return {name: np.concatenate([upper[name], lower[name]]) for name in upper}, found


def _sound_text(block: _Block, judge: LineJudge, found: Findings) -> bytes:
    """The block comma-separated, without those of its odd lines that are no rows."""
    data, pieces, at = block.data, [], 0
    for number in block.odd.tolist():
        begin, end = block.line(number)
        pieces.append(_with_commas(data[at:begin], judge.delimiter))
        line = data[begin:end].removesuffix(b"\r")
        good = judge.good_line(line, block.first_line + number, found)
        if good is not None:
            pieces.append(good + b"\n")
        at = end + 1
    pieces.append(_with_commas(data[at:], judge.delimiter))
    return b"".join(pieces)


def _with_commas(text: bytes, delimiter: bytes) -> bytes:
    if delimiter == b",":
        return text
    return text.translate(bytes.maketrans(b"," + delimiter, b".,"))
