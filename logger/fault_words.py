"""The board's fault codes and switch reasons in words: said by the logger, found again by the analysis."""

from typing import Final

OUT_OF_RANGE: Final = "current beyond the sensor's range"
RANGE_CHANGED: Final = "sensor changed its current range"

FAULT_WORDS: Final = {
    "overflow": OUT_OF_RANGE,
    "sensor": "sensor absent or not answering",
    "bus": "sensor bus was hung and has been recovered",
    "range": RANGE_CHANGED,
    "missed": "conversions were not read in time",
    "rx": "the board lost bytes of a command",
    "watchdog": "the board hung and its watchdog restarted it",
    "brownout": "the board's own supply fell too low and it restarted",
}
LOAD_WORDS: Final = {
    "host": "told by this computer",
    "cutoff": "the board's own cutoff",
    "sensor": "the board, as its sensor does not answer",
    "boot": "the board's start",
    "flex": "the board, for bending",
    "status": "as it was found",
}
