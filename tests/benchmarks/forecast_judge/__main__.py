"""The rivals' own figures on all material: `python -m tests.benchmarks.forecast_judge [EACH]`."""

import sys

import numpy as np

from . import curves, measured
from .score import Forecast, judge, scores, table


def main(each: int) -> None:
    """Print the table with no forecast in it: what is to be beaten."""
    material = [*measured.rundowns(2), *curves.draw(np.random.default_rng(16), each)]
    print(table(scores(judge(material, lambda seen: Forecast()))))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
