"""Boards, loads and packs of the judge against closed forms, the data sheets' tables and JCGM 100.

Run with ``python -m pytest tests/benchmarks/measurement_judge``; some seconds.
"""

import re
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from logger.board.stream import Fault, Hello, LineDecoder, Window
from tests.benchmarks.measurement_judge.cases import CHIPS, LOADS, draw_case, draw_load
from tests.support.datasheet_boards.bench import reading, steady_world
from tests.support.datasheet_boards.errors import (
    CRYSTAL,
    Boards,
    Law,
    draw_boards,
    drawn,
    perfect_board,
)
from tests.support.datasheet_boards.lines import framed, hello, window_lines
from tests.support.datasheet_boards.loads import Load, Mode, constant
from tests.support.datasheet_boards.packs import (
    ALKALINE,
    CHEMISTRIES,
    LI_ION,
    Chemistry,
    Pack,
    World,
    grid_of,
    make_world,
)
from tests.support.datasheet_boards.record import end_stops, record
from tests.support.datasheet_boards.sheets import INA219, INA226, SHEETS, Figure
from tests.support.datasheet_boards.truth import cutoff_after_s, truth_of

Floats = npt.NDArray[np.float64]

MANY = 100_000
FLAT = Pack(ALKALINE, 1e9, 4e8, 0.8, 0.0, 20.0, growth=0.0)


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
    world = _held(10.0, volts)
    found = record(world, board, 0.1, np.random.default_rng(1))
    assert found.current_ma == pytest.approx(np.full(len(found.current_ma), 10_000.0))
    assert found.current_ma[0] * 0.002 / 1e3 / board.sheet.shunt_step_v == pytest.approx(
        shunt_counts
    )
    assert found.bus_v[0] / board.sheet.bus_step_v == pytest.approx(bus_counts)
    # Power of the example by load-side voltage: 119.8 W. Ours is the pack's: 0.2 W more, in the shunt.
    watts = found.energy_mwh[-1] / (found.time_us[-1] / 3.6e9) / 1e3
    assert watts == pytest.approx(120.0)


def _held(current_a: float, volts: float) -> World:
    """A current at a voltage of the pack, without end."""
    grid_s = grid_of(2.0)
    return World(constant(current_a), FLAT, 2.0, grid_s, volts + 0 * grid_s, 0 * grid_s)


def test_registers_round_down() -> None:
    """A register holds whole steps: 2.7 steps read 2, -0.3 read -1, where no half step is added."""
    zero = np.zeros(1)
    for amps, counts in ((2.7e-4, 2.0), (-0.3e-4, -1.0)):
        board = replace(perfect_board("INA219"), offset_v=zero)
        found = record(_held(amps, 4.0), board, 0.1, np.random.default_rng(1))
        assert found.current_min_ma[0] == found.current_max_ma[0] == pytest.approx(0.1 * counts)


@pytest.mark.parametrize(
    ("full_v", "counts"), [(0.04, 4000), (0.08, 8000), (0.16, 16000), (0.32, 32000)]
)
def test_ranges_of_the_ina219_end_where_the_sheet_says(full_v: float, counts: int) -> None:
    """4000, 8000, 16000, 32000 counts: tests/SOURCES.md C20, from memory."""
    board = draw_boards("INA219", Law.LIMITS, np.random.default_rng(2), 1, full_v=full_v)
    assert end_stops(board)[:2] == (-counts, counts)
    found = record(_held(1.5 * full_v / 0.1, 4.0), board, 0.1, np.random.default_rng(1))
    assert found.current_max_ma.max() == pytest.approx(1e3 * full_v / 0.1)
    assert (found.beyond == found.conversions).all()


def test_the_ina226_ends_at_81_92_mv() -> None:
    """tests/SOURCES.md C5."""
    found = record(_held(2.0, 4.0), perfect_board("INA226"), 0.1, np.random.default_rng(1))
    assert found.current_max_ma.max() == pytest.approx(819.2, abs=0.03)


