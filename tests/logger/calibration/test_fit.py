"""Calibrations: fitted, kept, chosen, applied to raw readings, refused where they do not fit."""

import json
import math
from collections import deque
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from analysis.doubt.correction import correction_of
from analysis.run.rundown import rundown
from analysis.run.trace import trace_of
from logger.base.errors import BenchError
from logger.base.fault_words import RANGE_CHANGED
from logger.board.port import Candidate, Found, Link
from logger.board.stream import Hello, LineDecoder
from logger.calibration.fit import Compared, Prior, fit_line
from logger.calibration.steps import load_steps, read_board
from logger.calibration.store import add, choose, load
from logger.run.calibration import Calibration, Line, calibration_from_json
from logger.run.description import Board, Description, Event, from_document, to_document
from logger.run.reader import Run
from tests.support.line_feeder import FeederBoard
from tests.support.runs_by_formula import INA219, board_run

LINE = Line(zero=1.5, factor=1.01, zero_standard=0.01, factor_standard=0.0005, high=400.0, points=2)
VOLTS = Line(zero=0.01, factor=0.998, zero_standard=0.001, factor_standard=0.0002, points=2)
DONE = Calibration(
    board="7F3A91C2",
    sensor="INA219",
    shunt_ohm=0.1,
    range_ma=3200.0,
    done_utc="2026-01-05T12:00:00+00:00",
    usb_serial="A1",
    temperature_c=21.0,
    method="zero; two currents",
    current=LINE,
    voltage=VOLTS,
)
PLACE: dict[str, Any] = {
    "board": "7F3A91C2",
    "usb_serial": "A1",
    "sensor": "INA219",
    "shunt_ohm": 0.1,
    "range_ma": 3200.0,
}


def test_straight_line_without_prior_knowledge() -> None:
    # Wide prior, equal weights: the ordinary least-squares line, numpy's own.
    true = np.array([10.0, 100.0, 200.0, 400.0])
    reading = 1.7 + 0.99 * true + np.array([0.03, -0.02, 0.01, -0.02])
    points = [Compared(r, t, 0.02) for r, t in zip(reading, true, strict=True)]
    line = fit_line(points, Prior(1e6, (1e3,)), 0.0)
    slope, zero = np.polyfit(true, reading, 1)
    assert line.zero == pytest.approx(zero, rel=1e-6)
    assert line.factor == pytest.approx(1 / slope, rel=1e-9)
    _, covariance = np.polyfit(true, reading, 1, w=np.full(4, 1 / 0.02), cov="unscaled")
    assert line.factor_standard == pytest.approx(math.sqrt(covariance[0, 0]) / slope, rel=1e-6)
    assert line.zero_standard == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-6)
    assert line.correlation == pytest.approx(
        covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]), rel=1e-6
    )


def test_error_of_the_reference_does_not_average_out() -> None:
    points = [Compared(t, t, 1e-6) for t in np.linspace(10, 400, 50)]
    zero = Compared(0.0, 0.0, 1e-6)
    line = fit_line(points, Prior(2.0, (0.005, 0.01)), 0.001, zero)
    assert abs(line.reference_factor) == pytest.approx(0.001 / math.sqrt(3), rel=0.02)
    # What is left is how far the data sheet pulls.
    assert line.factor_standard < 1e-4


def test_poor_reference_does_not_make_worse_than_the_data_sheet() -> None:
    line = fit_line([Compared(95.0, 100.0, 0.01)], Prior(2.0, (0.005, 0.01)), 0.1)
    doubt = math.hypot(line.factor_standard, line.reference_factor)
    assert doubt < math.hypot(0.005, 0.01) / math.sqrt(3)
    assert line.factor < 1.03


def test_zero_alone_leaves_the_gain_to_the_data_sheet() -> None:
    line = fit_line([], Prior(2.0, (0.005, 0.01)), 0.01, Compared(1.2, 0.0, 0.01))
    assert line.zero == pytest.approx(1.2, abs=1e-3)
    assert (line.factor, line.points) == (1.0, 0)


