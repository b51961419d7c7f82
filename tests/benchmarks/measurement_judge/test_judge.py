"""Ideal widths and score of the judge against closed forms: a judge that cannot fail is no judge."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.measurement_judge import kept
from tests.benchmarks.measurement_judge.cases import (
    METER_AT_A,
    Case,
    draw_beyond,
    draw_case,
    within_range_mah,
)
from tests.benchmarks.measurement_judge.oracle import (
    BOARDS,
    conversions_in_peak,
    ideal_widths,
    population,
    read_a,
    rounded_mean,
    sampling_spread,
    slope_v_per_s,
    width,
)
from tests.benchmarks.measurement_judge.score import Cell, Interval
from tests.benchmarks.measurement_judge.table import keep_table, table_of
from tests.support.datasheet_boards.bench import draw_meter
from tests.support.datasheet_boards.errors import Law
from tests.test_judges_apart import file_of, reached


def steady(chip: str = "INA226", seed: int = 0) -> Case:
    return draw_case(chip, "constant", Law.LIMITS, seed)


# Ideal widths.


def test_width_of_two_rectangles_is_that_of_their_trapezoid() -> None:
    """Limits a and b: the tail of the trapezoid beyond c is (a + b - c)^2 / (8 a b); 0.025 each side."""
    rng = np.random.default_rng(1)
    a, b = 0.01, 0.005
    error = rng.uniform(-a, a, BOARDS) + rng.uniform(-b, b, BOARDS)
    assert width(error, []) == pytest.approx(2 * (a + b - np.sqrt(0.2 * a * b)), rel=0.04)


def test_what_is_seen_needs_no_width() -> None:
    rng = np.random.default_rng(2)
    known, rest = rng.normal(0, 5, BOARDS), rng.normal(0, 1, BOARDS)
    assert width(3 * known + rest, [known]) == pytest.approx(2 * 1.96, rel=0.06)


def test_resistors_of_one_standard_do_not_average() -> None:
    """JCGM 100:2008 5.2.2, example (tests/SOURCES.md C23): ten resistors compared with one standard of u = 100 mOhm; u of their sum is 1 Ohm."""
    standard = np.random.default_rng(3).normal(0, 0.1, BOARDS)
    assert width(10 * standard, []) == pytest.approx(2 * 1.96 * 1.0, rel=0.06)


def test_an_amperes_ideal_width_is_that_of_shunt_and_gain() -> None:
    """At 0.5 A on an INA226 the zero is nothing: 1 % and 0.1 %, a trapezoid, and drift with temperature."""
    people = population("INA226", Law.LIMITS)
    error = read_a(people.boards, 0.5, 4.0) - 0.5
    a, b = 0.01, 0.001
    assert width(error, []) == pytest.approx(2 * 0.5 * (a + b - np.sqrt(0.2 * a * b)), rel=0.06)


def test_calibration_narrows_down_to_the_meter() -> None:
    """With a meter of 0.5 % the gain cannot be known better than +-0.95 of it."""
    case = steady()
    people = population("INA226", Law.LIMITS)
    bought, calibrated = (
        ideal_widths(case, people, state, {}) for state in ("as bought", "calibrated")
    )
    least = 2 * 0.95 * case.meter.current_limit * case.truth.mean_ma
    assert 0.7 * least < calibrated["mean"] < 1.15 * least
    assert calibrated["mean"] < 0.6 * bought["mean"]
    assert max(METER_AT_A) < 0.6


def test_a_zero_helps_most_where_little_flows() -> None:
    case = draw_case("INA219", "sleeping", Law.LIMITS, 1)
    people = population("INA219", Law.LIMITS)
    bought, zeroed = (ideal_widths(case, people, state, {}) for state in ("as bought", "zero done"))
    assert zeroed["mean"] < 0.1 * bought["mean"]


def test_mean_of_readings_rounded_down() -> None:
    rng = np.random.default_rng(4)
    for value in (0.1, 0.5, 0.93):
        for noise in (0.2, 0.6):
            drawn = np.floor(value + noise * rng.standard_normal(400_000)).mean()
            found = rounded_mean(np.array([value]), 1.0, np.array([noise]))
            assert found[0] == pytest.approx(drawn, abs=5e-3)


def test_slope_and_pulses_of_a_case() -> None:
    case = steady("INA219", 2)
    assert case.truth.cutoff_s is not None
    assert case.cutoff_v is not None
    assert slope_v_per_s(case) < 0
    # By hand over a minute around the cutoff.
    ends = case.truth.cutoff_s + np.array([-30.0, 30.0])
    volts = case.world.pack_v(ends, ends + 5e-4)
    assert slope_v_per_s(case) == pytest.approx(float(np.diff(volts)[0]) / 60, rel=0.1)
    assert sampling_spread(case) == {}
    assert conversions_in_peak(case) > 1_000_000


def test_a_pulse_shorter_than_a_conversion_has_no_ideal_peak() -> None:
    case = draw_case("INA219", "pwm", Law.LIMITS, 3)
    mode = replace(case.world.load.modes[0], hertz=2000.0, duty=0.2)
    load = replace(case.world.load, modes=(mode,))
    assert conversions_in_peak(replace(case, world=replace(case.world, load=load))) == 0


@pytest.mark.parametrize("kind", ["constant", "pwm", "burst", "modes", "modes pwm"])
@pytest.mark.parametrize("chip", ["INA219", "INA226"])
def test_every_case_reaches_its_cutoff_within_its_run(chip: str, kind: str) -> None:
    for seed in range(6):
        case = draw_case(chip, kind, Law.LIMITS, seed)
        assert case.truth.cutoff_s is not None
        assert 0.5 < case.truth.cutoff_s / case.truth.duration_s < 0.97
        assert case.windows.beyond.sum() == 0


def test_a_case_beyond_the_range_is_one() -> None:
    for kind in ("all the time", "some of the time", "in pulses"):
        case = draw_beyond(kind, 1)
        assert case.windows.beyond.sum() > 0
        assert within_range_mah(case) < 0.9 * case.truth.charge_mah
        assert case.windows.charge_mah[-1] == pytest.approx(within_range_mah(case), rel=0.03)
    case = draw_beyond("voltage", 1)
    assert (case.windows.bus_beyond == case.windows.conversions).all()
    assert case.windows.beyond.sum() == 0


def test_a_meter_keeps_to_its_manual() -> None:
    for seed in range(50):
        rng = np.random.default_rng(seed)
        meter = draw_meter(0.005, 0.002, rng)
        assert abs(meter.shows_ma(20.0, rng) - 20.0) <= 0.005 * 20 + 3 * 0.01 + 0.01
        assert abs(meter.shows_v(4.0, rng) - 4.0) <= 0.002 * 4 + 3 * 0.001 + 0.001


# Score.


def cell_of(lower: float, upper: float, held: int, missed: int, ideal: float) -> Cell:
    cell = Cell()
    for _ in range(held):
        cell.add(Interval(0.0, lower, upper), (lower + upper) / 2 + 1e-9, ideal)
    for _ in range(missed):
        cell.add(Interval(0.0, lower, upper), upper + 1, ideal)
    return cell


def test_a_cell_is_judged_by_coverage_and_by_width() -> None:
    assert cell_of(-1, 1, 285, 15, 2.0).faults == []
    assert cell_of(-1, 1, 260, 40, 2.0).faults == ["too narrow"]
    assert cell_of(-1, 1, 300, 0, 1.5).faults == ["too wide"]
    assert cell_of(-1, 1, 19, 1, 2.0).faults == []
    assert cell_of(-1, 1, 10, 10, 2.0).faults == ["too narrow"]


def test_a_bound_holds_on_its_side_and_has_no_width() -> None:
    assert Interval(1.0, 1.0, None).holds(7.0)
    assert not Interval(1.0, 1.0, None).holds(0.5)
    cell = Cell()
    cell.add(Interval(1.0, 1.0, None), 7.0, 1.0)
    assert (cell.share, cell.ratio, cell.bounds) == (1.0, None, 1)
    assert cell.text() == "100 % bound"


def test_silence_is_no_answer() -> None:
    cell = Cell()
    for _ in range(4):
        cell.add(Interval(None, None, None), 1.0, 1.0)
    assert cell.faults == ["silent"]
    assert cell.text() == "-"


def test_a_table_is_there_before_its_end(tmp_path: Path) -> None:
    """Parts of two processes come together in the order of chips and loads, each with its number of boards."""
    cells = {("as bought", "mean"): cell_of(-1, 1, 9, 1, 2.0)}
    for chip, boards in (("INA226", 20), ("INA219", 10), ("INA226", 30)):
        text = table_of(f"{chip}, burst, {boards} of 300 boards", cells)
        keep_table(tmp_path, chip, "burst", text)
    told = (tmp_path / "table.md").read_text(encoding="utf-8")
    assert [line for line in told.splitlines() if "boards" in line] == [
        "INA219, burst, 10 of 300 boards",
        "INA226, burst, 30 of 300 boards",
    ]
    assert told.count("| as bought | - | - | 90 % x1 | - |") == 2


def test_a_kept_case_is_read_again_and_not_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "FOLDER", str(tmp_path))
    people = population("INA219", Law.LIMITS)
    first = [kept.case_of("INA219", "constant", Law.LIMITS, seed, people) for seed in (0, 1)]
    assert [bool(ideal) for _, ideal in first] == [True, False]
    monkeypatch.setattr(kept, "draw_case", None)
    again = [kept.case_of("INA219", "constant", Law.LIMITS, seed, people) for seed in (0, 1)]
    assert [ideal for _, ideal in again] == [ideal for _, ideal in first]
    assert [case.truth for case, _ in again] == [case.truth for case, _ in first]


def test_a_kept_case_is_drawn_anew_when_anything_that_makes_it_is_changed() -> None:
    """By the imports: what ``kept`` loads is in its digest; the table and the score take no part in a case."""
    loaded = {file_of(module) for module in reached(Path(kept.__file__))} - {None}
    apart = {"table.py", "score.py", "__init__.py"}
    made_of = {path for path in loaded if path and path.name not in apart}
    assert made_of <= set(kept.sources())
    assert Path(kept.__file__) in kept.sources()
