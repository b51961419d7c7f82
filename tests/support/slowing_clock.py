"""A board that is played fast and then nearly waits: what is started beside a recording loads slowly on a busy machine."""

import time
from collections.abc import Callable

from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import Board, BoardServer


def slowing(
    quick_s: float,
    factor: float,
    then: float = 20.0,
    clock: Callable[[], float] = time.monotonic,
) -> Callable[[], float]:
    """``clock`` of a ``BoardServer``: its board runs at ``factor`` for the first ``quick_s`` of its time, then at ``then``."""
    begin_s = clock()
    turn_s = quick_s / factor

    def now_s() -> float:
        passed_s = clock() - begin_s
        return passed_s if passed_s <= turn_s else turn_s + (passed_s - turn_s) * then / factor

    return now_s


def served_for_a_forecast(board: Board, factor: float = 2000.0) -> BoardServer:
    """A vest's first five hours, enough for a forecast, in 9 s; its next five take a quarter of an hour.

    So the pack is not empty before the forecast's process has loaded its libraries.
    """
    return BoardServer(board, best_link(), time_factor=factor, clock=slowing(5 * 3600.0, factor))
