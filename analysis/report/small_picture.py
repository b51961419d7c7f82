"""How did the voltage of a piece go, in a picture of a thumb's size? Numbers for the page's own SVG.

Not by matplotlib: that takes a tenth of a second and 15 kB a picture, and knows neither dark pages nor the reader's font.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from analysis.report.pieces import Piece
from analysis.report.run_table import Line
from analysis.say.figures import time_unit
from analysis.say.words import count_words, span_words

# A picture whose time is longer than so many usual ones gets an axis of its own.
_OWN_AXIS: Final = 2.5
_POINTS: Final = 150
_STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0)

Course = tuple[list[float], list[float | None]]


@dataclass(frozen=True)
class Size:
    """Of a picture, in its own units (pixels on a screen that shows it whole); margins for what is written around."""

    width: float
    height: float
    left: float
    right: float
    bottom: float
    top: float
    ticks: int


SMALL: Final = Size(220.0, 104.0, 3.0, 3.0, 15.0, 14.0, 0)
LARGE: Final = Size(680.0, 300.0, 40.0, 8.0, 42.0, 18.0, 7)


@dataclass(frozen=True)
class Scale:
    """What a picture's edges stand for."""

    span_s: float
    low_v: float
    high_v: float


@dataclass(frozen=True)
class Picture:
    """Ready to be written out: paths as SVG has them, lines and labels as (place, text), the need's with
    where its label is held: start, middle or end of it at that place.

    ``pale``: other runs of the piece. ``end``: x, y of the newest run's end; ``seen``: it gave up there.
    """

    size: Size
    path: str
    pale: tuple[str, ...]
    cutoff: tuple[float, str] | None
    need: tuple[float, str, str] | None
    end: tuple[float, float] | None
    seen: bool
    ticks_x: tuple[tuple[float, str], ...]
    ticks_y: tuple[tuple[float, str], ...]
    unit: str
    alt: str


def course_of(line: Line) -> Course:
    """Times in s since the run began and volts, None where the recording paused; empty without voltage."""
    digest = line.digest
    if digest is None:
        return [], []
    times: list[float] = []
    volts: list[float | None] = []
    steps = [step for step in digest.unpacked().steps() if step[2] is not None]
    usual = median([b[0] - a[0] for a, b in itertools.pairwise(steps)] or [1])
    for before, step in zip([None, *steps], steps, strict=False):
        if before is not None and step[0] - before[0] > 3 * usual:
            times.append((before[0] + 1) * digest.step_s)
            volts.append(None)
        times.append((step[0] + 0.5) * digest.step_s)
        volts.append(step[2])
    return times, volts


class Gallery:
    """The pictures of these pieces: one axis of time for all but those far longer, one of volts for each kind of pack."""

    def __init__(self, pieces: Sequence[Piece]) -> None:
        self._courses = {
            line.folder: course_of(line) for piece in pieces for line in piece.lines
        }  # each is unpacked once
        self._span_s = {
            id(piece): max(
                piece.need_s or 0.0,
                *((self._courses[line.folder][0] or [0.0])[-1] for line in piece.lines),
            )
            for piece in pieces
        }
        known = [span for span in self._span_s.values() if span > 0]
        self._most_s = _OWN_AXIS * median(known or [1.0])
        self._common_s = max((span for span in known if span <= self._most_s), default=1.0)
        self._ends: dict[str, list[float]] = {}
        for piece in pieces:
            for line in piece.lines:
                self._add_ends(_pack(piece), line)

    def _add_ends(self, pack: str, line: Line) -> None:
        found = [v for v in self._courses[line.folder][1] if v is not None]
        cutoff_v = line.value("cutoff_v")
        if found:
            more = [float(cutoff_v)] if cutoff_v is not None else []
            self._ends.setdefault(pack, []).extend([min(found), max(found), *more])

    def _scale(self, piece: Piece) -> Scale:
        span = self._span_s[id(piece)]
        low, high = min(self._ends[_pack(piece)]), max(self._ends[_pack(piece)])
        room = 0.06 * (high - low) or 0.1
        return Scale(
            1.02 * (self._common_s if span <= self._most_s else span), low - 2 * room, high + room
        )

    def picture(self, piece: Piece, size: Size = SMALL) -> Picture | None:
        """The newest run of a piece as a line, its others pale; None without a voltage."""
        course = self._courses[piece.first.folder]
        if not course[0]:
            return None
        others = [self._courses[line.folder] for line in piece.lines if line is not piece.first]
        return _picture(piece, course, others, self._scale(piece), size)


