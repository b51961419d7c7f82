"""Who needs a look first? Runs and pieces from the worst to the best, by their verdict in a word."""

from enum import IntEnum
from typing import Final

_GAVE_UP: Final = ("went dark", "went dark and came back", "restarted", "protection circuit")


class Trouble(IntEnum):
    """From the worst to the best."""

    FAILS = 0
    GAVE_UP = 1
    UNREADABLE = 2
    DAMAGED = 3
    CLOSE = 4
    NOT_SHOWN = 5
    NO_NEED = 6
    LASTS = 7

    @property
    def words(self) -> str:
        """Heading of what stands in this state."""
        return _WORDS[self]


_WORDS: Final = {
    Trouble.FAILS: "Do not last as needed",
    Trouble.GAVE_UP: "Gave up by themselves, no need known",
    Trouble.UNREADABLE: "Cannot be read",
    Trouble.DAMAGED: "Damaged, or changed after the recording",
    Trouble.CLOSE: "Too close to call",
    Trouble.NOT_SHOWN: "Not shown yet",
    Trouble.NO_NEED: "No need known",
    Trouble.LASTS: "Last as needed",
}
# The verdict in a word (analysis.run.verdict.Answer); imported there it would cost the list its start.
_OF_ANSWER: Final = {
    "yes": Trouble.LASTS,
    "no": Trouble.FAILS,
    "too close to call": Trouble.CLOSE,
    "too early to say": Trouble.NOT_SHOWN,
    "not shown": Trouble.NOT_SHOWN,
}
CANNOT_BE_TOLD: Final = (Trouble.UNREADABLE, Trouble.CLOSE, Trouble.NOT_SHOWN)


def trouble_of(answer: str, end: str, *, readable: bool, damaged: bool = False) -> Trouble:
    """``answer``: the verdict in a word, empty without a need; ``end``: how the lifetime ended (``End``).

    ``damaged``: what was recorded contradicts itself; a "no" of it stays one.
    """
    if not readable:
        return Trouble.UNREADABLE
    found = _OF_ANSWER.get(answer)
    if damaged and found is not Trouble.FAILS:
        return Trouble.DAMAGED
    if found is not None:
        return found
    return Trouble.GAVE_UP if end in _GAVE_UP else Trouble.NO_NEED
