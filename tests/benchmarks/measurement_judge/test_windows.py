"""Windows, truth, bench and lines of the judge's boards against closed forms and the protocol.

Run with ``python -m pytest tests/benchmarks/measurement_judge``; some seconds.
"""

import re
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from logger.board.stream import Fault, Hello, LineDecoder, Window
from tests.benchmarks.measurement_judge.cases import draw_case
from tests.benchmarks.measurement_judge.held import FLAT, held
from tests.support.datasheet_boards.bench import reading, steady_world
from tests.support.datasheet_boards.errors import (
    Boards,
    Law,
    draw_boards,
    perfect_board,
)
from tests.support.datasheet_boards.lines import framed, hello, window_lines
from tests.support.datasheet_boards.loads import Load, Mode, constant
from tests.support.datasheet_boards.packs import (
    Chemistry,
    Pack,
    World,
    make_world,
)
from tests.support.datasheet_boards.record import record, setting
from tests.support.datasheet_boards.sheets import INA219, INA226
from tests.support.datasheet_boards.truth import cutoff_after_s, truth_of

Floats = npt.NDArray[np.float64]

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
    single = record(held(0.1, 4.0), board, 0.5, np.random.default_rng(1))
    assert single.current_max_ma.max() - single.current_min_ma.min() > 0.5
    board = perfect_board("INA219", noise_steps=8.0)
    world = replace(held(0.1, 4.0), seconds=1.9)
    mean = record(world, board, 0.5, np.random.default_rng(1), setting(INA219, averages=128))
    assert mean.conversions.max() <= 4
    assert mean.current_max_ma.max() - mean.current_min_ma.min() < 8 * 0.1 * 6 / np.sqrt(128) + 0.2


def test_a_night_in_parts_is_the_night(monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is kept small by parts of whole windows; without noise nothing of them shows."""
    load = Load((Mode(3.0, 0.02, 0.4, 311.0, 0.3), Mode(2.0, 0.05)))
    world, board = make_world(load, FLAT, 60.0), perfect_board("INA219")
    whole = record(world, board, 1.0, np.random.default_rng(1))
    monkeypatch.setattr("tests.support.datasheet_boards.record._CHUNK", 2000)
    parts = record(world, board, 1.0, np.random.default_rng(1))
    for name in ("time_us", "conversions", "pack_min_v", "current_ma", "charge_mah", "energy_mwh"):
        assert getattr(parts, name) == pytest.approx(getattr(whole, name))


def test_a_window_without_a_conversion_belongs_to_the_next() -> None:
    chosen = setting(INA226, 8.244e-3, 64)
    world = replace(_long(0.1), seconds=20.0)
    found = record(world, perfect_board("INA226"), 0.5, np.random.default_rng(1), chosen)
    assert (found.conversions >= 1).all()
    assert np.diff(found.time_us) == pytest.approx(2 * 8.244e-3 * 64 * 1e6, abs=2)


def _long(current_a: float) -> World:
    return make_world(constant(current_a), FLAT, 20.0)


@pytest.mark.parametrize("averages", [1, 4, 16])
@pytest.mark.parametrize("conversion_s", [140e-6, 332e-6, 1.1e-3])
def test_the_ina226_averages_by_turns(conversion_s: float, averages: int) -> None:
    """A pair takes 2 x conversion x averages."""
    chosen = setting(INA226, conversion_s, averages)
    found = record(held(0.1, 4.0), perfect_board("INA226"), 0.5, np.random.default_rng(1), chosen)
    pair_s = 2 * conversion_s * averages
    assert found.conversions.sum() == pytest.approx(found.end_s[-1] / pair_s, abs=1e-6)
    assert found.current_ma == pytest.approx(np.full(len(found.current_ma), 100.0), abs=0.03)


def test_what_a_chip_cannot_be_set_to_is_refused() -> None:
    with pytest.raises(ValueError, match="INA226 has no"):
        setting(INA226, 100e-6)
    with pytest.raises(ValueError, match="INA219 has no"):
        setting(INA219, averages=3)


# Truth.


def test_time_to_cutoff_of_a_straight_fall() -> None:
    """EMF falling in a straight line under a constant current: the moment is a quotient."""
    straight = Chemistry("straight", 1, "AA", 1.0, ((0.0, 4.0), (1.0, 3.0)), (0.1, 0.1), 3.2)
    pack = Pack(straight, 0.1, 0.0, 0.5, 0.0, 20.0, growth=0.0)
    world = make_world(constant(0.36), pack, 900.0)  # a thousandth of the charge a second
    moment_s = (4.0 - 0.5 * 0.36 - 3.3) / 1e-3
    assert cutoff_after_s(world, 3.3, 10.0) == pytest.approx(moment_s, abs=0.11)
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
