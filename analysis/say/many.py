"""How is the same done to many things: on all cores, the one that fails named, the rest done, the order kept?

Processes, for the work is Python's own and threads would take turns. They are started anew (``spawn``), not copied:
a copy of a process with threads (numpy's, the reader's) can hang, and Windows and macOS know nothing else. Each
loads the heavy libraries once. One core, or less work than that loading costs: no processes at all.
"""

import contextlib
import gc
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import connection
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from analysis.say.progress import Progress, silent
from logger.base.clean_text import clean_streams
from logger.base.console_signs import say_what_the_console_cannot
from logger.base.errors import BenchError

if TYPE_CHECKING:
    from multiprocessing.synchronize import Event

Thing = TypeVar("Thing")
Result = TypeVar("Result")

# Below this much work one process is done before two have loaded their libraries.
WORTH_S: Final = 4.0
# Each takes some 300 MB.
_MOST_WORKERS: Final = 8
_LOOK_S: Final = 0.2
# For the processes' start: not from the folder that somebody works in; one thread each, for there is one per core.
_STARTED_WITH: Final = {
    "PYTHONSAFEPATH": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}
_KILLED: Final = "Its process was ended from outside, twice, the second time with none beside it."
_KILLED_BY: Final = "a system short of memory does so"
_KILLED_NEXT: Final = "try this one by itself, with other programs closed."


@dataclass(frozen=True)
class Done(Generic[Thing, Result]):
    """What came of one thing: a result, or an error in words."""

    thing: Thing
    result: Result | None
    error: BenchError | None


@dataclass(frozen=True)
class _Failed:
    """An error's parts: they cross from process to process, whatever class it was."""

    happened: str
    evidence: str
    next_step: str


def do_to_all(
    work: Callable[[Thing], Result],
    things: Sequence[Thing],
    *,
    each_s: float,
    progress: Progress | None = None,
    cores: int | None = None,
) -> list[Done[Thing, Result]]:
    """``work`` of each thing, in the things' order, whatever becomes of the others.

    ``work``: a function of a module (not of a script), or a ``functools.partial`` of one; it prints nothing. ``each_s``: about how
    long it takes, which decides whether processes are worth it. ``cores``: None: as many as there are.
    Ctrl-C ends all of it at once.
    """
    progress = progress or silent()
    workers = min(usable_cores() if cores is None else cores, len(things), _MOST_WORKERS)
    with progress.of(len(things)):
        if workers < 2 or each_s * len(things) < WORTH_S:
            found = _one_by_one(work, things, progress)
        else:
            found = _side_by_side(work, things, workers, progress)
    return [_done(thing, found[place]) for place, thing in enumerate(things)]


def usable_cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on Windows and macOS
        return os.cpu_count() or 1


def _done(thing: Thing, outcome: Any) -> Done[Thing, Any]:
    if isinstance(outcome, _Failed):
        error = BenchError(outcome.happened, evidence=outcome.evidence, next_step=outcome.next_step)
        return Done(thing, None, error)
    return Done(thing, outcome, None)


def _attempt(work: Callable[[Thing], Result], thing: Thing) -> Result | _Failed:
    """Every exception is told: one thing must not cost the others theirs."""
    try:
        return work(thing)
    except BenchError as error:
        return _Failed(error.happened, error.evidence, error.next_step)
    except MemoryError:
        return _Failed(
            "There was not enough memory for it.", "", "close other programs, try again."
        )
    except Exception as error:
        if os.environ.get("DRAWBENCH_TRACEBACK"):
            raise
        return _Failed(
            "A fault of the program itself.",
            f"{type(error).__name__}: {error}",
            "please report it, with what the same command prints after DRAWBENCH_TRACEBACK=1 was set.",
        )


def _one_by_one(
    work: Callable[[Any], Any], things: Sequence[Any], progress: Progress
) -> dict[int, Any]:
    """Outcomes by place, in this process."""
    found = {}
    for place, thing in enumerate(things):
        found[place] = _attempt(work, thing)
        progress.step()
    return found


