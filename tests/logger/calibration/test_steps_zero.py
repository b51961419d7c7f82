"""The zero: with the pack on it holds there; one taken without keeps its larger doubt. Boards from the data sheets alone."""

from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from analysis.doubt.limits import limits_of
from analysis.doubt.uncertainty import budget, combined
from logger.base.errors import BenchError
from logger.board.port import Candidate, Found, Link
from logger.board.stream import Hello
from logger.board.wiring_sense import Row
from logger.calibration.steps import (
    Accuracy,
    Reading,
    Step,
    calibrate,
    check_zero,
    reading_of,
    sheet_of,
)
from logger.run.calibration import Calibration, calibration_from_json
from tests.support.datasheet_boards.bench import reading
from tests.support.datasheet_boards.errors import Boards, Law, draw_boards
from tests.support.datasheet_boards.packs import ALKALINE, Pack
from tests.support.runs_by_formula import BOARD, INA219

PACK = Pack(ALKALINE, 2.5, 0.25, 0.05, 0.0, 30.0)


def found_of(board: Boards) -> Found:
    hello = Hello(1, "1.0.0", "7F3A91C2", 1, 0, 100_000, sensor=board.sheet.kind, shunt_ohm=board.shunt_ohm, range_ma=board.range_ma)  # fmt: skip
    return Found(Candidate("simulated"), cast(Link, None), hello)


def read(board: Boards, pack: Pack | None, current_a: float, seed: int) -> Reading:
    windows, _ = reading(board, pack, current_a, np.random.default_rng(seed))
    columns = [getattr(windows, name) for name in Row._fields]
    rows = [Row(*map(float, row)) for row in zip(*columns, strict=True)]
    return reading_of(rows, *sheet_of(found_of(board)))


def zero_of(board: Boards, pack: Pack | None, seed: int) -> Calibration:
    return calibrate(
        [Step(read(board, pack, 0.0, seed), true_ma=0.0)],
        Accuracy(0.01, 0.005),
        found_of(board),
        done_utc="2026-01-01T00:00:00+00:00",
        temperature_c=None,
        method="",
    )


def doubt_ma(kept: Calibration) -> float:
    """Standard uncertainty of a milliampere in a run of the vest's pack."""
    limits = limits_of(replace(BOARD, sensor=INA219, calibration=replace(kept, usb_serial="")))
    assert limits is not None
    assert limits.current_line is not None
    return combined(budget(limits.at_voltage(4.2), 1.0, per_ma=1.0))


@pytest.mark.slow
def test_a_zero_with_the_pack_on_reads_a_milliampere_to_a_few_percent() -> None:
    boards = draw_boards("INA219", Law.LIMITS, np.random.default_rng(3), 40)
    on: list[float] = []
    off: list[float] = []
    for number in range(40):
        board = boards.one(number)
        mean_ma = read(board, PACK, 1e-3, number).current_ma
        for pack, errors in ((PACK, on), (None, off)):
            line = zero_of(board, pack, 100 + number).current
            assert line is not None
            errors.append(abs(mean_ma - line.zero - 1.0))
    # Common mode and pin current alone make up to 0.45 mA of a zero without the pack.
    assert np.quantile(on, 0.95) < 0.05
    assert np.quantile(off, 0.95) > 0.2


def test_the_doubt_says_so() -> None:
    board = draw_boards("INA219", Law.LIMITS, np.random.default_rng(3), 1)
    with_pack, without = zero_of(board, PACK, 1), zero_of(board, None, 1)
    assert with_pack.zero_v == pytest.approx(4.6, abs=0.3)
    assert without.zero_v == 0.0
    assert doubt_ma(without) > 5 * doubt_ma(with_pack)
    # 100 dB over 4.2 V and pins of at most 35 uA x 1.75: rectangular (JCGM 100, 4.3.7).
    expected = np.hypot(0.42, 1.75 * (0.020 + 4.2 / 320)) / np.sqrt(3)
    assert doubt_ma(without) == pytest.approx(expected, rel=0.1)


def test_calibrations_from_before_load_and_count_as_taken_without_the_pack() -> None:
    board = draw_boards("INA219", Law.LIMITS, np.random.default_rng(3), 1)
    kept = zero_of(board, PACK, 1).as_json()
    old = calibration_from_json({key: value for key, value in kept.items() if key != "zero_v"})
    assert old is not None
    assert old.zero_v is None
    assert doubt_ma(old) > 0.2
    again = calibration_from_json(kept)
    assert again is not None
    assert again.zero_v == kept["zero_v"]


def test_a_load_that_draws_is_no_zero() -> None:
    board = draw_boards("INA219", Law.LIMITS, np.random.default_rng(3), 1)
    with pytest.raises(BenchError) as refused:
        check_zero(read(board, PACK, 0.02, 1), found_of(board))
    assert "unplug the load" in refused.value.next_step
