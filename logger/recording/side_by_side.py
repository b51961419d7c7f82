"""The main thread while recordings run: signals, screen, typed marks, keeping awake."""

import signal
import time
from collections.abc import Callable, Sequence
from types import FrameType
from typing import Any, Final

from logger.base.marks import MarkReader
from logger.recording.awake import KeepAwake
from logger.recording.plan import Recorder
from logger.recording.screen import Screen

REFRESH_S: Final = 0.5


class _Signals:
    """Ctrl-C and SIGTERM end the run well; a closed terminal (SIGHUP) does not end it at all."""

    def __init__(self, recorders: Sequence[Recorder]) -> None:
        self._recorders = recorders
        self.hung_up = False
        self._asked = False
        self._before: list[tuple[int, Any]] = []

    def __enter__(self) -> "_Signals":
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before.append((number, signal.signal(number, self._received)))
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before:
            signal.signal(number, handler)

    def _received(self, number: int, frame: FrameType | None) -> None:
        if number == getattr(signal, "SIGHUP", None):
            self.hung_up = True
            return
        words = {
            signal.SIGINT: "ended with Ctrl-C",
            getattr(signal, "SIGBREAK", None): "ended with Ctrl-Break",
        }
        text = words.get(number, "ended from outside (SIGTERM)")
        for recorder in self._recorders:
            if self._asked:
                recorder.session.hurry.set()
            recorder.session.stop("user", text)
        self._asked = True


def record(
    recorders: Sequence[Recorder],
    screen: Screen,
    *,
    now: Callable[[], float] = time.monotonic,
    on_turn: Callable[[], None] = lambda: None,
) -> None:
    """Record until every recording has ended; what went wrong with one stands in its end text.

    ``on_turn`` is called at every refresh of the screen and must not wait for anything.
    """
    views = [recorder.view for recorder in recorders]
    with KeepAwake() as awake, _Signals(recorders) as signals:
        screen.say(awake.words)
        for recorder in recorders:
            recorder.session.start()
        with MarkReader() as marks:
            screen.open()
            try:
                while not all(recorder.session.done.is_set() for recorder in recorders):
                    _turn(recorders, screen, marks)
                    on_turn()
                    screen.show(views, marks.typed, now())
                    if signals.hung_up:
                        signals.hung_up = False
                        for recorder in recorders:
                            recorder.session.mark("terminal closed; recording goes on")
                    _wait(recorders)
                _turn(recorders, screen, marks)
                on_turn()
                screen.show(views, "", now())
            finally:
                screen.close()
        for recorder in recorders:
            recorder.session.join()


def _turn(recorders: Sequence[Recorder], screen: Screen, marks: MarkReader) -> None:
    for text in marks.poll():
        for recorder in recorders:
            recorder.session.mark(text)
    for recorder in recorders:
        view = recorder.view
        view.status = recorder.recording.status()
        view.history.add(view.status)
        if view.status.alarm and not view.shouted:
            view.shouted = view.status.alarm
            screen.alarm(view, view.shouted)
        if view.status.trouble and not view.in_trouble:
            screen.alarm(view, view.status.trouble)
        view.in_trouble = bool(view.status.trouble)
        news = recorder.recording.events.news
        while news:
            screen.event(view, news.popleft())


def _wait(recorders: Sequence[Recorder]) -> None:
    running = [item for item in recorders if not item.session.done.is_set()]
    if running:
        running[0].session.done.wait(REFRESH_S)
