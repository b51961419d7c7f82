"""Do the intervals of an INA228's runs hold? Boards drawn from its data sheet, as for the other two chips.

Its figures (tests/SOURCES.md C25) are from memory, the tool's too: this judges what is made of them, not the figures.
"""

import pytest

from tests.benchmarks.measurement_judge.cases import STATES
from tests.benchmarks.measurement_judge.score import QUANTITIES
from tests.benchmarks.measurement_judge.table import table_of
from tests.benchmarks.test_measurement_holds import LAW, tally


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("kind", ["constant", "modes"])
def test_intervals_of_an_ina228_hold(kind: str) -> None:
    *_, (boards, cells) = tally("INA228", kind)
    print(f"\n\n{table_of(f'INA228, {kind}, {boards} boards, {LAW.value}', cells)}")
    missed = [
        f"{state}, {name}: {cells[state, name].text()}"
        for state in STATES
        for name in QUANTITIES
        if "too narrow" in cells[state, name].faults
    ]
    assert not missed, "\n".join(missed)
