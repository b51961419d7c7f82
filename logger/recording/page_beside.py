"""``drawbench log --page``: the page in a process of its own, so that it can cost the recording nothing.

The recording never waits for it: what cannot be handed over at once is dropped, the page reads the
rows from the run's file anyway. Marks, the wish to open the load switch and forecasts come back.
"""

import contextlib
import json
import queue
import subprocess
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError
from logger.base.next_step import next_words
from logger.recording.beside import (
    Restarts,
    apart,
    drawbench_command,
    drawbench_environment,
    how_it_ended,
)
from logger.recording.forecast_beside import foreseen_of
from logger.recording.plan import Recorder
from logger.recording.screen import goal_text, phase_text
from logger.run.description import Event

READY_S: Final = 20.0
WAITING_MAX: Final = 4
EVENTS_SENT: Final = 100


class PageProcess:
    """The page beside a recording. ``news``: texts for the terminal.

    If its program ends by itself it is started again, at the same port and with the same keys, so that a phone's
    open page goes on; see ``Restarts``.
    """

    def __init__(
        self, port: int | None, lan: bool, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.news: deque[str] = deque(maxlen=10)
        self._lan = lan
        self._port: int | None = None  # known when it is up
        self._kept: dict[str, Any] | None = None
        self._recorders: Sequence[Recorder] = ()
        self._forecast = True
        self._events: dict[Path, tuple[Event, ...]] = {}
        self._restarts = Restarts(clock)
        self._is_recording = True
        self._life: _Life | None = _Life(page_command(port, lan), (), self._take)
        life = self._life
        if not life.ready.wait(READY_S) or self._port is None or life.error is not None:
            self.close()
            ended = life.ready.is_set()
            raise life.error or BenchError(
                "The page did not come up.",
                evidence=how_it_ended(life.code) if ended else f"no answer within {READY_S:g} s",
                next_step="record without --page, or try drawbench watch to see what is wrong.",
            )

    def show(self, recorders: Sequence[Recorder], forecast: bool = True) -> None:
        """These are the runs to be shown, with or without a forecast."""
        self._recorders = recorders
        self._forecast = forecast
        self._send(self._runs())

    def turn(self, say: Callable[[str], None]) -> None:
        """Hand the newest words over and say what the page had to say; never waits."""
        life = self._life
        if life is not None and life.code is not None:
            life.close()
            self._life = None
            self._fallen(life.error.happened if life.error else how_it_ended(life.code))
        if self._life is None and self._restarts.due:
            self._begin_again()
        while self.news:
            say(self.news.popleft())
        if not self._send({"live": [self._live(recorder) for recorder in self._recorders]}):
            self._events.clear()  # they go along the next time

    def stay(self, say: Callable[[str], None]) -> None:
        """Keep the page up after the run, until Ctrl-C."""
        self._is_recording = False
        say("The page stays open; Ctrl-C closes it.")
        with contextlib.suppress(KeyboardInterrupt):
            while self.serves:
                self.turn(say)
                time.sleep(0.5)

    def close(self) -> None:
        """End the page."""
        if self._life is not None:
            self._life.close()

    @property
    def serves(self) -> bool:
        """Whether there is a page, or will be one again in some seconds."""
        return not self._restarts.spent

    @property
    def pid(self) -> int | None:
        return None if self._life is None else self._life.pid

    def _fallen(self, how: str) -> None:
        self._restarts.fell()
        self._events.clear()
        then = "Open pages go on by themselves, with the same address and keys."
        if self._restarts.spent:
            more: list[str | Path] = ["--lan"] if self._lan else []
            at: list[str | Path] = ["--page-port", str(self._port)] if self._port else []
            folders = [recorder.folder for recorder in self._recorders]
            watch = next_words(
                ("Look here, or in another terminal", ["watch", *folders, *at, *more])
            )
            then = f"Its keys are void.\n{watch}"
        self.news.append(
            self._restarts.words("The page's program", how, then, is_recording=self._is_recording)
        )

    def _begin_again(self) -> None:
        first = [self._kept or {}, self._runs()] if self._recorders else [self._kept or {}]
        command = [*page_command(self._port, self._lan), "--again"]
        try:
            self._life = _Life(command, first, self._take)
        except OSError as error:
            self._fallen(error.strerror or how_it_ended(None))

    def _runs(self) -> dict[str, Any]:
        folders = [str(recorder.folder.resolve()) for recorder in self._recorders]
        return {"runs": folders, "forecast": self._forecast}

    def _live(self, recorder: Recorder) -> dict[str, Any]:
        """The logger's words on a run; its latest events too, which reach the disk seconds later."""
        events = recorder.recording.events.all()[-EVENTS_SENT:]
        words = _words(recorder)
        if events != self._events.get(recorder.folder):
            self._events[recorder.folder] = events
            words["events"] = [[event.time_s, event.kind, event.text] for event in events]
        return words

    def _send(self, document: dict[str, Any]) -> bool:
        return self._life is not None and self._life.send(document)

    def _take(self, message: dict[str, Any], line: bytes) -> None:
        """Something that the page said; called from its listener."""
        if "kept" in message:
            self._kept = message["kept"]
        elif "up" in message:
            again = self._port is not None
            self._port = message["up"]
            self.news.append("The page is there again." if again else message["text"])
        elif "said" in message:
            self.news.append(message["said"])
        elif "act" in message:
            self._act(message)
        elif "foreseen" in message:
            self._recorders[message["foreseen"]].view.foreseen = foreseen_of(line)
        elif "fault" in message:
            self._recorders[message["fault"]].warn_once(message["text"])

    def _act(self, message: dict[str, Any]) -> None:
        recorder = self._recorders[message["act"]]
        if message["what"] == "mark":
            recorder.session.mark(message["text"])
        elif message["what"] == "load-off":
            recorder.session.open_load()


class _Life:
    """One program of the page, from its start to its end. ``first``: what it is told before all else."""

    def __init__(
        self,
        command: Sequence[str],
        first: Sequence[dict[str, Any]],
        take: Callable[[dict[str, Any], bytes], None],
    ) -> None:
        self.error: BenchError | None = None
        self.ready = threading.Event()
        self._take = take
        self._waiting: queue.Queue[bytes | None] = queue.Queue(WAITING_MAX)
        for document in first:
            self.send(document)
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=drawbench_environment(),
            **apart(),
        )
        self._listener = threading.Thread(target=self._listen, name="page", daemon=True)
        self._listener.start()
        threading.Thread(target=self._hand_over, name="page-out", daemon=True).start()

    @property
    def code(self) -> int | None:
        """How it ended; None: it runs."""
        return self._process.poll()

    @property
    def pid(self) -> int:
        return self._process.pid

    def send(self, document: dict[str, Any]) -> bool:
        """Hand it over, if that is possible at once."""
        try:
            self._waiting.put_nowait(json.dumps(document).encode() + b"\n")
        except queue.Full:
            return False
        return True

    def close(self) -> None:
        """End it; what it said before is heard out."""
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(None)
        try:
            self._process.wait(3.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._listener.join()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def _hand_over(self) -> None:
        stdin = self._process.stdin
        assert stdin is not None
        with contextlib.suppress(OSError, ValueError):
            while (data := self._waiting.get()) is not None:
                stdin.write(data)
                stdin.flush()
        with contextlib.suppress(OSError):
            stdin.close()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            try:
                message = json.loads(line)
            except ValueError:
                continue  # it was ended within a line
            if "error" in message:
                error = message["error"]
                self.error = BenchError(
                    error["happened"], evidence=error["evidence"], next_step=error["next_step"]
                )
            else:
                self._take(message, line)
            if "error" in message or "up" in message:
                self.ready.set()
        self.ready.set()


def page_command(port: int | None, lan: bool) -> list[str]:
    """The command line of the page's process."""
    command = drawbench_command("watch", "--attached")
    if port is not None:
        command += ["--page-port", str(port)]
    return [*command, "--lan"] if lan else command


def _words(recorder: Recorder) -> dict[str, Any]:
    status = recorder.recording.status()
    return {
        "phase": phase_text(status),
        "goal": goal_text(recorder.view.stop),
        "rows_missing": status.rows_missing,
        "load": status.load,
        "trouble": status.trouble,
        "alarm": status.alarm,
    }
