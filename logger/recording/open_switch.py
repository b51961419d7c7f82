"""A recording's open load switch: is anybody still waiting for the current to go, and must it be shouted?"""

from logger.base.numbers import digits_text
from logger.board.stream import Hello, Load, Window
from logger.board.switch_watch import board_limit_ma, has_settled, limit_ma
from logger.run.switch_test import STUCK_ADVICE, SwitchTest


class OpenSwitch:
    """``is_waiting``: it was opened, and whether the current has gone is not known yet; ``seen``: what told last."""

    def __init__(self) -> None:
        self.is_waiting = False
        self.seen: SwitchTest | None = None
        self._stuck = ""
        self._before_ma = 0.0
        self._opened_us = 0
        self._last_us: int | None = None

    @property
    def alarm(self) -> str:
        """Current flows through an open switch, in words; empty while all is well, and then it stays."""
        advice = f"{STUCK_ADVICE[0].upper()}{STUCK_ADVICE[1:]}"
        return f"{self._stuck}. {advice}." if self._stuck else ""

    def follow(self, load: Load, before: str, last: Window | None) -> None:
        """The board says how its switch stands; ``before``: how it stood, ``last``: the last window."""
        if load.state == "0" and before == "1":
            self.is_waiting = True
            self._before_ma = last.current_ma if last else 0.0
            self._opened_us, self._last_us = load.time_us, None
        elif load.state != "0":
            self.give_up()

    def give_up(self) -> None:
        """There is nothing to wait for any more, or somebody does not want to."""
        self.is_waiting = False

    def window(self, window: Window, hello: Hello | None, utc: str) -> SwitchTest | None:
        """The next window; what it tells of the switch, if it does, which is then ``seen``."""
        began_us, self._last_us = self._last_us, window.time_us
        if not self.is_waiting or began_us is None or not has_settled(began_us, self._opened_us):
            return None
        self.is_waiting = False
        if hello is None:
            return None
        limit = limit_ma(hello, window.pack_v)
        seen = SwitchTest(hello.board, utc, self._before_ma, window.current_ma, limit)
        if seen.stuck:
            self._shout(_shown(seen.after_ma))
        self.seen = seen
        return seen

    def board_says(self, detail: str, hello: Hello | None, utc: str) -> str:
        """The board's own fault line, its current as ``detail``; gives that in words."""
        try:
            after_ma = float(detail)
        except ValueError:
            self._shout(detail or "?")
            return f"{detail or '?'} mA"
        self._shout(_shown(after_ma))
        if hello is not None and not (self.seen and self.seen.stuck):
            limit = board_limit_ma(hello)
            self.seen = SwitchTest(hello.board, utc, self._before_ma, after_ma, limit)
        return f"{_shown(after_ma)} mA"

    def ended(self) -> str:
        """What belongs into the text of the run's end."""
        if self._stuck:
            return f"; {self._stuck}"
        return "; the load switch opened, but nobody saw the current go" if self.is_waiting else ""

    def _shout(self, current: str) -> None:
        if not self._stuck:
            self._stuck = f"THE LOAD SWITCH DOES NOT OPEN: {current} mA still flow"


def _shown(current_ma: float) -> str:
    return digits_text(abs(current_ma), 2)
