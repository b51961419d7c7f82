"""Joints that fatigue, and the flex lines that tell of it."""

import re

import numpy as np
import pytest

from firmware_probe.line_format import DECIMALS, FLEX_FIELDS, command
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.joints import (
    BAD_RELIEF,
    RIG_RESISTOR_OHM,
    RIG_SUPPLY_V,
    SOLID,
    STRANDED,
    Joint,
    JointKind,
    new_joints,
)
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import CurrentSensor
from firmware_probe.twin.simulated_board import SimulatedBoard
from tests.support.board_output import bodies

MINUTE_US = 60_000_000


def rig(*joints: Joint) -> SimulatedBoard:
    board = SimulatedBoard(
        IdealPack(5.0), constant_load(ConstantCurrent(0.01)), CurrentSensor(), joints=joints
    )
    board.advance(0)
    return board


def order(cycles: int, joints: int = 1, *, drive: str = "servo", stop_open_us: int = 0) -> bytes:
    return command(
        "flex-start", drive, str(cycles), "1000", "100", "0", "180", str(joints), str(stop_open_us)
    )


def rows(output: bytes) -> list[dict[str, str]]:
    found = []
    for body in bodies(output):
        kind, *fields = body.split(",")
        if kind == "flex":
            row = dict(zip(FLEX_FIELDS, fields, strict=True))
            for name, text in row.items():
                decimals = DECIMALS.get(name, 0)
                pattern = rf"\d+\.\d{{{decimals}}}|" if "ohm" in name else rf"\d+\.\d{{{decimals}}}"
                assert re.fullmatch(pattern if decimals else r"\d+", text), body
            found.append(row)
    return found


@pytest.mark.slow
def test_servo_counts_cycles_exactly_and_ends() -> None:
    board = rig(*new_joints(STRANDED, 2, seed=1))
    board.receive(order(1000, 2))
    output = board.advance(20 * MINUTE_US)
    found = rows(output)
    assert len(found) == 2000
    assert [int(row["cycle"]) for row in found[::2]] == list(range(1, 1001))
    assert {row["joint"] for row in found} == {"1", "2"}
    times_us = [int(row["time_us"]) for row in found[::2]]
    assert set(np.diff(times_us)) == {1_000_000}
    assert bodies(output)[-1] == f"flex-end,1000,{times_us[-1]},done"


def test_hand_on_the_switch_keeps_its_period_only_roughly() -> None:
    board = rig(*new_joints(STRANDED, 1, seed=1))
    board.receive(order(200, drive="switch"))
    spans_us = np.diff([int(row["time_us"]) for row in rows(board.advance(5 * MINUTE_US))])
    assert spans_us.mean() == pytest.approx(1e6, rel=0.02)
    assert 10_000 < spans_us.std() < 100_000


