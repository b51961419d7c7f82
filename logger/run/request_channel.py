"""How another program asks a recording for a mark or for the load to be switched off: lines in a file of the run.

``drawbench watch`` appends, the recording looks about once a second. Whatever stands in the file can cost the
recording nothing: a bounded piece is read without waiting, checked strictly, and each request is
carried out at most once, within a minute, and only if it was made during this recording. What
came of it stands in the run's events.
"""

import contextlib
import json
import os
import re
import secrets
import stat
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from logger.base.clock import STEP_S, Moment
from logger.base.errors import BenchError, spoken
from logger.base.marks import MARK_MAX, mark_text
from logger.base.safe_files import Folder

REQUESTS_NAME: Final = ".requests.jsonl"
MARK: Final = "mark"
LOAD_OFF: Final = "load-off"
AGE_MAX_S: Final = 60.0
# A clock that was set a little, or another computer's.
_AHEAD_MAX_S: Final = 5.0
_LINE_MAX: Final = 2048
_READ_MAX: Final = 16 * 1024
_FILE_MAX: Final = 1024 * 1024
_TAKEN_MAX: Final = 5  # in one look
_KNOWN_MAX: Final = 1000
_ID: Final = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class Request:
    """``what``: ``MARK`` or ``LOAD_OFF``; ``wall_s``: when it was made, UTC since 1970."""

    id: str
    wall_s: float
    what: str
    text: str = ""


def ask(folder: Path, what: str, text: str, now: Moment) -> Request:
    """Append a request. Raises BenchError if the run's folder cannot be written to."""
    request = Request(secrets.token_hex(16), now.wall_s, what, mark_text(text))
    document = {"id": request.id, "utc": now.utc, "what": what, "text": request.text}
    # A line of its own, also after one that was cut off.
    data = b"\n" + json.dumps(document).encode() + b"\n"
    try:
        with Folder(folder) as opened:
            handle = opened.append_to(REQUESTS_NAME, create=True)
        try:
            if os.fstat(handle).st_size > _FILE_MAX:
                raise OSError(f"{REQUESTS_NAME} in it is too long")
            os.write(handle, data)
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise BenchError(
            "The recording cannot be asked: nothing can be written into the run's folder.",
            evidence=spoken(error),
            next_step="type the mark in the terminal of the recording.",
        ) from error
    return request


class RequestBox:
    """The recording's side: ``take`` gives what is new and sound. Older content is passed over."""

    def __init__(self, folder: Path | Folder, began: Moment) -> None:
        self._folder = folder if isinstance(folder, Folder) else Folder(folder)
        self._began_s = began.wall_s
        self._last = began
        self._known: dict[str, None] = {}
        self._position = 0
        with contextlib.suppress(OSError):
            found = self._folder.kind(REQUESTS_NAME)
            self._position = found.st_size if found else 0

    def take(self, now: Moment) -> list[Request]:
        """Requests since the last call, the oldest first; never waits, never raises for what is in the file."""
        stepped_s = (now.wall_s - self._last.wall_s) - (now.steady_s - self._last.steady_s)
        if abs(stepped_s) > STEP_S:
            self._began_s += stepped_s  # the clock was set: who asks now goes by the new time
        self._last = now
        try:
            data = self._read()
        except OSError:
            return []
        whole, newline, rest = data.rpartition(b"\n")
        if newline:
            self._position += len(whole) + 1
        elif len(rest) > _LINE_MAX:
            self._position += len(rest)  # no line of ours
        found: list[Request] = []
        for line in whole.split(b"\n"):
            request = parse(line)
            if request is not None and self._is_due(request, now) and len(found) < _TAKEN_MAX:
                self._known[request.id] = None
                found.append(request)
        while len(self._known) > _KNOWN_MAX:
            del self._known[next(iter(self._known))]
        return found

    def close(self) -> None:
        """The recording is over: what stands in the file is in its events, as far as it was carried out."""
        with contextlib.suppress(OSError):
            found = self._folder.kind(REQUESTS_NAME)
            if found is not None and stat.S_ISREG(found.st_mode):
                self._folder.unlink(REQUESTS_NAME)

    def _read(self) -> bytes:
        found = self._folder.kind(REQUESTS_NAME)
        if found is None or not stat.S_ISREG(found.st_mode) or found.st_size == self._position:
            return b""
        if found.st_size < self._position:
            self._position = 0  # another file; what was carried out before is known by its id
        if found.st_size - self._position > _FILE_MAX:
            self._position = found.st_size  # nobody asks so much
            return b""
        with self._folder.open_to_read(REQUESTS_NAME) as stream:
            stream.seek(self._position)
            return stream.read(_READ_MAX)

    def _is_due(self, request: Request, now: Moment) -> bool:
        age_s = now.wall_s - request.wall_s
        return (
            request.id not in self._known
            and -_AHEAD_MAX_S <= age_s <= AGE_MAX_S
            and request.wall_s >= self._began_s - _AHEAD_MAX_S
        )


def parse(line: bytes) -> Request | None:
    """The request that a line holds; None if it is anything else."""
    if not line.strip() or len(line) > _LINE_MAX:
        return None
    try:
        document = json.loads(line)
        if not isinstance(document, dict) or set(document) != {"id", "utc", "what", "text"}:
            return None
        ident, utc, what, text = (document[name] for name in ("id", "utc", "what", "text"))
        if not all(isinstance(item, str) for item in (ident, utc, what, text)):
            return None
        moment = datetime.fromisoformat(utc)
        if moment.tzinfo is None:
            return None
        wall_s = moment.timestamp()
    except (ValueError, RecursionError, OverflowError):
        return None
    if not _ID.fullmatch(ident) or what not in (MARK, LOAD_OFF) or len(text) > MARK_MAX:
        return None
    return Request(ident, wall_s, what, mark_text(text) if what == MARK else "")
