"""Recordings that are killed, unplugged, moved, replaced, filled up and set wrong: what was lost, invented, doubled, told?

``python -m tests.benchmarks.faults_judge.recording`` makes the table; ``--kills 20`` and so on make it smaller. Rows are
compared with what the judge's own board really sent.
"""

import argparse
import contextlib
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from tests.benchmarks.faults_judge.fault import Fault, shown
from tests.benchmarks.faults_judge.log_bench import PATIENCE_S, ROOT, Bench, Key, Starter
from tests.benchmarks.faults_judge.own_board import OwnBoard
from tests.benchmarks.faults_judge.spoiled_file import REPLACED, file_replaced
from tests.benchmarks.faults_judge.tally import Tally, bench

KILLS: Final = 400
UNPLUGS: Final = 50
RESETS: Final = 50
FULL: Final = 20
JUMPS: Final = 50
MOVED: Final = 20
DAYS: Final = 49
LANES: Final = 8
_DISK_BYTES: Final = 1024 * 1024


def kills(count: int = KILLS, seed: int = 1) -> Fault:
    """SIGKILL at random moments, on several runs side by side; each run is taken up again and again."""
    tally = Tally()
    lanes = min(LANES, count)
    with tempfile.TemporaryDirectory() as place, Starter() as starter:
        lock = threading.Lock()

        def one(number: int, turns: int) -> None:
            chance = random.Random(seed * 1000 + number)
            with bench(starter, Path(place) / str(number), number) as run:
                must: set[Key] = set()
                for _ in range(turns):
                    with lock:
                        run.start()
                    if chance.random() < 0.8:
                        run.wait_new_rows(1)
                    time.sleep(chance.uniform(0.0, 0.8))
                    run.kill()
                    must |= set(run.stored())
                with lock:
                    run.start()
                run.wait_new_rows()
                run.end()
                bounded = run.charge_is_bounded()
                lost, invented, doubled = run.verdict(must)
                again = run.said().count("Going on after")
                tally.add(
                    (lost, invented + (not bounded), doubled), tried=turns, told=min(again, turns)
                )

        shares = [count // lanes + (number < count % lanes) for number in range(lanes)]
        threads = [threading.Thread(target=one, args=item) for item in enumerate(shares)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    tally.lost += count - tally.tried  # a lane that broke down
    tally.tried = count
    return tally.row("killed", '"Going on after ... rows"')


def unplugs(count: int = UNPLUGS, seed: int = 1) -> Fault:
    """The cable is out for a moment while the board measures on."""

    def upset(run: Bench, chance: random.Random) -> None:
        run.board.unplug()
        time.sleep(chance.uniform(0.05, 0.5))
        run.board.plug()

    return _alive(
        "unplugged", count, seed, upset, "link back after", '"link lost", "link back after ..."'
    )


def resets(count: int = RESETS, seed: int = 1) -> Fault:
    """The board starts again after a time in which the load runs on."""

    def upset(run: Bench, chance: random.Random) -> None:
        dead_us = chance.randrange(500_000)
        run.board.alive = False
        time.sleep(dead_us / 1e6)
        run.board.reset(dead_us)
        run.board.alive = True

    return _alive("board reset", count, seed, upset, "board started again", '"board started again ... at most ... mAh not counted"')  # fmt: skip


def _alive(
    name: str, count: int, seed: int, upset: Callable[[Bench, random.Random], None], words: str, told: str
) -> Fault:  # fmt: skip
    """Something happens to the board again and again while one logger lives on: all that reached the line is there."""
    chance, tally = random.Random(seed), Tally()
    with (
        tempfile.TemporaryDirectory() as place,
        Starter() as starter,
        bench(starter, Path(place)) as run,
    ):
        run.start()
        run.wait_new_rows()
        for number in range(1, count + 1):
            time.sleep(chance.uniform(0.0, 0.5))
            upset(run, chance)
            run.wait(lambda number=number: run.said().count(words) >= number, f"{words} {number}")  # type: ignore[misc]
            run.begun = len(run.stored())
            run.wait_new_rows(2)
        must = set(run.stored())
        run.end()
        lost, invented, doubled = run.verdict(must)
        invented += not run.charge_is_bounded()
        tally.add((lost, invented, doubled), tried=count, told=run.said().count(words))
    return tally.row(name, told)


def disk_full(count: int = FULL, seed: int = 1) -> Fault:
    """The disk fills at a random moment and is made room on some seconds later; every third time the logger is killed meanwhile."""
    tally = Tally()
    with tempfile.TemporaryDirectory() as place, Starter() as starter:
        for number in range(count):
            chance = random.Random(seed * 1000 + number)
            with _small_disk(Path(place) / f"disk{number}") as disk, bench(starter, disk.parent / f"b{number}", number) as run:  # fmt: skip
                run.folder = disk / "run"
                tally.add(_one_full(run, disk, chance, killed=number % 3 == 2), told=1)
    return tally.row("disk full", '"The disk is full: make room on it. N rows wait in memory"')


def _one_full(
    run: Bench, disk: Path, chance: random.Random, *, killed: bool
) -> tuple[int, int, int]:
    run.start()
    run.wait_new_rows()
    time.sleep(chance.uniform(0.0, 1.0))
    _fill(disk / "ballast")
    run.wait_said("make room on it")
    time.sleep(chance.uniform(0.0, 2.0))
    must = set(run.stored())
    if killed:
        run.kill()
    (disk / "ballast").unlink()
    if killed:
        run.start()
        run.wait_new_rows()
    else:
        run.wait_said("takes rows again")
    run.end()
    return run.verdict(must, unbroken=not killed)


@contextlib.contextmanager
def _small_disk(folder: Path) -> Iterator[Path]:
    """A file system of its own; mounting it takes an administrator's rights."""
    folder.mkdir(parents=True)
    subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={_DISK_BYTES}", "tmpfs", folder], check=True
    )
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=False)


