"""Faults of a run named while it is recorded, once each; healthy runs raise none."""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.forecast.of_run import forecast_run
from analysis.run.pack_faults import FaultWatch, jump_rows, pack_faults
from analysis.run.trace import trace_of
from firmware_probe.twin.load import (
    ConstantPower,
    LoadProgramme,
    Mode,
    Part,
    Pulsed,
    Resistor,
    Step,
)
from firmware_probe.twin.pack import ALKALINE_AA, CellPack
from firmware_probe.twin.sensor import INA219 as CHIP
from firmware_probe.twin.sensor import CurrentSensor
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_board
from logger.base.pack import Pack
from logger.recording.forecast_beside import foreseen_of, warning_of
from logger.run.calibration import Calibration, Line
from logger.run.description import Description, Stop
from logger.run.reader import Run
from tests.benchmarks.rundowns import Rundown, aqueous_rundowns, physics_rundowns
from tests.support.live_runs import play
from tests.support.runs_by_formula import INA219, LIFE_S, VEST, alkaline_v, board_run, stop_at
from tests.support.simulated_runs import record

Array = NDArray[np.float64]


def steady(time_s: Array, draw_ma: float = 110.0) -> Array:
    return np.full(len(time_s), draw_ma)


def run_of(
    volts: Callable[[Array], Array],
    draw_ma: Callable[[Array], Array] = steady,
    hours: float = 8.0,
    step_s: float = 20.0,
    **changes: Any,
) -> Run:
    given: dict[str, Any] = {"stop": stop_at(3.0, 60.0), "pack": VEST, **changes}
    return board_run(volts, draw_ma, hours * 3600, step_s, parts=1, **given)


def swapped_v(time_s: Array) -> Array:
    at_s = 4 * 3600
    return np.where(time_s < at_s, alkaline_v(time_s), alkaline_v(time_s - at_s))


def pulses_ma(time_s: Array) -> Array:
    return np.where(time_s % 1200 < 300, 400.0, 40.0)


def shaken_v(time_s: Array) -> Array:
    """A plug that loses a third of the voltage for 50 s now and then."""
    return np.where(np.abs(time_s % 3600 - 1800) < 25, 0.7, 1.0) * alkaline_v(time_s)


def booster_ma(time_s: Array) -> Array:
    """What a booster takes at the voltage of ``shaken_v``: it makes up for a poor contact."""
    return np.asarray(480.0 / shaken_v(time_s))


def taken_off(time_s: Array) -> NDArray[np.bool_]:
    return np.asarray((time_s > 3600) & (time_s < 3700))


# Told from what the forecast finds odd; all others are in the rows.
FORESEEN = ("part-used", "regulated")
FAULTS: dict[str, Run] = {
    "charging": run_of(lambda t: 3.6 + t / 36000, lambda t: steady(t, -100.0), stop=stop_at(3.0)),
    "crossed": run_of(alkaline_v, lambda t: steady(t, -110.0)),
    "charged-between": run_of(alkaline_v, lambda t: np.where(t % 7200 > 6300, -90.0, 110.0)),
    "swap 0": run_of(swapped_v),
    "other-pack": run_of(lambda t: alkaline_v(t) * 4 / 3),
    "contact": run_of(shaken_v),
    "vanished": run_of(
        lambda t: np.where(taken_off(t), 0.0, alkaline_v(t)),
        lambda t: np.where(taken_off(t), 0.0, 110.0),
    ),
    "full-scale": run_of(
        lambda t: alkaline_v(t, 5 * 3600.0),
        lambda t: steady(t, 400.0),
        sensor=replace(INA219, range_ma=400.0),
        hours=3.0,
    ),
    "part-used": run_of(lambda t: alkaline_v(t + 0.5 * LIFE_S), hours=6),
    "regulated": run_of(lambda t: np.full(len(t), 4.5), hours=12),
}


@pytest.mark.slow
@pytest.mark.parametrize("code", list(FAULTS))
@pytest.mark.parametrize("count", [12, 36])
def test_a_fault_is_named_live_and_once(code: str, count: int) -> None:
    found = play(FAULTS[code], count, forecast=count == 12 or code in FORESEEN).faults
    codes = [fault.code for fault in found]
    assert codes == [code]
    assert found[0].text.endswith(".")


