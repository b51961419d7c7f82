"""What a piece has been drawing: levels of the past hour, minute by minute, and what falls out of them."""

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.int8]

# The level that a piece had is that of the past hour's brighter minutes: a pattern's dark ones are part of it.
_LEVEL_BLOCKS: Final = 60
_LEVEL_PERCENT: Final = 90.0
LEARNT_BLOCKS: Final = 3
# A circuit that is off, asleep or locked out takes a few hundredths of what it took; patterns fade to more.
DARK_SHARE: Final = 0.15
# A restart fills a row only in part: a row counts as fallen when it is under half and a bit of the level
# and clearly under all that the pattern itself did in the past hour.
_DIP_SHARE: Final = 0.6
_PATTERN_BLOCKS: Final = 10  # a pattern's darkest moments are not seen in the first minutes
_DIP_OF_LEAST: Final = 0.8
_DIP_SHARE_LOW: Final = (
    0.75  # on a nearly empty pack, and with a pattern known for long, less is believed
)
_KNOWN_BLOCKS: Final = 30
# The voltage that the piece still worked at: the least of the past quarter of an hour.
_NEED_BLOCKS: Final = 15
# Fewer steps of the sensor than this are too little to see a part of.
_STEPS_LEAST: Final = 50.0
# A draw in pulses has the level of its pulses, unless they are so rare that they are bursts on a level.
_PULSE_PERCENT: Final = 90.0
_PULSE_SHARE: Final = 0.25
# A lower mode is as even as what went before, give or take some steps of the sensor; rows in which a piece
# restarts hold more or fewer restarts and scatter by tenths of their level.
_EVEN_TIMES: Final = 2.0
_EVEN_SLACK: Final = 0.05
_EVEN_ROWS: Final = 4


@dataclass(frozen=True)
class Minute:
    """What was drawn in one block: usual, least and most (mA), and the least voltage."""

    level_ma: float
    least_ma: float
    most_ma: float
    least_v: float


def level_of(currents: Array) -> float:
    """The median of the rows in which the piece is on, by a draw that may come in pulses."""
    on = currents > 0.5 * float(np.percentile(currents, _PULSE_PERCENT))
    if on.mean() < _PULSE_SHARE:
        return float(np.median(currents))
    return float(np.median(currents[on])) if on.any() else 0.0


class Levels:
    """The past hour's minutes. ``zero_ma``: what the sensor may read where nothing flows."""

    def __init__(self, zero_ma: float) -> None:
        self._zero_ma = zero_ma
        self._minutes: deque[Minute] = deque(maxlen=_LEVEL_BLOCKS)
        self._least_step_ma = np.inf

    def __len__(self) -> int:
        return len(self._minutes)

    def level_ma(self) -> float:
        return float(np.percentile([item.level_ma for item in self._minutes], _LEVEL_PERCENT))

    def codes(self, currents: Array, *, low: bool) -> Codes:
        """0 as it was, 1 fallen, 2 dark, shape (n,). ``low``: the pack is nearly empty."""
        codes = np.zeros(len(currents), np.int8)
        if len(self._minutes) < LEARNT_BLOCKS:
            return codes
        level = self.level_ma()
        if level <= 2 * self._zero_ma or level <= _STEPS_LEAST * self._resolution_ma():
            return codes  # too little for the sensor: nothing can be seen to break off
        least = min(item.least_ma for item in self._minutes)
        dark_ma = max(DARK_SHARE * level, self._zero_ma)
        shallow = low and len(self._minutes) >= _KNOWN_BLOCKS
        dip_ma = (_DIP_SHARE_LOW if shallow else _DIP_SHARE) * level
        if len(self._minutes) >= _PATTERN_BLOCKS:
            codes[currents < min(dip_ma, _DIP_OF_LEAST * least)] = 1
        codes[currents < dark_ma] = 2
        return codes

    def need_v(self, volts: Array, now_v: float) -> float:
        """Least voltage at which it worked of late; ``volts``: this block's rows so far, ``now_v``: as it broke off."""
        recent = [item.least_v for item in list(self._minutes)[-_NEED_BLOCKS:]]
        return min(recent + volts.tolist(), default=now_v)

    def surge(self, currents: Array) -> float:
        """The most of these rows over the most of the past hour; the last minute, which they may reach into, left out."""
        before = [item.most_ma for item in list(self._minutes)[:-1]]
        most_ma = max(before, default=0.0)
        return float(currents.max()) / most_ma if len(currents) and most_ma > 0 else 1.0

    def as_even(self, currents: Array) -> bool:
        """Whether these rows of a minute keep as close to each other as those of the past ten minutes did."""
        before = [
            (item.most_ma - item.least_ma) / item.level_ma
            for item in list(self._minutes)[-_PATTERN_BLOCKS:]
            if item.level_ma > 0
        ]
        usual_ma = float(np.median(currents)) if len(currents) >= _EVEN_ROWS else 0.0
        if usual_ma <= 0 or not before:
            return False
        most = _EVEN_TIMES * float(np.median(before)) + _EVEN_SLACK
        return float(np.ptp(currents)) <= most * usual_ma

    def learn(self, volts: Array, currents: Array, *, early: bool) -> float:
        """One more minute; returns its level. ``early``: in the first hour, which shows the sensor's step."""
        level = level_of(currents)
        if early:
            apart = np.diff(np.unique(currents))
            self._least_step_ma = min(self._least_step_ma, float(apart.min(initial=np.inf)))
        least, most = float(currents.min()), float(currents.max())
        self._minutes.append(Minute(level, least, most, float(volts.min())))
        return level

    def last_ma(self) -> float | None:
        return self._minutes[-1].level_ma if self._minutes else None

    def begin_anew(self, volts: Array, currents: Array) -> float:
        """A lower level that stays; returns it. The pattern goes on, its darkest moments perhaps not within these rows."""
        level = float(np.median(currents))
        share = min(
            (item.least_ma / item.level_ma for item in self._minutes if item.level_ma > 0),
            default=1.0,
        )
        self._minutes.clear()
        least = min(float(currents.min()), share * level)
        new = Minute(level, least, max(float(currents.max()), level), float(volts.min()))
        self._minutes.extend([new] * _PATTERN_BLOCKS)
        return level

    def kept(self) -> tuple[Minute, ...]:
        """The minutes as they are, for ``restore``."""
        return tuple(self._minutes)

    def restore(self, minutes: tuple[Minute, ...]) -> None:
        """The piece is back at what it drew."""
        self._minutes = deque(minutes, maxlen=_LEVEL_BLOCKS)

    def _resolution_ma(self) -> float:
        """The sensor's step, by the least difference between readings; 0 where all were alike."""
        return self._least_step_ma if np.isfinite(self._least_step_ma) else 0.0
