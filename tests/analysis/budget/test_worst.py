"""Where on the pack's way down most is drawn: by energy conservation and Ohm's law, worked by hand."""

from dataclasses import replace

import pytest

from analysis.budget.changes import demand_of
from analysis.budget.file import parse_budget
from analysis.budget.hazards import hazard_warnings
from analysis.budget.story import tell_budget
from analysis.budget.told import budget_json
from analysis.budget.worst import worst_drop_v, worst_lasting_ma, worst_peak_ma, worst_regulator_mw
from logger.base.errors import BenchError

BOOSTED = """\
[piece]
name = "collar"
give_up_v = 2.4

[supply]
pack = "3x AA alkaline"
converter = "boost"
output_v = 5.0
efficiency_percent = 80
max_v = 5.5
holder_max_ma = 510

[[part]]
name = "strip"
max_v = 5.5
[part.current_ma]
on = 192
dim = 10

[[wire]]
name = "leads"
gauge_awg = 26
length_m = 0.5
carries = ["pack"]

[[mode]]
name = "dim"
hours = 3
parts.strip = "dim"

[[mode]]
name = "lit"
hours = 1
parts.strip = "on"
"""
PLAIN = """\
[piece]
name = "tag"

[supply]
pack = "3x AA alkaline"
switch_max_ma = 100

[[part]]
name = "LEDs"
quantity = 4
[part.led.on]
forward_v = 2.0
resistor_ohm = 100

[[mode]]
name = "lit"
hours = 1
parts.LEDs = "on"
"""
REGULATED = """\
[piece]
name = "cap"

[supply]
pack = "4x AA alkaline"
converter = "linear"
output_v = 3.3
max_v = 12

[[part]]
name = "display"
max_v = 3.6
[part.current_ma]
on = 100

[[mode]]
name = "on"
hours = 1
parts.display = "on"
"""


def test_a_boost_draws_most_from_the_lowest_pack() -> None:
    """192 mA at 5 V and 80 %: 1.2 W, 500 mA at 2.4 V and 267 mA at 4.5 V."""
    budget = parse_budget(BOOSTED)
    worst = worst_peak_ma(budget)
    assert (worst.mode, worst.pack_v, worst.when) == ("lit", 2.4, "with the pack down to 2.4 V")
    assert worst.value == pytest.approx(500)
    assert hazard_warnings(budget) == ()
    (text,) = hazard_warnings(parse_budget(BOOSTED.replace("max_ma = 510", "max_ma = 400")))
    assert (
        "At the peak of lit, with the pack down to 2.4 V, the battery holder carries 500 mA" in text
    )
    assert "Local codes" in text


def test_the_leads_of_the_pack_carry_all_of_it() -> None:
    """0.5 A through 1 m of 26 AWG, 133.89 ohm/km (SOURCES.md D2)."""
    budget = parse_budget(BOOSTED)
    assert worst_lasting_ma(budget, budget.wires[0]).value == pytest.approx(500)
    assert worst_drop_v(budget, budget.wires[0]).value == pytest.approx(0.5 * 0.13389, rel=1e-3)
    with pytest.raises(BenchError, match="all that the pack gives"):
        parse_budget(BOOSTED.replace('["pack"]', '["pack", "strip"]'))


def test_the_peak_against_the_cells_is_that_against_the_holder() -> None:
    """A motor of 2 A straight from the pack beside 300 mA behind the boost: 300 x 5 / (0.8 V) mA, and 2 A at any voltage."""
    motor = '\n[[part]]\nname = "motor"\nsupply = "pack"\n[part.current_ma]\non = 2000\n\n[[wire]]'
    text = BOOSTED.replace("\n[[wire]]", motor).replace("on = 192", "on = 300")
    text = text.replace('parts.strip = "on"', 'parts.strip = "on"\nparts.motor = "on"')
    budget = parse_budget(text.replace("3x AA alkaline", "1x 18650 li-ion"))
    assert worst_peak_ma(budget).value == pytest.approx(625 + 2000)  # 18650 cells stop at 3.0 V
    demand = demand_of(budget, 3.6)
    assert demand.peak_at_ma(3.0) == pytest.approx(625 + 2000)
    assert demand.peak_at_ma(5.0) == pytest.approx(375 + 2000)


