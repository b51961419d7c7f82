"""A break of the draw, and all breaks of a run that were seen so far."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

KEPT: Final = 256
# Voltage and current gone together: the pack is not there any more for the sensor.
_VANISHED_SHARE: Final = 0.5
# An interval so much longer than usual is another pace, or a pause.
RARER: Final = 1.5


@dataclass
class Break:
    """A stretch in which next to nothing was drawn. ``after_s``, ``by_s``: it began between these; times on the run's axis.

    ``end_s``: end of its last row, None: it goes on. ``before_v``: the least voltage at which the piece had
    worked shortly before. ``level_ma``: what it drew. ``surge``: the most just before over the most of the hour.
    ``rows``, ``dark_rows``: in it, and those quite dark.
    """

    after_s: float
    by_s: float
    before_v: float
    level_ma: float
    surge: float = 1.0
    last_s: float = 0.0
    end_s: float | None = None
    rows: int = 0
    dark_rows: int = 0
    sum_ma: float = 0.0
    sum_v: float = 0.0
    first_ma: float = 0.0
    # Rows that are on in part only draw more than the piece does while it is off.
    least_ma: float = np.inf
    tail: int = 0  # rows after the first, which is mixed
    # Fell in part, on a nearly empty pack: off and on again quicker than a row shows.
    limps: bool = False
    # ... and drew that part as evenly as before, which what restarts within a row does not.
    steady: bool = False

    @property
    def lasted_s(self) -> float:
        return (self.last_s if self.end_s is None else self.end_s) - self.after_s

    @property
    def dark_ma(self) -> float:
        return self.sum_ma / self.tail if self.tail else self.first_ma

    @property
    def dark_v(self) -> float:
        return self.sum_v / self.tail if self.tail else self.before_v

    @property
    def vanished(self) -> bool:
        """Whether the voltage went with the current."""
        return self.tail > 0 and self.dark_v < _VANISHED_SHARE * self.before_v

    def take(self, time_s: float, volts: Array, currents_ma: Array, dark: int) -> None:
        """Rows that belong to it, the last of them at ``time_s``."""
        first = 0 if self.rows else 1
        if first:
            self.first_ma = float(currents_ma[0])
        self.rows += len(volts)
        self.dark_rows += dark
        self.tail += len(volts) - first
        self.sum_ma += float(currents_ma[first:].sum())
        self.sum_v += float(volts[first:].sum())
        self.least_ma = min(self.least_ma, float(currents_ma.min()))
        self.last_s = time_s


@dataclass
class Group:
    """Breaks one after another; ``count`` of them, the first ``KEPT`` in full."""

    breaks: list[Break] = field(default_factory=list)
    count: int = 0
    below_s: float = 0.0  # how long the piece ran below the voltage at which it first broke off

    def add(self, found: Break) -> None:
        self.count += 1
        if len(self.breaks) < KEPT:
            self.breaks.append(found)


@dataclass(frozen=True)
class Mode:
    """A draw next to nothing that belongs to the piece: how much, the longest such stretch and how many were seen.

    ``tight``: the stretches were all as long as each other, so that a longer one is something else.
    """

    ma: float
    most_s: float
    times: int
    tight: bool


@dataclass(frozen=True)
class Silence:
    """Bursts that came one every ``every_s`` and then no more; the last one at ``last_s``."""

    every_s: float
    last_s: float
    burst_ma: float
    before_v: float


@dataclass(frozen=True)
class Pace:
    """How bursts come: one every ``every_s`` in the first hour, of late up to ``longest_s`` apart, the last at ``last_s``.

    ``base_ma``: drawn between them, no less than ``asleep_ma``; ``over_ma``: only bursts exceed it. ``due_s``: no burst within
    that time of the last one is more than a slower pace. ``odd``, ``loose``: begin and end of longer intervals after
    which the old pace was back, and of those that no neighbour equals as a clock's would.
    """

    every_s: float
    longest_s: float
    last_s: float
    base_ma: float
    asleep_ma: float
    over_ma: float
    due_s: float
    learnt_s: float
    odd: tuple[tuple[float, float], ...] = ()
    loose: tuple[tuple[float, float], ...] = ()

    @property
    def rarer(self) -> bool:
        return self.longest_s > RARER * self.every_s


@dataclass(frozen=True)
class Seen:
    """All that was seen up to the last row.

    ``open``: a break that goes on. ``late``: breaks since the last time the piece ran on for long, ``late_count``
    of them. ``outlived``: earlier ones; ``outlived_v``: the piece later ran at a lower voltage than at the first of them.
    ``mode``: what of this belongs to the piece. ``sunk``: a fall to a small part of the level, which then stayed.
    ``stepped``: an even fall to a lower level on a nearly empty pack, from which it has not come back.
    ``pace``: how bursts come, ``silence``: that they stopped. ``half_s``: when the draw had sunk to half, slowly.
    """

    begin_s: float
    last_s: float
    step_s: float
    first_v: float = 0.0
    open: Break | None = None
    late: tuple[Break, ...] = ()
    late_count: int = 0
    outlived: tuple[Break, ...] = ()
    outlived_count: int = 0
    outlived_v: bool = False
    mode: Mode | None = None
    sunk: Break | None = None
    stepped: Break | None = None
    pace: Pace | None = None
    silence: Silence | None = None
    half_s: float | None = None

    @property
    def outlived_hidden(self) -> int:
        """Earlier breaks that were counted and not kept."""
        return self.outlived_count - len(self.outlived)

    def closed(self) -> tuple[Break, ...]:
        """Every break that is over and was kept, in order."""
        return (*self.outlived, *self.late)