def _side_by_side(
    work: Callable[[Any], Any], things: Sequence[Any], workers: int, progress: Progress
) -> dict[int, Any]:
    """Outcomes by place. When a process is killed, its pool is over: those that may have been in it are tried
    alone, one after the other, and the rest goes on in a new pool."""
    found: dict[int, Any] = {}

    def left() -> list[int]:
        return [place for place in range(len(things)) if place not in found]

    while left():
        _pool(work, things, left(), workers, found, progress)
        for place in left()[:workers]:  # taken in order, so the earliest of the rest were at work
            if not found and not _processes_start():
                return _one_by_one(work, things, progress)
            _pool(work, things, [place], 1, found, progress)
            if place not in found:
                found[place] = _Failed(_KILLED, _KILLED_BY, _KILLED_NEXT)
                progress.step()
    return found


def _processes_start() -> bool:
    """Whether a process does anything at all on this machine."""
    found: dict[int, Any] = {}
    _pool(abs, [1], [0], 1, found, silent())
    return bool(found)


def _pool(
    work: Callable[[Any], Any],
    things: Sequence[Any],
    places: Sequence[int],
    workers: int,
    found: dict[int, Any],
    progress: Progress,
) -> None:
    """Outcomes of these places into ``found``; returns early if a process was killed."""
    earlier = multiprocessing.active_children()
    fresh = multiprocessing.get_context("spawn")
    over = fresh.Event()
    executor = ProcessPoolExecutor(workers, fresh, _begin_worker, (over,))
    try:
        with _started_well():
            waiting: dict[Future[Any], int] = {
                executor.submit(_at_work, work, things[place]): place for place in places
            }
        while waiting:
            ended, _ = wait(waiting, _LOOK_S, FIRST_COMPLETED)
            progress.look()
            for future in ended:
                found[waiting.pop(future)] = future.result()
                progress.step()
    except (BrokenProcessPool, OSError):  # killed; or no process could be started
        return
    except BaseException:
        over.set()  # for those that are still starting, or between two
        for child in multiprocessing.active_children():
            if child not in earlier:
                _stop(child)
        raise
    finally:
        executor.shutdown(cancel_futures=True)


@contextlib.contextmanager
def _started_well() -> Iterator[None]:
    """What is started meanwhile gets our environment, and Ctrl-C only once it knows what to do with it.

    It does not run again what was started first, as it otherwise would: nobody can know what that does.
    """
    before = {name: os.environ.get(name) for name in _STARTED_WITH}
    os.environ.update({name: _STARTED_WITH[name] for name, value in before.items() if not value})
    main, sys.modules["__main__"] = sys.modules["__main__"], ModuleType("__main__")
    held = hasattr(signal, "pthread_sigmask")
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if held else set()
    try:
        yield
    finally:
        sys.modules["__main__"] = main
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        if held:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def _stop(child: Any) -> None:
    """As Ctrl-C does, so that what it has half made is taken away; where there is no such thing, at once."""
    with contextlib.suppress(OSError, ValueError):
        if hasattr(signal, "pthread_sigmask"):
            os.kill(child.pid, signal.SIGINT)
        else:
            child.terminate()


_over: "list[Event]" = []


def _begin_worker(over: "Event") -> None:
    """Once in each process: Ctrl-C counts only while it works, its words are clean, it ends with who started it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        os.setpgid(0, 0)  # the terminal's Ctrl-C is for who started it, and told from there, once
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    _over.append(over)
    gc.set_threshold(
        100_000, 20, 100
    )  # pictures are many small circles: looked for less often, a tenth is saved
    say_what_the_console_cannot()
    clean_streams()
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _at_work(work: Callable[[Any], Any], thing: Any) -> Any:
    """In a process of its own."""
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        # Asked only now: from here on a signal is not lost.
        return None if _over[0].is_set() else _attempt(work, thing)
    except KeyboardInterrupt:
        return None
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
