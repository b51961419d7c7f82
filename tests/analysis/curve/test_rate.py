"""Rate, temperature, pauses, against published tables and worked numbers."""

import numpy as np
import pytest

from analysis.curve.rate import (
    fit_rate,
    peukert_plain_h,
    peukert_rated_h,
    runtime_at_draw,
    runtime_in_cold,
    runtime_with_pauses,
)

# A cell supplier's published bench table (PowerStream, "Discharge tests of AA batteries", 2006-2020):
# Ah down to 0.1 V at 0.1, 0.5, 1, 2 A; log-log exponents of runtime.
AA_CELLS = {
    "A": ((0.1, 0.5, 1.0, 2.0), (2.13, 1.31, 0.98, 0.72), 1.36),
    "B": ((0.1, 0.5, 1.0, 2.0), (2.20, 1.30, 0.83, 0.54), 1.46),
    "C": ((0.5, 1.0, 2.0), (1.17, 0.93, 0.70), 1.37),
    "D": ((0.5, 1.0, 2.0), (1.28, 0.95, 0.78), 1.36),
    "E": ((0.5, 1.0, 2.0), (1.84, 1.41, 1.18), 1.32),
}


@pytest.mark.parametrize("cell", list(AA_CELLS))
def test_exponents_of_aa_cells(cell: str) -> None:
    currents, capacities, exponent = AA_CELLS[cell]
    fit = fit_rate(currents, [ah / a for ah, a in zip(capacities, currents, strict=True)])
    assert fit.exponent.value == pytest.approx(exponent, abs=0.006)
    assert fit.exponent.lower is not None
    assert fit.exponent.lower < exponent < (fit.exponent.upper or 0)


@pytest.mark.parametrize("cell", ["A", "B"])
@pytest.mark.parametrize("left_out", [1, 2])
def test_left_out_rate_is_interpolated(cell: str, left_out: int) -> None:
    currents, capacities, _ = AA_CELLS[cell]
    hours = [ah / a for ah, a in zip(capacities, currents, strict=True)]
    kept = [k for k in range(4) if k != left_out]
    fit = fit_rate([currents[k] for k in kept], [hours[k] for k in kept])
    found = fit.hours_at(currents[left_out])
    assert found.value == pytest.approx(hours[left_out], rel=0.2)
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < hours[left_out] < found.upper


def test_both_forms_of_peukert() -> None:
    # Peukert 1897, worked: 100 Ah, 5 A, k 1.2; and rated over 20 h, 10 A
    assert peukert_plain_h(100, 5, 1.2) == pytest.approx(14.4956, abs=1e-4)
    assert peukert_rated_h(100, 20, 10, 1.2) == pytest.approx(8.7055, abs=1e-4)


def test_two_runs_give_an_exponent_without_interval() -> None:
    fit = fit_rate([0.1, 0.4], [20.0, 3.4])
    assert fit.exponent.value == pytest.approx(np.log(20 / 3.4) / np.log(4))
    assert fit.exponent.lower is None
    assert fit.hours_at(0.1).value == pytest.approx(20.0)


def test_equal_draws_are_refused() -> None:
    with pytest.raises(ValueError, match="different draws"):
        fit_rate([0.1, 0.1], [20.0, 21.0])


def test_runtime_at_another_draw_covers_the_table() -> None:
    # cell A of the same table, from its 0.5 A run alone
    found = runtime_at_draw(1.31 / 0.5, 500, 1000, "alkaline")
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < 0.98 < found.upper


def test_cold_and_pauses_are_bounds_not_measurements() -> None:
    cold = runtime_in_cold(10.0, 0.0, "alkaline")
    assert cold.upper is not None
    assert cold.upper < 10
    assert "not measured" in cold.note
    assert runtime_in_cold(10.0, 20.0, "alkaline").value == pytest.approx(10.0)
    with pytest.raises(ValueError, match="0 and 20"):
        runtime_in_cold(10.0, -10.0, "alkaline")
    paused = runtime_with_pauses(10.0, "alkaline")
    assert paused.lower == pytest.approx(10.0)
