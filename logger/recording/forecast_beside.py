"""The forecast beside a recording: a process of its own follows the run's file and says when it will end.

So the recording stays small and quick, and nothing that the forecast does can cost a row. It is the
command ``drawbench forecast RUN --follow --json``; a line of JSON each time it has something new:
a forecast, or a fault of the run (pack swapped, bad contact, crossed wires ...), which goes into the record.
"""

import contextlib
import json
import subprocess
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from logger.base.next_step import next_words
from logger.recording.beside import (
    Restarts,
    apart,
    drawbench_command,
    drawbench_environment,
    how_it_ended,
)
from logger.recording.outlook import Foreseen
from logger.recording.plan import Recorder

# Young runs tell nothing, and short ones shall not pay for a second program.
AFTER_S: Final = 60.0
# How often what was foreseen goes into the run's record.
RECORD_S: Final = 3600.0
_LISTENED_OUT_S: Final = 2.0


class ForecastProcess:
    """Forecast of one recording; ``turn`` at every refresh of the screen, never waits.

    ``served``: whether another program, the page, makes the forecast just now.
    """

    def __init__(self, recorder: Recorder, served: Callable[[], bool]) -> None:
        self._recorder = recorder
        self._served = served
        self._process: subprocess.Popen[bytes] | None = None
        self._restarts = Restarts()
        self._noted_s = float("-inf")
        self._listener: threading.Thread | None = None

    def turn(self, say: Callable[[str], None] = lambda text: None) -> None:
        """Start the process when the run is old enough, again if it died; put down what it says once an hour."""
        self._look_after(say)
        status = self._recorder.view.status
        foreseen = self._recorder.view.foreseen
        needed = self._process is None and self._restarts.due and not self._served()
        if needed and status.time_s >= AFTER_S:
            self._start(say)
        known = foreseen is not None and not foreseen.early
        if known and foreseen is not None and foreseen.as_of_s >= self._noted_s + RECORD_S:
            self._noted_s = foreseen.as_of_s
            self._recorder.session.note("forecast", foreseen.text)

    def close(self) -> None:
        """End it; its standard input closing tells it as well, should this program be killed."""
        if self._process is None:
            return
        with contextlib.suppress(OSError):
            self._process.kill()
        self._process.wait()
        if self._process.stdin is not None:
            self._process.stdin.close()
        if self._listener is not None:
            self._listener.join(_LISTENED_OUT_S)

    def _look_after(self, say: Callable[[str], None]) -> None:
        """A process that ended by itself while the run goes on has died."""
        process = self._process
        code = None if process is None else process.poll()
        if code in (None, 0) or self._recorder.session.done.is_set():
            return
        self.close()
        self._process = None
        self._fallen(how_it_ended(code), say)

    def _fallen(self, how: str, say: Callable[[str], None]) -> None:
        self._restarts.fell()
        then = ""
        if self._restarts.spent:
            self._recorder.view.foreseen = None  # nobody keeps it up to date
            again: tuple[str, list[str | Path]] = (
                "In another terminal",
                ["forecast", self._recorder.folder, "--follow"],
            )
            then = f"Time left is a rough estimate from now on.\n{next_words(again)}"
        say(self._restarts.words("The forecast's program", how, then))

    def _start(self, say: Callable[[str], None]) -> None:
        folder = str(self._recorder.folder)
        try:
            self._process = subprocess.Popen(
                drawbench_command("forecast", folder, "--follow", "--json"),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=drawbench_environment(),
                **apart(),
            )
        except OSError as error:
            self._fallen(error.strerror or how_it_ended(None), say)
            return
        self._listener = threading.Thread(target=self._listen, name="forecast", daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        with self._process.stdout as lines:
            for line in lines:
                self._take(line)

    def _take(self, line: bytes) -> None:
        warning = warning_of(line)
        if warning is None:
            self._recorder.view.foreseen = foreseen_of(line)
        else:
            self._recorder.warn_once(warning)


def foreseen_of(line: bytes) -> Foreseen | None:
    """What a line says; None where it cannot be told, or the line is not one of ours."""
    try:
        said: dict[str, Any] = json.loads(line)
        ends = [float(said[name]) for name in ("end_s", "lower_s", "upper_s") if name in said]
        end_s, lower_s, upper_s = ends or (None, None, None)
        verdict, early = str(said.get("verdict", "")), said.get("early") is True
        usual_s = float(said["usual_s"]) if "usual_s" in said else None
        usual_by = str(said.get("usual_by", ""))
        return Foreseen(
            float(said["as_of_s"]), end_s, lower_s, upper_s, str(said["text"]), verdict, early,
            usual_s, usual_by,
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def warning_of(line: bytes) -> str | None:
    """A fault in words; None where the line tells of none."""
    try:
        said = json.loads(line)
        return str(said["text"]) if "warning" in said else None
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


class Forecasts:
    """Forecasts of several recordings side by side."""

    def __init__(
        self, recorders: Sequence[Recorder], served: Callable[[], bool] = lambda: False
    ) -> None:
        self._processes = [ForecastProcess(recorder, served) for recorder in recorders]

    def turn(self, say: Callable[[str], None] = lambda text: None) -> None:
        for process in self._processes:
            process.turn(say)

    def close(self) -> None:
        for process in self._processes:
            process.close()
