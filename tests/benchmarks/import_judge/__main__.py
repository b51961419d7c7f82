"""One command, the whole matrix: ``python -m tests.benchmarks.import_judge [--sealed] [--settled] [--faults]``."""

import sys
import tempfile
from importlib import import_module
from pathlib import Path

from tests.benchmarks.import_judge.draft import cases_of
from tests.benchmarks.import_judge.open_kinds import KINDS
from tests.benchmarks.import_judge.score import faults, judge_all, table
from tests.benchmarks.import_judge.settling import options_of


def main(words: list[str]) -> None:
    from tests.benchmarks.import_adapter import read_case

    halves = {"open": KINDS}
    if "--sealed" in words:
        halves["sealed"] = import_module("tests.benchmarks.import_judge.sealed_kinds").KINDS
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "one"
        for name, kinds in halves.items():
            cases = cases_of(kinds)
            judged = judge_all(cases, lambda case: read_case(case, place))
            print(f"{name} half\n{table(judged)}\n")
            if "--faults" in words:
                print(faults(judged) + "\n")
            if "--settled" in words:
                told = [case for case in cases if options_of(case) is not None]
                settled = judge_all(
                    told, lambda case: read_case(case, place, *options_of(case) or ()), settled=True
                )
                print(f"{name} half, told what it asked\n{table(settled)}\n{faults(settled)}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
