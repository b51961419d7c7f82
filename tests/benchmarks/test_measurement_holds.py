"""How often the tool's 95 % intervals hold where boards are as their data sheets say, and how wide they are.

``python -m pytest tests/benchmarks/test_measurement_holds.py -s`` prints the table with 20 boards a cell;
``MEASUREMENT_BOARDS=300`` is the full setting, ``MEASUREMENT_LAW=typical`` the other law of ``errors``
(there only holding counts: from limits alone nobody can know how much better most chips are),
``MEASUREMENT_LOADS="pwm,burst"`` some loads only, ``MEASUREMENT_KEPT=FOLDER`` keeps the boards for the next sitting.
``MEASUREMENT_TABLE=FOLDER`` keeps the table there while it grows (also with ``-n 2``, and when it is stopped): 300 boards
take two idle cores a quarter of an hour. With ``MALLOC_MMAP_THRESHOLD_=2147483648 MALLOC_TRIM_THRESHOLD_=8589934592`` glibc
gives no memory back in between, which makes a board five times as fast.
Each cell: share of intervals that held, x their median width over the ideal one.
"""

import os
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks import measurement_adapter
from tests.benchmarks.measurement_judge.cases import (
    BEYOND,
    CHIPS,
    LOADS,
    STATES,
    draw_beyond,
    within_range_mah,
)
from tests.benchmarks.measurement_judge.foreign import foreign_run
from tests.benchmarks.measurement_judge.kept import case_of
from tests.benchmarks.measurement_judge.oracle import population
from tests.benchmarks.measurement_judge.score import QUANTITIES, Cell
from tests.benchmarks.measurement_judge.table import keep_table, table_of
from tests.support.datasheet_boards.errors import Law
from tests.support.datasheet_boards.truth import Truth

BOARDS = int(os.environ.get("MEASUREMENT_BOARDS", "20"))
# Steady loads are cheap to read, so more of them by default.
METERS = max(BOARDS, 40)
LAW = Law(os.environ.get("MEASUREMENT_LAW", "limits"))
TABLE = os.environ.get("MEASUREMENT_TABLE")
CHOSEN = tuple(os.environ.get("MEASUREMENT_LOADS", ",".join(LOADS)).split(","))
# A bound that vouches for less of what was within the range is no bound worth saying.
BOUND_LEAST = 0.95


def true_values(truth: Truth) -> dict[str, float | None]:
    return {
        "charge": truth.charge_mah,
        "energy": truth.energy_mwh,
        "mean": truth.mean_ma,
        "peak": truth.peak_ma,
        "cutoff": truth.cutoff_s,
        **{f"p{percent:g}": value for percent, value in truth.percentiles_ma.items()},
    }


Cells = dict[tuple[str, str], Cell]
# Boards from one writing of the table to the next.
PART = 10


def tally(chip: str, kind: str) -> Iterator[tuple[int, Cells]]:
    """Boards so far and their cells by state and quantity, after every tenth board and the last."""
    people = population(chip, LAW)
    cells: Cells = defaultdict(lambda: Cell(width_counts=LAW is Law.LIMITS))
    for seed in range(BOARDS):
        case, ideal = case_of(chip, kind, LAW, seed, people)
        for state in STATES:
            said = measurement_adapter.ask(case, state)
            for name, true in true_values(case.truth).items():
                if true is not None:
                    best = ideal.get(state, {}).get(name)
                    cells[state, name].add(said.get(name), true, best)
        if (seed + 1) % PART == 0 or seed + 1 == BOARDS:
            yield seed + 1, cells


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("kind", CHOSEN)
@pytest.mark.parametrize("chip", CHIPS)
def test_intervals_hold_and_are_no_wider_than_need_be(chip: str, kind: str) -> None:
    cells: Cells = {}
    text = ""
    for boards, cells in tally(chip, kind):
        text = table_of(f"{chip}, {kind}, {boards} of {BOARDS} boards, {LAW.value}", cells)
        if TABLE is not None:
            keep_table(Path(TABLE), chip, kind, text)
    print(f"\n\n{text}")
    missed = [
        f"{state}, {name}: {cells[state, name].text()} ({', '.join(cells[state, name].faults)})"
        for state in STATES
        for name in QUANTITIES
        if cells[state, name].faults
    ]
    assert not missed, "\n".join(missed)


def test_another_meters_run_holds_by_its_manual(tmp_path: Path) -> None:
    """``import --accuracy`` of a meter within what its manual states."""
    cells: dict[str, Cell] = defaultdict(Cell)
    for seed in range(METERS):
        folder = tmp_path / str(seed)
        folder.mkdir()
        run = foreign_run(seed)
        said = measurement_adapter.ask_foreign(run, folder)
        for name, true in run.true.items():
            cells[name].add(said.get(name), true, run.ideal[name])
    print(
        f"\n\nanother meter, {METERS} runs: {', '.join(f'{n} {c.text()}' for n, c in cells.items())}"
    )
    missed = [f"{name}: {cell.text()} {cell.faults}" for name, cell in cells.items() if cell.faults]
    assert not missed, "\n".join(missed)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("kind", BEYOND)
def test_what_is_beyond_the_range_is_a_bound(kind: str, seed: int) -> None:
    """At least so much, never a value with an interval; and not so little that it says nothing."""
    case = draw_beyond(kind, seed)
    truth = true_values(case.truth)
    said, words = measurement_adapter.ask_beyond(case)
    concerned = ("energy",) if kind == "voltage" else ("charge", "energy", "mean", "peak")
    for name in concerned:
        true = truth[name]
        assert true is not None
        assert said[name].upper is None, f"{name} has an upper end: {said[name]}, true {true:.4g}"
        assert said[name].lower is not None, f"nothing is said of {name}"
        assert said[name].holds(true), f"{name}: at least {said[name].lower}, true {true:.4g}"
    # What was within the range is vouched for; beyond the bus range that is all of the current.
    least_mah = BOUND_LEAST * within_range_mah(case)
    assert said["charge"].holds(case.truth.charge_mah)
    assert (said["charge"].lower or 0.0) >= least_mah
    assert (said["mean"].lower or 0.0) >= least_mah * 3600 / case.truth.duration_s
    assert "range" in words or "see" in words, words