@pytest.mark.slow
@pytest.mark.parametrize("code", list(FAULTS))
def test_the_recorded_run_says_the_same(code: str) -> None:
    run = FAULTS[code]
    told = " ".join(forecast_run(run, 3.0, 60.0).warnings)
    live = play(run, forecast=code in FORESEEN).faults[0].text
    if code != "vanished":  # the report's wiring part names it
        # The recorded one counts the rows: "More was drawn in 540 rows than ...".
        assert live.replace("drawn than", "drawn in 540 rows than")[:30] in told


@pytest.mark.slow
@pytest.mark.parametrize(("factor", "read_ma"), [(1.05, 400.0), (0.95, 385.0)])
def test_a_calibration_moves_the_ranges_end_of_recorded_rows_alone(
    factor: float, read_ma: float
) -> None:
    """Rows that come live are as the sensor gave them: beyond its range or not, whatever a calibration makes of them."""
    line = Line(factor=factor, points=3, high=400.0)
    calibration = Calibration(
        "7F3A91C2", "INA219", 0.1, 400.0, "2026-01-09T18:00:00Z", current=line
    )
    run = run_of(
        lambda t: alkaline_v(t, 5 * 3600.0),
        lambda t: steady(t, read_ma),
        sensor=replace(INA219, range_ma=400.0),
        calibration=calibration,
        hours=3.0,
    )
    beyond = read_ma >= 400.0
    recorded = pack_faults(trace_of(run), run.description).warnings
    assert any("than the sensor could see" in text for text in recorded) is beyond
    assert any(fault.code == "full-scale" for fault in play(run, forecast=False).faults) is beyond


@pytest.mark.slow
def test_a_fault_is_named_soon() -> None:
    """Fifteen minutes after a swap, a minute after a bad contact."""
    for code, hours, late_s in (("swap 0", 4.0, 900.0), ("contact", 0.5, 200.0)):
        run = FAULTS[code]
        end_s = hours * 3600 + late_s
        early = replace(run, samples=run.samples[run.samples["time_s"] <= end_s])
        assert [fault.code for fault in play(early, 30, forecast=False).faults] == [code]


@pytest.mark.slow
def test_booster_and_pulses_do_not_hide_a_bad_contact() -> None:
    booster = run_of(shaken_v, booster_ma)
    assert [fault.code for fault in play(booster, forecast=False).faults] == ["contact"]

    def volts(time_s: Array) -> Array:
        return np.asarray(shaken_v(time_s) - 0.5 * pulses_ma(time_s) / 1e3)

    assert [fault.code for fault in play(run_of(volts, pulses_ma), forecast=False).faults] == [
        "contact"
    ]


@pytest.mark.slow
@pytest.mark.parametrize("lasts_s", [1.0, 4.0, 15.0, 25.0])
def test_a_bad_contact_of_any_length(lasts_s: float) -> None:
    def volts(time_s: Array) -> Array:
        return np.where((time_s > 900) & (time_s <= 900 + lasts_s), 0.75, 1.0) * alkaline_v(time_s)

    run = run_of(volts, hours=0.5, step_s=1.0)
    assert [fault.code for fault in play(run, forecast=False).faults] == ["contact"]
    assert any("bad contact" in text for text in forecast_run(run, 3.0, 60.0).warnings)


@pytest.mark.slow
def test_two_swaps_are_two() -> None:
    def volts(time_s: Array) -> Array:
        return np.asarray(alkaline_v(time_s % 7200, 8 * 3600.0))

    found = play(run_of(volts, hours=6), forecast=False).faults
    assert [fault.code for fault in found] == ["swap 0", "swap 1"]
    assert found[0].text != found[1].text


@pytest.mark.slow
def test_after_a_swap_the_live_forecast_counts_from_it() -> None:
    found = play(FAULTS["swap 0"], 6).found
    assert found is not None
    most = found.cutoff_time[1]
    assert most.lower is not None
    assert most.upper is not None
    assert most.lower < 4 * 3600 + 0.93 * LIFE_S < most.upper