def test_calibration_comes_back_from_description_and_store(tmp_path: Path) -> None:
    described = Description(calibration=DONE, temperature_c=24.0, board_draw_ma=12.0)
    text = json.dumps(to_document(described, ["time_s", "current_ma"]))
    again, problems = from_document(json.loads(text))
    assert (again, problems) == (described, [])
    add(tmp_path / "new", DONE)
    add(tmp_path / "new", replace(DONE, done_utc="2026-02-05T12:00:00+00:00"))
    kept, told = load(tmp_path / "new", DONE.board)
    assert (kept[0], len(kept), told) == (DONE, 2, [])


@pytest.mark.parametrize(
    "damage",
    [
        {"current": {"factor": 0.0}},
        {"current": {"factor": "1"}},
        {"current": {"zero": float("inf")}},
        {"current": []},
        {"board": ""},
        {"board": 3},
        {"shunt_ohm": None},
        {"done_utc": "yesterday"},
        {"temperature_c": "warm"},
    ],
)
def test_damaged_calibrations_are_told_and_not_used(damage: dict[str, object]) -> None:
    assert calibration_from_json({**DONE.as_json(), **damage}) is None
    document = to_document(Description(calibration=DONE), [])
    own = document["urn:drawbench:run"]
    own["calibration"] = {**own["calibration"], **damage}
    described, problems = from_document(document)
    assert described.calibration is None
    assert any("calibration" in problem for problem in problems)


def test_damaged_store_is_told_and_put_aside(tmp_path: Path) -> None:
    (tmp_path / "7F3A91C2.json").write_text("{half")
    kept, told = load(tmp_path, DONE.board)
    assert kept == []
    assert "damaged" in told[0]
    add(tmp_path, DONE)
    assert load(tmp_path, DONE.board) == ([DONE], [])
    assert (tmp_path / "7F3A91C2.damaged.json").read_text() == "{half"


def test_a_store_that_is_no_file_is_told_in_words(tmp_path: Path) -> None:
    path = tmp_path / f"{DONE.board}.json"
    path.mkdir()
    words = f"the calibration file {path} cannot be read: {path.name} is a folder, not a file"
    assert load(tmp_path, DONE.board) == ([], [words])


def test_board_name_cannot_lead_out_of_the_folder(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="not usable for a file"):
        load(tmp_path, "../../etc/passwd")


def test_newest_that_fits_is_chosen_and_the_reason_given_where_none_does() -> None:
    newer = replace(DONE, done_utc="2026-03-01T00:00:00+00:00")
    other_range = replace(DONE, done_utc="2026-04-01T00:00:00+00:00", range_ma=400.0)
    assert choose([DONE, newer, other_range], **PLACE) == (newer, "")
    none, why = choose([other_range], **PLACE)
    assert none is None
    assert "another range" in why


def calibrated_run(**changes: Any) -> Run:
    """Readings of a board whose zero is 1.5 mA, whose current is 1 % low, whose voltage reads 0.2 % high."""
    true_ma, true_v = 100.0, 4.0
    description: dict[str, Any] = {
        # Ten hours beside the computer's clock.
        "clock": ((0.0, 0.0, ""), (36000.0, 36000.0, "")),
        "board": Board("7F3A91C2", 17, usb_serial="A1"),
        "calibration": DONE,
        "started_utc": "2026-01-10T18:00:00+00:00",
        **changes,
    }
    return board_run(
        lambda t: np.full_like(t, 0.01 + true_v / 0.998),
        lambda t: np.full_like(t, 1.5 + true_ma / 1.01),
        3600.0,
        10.0,
        **description,
    )


