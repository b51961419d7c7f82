"""Boards, loads and packs of the judge against closed forms, the data sheets' tables and JCGM 100.

Run with ``python -m pytest tests/benchmarks/measurement_judge``; some seconds.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from tests.benchmarks.measurement_judge.cases import CHIPS, LOADS, draw_load
from tests.benchmarks.measurement_judge.held import FLAT, held
from tests.support.datasheet_boards.errors import (
    CRYSTAL,
    Law,
    draw_boards,
    drawn,
    perfect_board,
)
from tests.support.datasheet_boards.loads import Load, Mode, constant
from tests.support.datasheet_boards.packs import (
    ALKALINE,
    CHEMISTRIES,
    LI_ION,
    Chemistry,
    Pack,
    make_world,
)
from tests.support.datasheet_boards.record import end_stops, record
from tests.support.datasheet_boards.sheets import INA219, INA226, SHEETS, Figure

Floats = npt.NDArray[np.float64]

MANY = 100_000


def brute_force(load: Load, seconds: float, steps: int = 2_000_000) -> Floats:
    """Current at the middles of so many steps, from the definition of a pulse."""
    at_s = (np.arange(steps) + 0.5) * seconds / steps + load.start_s
    inside = at_s % load.round_s
    current, begin_s = np.zeros(steps), 0.0
    for mode in load.modes:
        here = (inside >= begin_s) & (inside < begin_s + mode.seconds)
        high = ((inside - begin_s) * mode.hertz) % 1.0 < mode.duty
        current[here] = (mode.base_a + mode.pulse_a * high)[here]
        begin_s += mode.seconds
    return current


# Loads.


def test_mean_and_square_of_a_pulse_train_over_whole_periods() -> None:
    """Mean = base + duty x pulse, variance = duty (1 - duty) pulse^2."""
    load = Load((Mode(1.0, 0.02, 0.4, 500.0, 0.3),))
    mean = load.charge_as(np.array([7.0]))[0] / 7
    square = load.square_aas(np.array([7.0]))[0] / 7
    assert mean == pytest.approx(0.02 + 0.3 * 0.4, rel=1e-12)
    assert square - mean**2 == pytest.approx(0.3 * 0.7 * 0.4**2, rel=1e-9)
    assert load.mean_a == pytest.approx(mean)
    # Two levels: Bhatia and Davis' inequality is an equality (tests/SOURCES.md C24, from memory).
    assert square - mean**2 == pytest.approx((0.42 - mean) * (mean - 0.02), rel=1e-9)


def test_charge_of_part_of_a_period() -> None:
    load = Load((Mode(1.0, 0.0, 1.0, 100.0, 0.25),))
    until_s = np.array([0.001, 0.0025, 0.005, 0.0100, 0.0110])
    assert load.charge_as(until_s) == pytest.approx([0.001, 0.0025, 0.0025, 0.0025, 0.0035])


@pytest.mark.parametrize("kind", LOADS)
def test_integrals_of_every_kind_of_load_are_those_of_its_definition(kind: str) -> None:
    load = draw_load(kind, np.random.default_rng(4))
    seconds = 23.4
    current = brute_force(load, seconds)
    end = np.array([seconds])
    assert load.charge_as(end)[0] == pytest.approx(current.mean() * seconds, rel=1e-3)
    assert load.square_aas(end)[0] == pytest.approx((current**2).mean() * seconds, rel=2e-3)
    assert load.peak_a == pytest.approx(current.max())


# Packs.


def test_a_constant_current_from_a_flat_pack() -> None:
    """Voltage = EMF - R I, energy = that x I x t."""
    world = make_world(constant(0.25), FLAT, 100.0)
    emf_v = float(FLAT.emf_v(np.zeros(1))[0])
    volts = world.pack_v(np.array([10.0]), np.array([10.0005]))
    assert volts[0] == pytest.approx(emf_v - 0.8 * 0.25)
    assert world.energy_ws(np.array([80.0]))[0] == pytest.approx((emf_v - 0.2) * 0.25 * 80)


@pytest.mark.parametrize("kind", ["pwm", "modes", "modes pwm", "sleeping"])
def test_energy_is_the_integral_of_voltage_times_current(kind: str) -> None:
    load = draw_load(kind, np.random.default_rng(8))
    pack = Pack(LI_ION, 0.05, 0.02, 0.5, 0.3, 20.0)
    seconds = 40.0
    world = make_world(load, pack, seconds)
    steps = 2_000_000
    current = brute_force(load, seconds, steps)
    at_s = (np.arange(steps) + 0.5) * seconds / steps
    slow_v, ohm = world.between(at_s)
    energy = ((slow_v - ohm * current) * current).mean() * seconds
    assert world.energy_ws(np.array([seconds]))[0] == pytest.approx(energy, rel=1e-3)


def test_slow_polarisation_settles_with_its_time_constant() -> None:
    """After a step of the current the voltage goes on by slow_ohm x step x (1 - exp(-t / slow_s))."""
    load = Load((Mode(100.0, 0.1), Mode(200.0, 0.4)))
    pack = replace(FLAT, slow_ohm=0.5, slow_s=25.0)
    world = make_world(load, pack, 300.0)
    before, after = (float(world.between(np.array([t]))[0][0]) for t in (100.0, 125.0))
    start = 0.5 * (0.1 + (load.mean_a - 0.1) * np.exp(-100 / 25))
    assert before == pytest.approx(float(FLAT.emf_v(np.zeros(1))[0]) - start, abs=1e-5)
    assert before - after == pytest.approx((0.5 * 0.4 - start) * (1 - np.exp(-1)), rel=5e-3)


@pytest.mark.parametrize("chemistry", CHEMISTRIES, ids=lambda item: item.name)
def test_emf_falls_all_the_way(chemistry: Chemistry) -> None:
    pack = Pack(chemistry, 1.0, 0.0, 0.5, 0.1, 20.0)
    volts = pack.emf_v(np.linspace(0, 3900, 500))
    assert (np.diff(volts) < 0).all()


def test_alkaline_falls_as_the_digitised_sheet_does() -> None:
    """Shape of tests/SOURCES.md B19 (100 mA; 2.5 Ah taken for the cell): within 30 mV of it less R I."""
    hours, volts = np.array(
        [(0.2068, 1.558), (0.875, 1.4829), (2.1299, 1.4138), (3.9493, 1.3624), (7.256, 1.3006)]
    ).T
    pack = Pack(replace(ALKALINE, cells=1), 2.5, 0.0, 0.0, 0.0, 20.0)
    emf_v = pack.emf_v(hours * 0.1 * 3600)
    assert np.abs(emf_v - 0.1 * sum(ALKALINE.ohm) / 2 - volts).max() < 0.06


# Registers: the sheets' own tables.


@pytest.mark.parametrize(
    ("kind", "shunt_counts", "bus_counts"), [("INA219", 2000, 2995), ("INA226", 8000, 9584)]
)
def test_registers_of_the_data_sheets_example(
    kind: str, shunt_counts: int, bus_counts: int
) -> None:
    """10 A over 2 mOhm at 11.98 V: 07D0h and 5D98h >> 3, 1F40h and 2570h (tests/SOURCES.md C1, C4)."""
    board = perfect_board(kind, shunt_ohm=0.002)
    volts = 11.98 + 10 * 0.002
    world = held(10.0, volts)
    found = record(world, board, 0.1, np.random.default_rng(1))
    assert found.current_ma == pytest.approx(np.full(len(found.current_ma), 10_000.0))
    assert found.current_ma[0] * 0.002 / 1e3 / board.sheet.shunt_step_v == pytest.approx(
        shunt_counts
    )
    assert found.bus_v[0] / board.sheet.bus_step_v == pytest.approx(bus_counts)
    # Power of the example by load-side voltage: 119.8 W. Ours is the pack's: 0.2 W more, in the shunt.
    watts = found.energy_mwh[-1] / (found.time_us[-1] / 3.6e9) / 1e3
    assert watts == pytest.approx(120.0)


def test_registers_round_down() -> None:
    """A register holds whole steps: 2.7 steps read 2, -0.3 read -1, where no half step is added."""
    zero = np.zeros(1)
    for amps, counts in ((2.7e-4, 2.0), (-0.3e-4, -1.0)):
        board = replace(perfect_board("INA219"), offset_v=zero)
        found = record(held(amps, 4.0), board, 0.1, np.random.default_rng(1))
        assert found.current_min_ma[0] == found.current_max_ma[0] == pytest.approx(0.1 * counts)


@pytest.mark.parametrize(
    ("full_v", "counts"), [(0.04, 4000), (0.08, 8000), (0.16, 16000), (0.32, 32000)]
)
def test_ranges_of_the_ina219_end_where_the_sheet_says(full_v: float, counts: int) -> None:
    """4000, 8000, 16000, 32000 counts: tests/SOURCES.md C20, from memory."""
    board = draw_boards("INA219", Law.LIMITS, np.random.default_rng(2), 1, full_v=full_v)
    assert end_stops(board)[:2] == (-counts, counts)
    found = record(held(1.5 * full_v / 0.1, 4.0), board, 0.1, np.random.default_rng(1))
    assert found.current_max_ma.max() == pytest.approx(1e3 * full_v / 0.1)
    assert (found.beyond == found.conversions).all()


def test_the_ina226_ends_at_81_92_mv() -> None:
    """tests/SOURCES.md C5."""
    found = record(held(2.0, 4.0), perfect_board("INA226"), 0.1, np.random.default_rng(1))
    assert found.current_max_ma.max() == pytest.approx(819.2, abs=0.03)


@pytest.mark.parametrize(("kind", "half_s"), [("INA219", 532e-6), ("INA226", 588e-6)])
def test_pairs_in_a_second(kind: str, half_s: float) -> None:
    """One conversion of the shunt and one of the bus, each as long as the sheet says (tests/SOURCES.md C3, C5)."""
    found = record(held(0.1, 4.0), perfect_board(kind), 1.0, np.random.default_rng(1))
    assert found.conversions[0] == pytest.approx(1 / (2 * half_s), abs=1.5)


def test_limits_are_those_of_the_sheets_tables() -> None:
    """tests/SOURCES.md C3, C5; rejections tests/SOURCES.md C20, C21, from memory."""
    assert {k: v.most for k, v in INA219.offsets.items()} == {
        0.04: 100e-6,
        0.08: 125e-6,
        0.16: 150e-6,
        0.32: 200e-6,
    }
    assert (INA219.gain.most, INA219.bus_gain.typical) == (0.005, 0.002)
    assert (INA226.gain.most, INA226.bus_offset.most) == (0.001, 7.5e-3)
    assert INA226.offsets[0.08192] == Figure(2.5e-6, 10e-6)
    assert INA219.common.most == pytest.approx(10e-6)  # 100 dB
    assert INA226.common.most == pytest.approx(0.5e-6, rel=0.01)  # 126 dB
    assert INA219.averaged_s == {
        2: 1.06e-3,
        4: 2.13e-3,
        8: 4.26e-3,
        16: 8.51e-3,
        32: 17.02e-3,
        64: 34.05e-3,
        128: 68.10e-3,
    }


# Errors.


def test_limits_are_drawn_as_rectangles() -> None:
    """JCGM 100:2008 4.3.7: between limits a known alone, the standard uncertainty is a / sqrt(3)."""
    values = drawn(Figure(0.1, 1.0), Law.LIMITS, np.random.default_rng(3), MANY)
    assert np.abs(values).max() <= 1.0
    assert values.std() == pytest.approx(1 / np.sqrt(3), rel=0.01)


def test_typical_is_what_two_in_three_keep_to() -> None:
    values = drawn(Figure(0.25, 1.0), Law.TYPICAL, np.random.default_rng(3), MANY)
    assert np.abs(values).max() <= 1.0
    assert (np.abs(values) < 0.25).mean() == pytest.approx(0.683, abs=0.01)


def test_the_gauge_block_of_the_guide() -> None:
    """JCGM 100:2008 H.1 (tests/SOURCES.md C11): u(l) 32 nm of the first order, 34 nm with the second (tests/SOURCES.md C22)."""
    rng = np.random.default_rng(5)

    def rectangle(most: float) -> Floats:
        return drawn(Figure(None, most), Law.LIMITS, rng, MANY)

    standard_nm = 50_000_623 + rng.normal(0, 25, MANY)
    difference_nm = 215 + rng.normal(0, 9.7, MANY)
    expansion = 11.5e-6 + rectangle(2e-6)
    expansions_apart, temperatures_apart = rectangle(1e-6), rectangle(0.05)
    # Its mean known to 0.2 degrees, and a cycle of 0.5 degrees, of which any moment may be met.
    cycle = 0.5 * np.cos(2 * np.pi * rng.uniform(size=MANY))
    temperature = -0.1 + rng.normal(0, 0.2, MANY) + cycle
    length = standard_nm + difference_nm
    length -= standard_nm * (expansions_apart * temperature + expansion * temperatures_apart)
    assert length.mean() == pytest.approx(50_000_838, abs=1)
    assert length.std() == pytest.approx(34, abs=0.7)


@pytest.mark.parametrize("law", list(Law))
@pytest.mark.parametrize("kind", CHIPS)
def test_boards_keep_to_their_sheet(kind: str, law: Law) -> None:
    boards = draw_boards(kind, law, np.random.default_rng(6), 20_000)
    sheet = SHEETS[kind]
    pairs = (
        (boards.offset_v, sheet.offsets[boards.full_v]),
        (boards.gain, sheet.gain),
        (boards.common, sheet.common),
        (boards.bus_gain, sheet.bus_gain),
    )
    for values, figure in pairs:
        assert figure.most is not None
        assert np.abs(values).max() <= figure.most
        assert abs(values.mean()) < 0.03 * figure.most
    assert (np.abs(boards.clock) <= CRYSTAL).mean() == pytest.approx(0.5, abs=0.02)
    assert np.abs(boards.clock).max() <= 0.005


def test_common_mode_and_supply_shift_the_zero_and_the_pins_draw_through_the_shunt() -> None:
    """100 dB: 10 uV per V; 4.5 V instead of 12 V are 75 uV, 0.75 mA over 0.1 ohm. 20 uA + 4.5 V / 320 kOhm = 34 uA."""
    zero = np.zeros(1)
    board = replace(perfect_board("INA219"), offset_v=zero, common=zero + 10e-6)
    off_v = board.shunt_reading_v(zero, zero + 4.5)
    assert off_v[0] == pytest.approx(-75e-6)
    board = replace(board, common=zero, pin_a=zero + 20e-6, pin_siemens=zero + 1 / 320e3)
    assert board.shunt_reading_v(zero, zero + 4.5)[0] / 0.1 == pytest.approx(34.06e-6, rel=1e-3)
    assert board.shunt_reading_v(zero, zero)[0] == 0.0  # pack off: nothing flows
    board = replace(board, pin_a=zero, pin_siemens=zero, supply=zero + 10e-6, supply_v=zero + 5.0)
    assert board.shunt_reading_v(zero, zero + 12)[0] == pytest.approx(17e-6)
