"""Which edited runs does ``check`` name, and does it ever name an honest one? ``pytest tests/benchmarks/test_edited_runs.py -s``."""

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from firmware_probe.interpreter.board import InterpreterBoard
from firmware_probe.twin.faults import FaultPlayer, FaultRates, parse_script
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import INA219, INA226, INA228, CurrentSensor
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_pack, vest_programme, vest_sensor
from logger.run.cross_check import cross_check
from logger.run.reader import read_run
from tests.support.edited_runs import EDITS, opened, record_into, saved
from tests.support.interpreter_bench import missing
from tests.support.places import ROOT

KINDS = (INA219, INA226, INA228)
TROUBLES = {
    "none": FaultPlayer(),
    "lines": FaultPlayer(rates=FaultRates(garble=0.02, drop=0.02, half=0.01, noise=0.02)),
    "bad lines": FaultPlayer(rates=FaultRates(garble=0.2, drop=0.2, half=0.1, noise=0.1)),
    "resets": FaultPlayer(rates=FaultRates(reset_per_h=40.0)),
    "off": FaultPlayer(rates=FaultRates(off_per_h=20.0)),
    "stalls": FaultPlayer(rates=FaultRates(stall_per_h=60.0)),
    "hangs": FaultPlayer(rates=FaultRates(hang_per_h=60.0, hang_s=3.0)),
    "contacts": FaultPlayer(rates=FaultRates(contact_per_h=120.0, contact_s=1.0)),
    "cable": FaultPlayer(rates=FaultRates(unplug_per_h=30.0, cut_per_h=10.0)),
    "script": FaultPlayer(parse_script("60:sensor=20, 120:holder=5, 180:worn, 200:reset=brownout, 240:stall=4")),
    "swap": FaultPlayer(parse_script("100:swap=ina226, 200:drop=5")),
    "all": FaultPlayer(
        rates=FaultRates(0.02, 0.02, 0.01, 0.02, 10.0, 5.0, 20.0, 20.0, 10.0, 5.0, 30.0)
    ),
}  # fmt: skip


def boards() -> Iterator[tuple[str, SimulatedBoard]]:
    """Two hundred and more boards, each with its trouble."""
    windows = itertools.cycle((1_000_000, 200_000, 500_000, 2_000_000, 5_000_000))
    for seed, (kind, (name, trouble)) in itertools.product(
        range(5), itertools.product(KINDS, TROUBLES.items())
    ):
        number = next(windows)
        player = FaultPlayer(trouble.script, trouble.rates, seed)
        yield (
            f"{kind.name} {name} {seed} {number}",
            SimulatedBoard(
                vest_pack(), vest_programme(seed), vest_sensor(seed, kind), seed=seed,
                window_us=number, faults=player, clock_ppm=(seed - 2) * 2000.0,
            ),
        )  # fmt: skip
    for seed, kind, amps in itertools.product(range(2), KINDS, (0.0, 2e-5, 0.8, 3.3)):
        pack = IdealPack(4.0, 0.3)
        load = constant_load(ConstantCurrent(amps))
        yield (
            f"{kind.name} {amps} A",
            SimulatedBoard(
                pack, load, CurrentSensor(kind), seed=seed, window_us=500_000, widen=bool(seed)
            ),
        )


@pytest.mark.skipif(bool(missing()), reason="no MicroPython here")
def test_runs_of_the_firmware_in_python_are_not_named(tmp_path: Path) -> None:
    for kind in KINDS:
        memory = tmp_path / f"{kind.name} memory"
        memory.mkdir()
        sensor = vest_sensor(1, kind)
        board = InterpreterBoard(vest_pack(), vest_programme(1), sensor, memory, window_us=500_000)
        with closing(board):
            run = read_run(record_into(tmp_path / kind.name, board, 120.0))
        print(f"\n{kind.name}, firmware in Python: {len(run.samples)} rows", end="")
        found = cross_check(run)
        assert (found.lines, found.notes) == ((), ())


def test_honest_runs_are_not_named(tmp_path: Path) -> None:
    alarms: list[str] = []
    notes: list[str] = []
    runs, rows = 0, 0
    for number, (name, board) in enumerate(boards()):
        crash_s = 100.0 if number % 8 == 3 else None  # killed and taken up again
        folder = record_into(tmp_path / str(number), board, 240.0, crash_s=crash_s)
        if (folder / "samples.csv").read_bytes().count(b"\n") < 3:
            continue  # off nearly all along
        run = read_run(folder)
        runs, rows = runs + 1, rows + len(run.samples)
        found = cross_check(run)
        notes += [f"{name}: {note}" for note in found.notes]
        if found.text:
            alarms.append(f"{name}: {found.lines}")
    for folder in sorted((ROOT / "sample_runs").glob("*/samples.csv")):
        runs += 1
        found = cross_check(read_run(folder.parent))
        if found.text:
            alarms.append(f"{folder.parent.name}: {found.lines}")
    print(f"\nhonest runs: {runs}, {rows} rows; named all the same: {len(alarms)}")
    print("\n".join([*alarms, *notes]))
    assert not alarms


def test_edited_runs_are_named(tmp_path: Path) -> None:
    rng = Random(20)
    whole = []
    for seed, kind in enumerate(KINDS):
        board = SimulatedBoard(
            vest_pack(),
            vest_programme(seed),
            vest_sensor(seed, kind),
            seed=seed,
            window_us=1_000_000,
        )
        whole.append(record_into(tmp_path / kind.name, board, 400.0))
    found: dict[str, Counter[float]] = defaultdict(Counter)
    tries = 10
    for name, _, sizes, edit in EDITS:
        for size in sizes:
            for number in range(tries):
                run = opened(whole[number % len(whole)])
                edit(run, rng.randrange(20, 360), size)
                read = read_run(saved(run, tmp_path / "edited"))
                found[name][size] += bool(cross_check(read).text or read.problems)
    # Least and greatest of a window stand nowhere else; what is reckoned anew contradicts nothing.
    never = {"a least current altered", "a greatest current lowered", "all reckoned anew"}
    print(f"\n{'edit':34} found of {tries}, by size")
    for name, unit, sizes, _ in EDITS:
        row = "  ".join(f"{size:g}: {found[name][size]}" for size in sizes)
        print(f"{name:34} {unit:6} {row}")
    assert all(found[name][sizes[-1]] == tries for name, _, sizes, _ in EDITS if name not in never)