def test_the_mode_of_the_peak_is_that_at_the_worst_end() -> None:
    """A motor of 350 mA in a mode of its own: more than the 1.2 W at 3.6 V (333 mA), less than at 2.4 V (500 mA)."""
    motor = '\n[[part]]\nname = "motor"\nsupply = "pack"\n[part.current_ma]\non = 350\n\n[[wire]]'
    text = BOOSTED.replace("\n[[wire]]", motor)
    text += '[[mode]]\nname = "buzz"\nhours = 1\nparts.motor = "on"\n'
    budget = parse_budget(text)
    assert worst_peak_ma(budget).value == pytest.approx(500)
    assert demand_of(budget, 3.6).peak_at_ma(2.4) == pytest.approx(500)


def test_peaks_and_fuse_go_by_what_a_run_has_corrected() -> None:
    """240 mA at 5 V and 80 %: 625 mA at 2.4 V, where the budget says 500 mA; 1.5 times that is 938 mA: 1 A (22 AWG: SOURCES.md D2)."""
    text = BOOSTED.replace("holder_max_ma = 510\n", "").replace("gauge_awg = 26", "gauge_awg = 22")
    story = tell_budget(parse_budget(text))
    assert budget_json(story)["fuse"]["rated"]["value"] == 800
    found = budget_json(replace(story, corrected=parse_budget(text.replace("192", "240"))))
    assert found["peak_current"]["lit"]["value"] == pytest.approx(625)
    assert found["wire_drop"]["lit"]["leads"]["value"] == pytest.approx(0.625 * 0.05295, rel=1e-3)
    assert found["fuse"]["rated"]["value"] == 1000


def test_plain_leds_draw_most_from_the_fresh_pack() -> None:
    """4 x (4.95 - 2) / 100 = 118 mA at 1.65 V a cell, 100 mA at 4.5 V."""
    budget = parse_budget(PLAIN)
    worst = worst_peak_ma(budget)
    assert worst.value == pytest.approx(118)
    assert worst.when == "from the fresh pack (4.95 V)"
    (text,) = hazard_warnings(budget)
    assert "118 mA, over the 100 mA" in text


def test_heat_of_a_linear_regulator() -> None:
    """(6.6 - 3.3) V x 100 mA = 0.33 W; at 160 mA 0.53 W, more than a small package stands (SOURCES.md E9)."""
    assert worst_regulator_mw(parse_budget(REGULATED)).value == pytest.approx(330)
    assert hazard_warnings(parse_budget(REGULATED)) == ()
    (text,) = hazard_warnings(parse_budget(REGULATED.replace("on = 100", "on = 160")))
    assert "turns 0.53 W into heat in on, from the fresh pack (6.60 V), over the 0.4 W" in text
    assert "from memory" in text
    stated = REGULATED.replace("max_v = 12", "max_v = 12\nregulator_max_mw = 300")
    (text,) = hazard_warnings(parse_budget(stated))
    assert "over the 0.3 W" in text
    assert "as the budget states" in text
    with pytest.raises(BenchError, match="there is none"):
        parse_budget(BOOSTED.replace("max_v = 5.5", "max_v = 5.5\nregulator_max_mw = 300", 1))


def test_a_mode_that_lasts_is_held_against_the_cells_not_the_mean_of_the_evening() -> None:
    """1.2 W for an hour from 300 mAh at 3.0 V: 400 mA, 1.33C (SOURCES.md B21: 1C); the evening's mean is under a third of it."""
    text = BOOSTED.replace('"3x AA alkaline"', '"1x pouch li-ion"\ncapacity_mah = 300')
    demand = demand_of(parse_budget(text), 3.7)
    assert [mode.name for mode in demand.by_mode] == ["dim", "lit"]
    (reason, *_) = tell_budget(parse_budget(text)).packs[0].reasons
    assert reason.startswith('the mean in "lit" of 400 mA (1.3C) at 3.0 V is over the 300 mA')