@pytest.mark.parametrize(("kind", "half_s"), [("INA219", 532e-6), ("INA226", 588e-6)])
def test_pairs_in_a_second(kind: str, half_s: float) -> None:
    """One conversion of the shunt and one of the bus, each as long as the sheet says (tests/SOURCES.md C3, C5)."""
    found = record(_held(0.1, 4.0), perfect_board(kind), 1.0, np.random.default_rng(1))
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
    assert {k: v for k, v in INA219.conversion_s.items() if k > 1} == {
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


# Windows.


def test_energy_of_fast_pulses_reads_high_by_resistance_times_variance() -> None:
    """Conversions far longer than a period see means only: energy is over by R x var(I) x t, charge is right."""
    load = Load((Mode(1.0, 0.02, 0.4, 50_000.0, 0.3),))
    world = make_world(load, FLAT, 60.0)
    found = record(world, perfect_board("INA226", noise_steps=0.7), 1.0, np.random.default_rng(1))
    truth = truth_of(world, found)
    over = (found.energy_mwh[-1] - truth.energy_mwh) * 3.6 / truth.duration_s
    assert over == pytest.approx(0.8 * 0.3 * 0.7 * 0.4**2, rel=0.02)
    assert found.charge_mah[-1] == pytest.approx(truth.charge_mah, rel=1e-3)


@pytest.mark.parametrize("hertz", [137.0, 411.0, 977.0])
def test_energy_of_pulses_by_their_phases(hertz: float) -> None:
    """Of any frequency: expected product over the phase of a pair, integrated by itself."""
    duty, pulse, half_s = 0.4, 0.3, 588e-6
    load = Load((Mode(1.0, 0.0, pulse, hertz, duty),))
    world = make_world(load, FLAT, 240.0)
    found = record(world, perfect_board("INA226", noise_steps=0.7), 1.0, np.random.default_rng(1))
    phase_s = (np.arange(20_000) + 0.5) / 20_000 / hertz
    fine = (np.arange(200) + 0.5) / 200 * half_s

    def mean_a(from_s: Floats) -> Floats:
        inside = (from_s[:, None] + fine[None, :]) * hertz % 1.0 < duty
        return np.asarray(pulse * inside.mean(axis=1))

    shunt, bus = mean_a(phase_s), mean_a(phase_s + half_s)
    emf_v = float(FLAT.emf_v(np.zeros(1))[0])
    pack_v = emf_v - (0.8 + 0.1) * bus + 0.1 * shunt
    watts = found.energy_mwh[-1] / (found.time_us[-1] / 3.6e6)
    assert watts == pytest.approx(float((pack_v * shunt).mean()), rel=2e-3)


def test_windows_leave_no_time_out_and_end_with_a_conversion() -> None:
    case = draw_case("INA219", "pwm", Law.LIMITS, 3)
    found, board = case.windows, case.board
    clock = 1 + board.clock[0]
    assert found.time_us == pytest.approx(np.floor(found.end_s * clock * 1e6), abs=1)
    nominal = 1_000_000 * np.arange(1, len(found.time_us) + 1)
    late_us = found.time_us - nominal
    pair_us = 2 * 532 * (1 + board.conversion[0]) * clock
    assert (late_us >= 0).all()
    assert (late_us <= pair_us + 1).all()
    assert found.conversions.sum() == pytest.approx(
        found.end_s[-1] * 1e6 / (pair_us / clock), abs=1
    )
    assert (found.current_min_ma <= found.current_ma).all()
    assert (found.current_ma <= found.current_max_ma).all()
    assert (found.pack_min_v <= found.pack_v).all()


def test_sums_are_means_times_spans() -> None:
    """PROTOCOL: charge is the sum over windows of mean current times span, energy with the mean of the products."""
    found = draw_case("INA226", "modes", Law.LIMITS, 1).windows
    span_h = np.diff(np.concatenate(([0], found.time_us))) / 3.6e9
    assert found.charge_mah == pytest.approx(np.cumsum(found.current_ma * span_h))
    # A steady mode's product of means is the mean of products, but for noise.
    power = np.diff(np.concatenate(([0.0], found.energy_mwh))) / span_h
    assert np.median(power / (found.pack_v * found.current_ma)) == pytest.approx(1.0, abs=1e-3)


def test_averaging_in_the_chip_spreads_noise_less() -> None:
    """128 conversions in one: 68.10 ms each (tests/SOURCES.md C3), noise by the root of 128."""
    board = replace(perfect_board("INA226", noise_steps=8.0))
    single = record(_held(0.1, 4.0), board, 0.5, np.random.default_rng(1))
    assert single.current_max_ma.max() - single.current_min_ma.min() > 0.5
    board = perfect_board("INA219", noise_steps=8.0)
    world = replace(_held(0.1, 4.0), seconds=1.9)
    mean = record(world, board, 0.5, np.random.default_rng(1), averages=128)
    assert mean.conversions.max() <= 4
    assert mean.current_max_ma.max() - mean.current_min_ma.min() < 8 * 0.1 * 6 / np.sqrt(128) + 0.2


# Truth.


def test_time_to_cutoff_of_a_straight_fall() -> None:
    """EMF falling in a straight line under a constant current: the moment is a quotient."""
    straight = Chemistry("straight", 1, "AA", 1.0, ((0.0, 4.0), (1.0, 3.0)), (0.1, 0.1), 3.2)
    pack = Pack(straight, 0.1, 0.0, 0.5, 0.0, 20.0, growth=0.0)
    world = make_world(constant(0.36), pack, 900.0)  # a thousandth of the charge a second
    moment_s = (4.0 - 0.5 * 0.36 - 3.3) / 1e-3
    assert cutoff_after_s(world, 3.3, 10.0) == pytest.approx(moment_s, abs=0.7)
    assert cutoff_after_s(world, 2.0, 10.0) is None


def test_a_dip_shorter_than_the_hold_is_no_cutoff() -> None:
    load = Load((Mode(60.0, 0.1), Mode(5.0, 0.6), Mode(60.0, 0.1), Mode(30.0, 0.6)))
    world = make_world(load, FLAT, 150.0)
    emf_v = float(FLAT.emf_v(np.zeros(1))[0])
    assert cutoff_after_s(world, emf_v - 0.8 * 0.35, 10.0) == pytest.approx(125.0, abs=1.2)


def test_truth_of_two_modes() -> None:
    load = Load((Mode(30.0, 0.2), Mode(10.0, 0.05)))
    world = make_world(load, FLAT, 400.5)
    found = record(world, perfect_board("INA219"), 1.0, np.random.default_rng(1))
    truth = truth_of(world, found)
    assert truth.mean_ma == pytest.approx(162.5, rel=2e-3)
    assert truth.percentiles_ma == pytest.approx({5.0: 50.0, 50.0: 200.0, 95.0: 200.0}, rel=1e-3)
    assert truth.charge_mah == pytest.approx(truth.mean_ma * truth.duration_s / 3600)


# Bench.


def test_zero_with_the_pack_on_sees_what_the_pack_off_does_not() -> None:
    zero = np.zeros(1)
    board = replace(perfect_board("INA219", noise_steps=0.7), common=zero + 10e-6)
    off, _ = reading(board, None, 0.0, np.random.default_rng(1))
    on, volts = reading(board, FLAT, 0.0, np.random.default_rng(2))
    assert volts == pytest.approx(float(FLAT.emf_v(zero)[0]))
    assert np.mean(on.current_ma) - np.mean(off.current_ma) == pytest.approx(
        1e3 * 10e-6 * volts / 0.1, rel=0.02
    )


def test_a_steady_world_stays() -> None:
    world = steady_world(FLAT, 0.2, 5.0)
    assert np.ptp(world.slow_v) == 0.0


# Lines.


def test_frame_and_hello_of_the_protocol() -> None:
    """CRC-16/XMODEM of 123456789 is 31C3 (tests/SOURCES.md C14)."""
    assert framed("123456789") == b"123456789*31C3\n"
    board = draw_boards("INA226", Law.LIMITS, np.random.default_rng(1), 1)
    (found,) = LineDecoder().feed(hello(board, 100_000))
    assert isinstance(found, Hello)
    assert (found.sensor, found.range_ma, found.bus_range_v) == ("INA226", 819.2, 40.96)


def test_lines_are_read_by_the_tools_own_decoder() -> None:
    load = Load((Mode(2.0, 2.0), Mode(2.0, 0.1)))
    board = draw_boards("INA226", Law.LIMITS, np.random.default_rng(1), 1)
    found = record(make_world(load, FLAT, 10.0), board, 0.5, np.random.default_rng(2))
    lines = b"".join(window_lines(found))
    assert max(map(len, lines.split(b"\n"))) < 300
    assert re.match(rb"fault,\d+,overflow,\d+\*[0-9A-F]{4}\n", lines)
    items = LineDecoder().feed(lines)
    windows = [item for item in items if isinstance(item, Window)]
    assert len(windows) == len(found.time_us)
    assert sum(isinstance(item, Fault) for item in items) == np.count_nonzero(found.beyond)
    assert len(items) == len(windows) + np.count_nonzero(found.beyond)
    last = windows[-1]
    assert last.charge_umah == pytest.approx(found.charge_mah[-1] * 1e6, abs=1)
    assert last.time_us == found.time_us[-1]


def test_one_of_many_boards_is_a_board() -> None:
    boards = draw_boards("INA219", Law.LIMITS, np.random.default_rng(1), 5)
    single: Boards = boards.one(3)
    assert single.gain.shape == (1,)
    assert single.gain[0] == boards.gain[3]
