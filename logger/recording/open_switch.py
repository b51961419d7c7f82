"""A recording's open load switch: is anybody still waiting for the current to go, and must it be shouted?"""

from logger.base.numbers import digits_text
from logger.board.stream import Hello, Load, Window
from logger.board.switch_watch import SwitchWatch, limit_ma
from logger.run.switch_test import STUCK_ADVICE, SwitchTest


class OpenSwitch:
    """``alarm``: current flows through an open switch, in words; empty while all is well, and then it stays."""

    def __init__(self) -> None:
        self.alarm = ""
        self._watch = SwitchWatch()

    @property
    def is_waiting(self) -> bool:
        """It was opened, and whether the current has gone is not known yet."""
        return self._watch.is_waiting

    def follow(self, load: Load, before: str, last: Window | None) -> None:
        """The board says how its switch stands; ``before``: how it stood, ``last``: the last window."""
        if load.state == "0" and before == "1":
            self._watch.opened(load.time_us, last.current_ma if last else 0.0)
        elif load.state != "0":
            self._watch.closed()

    def give_up(self) -> None:
        """Somebody does not want to wait."""
        self._watch.closed()

    def window(self, window: Window, hello: Hello | None, utc: str) -> SwitchTest | None:
        """The next window; what it tells of the switch, if it does."""
        watch = self._watch
        if not watch.window(window) or hello is None or watch.after_ma is None:
            return None
        limit = limit_ma(hello, window.pack_v)
        seen = SwitchTest(hello.board, utc, watch.before_ma, watch.after_ma, limit)
        if seen.stuck:
            self._shout(f"{digits_text(abs(seen.after_ma), 2)} mA still flow")
        return seen

    def board_says(self, detail: str) -> str:
        """The board's own fault line; gives its current in words."""
        words = f"{milliamperes(detail)} mA"
        self._shout(f"{words} still flow")
        return words

    def ended(self) -> str:
        """What belongs into the text of the run's end."""
        if self.alarm:
            return f"; {self.alarm.split('. ')[0]}"  # what to do is the alarm's to say
        return "; the load switch opened, but nobody saw the current go" if self.is_waiting else ""

    def _shout(self, words: str) -> None:
        if not self.alarm:
            self.alarm = f"THE LOAD SWITCH DOES NOT OPEN: {words}. {STUCK_ADVICE[0].upper()}{STUCK_ADVICE[1:]}."


def milliamperes(text: str) -> str:
    """A board's figure without the digits that nobody needs."""
    try:
        return digits_text(abs(float(text)), 2)
    except ValueError:
        return text or "?"
