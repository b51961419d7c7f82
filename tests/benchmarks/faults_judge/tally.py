"""What the judges of recordings share: a board with its run, and the sum of what several lanes have found."""

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.faults_judge.fault import Fault
from tests.benchmarks.faults_judge.log_bench import Bench, Starter
from tests.benchmarks.faults_judge.own_board import OwnBoard


class Tally:
    """Adds up what several lanes or turns have found."""

    def __init__(self) -> None:
        self.tried = self.lost = self.invented = self.doubled = self.told = 0
        self._lock = threading.Lock()

    def add(self, found: tuple[int, int, int], *, tried: int = 1, told: int = 0) -> None:
        with self._lock:
            self.tried += tried
            self.lost, self.invented, self.doubled = (
                old + new
                for old, new in zip((self.lost, self.invented, self.doubled), found, strict=True)
            )
            self.told += told

    def row(self, name: str, words: str, note: str = "") -> Fault:
        told = f"{self.told} of {self.tried}: {words}"
        return Fault(name, self.tried, self.lost, self.invented, self.doubled, told, note)


@contextlib.contextmanager
def bench(starter: Starter, place: Path, number: int = 0) -> Iterator[Bench]:
    """A board and a run of its own; what still records at the end is killed."""
    place.mkdir(parents=True, exist_ok=True)
    with OwnBoard(place, f"{number:08X}", seed=number) as board:
        made = Bench(place, board, starter)
        try:
            yield made
        finally:
            if made.process and made.is_alive:
                made.kill()
