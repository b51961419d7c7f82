"""What people type, and what becomes of it: ``python -m tests.benchmarks.typed_judge [--sealed SEED] [--every] [--commands]``.

Without a seed the open set: over 800 things in more than ten languages' habits, each with what it could mean written beside it, and misspelt
commands and options. With one, the sealed set: the same truths in spellings drawn by it. ``--every``: all lines. Exit code 1 if
anything was understood silently wrong.
"""

import argparse
import sys

from tests.benchmarks.typed_judge import commands, open_set, sealed_set
from tests.benchmarks.typed_judge.asking import asker
from tests.benchmarks.typed_judge.score import judge_all, lines, silent, table


def main() -> int:
    from tests.benchmarks.command_line_adapter import run
    from tests.benchmarks.typed_adapter import amount, answer, pack, time_s

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sealed", type=int, metavar="SEED")
    parser.add_argument("--every", action="store_true")
    asked = parser.parse_args()
    seed = asked.sealed
    typed = open_set.typed() if seed is None else sealed_set.typed(seed)
    words = commands.typed() if seed is None else commands.slips(seed)
    judged = judge_all(typed, asker(time_s, pack, amount, answer))
    judged += judge_all(words, commands.suggested(run))
    print(lines(judged, every=asked.every))
    print(table(judged))
    return int(bool(silent(judged)))


if __name__ == "__main__":
    sys.exit(main())
