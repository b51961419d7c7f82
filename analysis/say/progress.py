"""How far is work that takes long, and how long will it still take? Said beside the answer, never in it."""

import os
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import click

from analysis.say.words import count_words
from logger.base.clean_text import trusted

if TYPE_CHECKING:
    from rich.progress import Progress as Bar

# Where there is no terminal, as in a file: a line now and then.
LINE_EVERY_S: Final = 30.0
# Before so many are done their pace is not known, nor worth a line.
_FIRST: Final = 3
# So many of the last show a pace that has changed.
_LAST: Final = 6
# An estimate that moves by less than this share of itself is the one that was said, run down.
_STEADY: Final = 0.3


class Progress:
    """To standard error: a bar with the time left where that is a terminal, else a line every half minute.

    ``what``: one of the things, ``report``. ``steady``: seconds of a clock that never goes back.
    """

    def __init__(
        self,
        what: str,
        *,
        shown: bool = True,
        terminal: bool | None = None,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self._what = what
        self._shown = shown
        self._terminal = _draws() if terminal is None else terminal
        self._steady = steady
        self._count = self._done = 0
        self._begin_s = self._said_s = self._end_s = 0.0
        self._steps_s: deque[float] = deque(maxlen=_LAST + 1)
        self._bar: Bar | None = None

    @contextmanager
    def of(self, count: int) -> Iterator[None]:
        """While ``count`` things are worked at; of a single one nothing is said."""
        self._count, self._done = count, 0
        self._begin_s = self._said_s = self._end_s = self._steady()
        self._steps_s.clear()
        self._steps_s.append(self._begin_s)
        if count < 2 or not self._shown or not self._terminal:
            yield
            return
        with _bar(self._what_many()) as self._bar:
            self._bar.add_task("", total=count, left="")
            yield
        self._bar = None

    def step(self) -> None:
        """One more is done."""
        self._done += 1
        self._steps_s.append(self._steady())
        self.look()

    def look(self) -> None:
        """Called now and then while nothing is done."""
        now_s = self._steady()
        if self._bar is not None:
            left = self._left_words(now_s).removeprefix(", ")
            self._bar.update(self._bar.task_ids[0], completed=self._done, left=left)
        quiet = self._bar is not None or not self._shown or self._count < 2
        soon = now_s - self._said_s < LINE_EVERY_S or self._done < _FIRST
        if quiet or soon or self._done == self._count:
            return
        self._said_s = now_s
        click.echo(f"{self._done} of {self._what_many()} done{self._left_words(now_s)}", err=True)

    def _what_many(self) -> str:
        return count_words(self._count, self._what)

    def _left_words(self, now_s: float) -> str:
        if not _FIRST <= self._done < self._count:
            return ""
        end_s = now_s + self._left_s(now_s)
        if abs(end_s - self._end_s) > _STEADY * (end_s - now_s):
            self._end_s = end_s
        return f", about {left_words(self._end_s - now_s)} left"

    def _left_s(self, now_s: float) -> float:
        """By the slower pace: of all until now, or of the last few, the one that is at work among them."""
        left, first, last = self._count - self._done, self._steps_s[0], self._steps_s[-1]
        of_all_s = (last - self._begin_s) / self._done
        of_last_s = (last - first) / (len(self._steps_s) - 1)
        # At least as if the next were done this moment.
        at_work_s = (now_s - first) / len(self._steps_s) * (left - 1)
        return max(max(of_all_s, of_last_s) * left - (now_s - last), at_work_s)


class Steps(Progress):
    """One that says nothing itself: ``told`` is called after each thing."""

    def __init__(self, told: Callable[[], None]) -> None:
        super().__init__("", shown=False)
        self._told = told

    def step(self) -> None:
        super().step()
        self._told()


def silent() -> Progress:
    """One that says nothing."""
    return Progress("", shown=False)


def left_words(left_s: float) -> str:
    """``40 s``, ``3 min``: as a rough estimate is said."""
    return f"{max(5 * round(left_s / 5), 5)} s" if left_s < 90 else f"{round(left_s / 60)} min"


def _draws() -> bool:
    return sys.stderr is not None and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


def _bar(many: str) -> "Bar":
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
    from rich.progress import Progress as Bar

    return Bar(
        TextColumn(f"{many}:", markup=False),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TextColumn("{task.fields[left]}", markup=False),
        console=Console(file=trusted(sys.stderr)),
        transient=True,
    )
