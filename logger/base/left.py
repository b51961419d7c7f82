"""What a forecast hands to screen and page: the time that is left."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Left:
    """Time left in words, for the headline; its ends for the plot, counted from the run's begin.

    ``foreseen``: the same for the recording, as ``logger.recording.forecast_beside`` takes it.
    ``clocked``: the words tell the time of day already.
    """

    words: str
    detail: str = ""
    share: float | None = None
    end_s: float | None = None
    lower_s: float | None = None
    upper_s: float | None = None
    fan: Mapping[str, Sequence[float]] | None = None
    foreseen: Mapping[str, Any] | None = None
    clocked: bool = False
