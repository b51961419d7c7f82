"""What the probe resolves, from 10 uA to 3 A: the table of the README, measured on boards from the data sheets alone.

Run with ``python -m pytest tests/benchmarks/test_probe_resolution.py -s``; it prints Markdown, and fails where the
README says something else. Every board's errors are drawn from all of the data sheets' limits
(``tests/support/datasheet_boards``); each figure is the error that 95 of 100 boards stay under, from a reading
of ten seconds at up to 5 degrees beside the calibration. The zero is taken as ``drawbench calibrate`` asks:
pack on, load unplugged.
"""

import math
from dataclasses import dataclass
from typing import Final, cast

import numpy as np
import pytest

from logger.board.port import Candidate, Found, Link
from logger.board.stream import Hello
from logger.board.wiring_sense import Row
from logger.calibration.steps import Accuracy, Reading, Step, calibrate, reading_of, sheet_of
from logger.run.calibration import Line
from tests.support.datasheet_boards.bench import reading
from tests.support.datasheet_boards.errors import Boards, Law, draw_boards
from tests.support.datasheet_boards.packs import ALKALINE, Pack
from tests.support.places import ROOT

CHIPS: Final = 60
CURRENTS_A: Final = (10e-6, 30e-6, 100e-6, 300e-6, 1e-3, 3e-3, 10e-3, 30e-3, 0.1, 0.3, 1.0, 3.0)
POINTS_A: Final = (0.05, 0.6)
METER: Final = 0.001
APART_C: Final = 5.0
PACK: Final = Pack(ALKALINE, 2.5, 0.25, 0.05, 0.0, 30.0)
HEADER: Final = "| current | INA219 as bought | zero done | calibrated | INA226 as bought | zero done | calibrated |"


@dataclass(frozen=True)
class Errors:
    """Shares of the true current that 95 of 100 boards stay under; None: beyond the range."""

    as_bought: float | None
    zeroed: float | None
    calibrated: float | None


def found_of(board: Boards) -> Found:
    hello = Hello(1, "1.0.0", "7F3A91C2", 1, 0, 100_000, sensor=board.sheet.kind, shunt_ohm=board.shunt_ohm, range_ma=board.range_ma)  # fmt: skip
    return Found(Candidate("simulated"), cast(Link, None), hello)


def read(board: Boards, current_a: float, rng: np.random.Generator) -> Reading:
    windows, _ = reading(board, PACK, current_a, rng)
    columns = [getattr(windows, name) for name in Row._fields]
    rows = [Row(*map(float, row)) for row in zip(*columns, strict=True)]
    return reading_of(rows, *sheet_of(found_of(board)))


def line_of(board: Boards, steps: list[Step]) -> Line:
    kept = calibrate(
        steps,
        Accuracy(METER, METER),
        found_of(board),
        done_utc="2027-01-01T00:00:00+00:00",
        temperature_c=None,
        method="",
    )
    assert kept.current is not None
    return kept.current


def lines_of(bench: Boards, rng: np.random.Generator) -> tuple[Line, Line]:
    """Zero alone, and zero with two currents beside a meter within 0.1 %."""
    zero = Step(read(bench, 0.0, rng), true_ma=0.0)
    meter = 1 + rng.uniform(-METER, METER)
    points = [
        Step(read(bench, amps, rng), true_ma=1e3 * amps * meter, limit_ma=METER)
        for amps in POINTS_A
    ]
    return line_of(bench, [zero]), line_of(bench, [zero, *points])


def measured(kind: str) -> dict[float, Errors]:
    boards = draw_boards(kind, Law.LIMITS, np.random.default_rng(5), CHIPS)
    shares: dict[float, list[list[float]]] = {amps: [] for amps in CURRENTS_A}
    for number in range(CHIPS):
        rng = np.random.default_rng([number, 99])
        board = boards.one(number)
        bench = board.at(board.temperature_c + rng.uniform(-APART_C, APART_C, 1))
        lines = (Line(), *lines_of(bench, rng))
        for amps in CURRENTS_A:
            if 1e3 * amps <= board.range_ma:
                read_ma = read(board, amps, rng).current_ma
                true_ma = 1e3 * amps
                shares[amps].append([abs(line.factor * (read_ma - line.zero) / true_ma - 1) for line in lines])  # fmt: skip
    return {
        amps: Errors(*map(float, np.quantile(np.array(rows), 0.95, axis=0))) if rows else Errors(None, None, None)
        for amps, rows in shares.items()
    }  # fmt: skip


def current_words(current_a: float) -> str:
    for scale, unit in ((1e-6, "µA"), (1e-3, "mA"), (1.0, "A")):
        if current_a < 999 * scale:
            return f"{current_a / scale:.3g} {unit}"
    return f"{current_a:g} A"


def cell(share: float | None) -> str:
    """Percent to two digits; an error as great as the current is no reading."""
    if share is None:
        return "beyond its range"
    if share >= 1:
        return "lost in the zero"
    digits = max(0, 1 - math.floor(math.log10(100 * share)))
    return f"± {100 * share:.{digits}f} %"


def table(tables: dict[str, dict[float, Errors]]) -> list[str]:
    """Lines of the table in Markdown."""
    rows = [HEADER, "|---|---|---|---|---|---|---|"]
    for amps in CURRENTS_A:
        cells = [
            cell(share)
            for errors in (tables["INA219"][amps], tables["INA226"][amps])
            for share in (errors.as_bought, errors.zeroed, errors.calibrated)
        ]
        rows.append(f"| {current_words(amps)} | {' | '.join(cells)} |")
    return rows


@pytest.mark.timeout(1200)
def test_what_the_probe_resolves() -> None:
    tables = {kind: measured(kind) for kind in ("INA219", "INA226")}
    rows = table(tables)
    print("\n\n" + "\n".join(rows))
    at = tables["INA219"][0.3]
    assert at.as_bought is not None
    assert at.calibrated is not None
    assert at.calibrated < at.as_bought / 5
    readme = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    begin = readme.index(HEADER)
    assert readme[begin : begin + len(rows)] == rows