@pytest.mark.slow
def test_crossed_wires_and_charging_change_the_live_forecast() -> None:
    straight = play(run_of(alkaline_v), 6).found
    crossed = play(FAULTS["crossed"], 6).found
    charging = play(FAULTS["charging"], 6).found
    assert straight is not None
    assert crossed is not None
    assert charging is not None
    assert crossed.median_s == pytest.approx(straight.median_s, rel=0.02)
    assert charging.median_s is None
    assert "charged" in charging.why


def test_negative_current_waits_for_evidence() -> None:
    young = run_of(alkaline_v, lambda t: steady(t, -110.0), hours=0.02, step_s=1.0)
    forecaster = play(young)
    assert forecaster.faults == []
    assert forecaster.found is not None
    assert "not told apart yet" in forecaster.found.why


@pytest.mark.slow
def test_portions_do_not_matter() -> None:
    run = FAULTS["contact"]
    samples = run.samples
    columns = [samples[name].to_numpy() for name in ("time_s", "pack_v", "current_ma")]
    counts = []
    for size in (1, 7, 5000):
        watch = FaultWatch(hold_s=60.0)
        for begin in range(0, len(samples), size):
            watch.add(*(column[begin : begin + size] for column in columns))
        rows = watch.history.rows
        counts.append((rows, [fault.code for fault in watch.faults()]))
    assert counts[0] == counts[1] == counts[2]
    faults = pack_faults(trace_of(run), run.description)
    assert int((~faults.bad).sum()) - 6 == counts[0][0]  # the last six rows wait


def test_the_end_of_a_pack_is_no_bad_contact() -> None:
    """Brown-out: the converter gives up, the voltage comes back without load."""
    time_s = np.arange(200.0)
    on = (time_s % 40 < 30) | (time_s < 100)
    volts = np.where(on, 3.0 - 0.006 * np.maximum(time_s - 60, 0), 3.4)
    assert not jump_rows(volts, np.where(on, 200.0, 0.01)).any()


@pytest.mark.slow
def test_recovery_after_a_rest_is_no_other_pack() -> None:
    """Heavy for hours, a night off without rows, heavy again from a recovered voltage."""

    def volts(time_s: Array) -> Array:
        rested = np.where(time_s > 4 * 3600, 0.4 * np.exp(-(time_s - 4 * 3600) / 3600), 0.0)
        return np.asarray(alkaline_v(time_s + 0.4 * LIFE_S) + rested)

    run = run_of(volts)
    time_s = run.samples["time_s"]
    shifted = time_s + np.where(time_s > 4 * 3600, 8 * 3600.0, 0.0)
    gappy = replace(run, samples=run.samples.assign(time_s=shifted))
    assert not any(fault.code.startswith("swap") for fault in play(gappy, forecast=False).faults)


HEALTHY_LOADS: dict[str, Callable[[], tuple[Part, ...]]] = {
    "pulsed": lambda: (Pulsed(Resistor(8.0), 0.11, 0.3), Resistor(90.0)),
    "booster": lambda: (ConstantPower(0.35), Pulsed(Resistor(12.0), 0.7, 0.2)),
    "steady": lambda: (ConstantPower(0.5),),
}


def healthy_board(kind: str, seed: int) -> SimulatedBoard:
    """Two or three alkaline AA run down by one of three loads, switched off now and then."""
    cells = 2 + seed % 2
    off = Mode("off", (Resistor(5000.0),))
    steps = (Step(Mode(kind, HEALTHY_LOADS[kind]()), 1500.0), Step(off, 300.0))
    pack = CellPack(ALKALINE_AA, cells=cells, wire_ohm=0.1)
    return SimulatedBoard(
        pack,
        LoadProgramme(steps),
        CurrentSensor(CHIP, shunt_ohm=0.1),
        seed=seed,
        window_us=10_000_000,
    )