def _fill(ballast: Path) -> None:
    """All but nothing is left; the second copy and the reserve are given up one after another."""
    end_s = time.monotonic() + 3.0
    with ballast.open("ab", buffering=0) as stream:
        while time.monotonic() < end_s:
            try:
                stream.write(b"x" * 4096)
            except OSError:
                time.sleep(0.02)


def folder_moved(count: int = MOVED, seed: int = 1) -> Fault:
    """The run's folder gets another name, and another run begins under the old one; or it is deleted; every third logger is killed."""
    tally = Tally()
    with tempfile.TemporaryDirectory() as place, Starter() as starter:
        for number in range(count):
            chance = random.Random(seed * 1000 + number)
            with bench(starter, Path(place) / str(number), number) as run:
                tally.add(_one_moved(run, chance, number), told=1)
    return tally.row("folder moved or deleted", '"the run\'s folder was moved while recording; the recording goes on in ..."')  # fmt: skip


def _delete(folder: Path) -> None:
    """As a file manager does, which tries again when something new stands there."""
    for _ in range(20):
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            return


def _one_moved(run: Bench, chance: random.Random, number: int) -> tuple[int, int, int]:
    run.start()
    run.wait_new_rows(20)
    time.sleep(chance.uniform(0.0, 0.8))
    must, old = set(run.stored()), run.folder
    deleted, killed = number % 4 == 3, number % 3 == 2
    if deleted:
        _delete(old)
        if chance.random() < 0.5:
            with contextlib.suppress(FileExistsError):  # the recording made it again already
                old.mkdir()
                (old / "samples.csv").write_text("another run's")
                run.folder = old.with_name("run-rescued-1")
        run.wait_said("while recording; ")
    else:
        run.folder = run.place / "vest at night"
        old.rename(run.folder)
        old.mkdir()
        (old / "samples.csv").write_text("another run's")
        if not killed:
            run.wait_said(f"goes on in {run.folder}")
    if killed:
        time.sleep(chance.uniform(0.0, 0.5))
        run.kill()
        must |= set(run.stored())
        run.start()
    run.wait_new_rows()
    run.end()
    theirs = old / "samples.csv"
    touched = old != run.folder and theirs.exists() and theirs.read_text() != "another run's"
    lost, invented, doubled = run.verdict(must, unbroken=not killed)
    return lost, invented + touched, doubled


