"""Who may do what: a key to look, a key to act, and the session that a browser has afterwards.

The look key serves a whole class for as long as the page is up. The act key opens one browser and is replaced.
Keys and sessions live in memory alone; ``kept`` hands them to the logger, so that a page that is started anew
knows the same browsers.
"""

import hashlib
import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

KEY_BYTES: Final = 14  # 112 bits
SESSION_BYTES: Final = 16
SESSIONS_MAX: Final = 64  # of each right
LOOK_S: Final = 7 * 86_400.0
ACT_S: Final = 86_400.0


class Right(StrEnum):
    """Looking changes nothing. Whoever may act may look as well."""

    LOOK = "look"
    ACT = "act"


@dataclass(frozen=True)
class _Session:
    right: Right
    begun_s: float


class Keys:
    """Both keys and all sessions. ``on_change`` is told of every change, ``on_act`` of every used act key.

    ``kept``: what ``kept`` of another program gave. ``clock`` must be one for all programs of the computer.
    """

    def __init__(
        self,
        on_act: Callable[[], None] = lambda: None,
        on_change: Callable[[], None] = lambda: None,
        kept: Mapping[str, Any] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._lock = threading.Lock()
        self._on_act, self._on_change, self._clock = on_act, on_change, clock
        kept = kept or {}
        self.look: str = kept.get("look") or _new_key(Right.LOOK)
        self.act: str = kept.get("act") or _new_key(Right.ACT)
        self._secret: str = kept.get("secret") or secrets.token_hex(32)
        self._sessions = {
            name: _Session(Right(right), begun_s)
            for name, right, begun_s in kept.get("sessions", ())
        }
        # Browsers keep the cookies of all ports of a computer together: each page has a name of its own.
        self.tag = self._sign("cookie")[:8]

    def kept(self) -> dict[str, Any]:
        """Everything, for a page that takes over. To be passed on through a pipe alone."""
        with self._lock:
            sessions = [[name, str(s.right), s.begun_s] for name, s in self._sessions.items()]
            return {
                "look": self.look,
                "act": self.act,
                "secret": self._secret,
                "sessions": sessions,
            }

    def enter(self, key: str, session: str | None = None) -> tuple[str, Right] | None:
        """A session and its right for a right key, else None. ``session``: what the browser has so far.

        Whoever may act and looks with the other key keeps the right to act.
        """
        with self._lock:
            is_act = _same(key, self.act)
            is_look = _same(key, self.look)
            if not (is_act or is_look):
                return None
            if is_look and session and self._right(session) is Right.ACT:
                return session, Right.ACT
            right = Right.ACT if is_act else Right.LOOK
            self._sessions.pop(_name(session or ""), None)
            session = secrets.token_urlsafe(SESSION_BYTES)
            self._sessions[_name(session)] = _Session(right, self._clock())
            self._drop_old(right)
            if is_act:
                self.act = _new_key(Right.ACT)
        self._on_change()
        if is_act:
            self._on_act()
        return session, right

    def right(self, session: str | None) -> Right | None:
        """What this session may do now; None: nothing, it is unknown or too old."""
        with self._lock:
            return self._right(session) if session else None

    def leave(self, session: str) -> None:
        """Forget this session."""
        with self._lock:
            gone = self._sessions.pop(_name(session), None)
        if gone:
            self._on_change()

    def form_token(self, session: str) -> str:
        """What every form of this session's page must send along; an empty session: the form that asks for the key."""
        return self._sign(f"form {session}")

    def is_form_token(self, token: str, session: str) -> bool:
        return _same(token, self.form_token(session))

    def _right(self, session: str) -> Right | None:
        # Looked up by its hash: how long that takes tells nothing of the session.
        found = self._sessions.get(_name(session))
        if found is None:
            return None
        age_s = self._clock() - found.begun_s
        if found.right is Right.ACT and age_s < ACT_S:
            return Right.ACT
        return Right.LOOK if age_s < LOOK_S else None

    def _drop_old(self, right: Right) -> None:
        """Of each right the newest ones stay, so that a class of lookers never pushes out who may act."""
        mine = [name for name, item in self._sessions.items() if item.right is right]
        for name in mine[:-SESSIONS_MAX]:
            del self._sessions[name]

    def _sign(self, text: str) -> str:
        return hmac.new(self._secret.encode(), text.encode(), hashlib.sha256).hexdigest()[:32]


class Tries:
    """What everybody did of late: at most ``most`` in ``span_s``. Of more than ``names_max`` the longest idle are forgotten."""

    def __init__(
        self,
        most: int,
        span_s: float,
        names_max: int,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most, self._span_s, self._names_max = most, span_s, names_max
        self._clock = clock
        self._recent: dict[str, deque[float]] = {}

    def too_many(self, name: str) -> bool:
        recent = self._recent.get(name)
        if recent is None or len(recent) < self._most:
            return False
        return self._clock() - recent[0] < self._span_s

    def count(self, name: str) -> None:
        recent = self._recent.pop(name, deque(maxlen=self._most))
        recent.append(self._clock())
        self._recent[name] = recent
        while len(self._recent) > self._names_max:
            del self._recent[next(iter(self._recent))]


def _new_key(right: Right) -> str:
    return f"{right}-{secrets.token_urlsafe(KEY_BYTES)}"


def _name(session: str) -> str:
    """What is kept of a session: nobody who reads it can take the session's place."""
    return hashlib.sha256(session.encode("utf-8", "surrogatepass")).hexdigest()


def _same(text: str, known: str) -> bool:
    """In a time that does not tell how much of it was right."""
    return hmac.compare_digest(text.encode("utf-8", "surrogatepass"), known.encode())
