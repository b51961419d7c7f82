"""Loads: operating points by hand and by an independent solver, pulses, programmes, brown-out."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from firmware_probe.twin.load import (
    ConstantCurrent,
    ConstantPower,
    Converter,
    Draw,
    LoadProgramme,
    LoadState,
    Mode,
    Pulse,
    Pulsed,
    Resistor,
    Step,
    constant_load,
    operating_point,
)


def test_resistor_is_ohms_law() -> None:
    # Voltage divider: 4.5 V behind 0.5 ohm into 22 ohm.
    point = operating_point(4.5, 0.5, Resistor(22.0).draw())
    assert point is not None
    assert point[0] == pytest.approx(4.5 * 22.0 / 22.5)
    assert point[1] == pytest.approx(4.5 / 22.5)


def test_led_resistor_of_the_trade() -> None:
    # R = (Vs - Vf) / I: 5 V, 2.0 V, 20 mA give 150 ohm (SOURCES.md E7, Ohm's law).
    point = operating_point(5.0 - 2.0, 0.0, Resistor(150.0).draw())
    assert point is not None
    assert point[1] == pytest.approx(0.020)


@pytest.mark.slow
def test_sum_of_loads_against_a_root_finder() -> None:
    # scipy.optimize.brentq on the sum of currents, greater root.
    rng = np.random.default_rng(5)
    for _ in range(200):
        emf_v, ohm = rng.uniform(2.0, 6.0), rng.uniform(0.05, 2.0)
        draw = Draw(rng.uniform(0.0, 0.2), rng.uniform(0.0, 0.1), rng.uniform(0.01, 0.8))
        point = operating_point(emf_v, ohm, draw)

        def missing(voltage_v: float, e: float = emf_v, r: float = ohm, d: Draw = draw) -> float:
            return float(
                (e - voltage_v) / r
                - d.current_a
                - d.conductance_s * voltage_v
                - d.power_w / voltage_v
            )

        grid = np.linspace(emf_v, 1e-3, 4000)
        above = [v for v in grid if missing(v) > 0.0]
        if point is None:
            assert not above
            continue
        assert point[0] == pytest.approx(brentq(missing, above[0], emf_v), rel=1e-9)
        assert point[1] == pytest.approx((emf_v - point[0]) / ohm, rel=1e-6)


def test_power_beyond_the_source_has_no_point() -> None:
    # Most power from emf E and R is E^2 / 4 R: 3^2 / 4 = 2.25 W.
    assert operating_point(3.0, 1.0, Draw(power_w=2.2)) is not None
    assert operating_point(3.0, 1.0, Draw(power_w=2.3)) is None


def test_current_beyond_the_short_circuit_current() -> None:
    assert operating_point(3.0, 1.0, Draw(current_a=5.0)) == (0.0, 3.0)
    assert operating_point(0.0, 1.0, Draw(current_a=5.0)) == (0.0, 0.0)


def test_no_resistance_at_all() -> None:
    point = operating_point(5.0, 0.0, Draw(current_a=0.5))
    assert point is not None
    assert point == pytest.approx((5.0, 0.5))


def test_pulse_shares_against_sampling() -> None:
    pulse = Pulse(Draw(1.0), frequency_hz=430.0, duty=0.3, phase=0.2)
    starts_s = np.arange(200) * 1.064e-3
    for start_s in starts_s:
        fine_s = start_s + (np.arange(2000) + 0.5) / 2000 * 532e-6
        sampled = ((fine_s * 430.0 + 0.2) % 1.0 < 0.3).mean()
        assert pulse.share(float(start_s), 532e-6) == pytest.approx(sampled, abs=2e-3)
    assert pulse.share(12.3, 1000.0 / 430.0) == pytest.approx(0.3, abs=1e-9)


def test_pulsed_load_averages_to_its_duty() -> None:
    load = LoadState(constant_load(Pulsed(ConstantCurrent(0.4), 1000.0, 0.25)))
    _, states = load.states(5.0, 0.1)
    current_a, power_w = states.means(0.0, 1.0, 0.0)
    assert current_a == pytest.approx(0.1)
    assert power_w == pytest.approx(0.25 * 0.4 * (5.0 - 0.04))
    pairs_a, pairs_v = states.pair_means(0.0, 5000, 532e-6, 1064e-6)
    assert np.mean(pairs_a) == pytest.approx(0.1, rel=1e-3)
    assert np.mean(pairs_v) == pytest.approx(5.0 - 0.01, rel=1e-4)


def test_two_pulses_multiply_out() -> None:
    parts = (
        ConstantCurrent(0.1),
        Pulsed(ConstantCurrent(0.2), 900.0, 0.5),
        Pulsed(Resistor(10.0), 70.0, 0.2),
    )
    load = LoadState(LoadProgramme((Step(Mode("both", parts), 1.0),)))
    _, states = load.states(5.0, 0.0)
    assert states.current_a.tolist() == pytest.approx([0.1, 0.3, 0.6, 0.8])
    current_a, _ = states.means(0.0, 10.0, 0.0)
    assert current_a == pytest.approx(0.1 + 0.5 * 0.2 + 0.2 * 0.5)


def test_pulse_within_a_pulse_is_refused() -> None:
    with pytest.raises(ValueError, match="another pulsed part"):
        Pulsed(Pulsed(Resistor(1.0), 1.0, 0.5), 2.0, 0.5)
    with pytest.raises(ValueError, match="duty 0 to 1"):
        Pulsed(Resistor(1.0), 1.0, 1.5)


def test_converter_takes_more_current_as_the_pack_sags() -> None:
    converter = Converter(output_v=5.0, efficiency=0.8, quiescent_a=0.0, minimum_v=2.0)
    mode = Mode("on", (ConstantCurrent(0.1),))
    load = LoadState(LoadProgramme((Step(mode, 1.0),), converter=converter))
    _, fresh = load.states(4.5, 0.0)
    _, sagged = load.states(3.0, 0.0)
    # 5 V x 0.1 A / 0.8 = 0.625 W at the input.
    assert fresh.current_a[0] == pytest.approx(0.625 / 4.5)
    assert sagged.current_a[0] == pytest.approx(0.625 / 3.0)


def test_brown_out_and_restart_from_the_beginning() -> None:
    converter = Converter(minimum_v=2.7, restart_v=3.0, restart_delay_s=0.5)
    first, second = Mode("first", (ConstantCurrent(0.05),)), Mode("second", (ConstantCurrent(0.3),))
    load = LoadState(LoadProgramme((Step(first, 10.0), Step(second, 10.0)), converter=converter))
    situation, _ = load.states(3.2, 0.8)
    assert situation.mode == "first"
    load.advance(12.0)
    situation, states = load.states(3.2, 0.8)
    assert (situation.mode, load.brown_outs, situation.left_s) == ("off", 1, 0.5)
    assert states.current_a[0] == pytest.approx(converter.off_current_a)
    load.advance(0.5)
    assert load.states(2.9, 0.8)[0].mode == "off"
    load.advance(0.5)
    assert load.states(3.1, 0.8)[0].mode == "first"
    assert load.time_s == 0.0


def test_brown_out_when_the_power_cannot_be_given() -> None:
    converter = Converter(minimum_v=0.5)
    load = LoadState(
        LoadProgramme((Step(Mode("on", (ConstantCurrent(1.0),)), 1.0),), converter=converter)
    )
    load.states(3.0, 1.0)
    assert load.brown_outs == 1


def test_constant_power_without_converter_collapses() -> None:
    _, states = LoadState(constant_load(ConstantPower(5.0))).states(3.0, 1.0)
    assert (states.voltage_v[0], states.current_a[0]) == (0.0, 3.0)


def test_programme_repeats_or_stays() -> None:
    a, b = Mode("a", ()), Mode("b", ())
    around = LoadProgramme((Step(a, 2.0), Step(b, 3.0)))
    assert [around.at(t)[0].name for t in (0.0, 1.9, 2.0, 4.9, 5.0, 7.5)] == list("aabbab")
    assert around.at(1.5)[1] == pytest.approx(0.5)
    assert around.at(4.0)[1] == pytest.approx(1.0)
    once = LoadProgramme((Step(a, 2.0), Step(b, 3.0)), repeat=False)
    assert once.at(100.0) == (b, math.inf)
    with pytest.raises(ValueError, match="at least one step"):
        LoadProgramme(())
    with pytest.raises(ValueError, match="must be above 0"):
        Step(a, 0.0)


def test_addressable_leds_of_the_vest_draw_what_the_power_model_says() -> None:
    # 5 V addressable LED: red 16, green 11, blue 15 mA, dark 1 mA: an open LED library's measured
    # power model (FastLED, SOURCES.md E1): white 42-43 mA each.
    from firmware_probe.twin.vest import LED_DARK_A, leds

    load = LoadState(LoadProgramme((Step(Mode("white", leds(24, 1.0, 1.0, 1.0)), 1.0),)))
    _, states = load.states(5.0, 0.0)
    current_a, _ = states.means(0.0, 10.0, 0.0)
    assert 0.042 <= current_a / 24 + LED_DARK_A <= 0.0431
