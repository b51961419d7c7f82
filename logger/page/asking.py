"""A page asks a recording that another program runs, and watches the run's events for what comes of it."""

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Final

from logger.base.clock import Moment, read_clocks
from logger.base.durations import clock_text
from logger.base.errors import BenchError
from logger.run.description import Event
from logger.run.feed import RunFeed
from logger.run.request_channel import LOAD_OFF, MARK, ask

# The recording looks once a second and writes its answer down a second later.
PATIENCE_S: Final = 15.0
SHOWN_S: Final = 60.0
OPEN_MAX: Final = 10
_KINDS: Final = {MARK: "mark", LOAD_OFF: "load"}


@dataclass
class _Asked:
    what: str
    text: str
    asked_s: float
    before: list[Event]
    state: str = "asked"  # then "done" or "unanswered"
    words: str = ""


class Asking:
    """``PageRun.control`` of a run that another program records; ``told`` gives requests and answers."""

    def __init__(
        self,
        feed: RunFeed,
        clock: Callable[[], float] = time.monotonic,
        moments: Callable[[], Moment] = read_clocks,
    ) -> None:
        self._feed = feed
        self._clock = clock
        self._moments = moments
        self._lock = Lock()
        self._asked: list[_Asked] = []
        self._used: deque[Event] = deque(maxlen=100)

    def __call__(self, what: str, text: str) -> None:
        """Ask. Raises BenchError if that is not possible."""
        with self._lock:
            if sum(item.state == "asked" for item in self._asked) >= OPEN_MAX:
                raise BenchError(
                    "The recording has not answered yet.",
                    next_step="wait some seconds, then ask again.",
                )
            before = self._events(what)
            request = ask(self._feed.folder, what, text, self._moments())
            self._asked.append(_Asked(what, request.text, self._clock(), before))

    def told(self) -> list[dict[str, str]]:
        """What was asked in the last minute, the oldest first, with what came of it."""
        now_s = self._clock()
        with self._lock:
            self._asked = [item for item in self._asked if now_s - item.asked_s < SHOWN_S]
            for item in self._asked:
                self._judge(item, now_s)
            return [{"state": item.state, "words": item.words} for item in self._asked]

    def _judge(self, item: _Asked, now_s: float) -> None:
        if item.state == "done":
            return
        answer = self._answer(item)
        name = f"“{item.text or 'mark'}”" if item.what == MARK else "switching the load off"
        if answer is not None:
            item.state = "done"
            at = clock_text(answer.time_s)
            item.words = f"Noted at {at}: {name}" if item.what == MARK else f"{at}: {answer.text}"
        elif now_s - item.asked_s > PATIENCE_S or self._feed.description.state == "ended":
            item.state = "unanswered"
            item.words = f"Not answered, so not done: {name}. Is the recording still running?"
        else:
            item.words = f"Asked the recording: {name} …"

    def _answer(self, item: _Asked) -> Event | None:
        """The run's event that answers: the first of its kind that was not there before, and is nobody else's."""
        text = item.text or "mark"
        for event in self._events(item.what):
            if event in item.before or event in self._used:
                continue
            # Of very many marks the last ones are joined into one event.
            if item.what == LOAD_OFF or event.text == text or event.text.endswith(f": {text}"):
                self._used.append(event)
                return event
        return None

    def _events(self, what: str) -> list[Event]:
        return [e for e in self._feed.description.events if e.kind == _KINDS[what]]
