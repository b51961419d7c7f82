"""Fourth sealed set of rundowns. Whoever works on the forecast does not read on, nor runs it.

    python -m tests.benchmarks.forecast_judge.fourth_seal SEED [EACH]

As the third, of kinds of its own; every rundown has a seed of its own (SEED, group, number).
"""

import sys
from collections.abc import Iterator

from .fourth_groups import GROUPS
from .rundown import Rundown
from .third_seal import one, print_table


def draw(seed: int, each: int) -> Iterator[Rundown]:
    """`each` rundowns of every group."""
    for group in GROUPS:
        for number in range(each):
            yield one(seed, group, number, GROUPS, "fourth")


if __name__ == "__main__":
    wanted = int(sys.argv[2]) if len(sys.argv) > 2 else 6
    print_table(draw(int(sys.argv[1]), wanted), wanted * len(GROUPS))
