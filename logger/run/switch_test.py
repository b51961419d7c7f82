"""What was seen when a load switch was opened: did the current go?"""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from logger.base.numbers import digits_text

# A draw that is not so many times the limit cannot show that it has gone.
SHOWN_TIMES: Final = 2.0
# What was true of the wiring yesterday need not be so tonight: the project's own figure.
STANDS_H: Final = 24.0
STUCK_ADVICE: Final = (
    "take the cells out now. Then look for a second way from the piece to ground (its own USB or programming "
    "cable, a shared supply, a clip, pack minus joined to piece minus), and for a dead MOSFET"
)


@dataclass(frozen=True)
class SwitchTest:
    """Currents in mA: mean of a window before the load switch was opened (0: not seen), the greatest mean of one after
    it had half a second, and how much may flow through an open one (the sensor's greatest zero error and a standby of 1 mA).

    ``tested_utc``: when; ``board``: by its own name.
    """

    board: str
    tested_utc: str
    before_ma: float
    after_ma: float
    limit_ma: float

    @property
    def opened(self) -> bool:
        """Seen to open: there was a current, and it has gone."""
        return not self.stuck and self.before_ma >= SHOWN_TIMES * self.limit_ma

    @property
    def stuck(self) -> bool:
        return abs(self.after_ma) > self.limit_ma

    @property
    def words(self) -> str:
        """One sentence without its full stop."""
        before, after = _shown(self.before_ma), _shown(self.after_ma)
        if self.stuck:
            was = f" ({before} mA before)" if self.before_ma else ""
            return f"the load switch does NOT open: {after} mA still flow{was}"
        if self.opened:
            left = f"under {_shown(self.limit_ma)} mA"
            return f"the load switch opens: {before} mA before, {left} after"
        return (
            f"whether the load switch opens cannot be told: the piece drew only {before} mA, "
            f"and {_shown(SHOWN_TIMES * self.limit_ma)} mA are needed to see it go"
        )

    @property
    def sentence(self) -> str:
        """The words alone on a line; of a switch that does not open with what that asks for."""
        advice = f": {STUCK_ADVICE}" if self.stuck else ""
        return f"{self.words[0].upper()}{self.words[1:]}{advice}."

    def stands(self, now_utc: str) -> bool:
        """Seen to open, and lately enough to rely on for the coming night."""
        try:
            age = datetime.fromisoformat(now_utc) - datetime.fromisoformat(self.tested_utc)
        except (ValueError, TypeError):
            return False
        return self.opened and 0 <= age.total_seconds() <= STANDS_H * 3600


def _shown(current_ma: float) -> str:
    return digits_text(abs(current_ma), 2)
