"""Who may see the page: a key that works once, then a session in the browser's cookie."""

import hmac
import secrets
import threading
from collections.abc import Callable
from typing import Final

KEY_BYTES: Final = 16
SESSIONS_MAX: Final = 64


class Keys:
    """One key at a time. Whoever shows it gets a session, and the key is replaced by the next one.

    ``on_new`` is told every new key, so that the terminal can show it.
    """

    def __init__(self, on_new: Callable[[str], None] = lambda key: None) -> None:
        self._lock = threading.Lock()
        self._on_new = on_new
        self._sessions: dict[str, None] = {}
        self.key = secrets.token_urlsafe(KEY_BYTES)

    def enter(self, key: str) -> str | None:
        """Session for the right key, else None. The oldest session goes when there are too many."""
        with self._lock:
            if not hmac.compare_digest(key.encode(), self.key.encode()):
                return None
            session = secrets.token_urlsafe(KEY_BYTES)
            self._sessions[session] = None
            while len(self._sessions) > SESSIONS_MAX:
                del self._sessions[next(iter(self._sessions))]
            self.key = secrets.token_urlsafe(KEY_BYTES)
        self._on_new(self.key)
        return session

    def knows(self, session: str | None) -> bool:
        if not session:
            return False
        with self._lock:
            return any(
                hmac.compare_digest(session.encode(), known.encode()) for known in self._sessions
            )
