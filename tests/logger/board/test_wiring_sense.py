"""Wiring faults and blind spots planted in the simulated board are named; in healthy runs none is."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.doubt.limits import limits_of
from analysis.run.blind_spots import blind_spots
from analysis.run.draw import beyond_in
from analysis.run.trace import trace_of
from analysis.run.wiring import wiring_findings
from firmware_probe.twin.bench_circuit import RIGHT_WIRING, Wiring
from firmware_probe.twin.faults import Fault, FaultPlayer
from firmware_probe.twin.load import (
    ConstantCurrent,
    LoadProgramme,
    Mode,
    Part,
    Pulsed,
    Resistor,
    Step,
    constant_load,
)
from firmware_probe.twin.pack import ALKALINE_AA, LI_ION, NIMH_AA, CellPack, IdealPack, PackModel
from firmware_probe.twin.sensor import INA219, INA226, CurrentSensor, SensorKind, draw_errors
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_programme
from logger.board.wiring_sense import Finding, Row, WiringWatch, sense_wiring, senses_of
from logger.recording.event_log import TEXT_MAX
from logger.run.reader import Run
from tests.support.simulated_runs import record

HEALTHY = 200
BOTH = pytest.mark.parametrize("kind", [INA219, INA226], ids=lambda kind: kind.name)


def bench(
    load: LoadProgramme,
    kind: SensorKind = INA219,
    *,
    wiring: Wiring = RIGHT_WIRING,
    pack: PackModel | None = None,
    faults: tuple[Fault, ...] = (),
    gain: int | None = None,
    seed: int = 3,
    window_us: int = 100_000,
) -> SimulatedBoard:
    errors = draw_errors(kind, np.random.default_rng(seed))
    sensor = CurrentSensor(kind, shunt_ohm=0.1, errors=errors)
    return SimulatedBoard(
        pack or IdealPack(4.5, 0.5),
        load,
        sensor if gain is None else sensor.with_gain(gain),
        seed=seed,
        window_us=window_us,
        wiring=wiring,
        faults=FaultPlayer(faults),
    )


def pulses(frequency_hz: float, duty: float, current_a: float) -> Part:
    return Pulsed(ConstantCurrent(current_a), frequency_hz, duty)


def pulsed(
    frequency_hz: float, duty: float = 0.5, current_a: float = 0.1, base_a: float = 0.02
) -> LoadProgramme:
    parts = (ConstantCurrent(base_a), pulses(frequency_hz, duty, current_a))
    return LoadProgramme((Step(Mode("on", parts), 1.0),))


def codes(run: Run) -> set[str]:
    """What the analysis names."""
    trace = trace_of(run)
    found = wiring_findings(trace, run.description)
    limits = limits_of(run.description)
    unseen = blind_spots(trace, limits, run.description, beyond_in(trace, limits, run.description))
    return {finding.code for finding in (*found, *unseen)}


def live(run: Run) -> str:
    """What was said while recording, within the first ten seconds."""
    events = [event for event in run.description.events if event.kind == "wiring"]
    assert all(event.time_s <= 10.2 for event in events)
    assert all(len(event.text) < TEXT_MAX for event in events)  # none is cut off
    return " ".join(event.text for event in events)


STEADY = constant_load(Resistor(45.0))


@pytest.mark.parametrize(
    ("current_ma", "expected"),
    [(-100.0, {"swapped"}), (0.0, set()), (100.0, set())],
)
def test_current_backwards_is_named_without_a_known_sensor(
    current_ma: float, expected: set[str]
) -> None:
    """An imported run names no sensor: its sign can be judged all the same."""
    samples = pd.DataFrame(
        {"time_s": np.arange(60.0), "pack_v": np.linspace(4.5, 4.0, 60), "current_ma": current_ma}
    )
    run = replace(record(bench(STEADY), 5.0), samples=samples)
    run = replace(run, description=replace(run.description, sensor=None))
    found = wiring_findings(trace_of(run), run.description)
    assert {finding.code for finding in found} == expected


@BOTH
@pytest.mark.parametrize(
    ("wiring", "code", "said"),
    [
        (Wiring(swapped=True), "swapped", "runs backwards"),
        (Wiring(load_connected=False), "no-current", "no current that can be told from zero"),
        (Wiring(bus_connected=False), "no-voltage", "but the voltage reads"),
        (Wiring(hum_v=0.05), "hum", "ground loop through USB"),
        (Wiring(hum_v=0.05, hum_hz=60.0), "hum", "ground loop through USB"),
        (Wiring(pickup_v=100e-6), "noise", "times the sensor's own"),
    ],
)
def test_wiring_faults_are_named_live_and_afterwards(
    kind: SensorKind, wiring: Wiring, code: str, said: str
) -> None:
    run = record(bench(STEADY, kind, wiring=wiring), 30.0)
    assert code in codes(run)
    assert said in live(run)


@BOTH
def test_bad_contact_is_named_live_and_afterwards(kind: SensorKind) -> None:
    early = record(bench(STEADY, kind, faults=(Fault(4_000_000, "holder", 0.15),)), 60.0)
    late = record(bench(STEADY, kind, faults=(Fault(45_000_000, "holder", 0.15),)), 60.0)
    assert "bad contact" in live(early)
    assert live(late) == ""
    assert codes(early) == codes(late) == {"contact"}


def test_dead_pack_is_named() -> None:
    run = record(bench(STEADY, pack=IdealPack(0.0)), 20.0)
    assert "Neither voltage" in live(run)


def beating(kind: SensorKind, seed: int = 3) -> float:
    """Frequency just beside one conversion pair of this very chip."""
    sensor = CurrentSensor(kind, errors=draw_errors(kind, np.random.default_rng(seed)))
    return 1e9 / sensor.pair_time_ns * 1.0003


_DOZING = LoadProgramme(
    (
        Step(Mode("awake", (ConstantCurrent(0.05),)), 3.0),
        Step(Mode("asleep", (ConstantCurrent(20e-6),)), 7.0),
    )
)
_BLIND: list[tuple[str, Callable[[SensorKind], SimulatedBoard]]] = [
    ("asleep", lambda kind: bench(_DOZING, kind)),
    ("short-peaks", lambda kind: bench(pulsed(17.3, 0.0035, 0.3), kind)),
    ("short-peaks", lambda kind: bench(pulsed(2.3, 0.0003, 0.5), kind)),
    ("beat", lambda kind: bench(pulsed(beating(kind)), kind)),
    (
        "clipped",
        lambda kind: bench(
            pulsed(1.0, 0.1, 3.3 if kind is INA219 else 0.9), kind, pack=IdealPack(4.5, 0.1)
        ),
    ),
]


@BOTH
@pytest.mark.parametrize(("code", "make"), _BLIND, ids=[code for code, _ in _BLIND])
def test_blind_spots_are_named_with_size_and_advice(
    kind: SensorKind, code: str, make: Callable[[SensorKind], SimulatedBoard]
) -> None:
    run = record(make(kind), 60.0)
    trace = trace_of(run)
    limits = limits_of(run.description)
    beyond = beyond_in(trace, limits, run.description)
    found = {f.code: f for f in blind_spots(trace, limits, run.description, beyond)}
    assert code in found
    assert any(character.isdigit() for character in found[code].text)
    assert found[code].advice


def test_range_change_is_named_and_widens_the_limits() -> None:
    steps = (
        Step(Mode("low", (ConstantCurrent(0.05),)), 20.0),
        Step(Mode("high", (ConstantCurrent(0.6),)), 10.0),
    )
    run = record(bench(LoadProgramme(steps), gain=0), 60.0)
    assert "range" in codes(run)
    limits = limits_of(run.description)
    assert limits is not None
    # TI SBOS448G 7.5: 200 uV in the widest range, over 0.1 ohm.
    assert limits.current_offset_ma == pytest.approx(2.0)


def healthy(seed: int) -> SimulatedBoard:
    """Some bench with nothing wrong: pack, load, sensor and window as people have them."""
    rng = np.random.default_rng([seed, 200])
    kind = (INA219, INA226)[seed % 2]
    packs: tuple[Callable[[], PackModel], ...] = (
        lambda: CellPack(ALKALINE_AA, 3, wire_ohm=0.12),
        lambda: CellPack(NIMH_AA, 3, wire_ohm=0.1),
        lambda: CellPack(LI_ION, 1, wire_ohm=0.05),
        lambda: IdealPack(5.0, 0.1),
    )
    mean_a = float(np.exp(rng.uniform(np.log(0.01), np.log(0.3))))
    while True:
        frequency_hz = float(np.exp(rng.uniform(np.log(0.5), np.log(2000.0))))
        turns = frequency_hz * 1e-9 * CurrentSensor(kind).pair_time_ns
        if all(abs(turns * q - round(turns * q)) > 0.1 or turns * q < 0.4 for q in (1, 2, 3)):
            break
    loads = (
        lambda: constant_load(ConstantCurrent(mean_a)),
        lambda: constant_load(Resistor(4.0 / mean_a)),
        lambda: pulsed(frequency_hz, float(rng.uniform(0.3, 0.7)), mean_a, mean_a / 2),
        lambda: LoadProgramme(
            tuple(
                Step(
                    Mode(str(n), (ConstantCurrent(mean_a * float(rng.uniform(0.5, 2))),)),
                    float(rng.uniform(0.3, 8.0)),
                )
                for n in range(6)
            )
        ),
        lambda: vest_programme(seed),
    )
    return bench(
        loads[seed // 2 % len(loads)](),
        kind,
        pack=packs[int(rng.integers(len(packs)))](),
        seed=seed,
        window_us=int(rng.choice([50_000, 100_000, 500_000])),
    )


@pytest.mark.slow
def test_nothing_is_named_in_200_healthy_runs() -> None:
    named = {}
    for seed in range(HEALTHY):
        run = record(healthy(seed), 40.0)
        found = codes(run)
        if found or live(run):
            named[seed] = (found, live(run))
    assert named == {}


def row(**changes: Any) -> Row:
    usual = Row(94.0, 4.5, 4.492, 4.49, 100.0, 99.7, 100.3)
    return usual._replace(**changes)


SENSES = senses_of("INA219", 0.1, 3200.0)


def test_nothing_is_said_of_no_rows_or_of_an_unknown_sensor() -> None:
    assert SENSES is not None
    assert sense_wiring([], SENSES) == ()
    assert senses_of("bench meter", 0.1, None) is None
    assert senses_of("INA219", None, None) is None


def test_a_switched_off_load_is_no_bad_contact() -> None:
    # Current falls and the voltage rises: a load, not a contact.
    assert SENSES is not None
    rows = [row() for _ in range(60)] + [
        row(current_ma=20.0, current_min_ma=10.0, pack_v=4.54, pack_min_v=4.49)
    ] * 5
    assert sense_wiring(rows + [row()] * 20, SENSES) == ()


def test_watch_says_each_thing_once_and_then_is_done() -> None:
    assert SENSES is not None
    watch = WiringWatch(SENSES)
    said: list[Finding] = []
    for number in range(1, 120):
        if watch.done:
            break
        said += watch.row(number / 10, b"94,4.500000,4.492000,4.490000,-50.0,-50.3,-49.7")
    assert [finding.code for finding in said] == ["swapped"]
    assert watch.done
    assert number == 101


def test_import_without_extremes_or_sensor_is_left_alone() -> None:
    from tests.support.runs_by_formula import sampled_run

    time_s = np.arange(100.0)
    run = sampled_run(time_s, np.full(100, 4.5), np.full(100, 0.0))
    assert codes(run) == set()
    stated = replace(run.description, sensor=None)
    assert codes(replace(run, description=stated)) == set()
