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
from logger.recording.beside import drawbench_command, drawbench_environment
from logger.recording.forecast_beside import foreseen_of
from logger.recording.plan import Recorder
from logger.recording.screen import goal_text, phase_text
from logger.run.description import Event

READY_S: Final = 20.0
WAITING_MAX: Final = 4
EVENTS_SENT: Final = 100
LAN_CAUTION: Final = (
    "Everyone in this network who has the key can look on; the page is not encrypted. "
    "Use it in a network that you trust."
)


class PageProcess:
    """The page beside a recording. ``news``: texts for the terminal, newest address last."""

    def __init__(self, port: int | None, lan: bool) -> None:
        self.news: deque[str] = deque(maxlen=10)
        self._recorders: Sequence[Recorder] = ()
        self._events: dict[Path, tuple[Event, ...]] = {}
        self._error: BenchError | None = None
        self._ready = threading.Event()
        self._waiting: queue.Queue[bytes | None] = queue.Queue(WAITING_MAX)
        self._process = subprocess.Popen(
            page_command(port, lan),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=drawbench_environment(),
            start_new_session=True,
        )
        self._listener = threading.Thread(target=self._listen, name="page", daemon=True)
        self._listener.start()
        threading.Thread(target=self._hand_over, name="page-out", daemon=True).start()
        if not self._ready.wait(READY_S) or self._error is not None:
            self.close()
            raise self._error or BenchError(
                "The page did not come up.",
                evidence=f"no answer within {READY_S:g} s",
                next_step="record without --page, or try drawbench watch to see what is wrong.",
            )

    def show(self, recorders: Sequence[Recorder], forecast: bool = True) -> None:
        """These are the runs to be shown, with or without a forecast."""
        self._recorders = recorders
        folders = [str(recorder.folder.resolve()) for recorder in recorders]
        self._send({"runs": folders, "forecast": forecast})

    def turn(self, say: Callable[[str], None]) -> None:
        """Hand the newest words over and say what the page had to say; never waits."""
        while self.news:
            say(self.news.popleft())
        if not self._send({"live": [self._live(recorder) for recorder in self._recorders]}):
            self._events.clear()  # they go along the next time

    def stay(self, say: Callable[[str], None]) -> None:
        """Keep the page up after the run, until Ctrl-C."""
        say("The page stays open; Ctrl-C closes it.")
        with contextlib.suppress(KeyboardInterrupt):
            while self.alive:
                self.turn(say)
                time.sleep(0.5)

    def close(self) -> None:
        """End the page."""
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

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def _live(self, recorder: Recorder) -> dict[str, Any]:
        """The logger's words on a run; its latest events too, which reach the disk seconds later."""
        events = recorder.recording.events.all()[-EVENTS_SENT:]
        words = _words(recorder)
        if events != self._events.get(recorder.folder):
            self._events[recorder.folder] = events
            words["events"] = [[event.time_s, event.kind, event.text] for event in events]
        return words

    def _send(self, document: dict[str, Any]) -> bool:
        try:
            self._waiting.put_nowait(json.dumps(document).encode() + b"\n")
        except queue.Full:
            return False
        return True

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
                continue
            if "error" in message:
                error = message["error"]
                self._error = BenchError(
                    error["happened"], evidence=error["evidence"], next_step=error["next_step"]
                )
            elif "address" in message:
                self.news.append(_address_text(message["address"], message["code"]))
            elif "act" in message:
                self._act(message)
            elif "foreseen" in message:
                self._recorders[message["foreseen"]].view.foreseen = foreseen_of(line)
            elif "fault" in message:
                self._recorders[message["fault"]].warn_once(message["text"])
            self._ready.set()
        self._ready.set()

    def _act(self, message: dict[str, Any]) -> None:
        recorder = self._recorders[message["act"]]
        if message["what"] == "mark":
            recorder.session.mark(message["text"])
        elif message["what"] == "load-off":
            recorder.session.open_load()


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


def _address_text(address: str, code: str) -> str:
    picture = f"\n{LAN_CAUTION}\n{code}" if code else ""
    return f"Page: {address}  (this key opens one browser; the next one is shown after it){picture}"
