"""Commands to the board: one at a time, its answer awaited, said again when none comes."""

from collections import deque
from collections.abc import Iterable
from typing import Final

from firmware_probe.line_format import command
from logger.board.stream import Answer

ANSWER_S: Final = 1.0
TRIES: Final = 3
# Opening the load protects the cells: worth asking for longer.
TRIES_LOAD: Final = 8

Order = tuple[str, ...]  # name and fields of a command


class Dialogue:
    """``plan`` orders, then ``send`` the first; ``answered``, ``confirmed`` and ``overdue`` lead to the next one.

    ``outbox`` holds the bytes to be sent. ``sent_s``: when the last command went out, None: no answer is awaited.
    """

    def __init__(self) -> None:
        self.outbox: list[bytes] = []
        self.sent_s: float | None = None
        self._todo: deque[Order] = deque()
        self._tries = 0

    @property
    def is_over(self) -> bool:
        return not self._todo and self.sent_s is None

    @property
    def order(self) -> Order | None:
        """The order whose answer is awaited."""
        return self._todo[0] if self._todo else None

    def begin(self) -> None:
        """A link was opened: forget what was asked on the old one."""
        self.plan(())
        self.outbox = [b"\n"]  # ends whatever half a command the board may have

    def drop(self) -> None:
        """The link is gone."""
        self.plan(())
        self.outbox.clear()

    def plan(self, orders: Iterable[Order]) -> None:
        """Replace what is to be done."""
        self._todo = deque(orders)
        self._tries = 0
        self.sent_s = None

    def ask(self, name: str, now_s: float) -> None:
        """Send a command out of turn."""
        self.outbox.append(command(name))
        self.sent_s = now_s

    def send(self, now_s: float) -> None:
        """Send the first order, if there is one."""
        if self._todo:
            self.outbox.append(command(*self._todo[0]))
            self.sent_s = now_s

    def answered(self, answer: Answer, now_s: float) -> str:
        """Go on after an answer; gives a refusal in words, else an empty text."""
        order = self.order
        if order is None or answer.command != order[0] or answer.reason == "crc":
            return ""
        if answer.accepted:
            if order[0] != "load":  # that one is answered by the switch's state
                self._next(now_s)
            return ""
        self._next(now_s)
        return f"the board refused {order[0]}: {answer.reason}"

    def confirmed(self, order: Order, now_s: float) -> bool:
        """Something else than an answer shows that the order, or one that begins like it, was carried out."""
        if self.order is None or self.order[: len(order)] != order:
            return False
        self._next(now_s)
        return True

    def overdue(self, now_s: float) -> str:
        """Say it again if no answer came in time; after the last try gives that in words and goes on."""
        order = self.order
        if order is None or self.sent_s is None or now_s - self.sent_s < ANSWER_S:
            return ""
        self._tries += 1
        if self._tries < (TRIES_LOAD if order[0] == "load" else TRIES):
            self.send(now_s)
            return ""
        self._next(now_s)
        return f"the board did not answer {order[0]}"

    def _next(self, now_s: float) -> None:
        self._todo.popleft()
        self._tries = 0
        self.sent_s = None
        self.send(now_s)