def test_raw_readings_become_the_true_ones() -> None:
    run = calibrated_run()
    raw = run.samples["current_ma"].iloc[0]
    result = rundown(run, None)
    assert raw == pytest.approx(1.5 + 100 / 1.01)
    assert result.mean_current.value == pytest.approx(100.0, rel=1e-9)
    assert result.charge.value == pytest.approx(100.0, rel=1e-9)
    assert result.energy.value == pytest.approx(400.0, rel=1e-9)
    assert result.first_voltage.value == pytest.approx(4.0)
    plain = rundown(replace(run, description=replace(run.description, calibration=None)), None)
    assert plain.charge.lower is not None
    assert result.charge.lower is not None
    assert plain.charge.value is not None
    assert result.charge.value is not None
    assert (result.charge.value - result.charge.lower) * 5 < plain.charge.value - plain.charge.lower


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"board": Board("11112222", 3)}, "for another board"),
        ({"board": Board("7F3A91C2", 17, usb_serial="B7")}, "USB serial number"),
        ({"sensor": replace(INA219, range_ma=400.0)}, "for another range"),
        ({"sensor": replace(INA219, shunt_ohm=0.01)}, "for another shunt"),
        ({"sensor": replace(INA219, kind="INA226")}, "for another sensor"),
        ({"events": (Event(5.0, "fault", f"{RANGE_CHANGED}: 3200.0"),)}, "changed its range"),
    ],
)
def test_calibration_that_does_not_fit_is_not_applied_and_told(
    changes: dict[str, object], said: str
) -> None:
    run = calibrated_run(**changes)
    trace = trace_of(run)
    assert not trace.calibrated
    assert trace.current_ma is not None
    assert trace.current_ma[0] == pytest.approx(1.5 + 100 / 1.01)
    warnings = rundown(run, None).warnings
    assert any(said in text and "not applied" in text for text in warnings)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"started_utc": "2027-06-01T00:00:00+00:00"}, "The calibration is old"),
        ({"temperature_c": 35.0}, "done at 21 °C, the run at 35 °C"),
        ({"calibration": replace(DONE, current=replace(LINE, high=20.0))}, "compared up to 20 mA"),
    ],
)
def test_calibration_with_a_caution_is_applied_and_told(
    changes: dict[str, object], said: str
) -> None:
    run = calibrated_run(**changes)
    assert trace_of(run).calibrated
    assert any(said in text for text in rundown(run, None).warnings)


def test_mark_that_reads_like_a_fault_changes_nothing() -> None:
    run = calibrated_run(events=(Event(5.0, "mark", RANGE_CHANGED),))
    assert not correction_of(run.description).range_changed


def test_report_names_the_calibration() -> None:
    from analysis.doubt.limits import limits_of

    limits = limits_of(calibrated_run().description)
    assert limits is not None
    words = " ".join(limits.assumptions)
    assert "Calibrated: zero; two currents (2026-01-05, board 7F3A91C2)" in words
    assert "Nothing was calibrated" not in words
    assert limits.shunt_gain == 0.0


def test_damaged_steps_are_an_error_with_a_next_step(tmp_path: Path) -> None:
    (tmp_path / "x.steps").write_text('[{"reading": 3}]')
    with pytest.raises(BenchError, match="cannot be read"):
        load_steps(tmp_path / "x.steps")
    assert load_steps(tmp_path / "none.steps") == []


class LateLink:
    """A board whose lines reach a busy computer late: those of 30 windows are always on their way."""

    def __init__(self, board: FeederBoard) -> None:
        self.board = board
        self.lines: deque[bytes] = deque()
        self.answers = True
        self.time_s = 0.0

    def write(self, data: bytes) -> None:
        answer = self.board.receive(data)
        if self.answers:
            self.lines.append(answer)

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        while self.board.running and len(self.lines) < 30:
            self.lines.append(self.board.window())
        return self.lines.popleft() if self.lines else b""


def late_board() -> tuple[LateLink, Found]:
    link = LateLink(FeederBoard())
    (hello,) = LineDecoder().feed(link.board.hello())
    assert isinstance(hello, Hello)
    return link, Found(Candidate("late"), cast(Link, link), hello)


def test_windows_that_come_late_are_not_of_the_next_reading() -> None:
    link, found = late_board()
    for current_ma in (0.0, 100.0, 400.0):
        link.board.current_e4 = round(current_ma * 1e4)  # while the board is stopped
        rows = read_board(found, 2.0, now=lambda: link.time_s)
        assert {row.current_ma for row in rows} == {current_ma}
        assert len(rows) == 20
        assert len(link.lines) > 20, "nothing was late"


def test_a_board_that_does_not_answer_start_is_told() -> None:
    link, found = late_board()
    link.answers = False
    with pytest.raises(BenchError, match="no answer to start for 5 s on late"):
        read_board(found, 2.0, now=lambda: link.time_s)
