"""Which breaks a person, the load switch or the piece's own programme made."""

import re
from collections.abc import Sequence
from typing import Final

from analysis.run.ending.breaks import Break, Seen
from analysis.run.ending.levels import DARK_SHARE
from logger.base.fault_words import load_state
from logger.base.pack import Pack
from logger.run.description import Event

# Marks are set by hand, a little before or after the deed.
_MARK_S: Final = 90.0
_SWITCH_S: Final = 5.0
_MODE_LEVEL: Final = 0.5
_MODE_APART: Final = 0.01  # of the level: closer draws cannot be told apart
_TIGHT_LONGER: Final = 1.5
_KNOWN_WITHIN: Final = 0.25  # a budget's modes are estimates
_PROTECTED: Final = frozenset({"li-ion", "lifepo4"})
# A pack that gives up by itself stands in the lower part of its way from full down to its floor: about the
# last fifth of the charge of alkaline cells, less of the others.
_LOW_SHARE: Final = 0.4
_LOW_OF_FIRST: Final = 0.8  # without a pack, and so without a floor
BY_HAND: Final = re.compile(
    r"\b(off|out|unplug\w*|disconnect\w*|switch\w*|pull\w*|remov\w*|took|taken|stop\w*|end|charg\w*|bed)\b", re.I
)  # fmt: skip
FOUND_DARK: Final = re.compile(
    r"\b(dark|dead|died|gone|empty|shut\s?down|gave up|black|no light|not lit)\b", re.I
)


def low_of(pack: Pack | None) -> float:
    """Voltage below which the pack is nearly empty; infinite where it is not stated."""
    if pack is None:
        return float("inf")
    return pack.floor_v + _LOW_SHARE * (pack.full_v - pack.floor_v)


class Known:
    """What people and programme did. ``modes_ma``: draws of the piece's modes by its budget."""

    def __init__(
        self, seen: Seen, events: Sequence[Event], pack: Pack | None, modes_ma: Sequence[float]
    ) -> None:
        self._seen = seen
        self._pack = pack
        self._modes_ma = tuple(modes_ma)
        self._marks = [event for event in events if event.kind == "mark"]
        self._loads = [event for event in events if event.kind == "load"]

    def explains(self, found: Break) -> bool:
        """Whether the break was no doing of a piece that gives up."""
        mark = self.mark_at(found)
        by_hand = mark is not None and BY_HAND.search(mark.text) is not None
        return self.by_switch(found) or by_hand or self.is_mode(found) or self.between_bursts(found)

    def between_bursts(self, found: Break) -> bool:
        """Whether the piece slept as it does between its bursts, which come, perhaps more rarely.

        A pause after which the old pace is back is none of these; on a nearly empty pack one that keeps no clock's
        time neither: a supply that gives up and starts again makes such.
        """
        pace = self._seen.pace
        if pace is None or found.vanished or found.after_s < pace.learnt_s - pace.longest_s:
            return False
        if pace.base_ma > DARK_SHARE * found.level_ma:
            return False  # flashes on a level: it does not sleep in between
        if not pace.asleep_ma <= found.dark_ma <= pace.over_ma:
            return False
        if found.end_s is None and self._seen.last_s - pace.last_s > pace.due_s:
            return False
        others = pace.odd + (pace.loose if self.is_low(found) else ())
        return not any(a < found.last_s and found.after_s < b for a, b in others)

    def is_mode(self, found: Break) -> bool:
        """As little was drawn in a mode that the first hour showed, or that the budget knows."""
        if found.vanished:
            return False
        apart_ma = _MODE_APART * found.level_ma
        mode = self._seen.mode
        if not found.dark_rows:  # a pulse's pause may be shorter than two rows
            return mode is not None and mode.tight and found.lasted_s <= mode.most_s
        if mode is not None and found.dark_ma >= _MODE_LEVEL * mode.ma - apart_ma:
            most_s = _TIGHT_LONGER * mode.most_s + 2 * self._seen.step_s
            if not mode.tight or found.lasted_s <= most_s:
                return True
        return self.known_mode_ma(found) is not None

    def known_mode_ma(self, found: Break) -> float | None:
        """The budget's mode in which as much is drawn; None: none."""
        apart_ma = _MODE_APART * found.level_ma
        return next(
            (
                ma
                for ma in self._modes_ma
                if abs(found.dark_ma - ma) <= max(_KNOWN_WITHIN * ma, apart_ma)
            ),
            None,
        )

    def by_switch(self, found: Break) -> bool:
        """Whether the load switch was open when the draw broke off."""
        slack_s = _SWITCH_S + 2 * self._seen.step_s
        return load_state(e.text for e in self._loads if e.time_s <= found.by_s + slack_s) == "0"

    def mark_at(self, found: Break) -> Event | None:
        near = [
            m for m in self._marks if found.after_s - _MARK_S <= m.time_s <= found.by_s + _MARK_S
        ]
        return min(near, key=lambda mark: abs(mark.time_s - found.after_s), default=None)

    def found_dark(self, found: Break) -> bool:
        """Whether somebody noted later that it was dark."""
        since_s = found.after_s - _MARK_S
        return any(FOUND_DARK.search(m.text) for m in self._marks if m.time_s >= since_s)

    @property
    def protected(self) -> bool:
        return self._pack is not None and self._pack.chemistry in _PROTECTED

    def is_low(self, found: Break) -> bool:
        """Whether the pack stood where packs give up."""
        if self._pack is None:
            return found.before_v < _LOW_OF_FIRST * self._seen.first_v
        return found.before_v < low_of(self._pack)
