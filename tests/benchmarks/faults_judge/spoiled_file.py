"""``samples.csv`` in another program's hands, while it is recorded into."""

import os
import random
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Final

from tests.benchmarks.faults_judge.fault import Fault
from tests.benchmarks.faults_judge.log_bench import Bench, Key, Starter
from tests.benchmarks.faults_judge.tally import Tally, bench

REPLACED: Final = 20
SHORTER: Final = ("cut", "emptied", "removed")  # nothing of another program's stands there
# While it records, or when a killed recording is taken up.
TOLD: Final = ("while recording; ", "as they were recorded again")
SPOILS: Final = ("replaced", "cut", "emptied", "appended to", "changed inside", "removed")


def _spoil(path: Path, how: str) -> None:
    if how == "replaced":
        fresh = path.with_name("~saved by a spreadsheet")
        fresh.write_bytes(b"time_s;pack_v\r\n1;4,5\r\n")
        fresh.replace(path)
    elif how == "cut":
        os.truncate(path, max(path.stat().st_size // 2, 10))
    elif how == "emptied":
        path.write_bytes(b"")
    elif how == "appended to":
        with path.open("ab") as stream:
            stream.write(b"total;;;\r\n")
    elif how == "changed inside":
        with path.open("r+b") as stream:
            stream.seek(path.stat().st_size // 2)
            stream.write(b"ninety")
    else:
        path.unlink()


def file_replaced(count: int = REPLACED, seed: int = 1) -> Fault:
    """Another program replaces, cuts, changes or removes ``samples.csv``; every second time the logger is killed soon after.

    Told is what stands on the screen, of the killed ones too. Wrong is to say nothing of what holds another's content, or
    while the logger lives; a file that was merely shorter when the logger was killed may be made whole in silence.
    """
    tally, whole = Tally(), 0
    silent: list[str] = []
    wrong = 0
    with tempfile.TemporaryDirectory() as place, Starter() as starter:
        for number in range(count):
            chance = random.Random(seed * 1000 + number)
            killed, how = number % 2 == 1, SPOILS[number // 2 % len(SPOILS)]
            with bench(starter, Path(place) / str(number), number) as run:
                run.start()
                run.wait_new_rows(20)
                time.sleep(chance.uniform(0.0, 0.8))
                must = set(run.stored())
                _spoil(run.folder / "samples.csv", how)
                if killed:
                    whole += _killed_meanwhile(run, chance, must)
                else:
                    run.wait_said("while recording; ")
                    time.sleep(chance.uniform(0.0, 0.5))
                run.end()
                told = any(words in run.said() for words in TOLD)
                if not told:
                    silent.append(how)
                    wrong += not killed or how not in SHORTER
                tally.add(run.verdict(must, unbroken=not killed), told=told)
    note = f"{whole} of {count // 2} killed meanwhile were read whole before they went on"
    if silent:
        note += f"; made whole in silence: {', '.join(silent)}"
    row = tally.row("samples.csv in another program's hands", '"samples.csv was ... while recording; ... nothing is lost"', note)  # fmt: skip
    return replace(row, wrong=wrong)


def _killed_meanwhile(run: Bench, chance: random.Random, must: set[Key]) -> bool:
    """Kill the logger soon after, and take the run up again; whether it could be read whole in between."""
    time.sleep(chance.choice((0.0, chance.uniform(0.0, 1.0))))
    must |= set(run.stored())
    run.kill()
    whole = run.check()["rows_used"]["value"] >= len(must)
    run.start()
    run.wait_new_rows()
    return bool(whole)