@pytest.mark.slow
def test_joint_creeps_then_opens_now_and_then_then_breaks() -> None:
    (joint,) = new_joints(SOLID, 1, seed=3)
    board = rig(joint)
    life = joint.life_cycles
    board.receive(order(int(life) + 50))
    found = rows(board.advance(int(life + 60) * 1_000_000))
    ohm = np.array([float(row["resistance_max_ohm"] or "nan") for row in found])
    opens = np.array([int(row["opens"]) for row in found])
    longest_us = np.array([int(row["longest_open_us"]) for row in found])
    broken = int(np.ceil(life)) - 1
    assert ohm[broken - 5] > 1.4 * np.nanmean(ohm[: broken // 4])
    early, late = opens[: int(0.85 * life)], opens[int(0.85 * life) : broken]
    assert early.sum() == 0
    # Intermittent: some cycles open, others in between do not.
    assert 0 < np.count_nonzero(late) < late.size
    assert opens[broken] >= 1
    assert np.isnan(ohm[broken + 1 :]).all()
    # Open for good: no new opening, the whole cycle is its part; no current.
    assert set(opens[broken + 1 :]) == {0}
    assert set(longest_us[broken + 1 :]) == {1_000_000}
    assert {row["current_max_ma"] for row in found[broken + 1 :]} == {"0.0000"}
    # While closed, the current is Ohm's law with the rig's resistor.
    first = found[0]
    expected = 1000 * RIG_SUPPLY_V / (RIG_RESISTOR_OHM + float(first["resistance_min_ohm"]))
    assert float(first["current_max_ma"]) == pytest.approx(expected, abs=1e-3)


def test_stop_on_failure_counts_an_open_over_several_cycles() -> None:
    joint = Joint(JointKind("short", 5.0, 1e6), 5.0, 0, 0.1, np.random.default_rng(0))
    board = rig(joint)
    board.receive(order(100, stop_open_us=2_900_000))
    output = board.advance(MINUTE_US)
    assert len(rows(output)) == 8
    # Cycle 8 was cut short: 7 are complete.
    assert bodies(output)[-1].split(",")[1::2] == ["7", "open"]


def test_a_stalled_board_catches_up_with_its_cycles() -> None:
    board = SimulatedBoard(
        IdealPack(5.0),
        constant_load(ConstantCurrent(0.01)),
        CurrentSensor(),
        joints=new_joints(STRANDED, 1, seed=1),
        faults=FaultPlayer(parse_script("5:stall=4.5, 20:hang=3")),
    )
    board.receive(order(30))
    found = rows(board.advance(MINUTE_US))
    assert [int(row["cycle"]) for row in found] == list(range(1, 31))


def test_flex_stop_and_busy() -> None:
    board = rig(*new_joints(STRANDED, 1, seed=1))
    board.receive(order(1000))
    board.receive(order(1000))
    assert bodies(board.advance(0)) == ["ok,flex-start", "no,flex-start,busy"]
    board.advance(3_500_000)
    board.receive(command("flex-stop"))
    output = bodies(board.advance(0))
    assert output[0] == "ok,flex-stop"
    assert output[1].split(",")[1::2] == ["3", "host"]
    assert rows(board.advance(10_000_000)) == []
    board.receive(order(10, 2))
    assert bodies(board.advance(0)) == ["no,flex-start,fitted"]


@pytest.mark.slow
def test_lives_follow_the_planted_weibull_distribution() -> None:
    from scipy import stats

    lives = [joint.life_cycles for joint in new_joints(STRANDED, 2000, seed=11)]
    fit = stats.kstest(
        lives, stats.weibull_min(STRANDED.life_shape, scale=STRANDED.life_cycles).cdf
    )
    assert fit.pvalue > 0.01
    # Stranded outlasts solid under repeated bending: common practice, no source (SOURCES.md E8).
    assert np.median(lives) > 2 * np.median(
        [joint.life_cycles for joint in new_joints(SOLID, 2000, seed=11)]
    )
    bad = np.array([joint.life_cycles for joint in new_joints(BAD_RELIEF, 2000, seed=11)])
    assert np.mean(bad < 1200) == pytest.approx(0.4, abs=0.1)


def test_half_the_bend_lives_four_times_as_long() -> None:
    # The planted power law: exponent 2.
    def cycles_until_broken(angle_b: float) -> int:
        (joint,) = new_joints(SOLID, 1, seed=5)
        while not joint.broken:
            joint.bend(0.0, angle_b, 1_000_000)
        return joint.cycles

    assert cycles_until_broken(90.0) == pytest.approx(4 * cycles_until_broken(180.0), abs=4)


def test_first_opens_show_on_the_weak_side_only() -> None:
    def first_open(angle_a: float, angle_b: float) -> float:
        """Share of its life after which the joint first opened."""
        joint = Joint(JointKind("even", 400.0, 2.0), 400.0, 1, 0.1, np.random.default_rng(2))
        while not joint.bend(angle_a, angle_b, 1_000_000).opens:
            pass
        return joint.damage / joint.life_cycles

    assert first_open(90.0, 180.0) < 0.95 < first_open(0.0, 90.0)


def test_at_most_four_joints() -> None:
    with pytest.raises(ValueError, match="four inputs"):
        rig(*new_joints(SOLID, 5, seed=0))
