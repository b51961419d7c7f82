"""One command, the whole matrix: ``python -m tests.benchmarks.import_judge [--settled] [--faults] [--seed N]``.

Three sets of kinds: the open half, the sealed half, and a second sealed set; whoever wrote the import saw only the
first. ``--settled``: what is asked is answered as well. ``--faults``: each file that is not right. ``--seed``: other files.
"""

import sys
import tempfile
from pathlib import Path

from tests.benchmarks.import_judge import open_kinds, sealed_kinds, second_kinds
from tests.benchmarks.import_judge.draft import cases_of
from tests.benchmarks.import_judge.score import faults, judge_all, table
from tests.benchmarks.import_judge.settling import options_of


def main(words: list[str]) -> None:
    from tests.benchmarks.import_adapter import read_case

    sets = {"open half": open_kinds, "sealed half": sealed_kinds, "second sealed set": second_kinds}
    seed = int(words[words.index("--seed") + 1]) if "--seed" in words else 0
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "one"
        for name, kinds in sets.items():
            cases = cases_of(kinds.KINDS, seed)
            judged = judge_all(cases, lambda case: read_case(case, place))
            print(f"{name}\n{table(judged)}\n")
            if "--faults" in words:
                print(faults(judged) + "\n")
            if "--settled" in words:
                told = [case for case in cases if options_of(case) is not None]
                settled = judge_all(
                    told, lambda case: read_case(case, place, *options_of(case) or ()), settled=True
                )
                print(f"{name}, told what it asked\n{table(settled)}\n{faults(settled)}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
