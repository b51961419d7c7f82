"""How often the tool's 95 % intervals hold where boards are as their data sheets say, and how wide they are.

``python -m pytest tests/benchmarks/test_measurement_holds.py -s`` prints the table with 20 boards a cell;
``MEASUREMENT_BOARDS=300`` is the full setting, ``MEASUREMENT_LAW=typical`` the other law of ``errors``,
``MEASUREMENT_LOADS="pwm,burst"`` some loads only.
Each cell: share of intervals that held, x their median width over the ideal one.
"""

import os
from collections import defaultdict

import pytest

from tests.benchmarks import measurement_adapter
from tests.benchmarks.measurement_judge.cases import CHIPS, LOADS, STATES, draw_case
from tests.benchmarks.measurement_judge.oracle import ideal_widths, population
from tests.benchmarks.measurement_judge.score import QUANTITIES, Cell
from tests.support.datasheet_boards.errors import Law
from tests.support.datasheet_boards.truth import Truth

BOARDS = int(os.environ.get("MEASUREMENT_BOARDS", "20"))
LAW = Law(os.environ.get("MEASUREMENT_LAW", "limits"))
CHOSEN = tuple(os.environ.get("MEASUREMENT_LOADS", ",".join(LOADS)).split(","))


def true_values(truth: Truth) -> dict[str, float | None]:
    return {
        "charge": truth.charge_mah,
        "energy": truth.energy_mwh,
        "mean": truth.mean_ma,
        "peak": truth.peak_ma,
        "cutoff": truth.cutoff_s,
        **{f"p{percent:g}": value for percent, value in truth.percentiles_ma.items()},
    }


def tally(chip: str, kind: str) -> dict[tuple[str, str], Cell]:
    """Cells by state and quantity."""
    people = population(chip, LAW)
    cells: dict[tuple[str, str], Cell] = defaultdict(Cell)
    for seed in range(BOARDS):
        case = draw_case(chip, kind, LAW, seed)
        for state in STATES:
            said = measurement_adapter.ask(case, state)
            ideal = ideal_widths(case, people, state)
            for name, true in true_values(case.truth).items():
                if true is not None:
                    cells[state, name].add(said.get(name), true, ideal.get(name))
    return cells


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("kind", CHOSEN)
@pytest.mark.parametrize("chip", CHIPS)
def test_intervals_hold_and_are_no_wider_than_need_be(chip: str, kind: str) -> None:
    cells = tally(chip, kind)
    print(f"\n\n{chip}, {kind}, {BOARDS} boards, {LAW.value}\n| state | {' | '.join(QUANTITIES)} |")
    print(f"|---|{'---|' * len(QUANTITIES)}")
    for state in STATES:
        print(f"| {state} | {' | '.join(cells[state, name].text() for name in QUANTITIES)} |")
    missed = [
        f"{state}, {name}: {cells[state, name].text()} ({', '.join(cells[state, name].faults)})"
        for state in STATES
        for name in QUANTITIES
        if cells[state, name].faults
    ]
    assert not missed, "\n".join(missed)
