"""Do the intervals of an INA228's runs hold? Boards drawn from its data sheet, as for the other two chips."""

import pytest

from tests.benchmarks.measurement_judge.cases import STATES
from tests.benchmarks.measurement_judge.score import QUANTITIES
from tests.benchmarks.test_measurement_holds import BOARDS, LAW, tally


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("kind", ["constant", "modes"])
def test_intervals_of_an_ina228_hold(kind: str) -> None:
    cells = tally("INA228", kind)
    print(f"\n\nINA228, {kind}, {BOARDS} boards, {LAW.value}\n| state | {' | '.join(QUANTITIES)} |")
    print(f"|---|{'---|' * len(QUANTITIES)}")
    for state in STATES:
        print(f"| {state} | {' | '.join(cells[state, name].text() for name in QUANTITIES)} |")
    missed = [
        f"{state}, {name}: {cells[state, name].text()}"
        for state in STATES
        for name in QUANTITIES
        if "too narrow" in cells[state, name].faults
    ]
    assert not missed, "\n".join(missed)