def healthy_boards() -> Iterator[tuple[str, SimulatedBoard, Pack]]:
    for seed in range(2):
        yield f"vest {seed}", vest_board(seed, window_us=10_000_000), VEST
    for kind in HEALTHY_LOADS:
        for seed in range(2):
            yield f"{kind} {seed}", healthy_board(kind, seed), Pack("alkaline", 2 + seed % 2, "AA")


@pytest.mark.slow
def test_healthy_simulated_boards_raise_nothing() -> None:
    """Eight boards through the real recording, pulsed and moded loads, down into the brown-out."""
    for name, board, pack in healthy_boards():
        description = Description(
            started_utc="2026-01-10T18:00:00Z", pack=pack, stop=Stop(cutoff_v=0.9 * pack.cells)
        )
        run = record(board, 10 * 3600.0, description=description, step_s=600.0)
        assert play(run, 20, forecast=False).faults == [], name
        assert play(run, 4).faults == [], name


def board_like(rundown: Rundown) -> Run:
    keep = rundown.time_s <= rundown.life_s + rundown.hold_s
    run = board_run(lambda t: t, lambda t: t, 10.0, 1.0, parts=1)
    samples = {
        "time_s": rundown.time_s[keep],
        "pack_v": rundown.pack_v[keep],
        "current_ma": rundown.current_ma[keep],
    }
    description = replace(
        run.description,
        pack=rundown.pack,
        stop=Stop(cutoff_v=rundown.cutoff_v, hold_s=rundown.hold_s),
        sensor=replace(INA219, range_ma=20_000.0),  # as if each had a shunt that fits
    )
    frame = run.samples.iloc[:0].reindex(columns=list(samples)).reindex(range(int(keep.sum())))
    return Run(run.folder, description, frame.assign(**samples))


@pytest.mark.slow
def test_healthy_rundowns_of_four_chemistries_raise_nothing() -> None:
    # PyBaMM's published cells and cell physics of our own: steady, modes, pulsed at random
    runs = [
        *physics_rundowns("judge", "li-ion", 3),
        *physics_rundowns("judge", "lifepo4", 3),
        *aqueous_rundowns("judge", "alkaline", 12, 5),
        *aqueous_rundowns("judge", "nimh", 12, 5),
    ][::5]
    assert len(runs) >= 24
    for number, rundown in enumerate(runs):
        run = board_like(rundown)
        faults = play(run, 12, forecast=False).faults
        if number % 3 == 0:  # what the forecast finds odd
            faults += play(run, 4).faults
        assert faults == [], (rundown.source, rundown.load, str(rundown.pack))


def test_lines_of_the_second_program() -> None:
    line = json.dumps({"warning": "contact", "text": "A bad contact."}).encode()
    assert warning_of(line) == "A bad contact."
    assert foreseen_of(line) is None
    for other in (b"", b"{}", b"[1]", b"3", b'{"warning": 1}', b"\xff"):
        assert warning_of(other) is None


def behind(
    ohm: Callable[[Array], Array], volts: Callable[[Array], Array]
) -> Callable[[Array], Array]:
    """A voltage behind a resistance (V = E - I R), with the minute in which nothing is connected."""

    def held(time_s: Array) -> Array:
        off = np.abs(time_s - 4 * 3600) < 30
        return np.where(off, 0.0, volts(time_s) - ohm(time_s) * pulses_ma(time_s) / 1e3)

    return held


def pulses_with_a_break(time_s: Array) -> Array:
    return np.where(np.abs(time_s - 4 * 3600) < 30, 0.0, pulses_ma(time_s))


@pytest.mark.slow
def test_a_contact_that_came_right_is_no_other_pack() -> None:
    """Ohm's law: the contact's 2.5 Ohm explain the whole rise; a fresh pack's own voltage does not."""
    contact = behind(lambda t: np.where(t < 4 * 3600, 3.0, 0.5), alkaline_v)
    other = behind(lambda t: np.full(len(t), 0.5), swapped_v)
    texts = []
    for volts in (contact, other):
        faults = play(run_of(volts, pulses_with_a_break), forecast=False).faults
        texts += [fault.text for fault in faults if fault.code.startswith("swap")]
    assert texts[-1].startswith("Another pack was put in")
    assert not any(text.startswith("Another pack") for text in texts[:-1])