def _picture(
    piece: Piece, course: Course, others: Sequence[Course], scale: Scale, size: Size
) -> Picture:
    times, volts = course

    def x(time_s: float) -> float:
        return round(size.left + (size.width - size.left - size.right) * time_s / scale.span_s, 1)

    def y(volt: float) -> float:
        part = (volt - scale.low_v) / (scale.high_v - scale.low_v)
        return round(size.height - size.bottom - (size.height - size.bottom - size.top) * part, 1)

    def path(course: Course) -> str:
        words, begun = [], False
        for time_s, volt in zip(*_thinned(course), strict=True):
            if volt is not None:
                words.append(f"{'L' if begun else 'M'}{x(time_s):g} {y(volt):g}")
            begun = volt is not None
        return "".join(words)

    cutoff_v = piece.first.value("cutoff_v")
    unit_s, unit = time_unit(scale.span_s)
    last = _end(piece.first, times, volts)
    ticks_x = [(x(t * unit_s), f"{t:g}") for t in _ticks(0.0, scale.span_s / unit_s, size.ticks)]
    if not size.ticks:
        longest = math.floor(scale.span_s / unit_s)
        ticks_x = [(x(0.0), "0"), (x(longest * unit_s), f"{longest} {unit}")]
    return Picture(
        size=size,
        path=path(course),
        pale=tuple(path(course) for course in others if course[0]),
        cutoff=None if cutoff_v is None else (y(float(cutoff_v)), f"cutoff {float(cutoff_v):g} V"),
        need=None if piece.need_s is None else _need(x(piece.need_s), piece.need_s, size),
        end=(x(times[last]), y(volts[last] or 0.0)),
        seen=piece.first.reached,
        ticks_x=tuple(ticks_x),
        ticks_y=tuple((y(v), f"{v:g}") for v in _ticks(scale.low_v, scale.high_v, size.ticks)),
        unit=unit,
        alt=_alt(piece, volts),
    )  # fmt: skip


def _end(line: Line, times: Sequence[float], volts: Sequence[float | None]) -> int:
    """Place of the point at which it gave up; of one that was not seen to, the last."""
    known = [n for n, volt in enumerate(volts) if volt is not None]
    until = [n for n in known if line.reached and times[n] <= (line.lasted_s or 0.0)]
    return max(until or known)


def _need(x: float, need_s: float, size: Size) -> tuple[float, str, str]:
    inside = (x - size.left) / (size.width - size.left - size.right)
    held = "start" if inside < 0.25 else "end" if inside > 0.75 else "middle"
    return x, f"need {span_words(need_s)}", held


def _alt(piece: Piece, volts: Sequence[float | None]) -> str:
    known = [volt for volt in volts if volt is not None]
    others = len(piece.lines) - 1
    more = f"; paler, {count_words(others, 'earlier run')}" if others else ""
    return (
        f"Voltage of {piece.name} against time: from {known[0]:.2f} V to {known[-1]:.2f} V{more}."
    )


def _thinned(course: Course) -> Course:
    """At most so many points: of each stretch the least, so that no dip is lost."""
    times, volts = course
    each = math.ceil(len(times) / _POINTS)
    if each <= 1:
        return course
    thin: Course = ([], [])
    for begin in range(0, len(times), each):
        part = [(v, t) for t, v in zip(times[begin : begin + each], volts[begin : begin + each], strict=True) if v is not None]  # fmt: skip
        gap = len(part) < len(volts[begin : begin + each])
        if part:
            least, at = min(part)
            thin[0].append(at)
            thin[1].append(least)
        if gap:
            thin[0].append(times[begin])
            thin[1].append(None)
    return thin


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers between, at most ``most``."""
    if not most:
        return []
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(s * power for s in _STEPS if (high - low) / (s * power) <= most)
    first = math.ceil(low / step)
    return [round(n * step, 6) for n in range(first, math.floor(high / step) + 1)]


def _pack(piece: Piece) -> str:
    return str(piece.first.description.pack)
