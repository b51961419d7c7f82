"""Cases of the measurement judge: a board, a pack, a load and a bench, all drawn from one seed."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.support.datasheet_boards.bench import Meter, draw_meter
from tests.support.datasheet_boards.errors import Boards, Law, draw_boards
from tests.support.datasheet_boards.loads import Load, Mode
from tests.support.datasheet_boards.packs import (
    ALKALINE,
    CHEMISTRIES,
    LI_ION,
    Chemistry,
    Pack,
    World,
    make_world,
)
from tests.support.datasheet_boards.record import Windows, record
from tests.support.datasheet_boards.truth import Truth, truth_of

CHIPS: Final = ("INA219", "INA226")
# In the order of their seeds; the third has a test of its own.
DRAWN: Final = (*CHIPS, "INA228")
STATES: Final = ("as bought", "zero done", "calibrated")
LOADS: Final = ("constant", "pwm", "burst", "modes", "modes pwm", "sleeping")
WINDOW_S: Final = 1.0
HOLD_S: Final = 10.0
# A run goes on past its cutoff by this share.
RUN_S: Final = 1500.0
CUTOFF_AFTER: Final = 0.85
BEYOND_S: Final = 240.0
# and takes at least this share of its pack's charge.
RUN_SHARE: Final = 0.12
METER_CURRENT: Final = 0.005
METER_VOLTAGE: Final = 0.002
METER_AT_A: Final = (0.02, 0.2)
# Between calibration and run; README: "up to 5 degrees from the calibration".
APART_C: Final = 5.0
# The same USB port, no source.
APART_V: Final = 0.05


@dataclass(frozen=True)
class Case:
    """One board with its run; ``cutoff_v`` None where the pack is far from empty. ``bench``: the same board when it was calibrated."""

    chip: str
    kind: str
    seed: int
    board: Boards
    bench: Boards
    meter: Meter
    world: World
    windows: Windows
    cutoff_v: float | None
    truth: Truth


def draw_load(kind: str, rng: np.random.Generator) -> Load:
    """A load of this kind; levels keep within what an INA226 sees over 0.1 ohm."""
    u = rng.uniform
    start_s = float(u(0, 40))
    if kind == "constant":
        modes = [Mode(1.0, u(0.06, 0.25))]
    elif kind == "pwm":
        hertz = float(np.exp(u(np.log(100), np.log(2000))))
        modes = [Mode(1.0, u(0.005, 0.02), u(0.15, 0.5), hertz, u(0.1, 0.9))]
        # One pulse train without an end: a round is a whole number of periods.
        modes = [replace(modes[0], seconds=round(hertz) / hertz)]
    elif kind == "burst":
        hertz = u(0.5, 5.0)
        modes = [Mode(1 / hertz, u(0.005, 0.02), u(0.2, 0.5), hertz, 0.002 * hertz)]
    elif kind == "modes":
        # The heavier ones together are shorter than the hold: whether they end a run is no matter of a row.
        modes = [
            Mode(u(3, 5), u(0.18, 0.3)),
            Mode(u(2, 3.5), u(0.08, 0.12)),
            Mode(u(2, 4), u(0.01, 0.03)),
        ]
    elif kind == "modes pwm":
        hertz = u(200, 1000)
        modes = [
            Mode(u(3, 5), 0.02, u(0.3, 0.5), hertz, u(0.5, 0.8)),
            Mode(u(2, 3.5), 0.02, u(0.2, 0.4), hertz, u(0.2, 0.4)),
            Mode(u(2, 4), u(0.008, 0.02)),
        ]
    elif kind == "sleeping":
        modes = [Mode(u(1.0, 3.0), u(0.0007, 0.0015))]
        modes = [
            replace(
                modes[0],
                pulse_a=u(0.015, 0.03),
                hertz=1 / modes[0].seconds,
                duty=0.002 / modes[0].seconds,
            )
        ]
    else:
        raise ValueError(kind)
    return Load(tuple(modes), start_s, kind)


def draw_pack(
    chemistry: Chemistry, load: Load, rng: np.random.Generator
) -> tuple[Pack, float | None]:
    """A pack part-used so far that it reaches its cutoff within the run; a sleeping load never does."""
    ohm = chemistry.cells * rng.uniform(*chemistry.ohm) + rng.uniform(0.03, 0.25)
    slow_ohm, slow_s = rng.uniform(0.2, 0.6) * ohm, rng.uniform(15, 60)
    capacity_ah = chemistry.capacity_ah * rng.uniform(0.8, 1.1)
    if load.name != "sleeping":  # so small a cell that its fall within the run is one
        capacity_ah = min(capacity_ah, RUN_S * load.mean_a / 3600 / RUN_SHARE)
    pack = Pack(chemistry, capacity_ah, 0.0, ohm, slow_ohm, slow_s)
    if load.name == "sleeping":
        return replace(pack, taken_ah=rng.uniform(0.0, 0.6) * pack.capacity_ah), None
    cutoff_v = chemistry.cells * chemistry.low_v
    # Charge at which even the lightest mode stands at the cutoff, less what the run takes until then.
    depth = np.linspace(0, 1, 2001) * pack.capacity_ah
    lightest_a = min(mode.mean_a for mode in load.modes)
    volts = pack.emf_v(3600 * depth) - pack.ohm_at(3600 * depth) * lightest_a
    volts -= slow_ohm * load.mean_a
    at_ah = float(depth[int(np.argmax(volts < cutoff_v))])
    taken_ah = max(at_ah - CUTOFF_AFTER * RUN_S * load.mean_a / 3600, 0.0)
    return replace(pack, taken_ah=taken_ah), cutoff_v


def another_day(boards: Boards, rng: np.random.Generator) -> Boards:
    """The boards when they were calibrated."""
    n = len(boards.gain)
    return boards.at(
        boards.temperature_c + rng.uniform(-APART_C, APART_C, n),
        boards.supply_v + rng.uniform(-APART_V, APART_V, n),
    )


def draw_case(chip: str, kind: str, law: Law, seed: int) -> Case:
    """Case number ``seed`` of this chip and load."""
    rng = np.random.default_rng([seed, DRAWN.index(chip), LOADS.index(kind), len(law.value)])
    board = draw_boards(chip, law, rng, 1)
    load = draw_load(kind, rng)
    pack, cutoff_v = draw_pack(CHEMISTRIES[seed % len(CHEMISTRIES)], load, rng)
    world = make_world(load, pack, RUN_S)
    windows = record(world, board, WINDOW_S, rng)
    return Case(
        chip=chip,
        kind=kind,
        seed=seed,
        board=board,
        bench=another_day(board, rng),
        meter=draw_meter(METER_CURRENT, METER_VOLTAGE, rng),
        world=world,
        windows=windows,
        cutoff_v=cutoff_v,
        truth=truth_of(world, windows, cutoff_v, HOLD_S),
    )


def bench_rng(case: Case) -> np.random.Generator:
    """Noise of the readings on the bench."""
    return np.random.default_rng([case.seed, 77, DRAWN.index(case.chip)])


BEYOND: Final = ("all the time", "some of the time", "in pulses", "voltage")


def draw_beyond(kind: str, seed: int) -> Case:
    """A board whose range ends under the load's current, or under the pack's voltage. Range of the current: INA226 on 0.1 ohm."""
    rng = np.random.default_rng([seed, BEYOND.index(kind), 91])
    chip = "INA219" if kind == "voltage" else "INA226"
    board = draw_boards(chip, Law.LIMITS, rng, 1, bus_full_v=16.0 if kind == "voltage" else None)
    u = rng.uniform
    modes = {
        "all the time": (Mode(1.0, u(1.1, 3.0)),),
        "some of the time": (Mode(u(3, 6), u(1.0, 2.0)), Mode(u(4, 9), u(0.1, 0.3))),
        "in pulses": (Mode(0.2, u(0.05, 0.1), u(1.2, 2.5), 5.0, u(0.1, 0.4)),),
        "voltage": (Mode(1.0, u(0.1, 0.3)),),
    }[kind]
    chemistry = LI_ION if kind != "voltage" else replace(ALKALINE, cells=12)
    ohm = chemistry.cells * chemistry.ohm[0]
    pack = Pack(chemistry, 50.0, 1.0, ohm, 0.2 * ohm, 20.0)
    world = make_world(Load(modes, float(u(0, 10)), kind), pack, BEYOND_S)
    windows = record(world, board, WINDOW_S, rng)
    meter = draw_meter(METER_CURRENT, METER_VOLTAGE, rng)
    truth = truth_of(world, windows)
    return Case(chip, kind, seed, board, board, meter, world, windows, None, truth)


def within_range_mah(case: Case) -> float:
    """Charge that the board can vouch for: of the part of the current that is within its range."""
    full_a = case.board.range_ma / 1e3
    modes = tuple(
        replace(
            mode,
            base_a=min(mode.base_a, full_a),
            pulse_a=max(min(mode.base_a + mode.pulse_a, full_a) - min(mode.base_a, full_a), 0.0),
        )
        for mode in case.world.load.modes
    )
    seen = replace(case.world.load, modes=modes)
    return float(seen.charge_as(case.windows.end_s[-1:])[0]) / 3.6
