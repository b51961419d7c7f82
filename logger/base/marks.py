"""Marks while a run is recorded: what may stand in one; a line typed, then Enter."""

import os
import select
import sys
from typing import Any, Final, TextIO

MARK_MAX: Final = 200
# They join letters and pictures of many languages; all else that does not print is left out.
_JOINERS: Final = "\u200c\u200d"


def mark_text(text: str) -> str:
    """A mark's text on one line, of signs that print and can be written as UTF-8."""
    line = " ".join(text.split())
    return "".join(sign for sign in line if sign.isprintable() or sign in _JOINERS)[:MARK_MAX]


class MarkReader:
    """Collects typed lines without waiting. On a terminal single keys are taken and not echoed, so that
    the screen stays whole; ``typed`` is what stands there so far. On a pipe every line is a mark."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.typed = ""
        self._stream = stream if stream is not None else sys.stdin
        self._saved: list[Any] | None = None
        self._rest = b""
        self._open = False
        self.is_terminal = False

    def __enter__(self) -> "MarkReader":
        try:
            self._fd = self._stream.fileno()
        except (OSError, ValueError, AttributeError):
            return self
        self.is_terminal = os.isatty(self._fd)
        self._open = True
        if os.name == "posix" and self.is_terminal:
            import termios
            import tty

            if not self._in_front():
                return self
            try:
                self._saved = termios.tcgetattr(self._fd)
                tty.setcbreak(self._fd, termios.TCSANOW)
            except (termios.error, OSError):
                self._saved = None
        return self

    def __exit__(self, *_: object) -> None:
        if self._saved is not None:
            import termios

            try:
                termios.tcsetattr(self._fd, termios.TCSANOW, self._saved)
            except (termios.error, OSError):  # the terminal was closed meanwhile
                return

    def poll(self) -> list[str]:
        """Lines completed since the last call."""
        if not self._open:
            return []
        data = self._read_windows() if os.name == "nt" else self._read_posix()
        *lines, self._rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        if self.is_terminal:
            self._rest = _edit(self._rest)
        self._rest = self._rest[-MARK_MAX:]
        self.typed = self._rest.decode("utf-8", "ignore")
        texts = [_edit(line).decode("utf-8", "replace").strip()[:MARK_MAX] for line in lines]
        return texts if self.is_terminal else [text for text in texts if text]

    def _read_posix(self) -> bytes:
        if self.is_terminal and not self._in_front():
            return b""  # reading from the background would stop the whole program
        try:
            if not select.select([self._fd], [], [], 0)[0]:
                return b""
            data = os.read(self._fd, 4096)
        except (OSError, ValueError):
            data = b""
        if not data:
            self._open = False
        return data

    def _read_windows(self) -> bytes:
        if sys.platform != "win32":
            return b""
        import msvcrt

        keys = ""
        while self.is_terminal and msvcrt.kbhit():
            keys += msvcrt.getwch()
        return keys.encode()

    def _in_front(self) -> bool:
        try:
            return os.tcgetpgrp(self._fd) == os.getpgrp()
        except (OSError, AttributeError):
            return False


def _edit(keys: bytes) -> bytes:
    """Backspace takes a character away; other control keys do nothing."""
    text = ""
    for key in keys.decode("utf-8", "ignore"):
        if key in "\x7f\x08":
            text = text[:-1]
        elif key >= " ":
            text += key
    return text.encode()
