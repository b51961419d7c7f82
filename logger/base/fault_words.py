"""The board's fault codes and switch reasons in words: said by the logger, found again by the analysis."""

import re
from collections.abc import Iterable
from typing import Final

OUT_OF_RANGE: Final = "current beyond the sensor's range"
OVERFLOW: Final = "overflow"
SWAPPED: Final = "swap"
SWITCH: Final = "switch"
RANGE_CHANGED: Final = "sensor changed its current range"

FAULT_WORDS: Final = {
    OVERFLOW: OUT_OF_RANGE,
    "sensor": "sensor absent or not answering",
    "bus": "sensor bus was hung and has been recovered",
    "range": RANGE_CHANGED,
    "missed": "conversions were not read in time",
    SWAPPED: "another sensor has taken the first one's place",
    "rx": "the board lost bytes of a command",
    SWITCH: "the load switch is open, but current still flows",
    "memory": "the board's memory did not take a change: a reset may forget it",
    "watchdog": "the board hung and its watchdog restarted it",
    "brownout": "the board's own supply fell too low and it restarted",
}
LOAD_WORDS: Final = {
    "host": "told by this computer",
    "cutoff": "the board's own cutoff",
    "sensor": "the board, as its sensor does not answer",
    "boot": "the board's start",
    "flex": "the board, for bending",
}
LOAD_STATES: Final = {"1": "closed", "0": "opened"}
FOUND_STATES: Final = {"1": "closed", "0": "open"}


def load_text(state: str, reason: str) -> str:
    """The switch's state and why, as an event of the run says it; ``status``: so it was found, nobody moved it."""
    if reason == "status":
        return f"load switch found {FOUND_STATES.get(state, 'absent')}"
    return f"load switch {LOAD_STATES.get(state, 'absent')} ({LOAD_WORDS.get(reason, reason)})"


def load_state(texts: Iterable[str]) -> str:
    """``1`` or ``0`` by the last of a run's load events; ``-``: they tell of no switch."""
    states = [word for text in texts for word in _LOAD_STATE.findall(text)]
    return {"closed": "1", "opened": "0", "open": "0"}.get(states[-1], "-") if states else "-"


_LOAD_STATE: Final = re.compile(r"load switch (?:found )?(closed|opened|open|absent)\b")
