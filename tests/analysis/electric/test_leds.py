"""Currents of LEDs against worked examples and a published power model."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.budget.changes import demand_of
from analysis.budget.estimate import estimate_mode
from analysis.budget.file import parse_budget
from analysis.budget.story import tell_budget
from analysis.budget.words import short_sentences
from analysis.electric.leds import (
    PIXEL_MEASURED,
    PIXEL_PLANNING,
    led_current_ma,
    pixel_current_ma,
)
from analysis.electric.pack_choice import judge_measured
from logger.base.pack import Pack


def test_leds_behind_series_resistors() -> None:
    # Ohm's law, worked examples of the trade: 5 V, 2.0 V, 20 mA take 150 ohm; 3.0 V, 1.8 V, 5 mA 240 ohm.
    assert led_current_ma(5.0, 2.0, 150.0) == pytest.approx(20.0)
    assert led_current_ma(3.0, 1.8, 240.0) == pytest.approx(5.0)
    with pytest.raises(ValueError, match="cannot drive"):
        led_current_ma(1.5, 2.0, 100.0)


def test_pixel_white_and_dark() -> None:
    # An open LED library's measured power model: red 16, green 11, blue 15, dark 1, white 42-43 mA.
    assert 42.0 <= pixel_current_ma(255, 255, 255, currents=PIXEL_MEASURED) <= 43.0
    # Planning figure 60 mA white, 1 mA dark: common practice, no source.
    assert pixel_current_ma(255, 255, 255, currents=PIXEL_PLANNING) == pytest.approx(60.0)
    assert pixel_current_ma(0, 0, 0) == 1.0
    with pytest.raises(ValueError, match="brightness"):
        pixel_current_ma(1, 1, 1, brightness=40)


TAIL_LIGHT = """\
[piece]
name = "Tail light"
max_v = 7

[supply]
pack = "3x AA alkaline"

[[part]]
name = "tail"
quantity = 4
source = "data sheet"
[part.led.on]
forward_v = 2.0
resistor_ohm = 125

[[mode]]
name = "on"
hours = 20
parts.tail = "on"
"""


@pytest.mark.parametrize("pack_v", [4.5, 3.6, 3.0, 2.4, 1.8])
def test_plain_leds_draw_by_ohm_s_law_at_every_voltage(pack_v: float) -> None:
    """Four rows of (V - 2.0) / 125 ohm each (Ohm's law), none under the forward voltage."""
    budget = parse_budget(TAIL_LIGHT)
    by_hand = 4 * 1000 * max(pack_v - 2.0, 0.0) / 125
    assert estimate_mode(budget, budget.modes[0], pack_v).current.value == pytest.approx(by_hand)
    demand = demand_of(budget, 3.6)
    assert demand.current_at_ma(np.array([pack_v]))[0] == pytest.approx(by_hand, abs=2e-3)


def test_wire_in_row_with_plain_leds() -> None:
    """All four share 2 x 8 m of 30 AWG, 338.58 ohm/km: 5.417 ohm in row with 125 / 4 (Ohm's law)."""
    wire = '\n[[wire]]\nname = "long"\ngauge_awg = 30\nlength_m = 8\ncarries = ["tail"]\n'
    budget = parse_budget(TAIL_LIGHT + wire)
    by_hand = 1000 * (3.6 - 2.0) / (125 / 4 + 16 * 0.33858)
    assert estimate_mode(budget, budget.modes[0], 3.6).current.value == pytest.approx(
        by_hand, rel=1e-3
    )


def test_a_boost_converter_holds_plain_leds_and_a_regulator_until_its_output() -> None:
    def drawn_ma(converter: str, pack_v: float) -> float:
        text = TAIL_LIGHT.replace('alkaline"', f'alkaline"\nconverter = {converter}')
        budget = parse_budget(text)
        return estimate_mode(budget, budget.modes[0], pack_v).current.value or 0.0

    boost = '"boost"\noutput_v = 5\nefficiency_percent = 100'
    # 4 x 24 mA at 5 V as power: 480 mW.
    assert drawn_ma(boost, 3.0) == pytest.approx(480 / 3.0)
    linear = '"linear"\noutput_v = 3\nmax_v = 7'
    assert drawn_ma(linear, 4.5) == drawn_ma(linear, 3.2) == pytest.approx(32.0)
    assert drawn_ma(linear, 2.5) == pytest.approx(16.0)


def test_half_light_on_a_measured_pack_by_hand() -> None:
    """A pack that falls from 4.0 to 2.0 V in a straight line of its charge, 1000 mAh, feeds (V - 2) 32 mA/V.

    Half the light at 3.0 V, after half the charge q. dq/dt = 32 (4 - 2 q / 1000 - 2): t = 1000 / 64 ln(1 / (1 - q / 1000)),
    10.83 h for q = 500. Down to the cells' floor of 2.4 V, 800 mAh: 25.1 h.
    """
    demand = replace(demand_of(parse_budget(TAIL_LIGHT), 3.6), hours=0.0, give_up_v=2.25)
    charge = np.linspace(0, 1000, 2001)
    answer = judge_measured(
        Pack("alkaline", 3, "AA"), charge, 4 - 2 * charge / 1000, demand, np.random.default_rng(1),
        charge_std=0.0, name="straight",
    )  # fmt: skip
    assert answer.half_light.value == pytest.approx(1000 / 64 * np.log(2), rel=0.03)
    assert answer.runtime.value == pytest.approx(1000 / 64 * np.log(5), rel=0.03)


def test_half_light_is_told_and_too_dim_a_pack_refused() -> None:
    story = tell_budget(parse_budget(TAIL_LIGHT))
    light, runtime = story.packs[0].half_light, story.packs[0].runtime
    assert light.value is not None
    assert runtime.value is not None
    assert light.value < runtime.value
    assert any("half their light after" in sentence for sentence in short_sentences(story))
    two = next(item for item in story.packs if str(item.pack) == "2x AA alkaline")
    # (3.0 - 2.0) of (4.5 - 2.0): 40 %.
    assert "at 40 %" in two.reasons[0]
