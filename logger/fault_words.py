"""The board's fault codes in words: said by the logger, found again by the analysis."""

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
}