def clock_jumps(count: int = JUMPS, seed: int = 1) -> Fault:
    """The computer's clock is set while recording; every fifth time the logger is killed, the clock set back and the board reset."""
    chance, tally = random.Random(seed), Tally()
    with tempfile.TemporaryDirectory() as text:
        place = Path(text)
        library, offset = place / "clock.so", place / "offset"
        source = ROOT / "tests" / "support" / "stepped_clock.c"
        subprocess.run(["cc", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
        offset.write_text("0")
        with (
            Starter(LD_PRELOAD=str(library), STEPPED_CLOCK=str(offset)) as starter,
            bench(starter, place) as run,
        ):
            run.start()
            run.wait_new_rows()
            must: set[Key] = set()
            for number in range(count):
                killed = number % 5 == 4
                must |= set(run.stored())
                if killed:
                    run.kill()
                    run.board.reset(chance.randrange(500_000))
                step_s = chance.choice((3600, -3600, 7, -7, 604_800, -604_800))
                said = len(run.output.read_text())
                fresh = offset.with_suffix(".new")
                fresh.write_text(str(int(offset.read_text()) + step_s))
                fresh.replace(offset)
                if killed:
                    run.start()
                    run.wait_new_rows(2)
                    continue
                run.wait_said("clock was set", said)
                run.begun = len(run.stored())
                run.wait_new_rows(2)
            run.end()
            lost, invented, doubled = run.verdict(must)
            invented += not run.charge_is_bounded()
            told = run.said().count("clock was set")
            tally.add((lost, invented, doubled), tried=count, told=min(told, count))
    return tally.row("clock set", '"the computer\'s clock was set back by ... s; the run\'s time is not affected"')  # fmt: skip


def days(count: int = DAYS, seed: int = 1) -> Fault:
    """Weeks of board time in windows of a minute, over the wrap of the milliseconds (2^32) and of the window's number."""
    del seed
    window_us, begin_us = 60_000_000, 2**32 * 1000 - 86_400_000_000
    rows = count * 1440
    with tempfile.TemporaryDirectory() as text, Starter() as starter:
        place = Path(text)
        with OwnBoard(
            place, "DA195000", window_us=window_us, factor=60_000.0, told_factor=60_000.0,
            number=2**32 - 700, time_us=begin_us,
        ) as board:  # fmt: skip
            run = Bench(place, board, starter)
            run.start()
            run.wait_new_rows()
            end_s = time.monotonic() + PATIENCE_S + rows / 500
            while (run.folder / "samples.csv").read_bytes().count(b"\n") <= rows:
                assert time.monotonic() < end_s, run.said()
                time.sleep(0.3)
            run.end()
            lost, invented, doubled = run.verdict(set(), unbroken=True)
            invented += not run.charge_is_bounded()
            found = rows_of_last(run)
    told = f"{found} of board time"
    return Fault(f"{count} days", 1, lost, invented, doubled, told)


def rows_of_last(run: Bench) -> str:
    """The last row's time in days."""
    last = (run.folder / "samples.csv").read_bytes().splitlines()[-1]
    return f"{float(last.split(b',')[0]) / 86_400:.1f} days"


FAULTS: Final[dict[str, tuple[Callable[[int, int], Fault], int]]] = {
    "kills": (kills, KILLS),
    "unplugs": (unplugs, UNPLUGS),
    "resets": (resets, RESETS),
    "full": (disk_full, FULL),
    "replaced": (file_replaced, REPLACED),
    "moved": (folder_moved, MOVED),
    "jumps": (clock_jumps, JUMPS),
    "days": (days, DAYS),
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, (_, usual) in FAULTS.items():
        parser.add_argument(f"--{name}", type=int, default=usual, help="0: leave it out")
    parser.add_argument("--seed", type=int, default=1)
    asked_for = vars(parser.parse_args())
    return shown(
        judge(asked_for[name], asked_for["seed"])
        for name, (judge, _) in FAULTS.items()
        if asked_for[name]
    )


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    sys.exit(main())
