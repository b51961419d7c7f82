"""Verdicts on joints against the judge, printed as a table: how often "shown" is wrong, how often it is found.

``python -m pytest tests/benchmarks/test_joints_verdicts.py -s``; ``JOINTS_REPEATS`` tests a cell (default 40; the
issue's figure is 2000), ``JOINTS_SIZES`` and ``JOINTS_KINDS`` (``;`` between) for a part, ``JOINTS_CORES`` processes. Figures of the
state before (commit 6d467f3) are in ``joints_before.json``: the same cells, streams and judge.
"""

import json
import os
import time
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import pytest

from tests.benchmarks.joints_adapter import ask
from tests.benchmarks.joints_judge.generators import KINDS, SIZES, Case, cases
from tests.benchmarks.joints_judge.score import (
    Before,
    Finding,
    Share,
    Tally,
    as_lines,
    as_text,
    cell_name,
    findings,
    has_power_goal,
    play,
    power_loss,
)

REPEATS: Final = int(os.environ.get("JOINTS_REPEATS", "40"))
TOLD: Final = tuple(int(size) for size in os.environ.get("JOINTS_SIZES", "5,24").split(","))
CORES: Final = int(os.environ.get("JOINTS_CORES", "1"))
CHOSEN: Final = tuple(filter(None, os.environ.get("JOINTS_KINDS", "").split(";"))) or tuple(KINDS)
BEFORE: Final = Path(__file__).with_name("joints_before.json")
# A goal missed by less than this many standard errors wants more repeats before anyone is blamed.
NOISE_SE: Final = 3.0
SAFE: Final = (
    "shown wrongly",
    "refuted wrongly",
    "more said to be vain",
    "false winner",
    "verdict at > 100 fold",
)


def played_one(case: Case) -> tuple[Case, Tally, float]:
    began = time.process_time()
    tally = play(case, ask, REPEATS)
    return case, tally, time.process_time() - began


@lru_cache(maxsize=1)
def played() -> tuple[tuple[Case, Tally], ...]:
    sizes = [size for size in SIZES if size in TOLD]
    every = list(cases(CHOSEN, sizes))
    if CORES > 1:
        with ProcessPoolExecutor(CORES) as pool:
            found = list(pool.map(played_one, every, chunksize=1))
    else:
        found = [played_one(case) for case in every]
    print(f"\n{len(every)} cells of {REPEATS} tests: {sum(s for *_, s in found):.0f} s of one core")
    return tuple((case, tally) for case, tally, _ in found)


def power_findings() -> list[Finding]:
    """Power against the state before, where the judge asks for it and it was measured."""
    known: dict[str, Any] = json.loads(BEFORE.read_text(encoding="utf-8"))
    found = []
    for case, tally in played():
        if has_power_goal(case) and (old := known.get(cell_name(case))):
            earlier = Before("before", Share(*old["shown_where_true"]))
            found.append(power_loss(tally, earlier))
    return found


@pytest.mark.timeout(0)
def test_table() -> None:
    """The whole table and every goal that was missed."""
    told = [item for _, tally in played() for item in findings(tally)] + power_findings()
    print("\n" + as_text([tally for _, tally in played()]))
    print(f"\n{REPEATS} tests a cell. Missed:\n{as_lines(told) or 'nothing'}")
    assert played()


@pytest.mark.timeout(0)
def test_no_verdict_is_bolder_than_what_was_shown() -> None:
    """Beyond the noise of so many repeats no cell is wrong too often, and what must be warned of is."""
    bold = [
        item
        for _, tally in played()
        for item in findings(tally)
        if item.met == "missed"
        and (
            (item.goal in SAFE and (item.by_se is None or item.by_se > NOISE_SE))
            or item.goal.startswith("not warned")
        )
    ]
    assert as_lines(bold) == ""
