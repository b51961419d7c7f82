"""Packs against published capacity tables, label arithmetic and common practice."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.budget.changes import demand_of, worthwhile_changes
from analysis.budget.edit import TEMPLATE
from analysis.budget.file import parse_budget
from analysis.electric.demand import Demand
from analysis.electric.pack_choice import in_order, judge_pack
from analysis.electric.pack_table import CANDIDATES, mass_g
from analysis.forecast.chemistry_prior import bank_charge_mah
from logger.base.pack import Pack, parse_pack


def _steady(current_ma: float, **changes: Any) -> Demand:
    return replace(Demand(0.0, current_ma, 0.0, 0.0, current_ma, 0.0, 0.0, 0.0), **changes)


# AA alkaline, Ah to 0.1 V per cell at 0.1, 0.5 and 1 A: least and greatest of the cells in a
# cell supplier's published bench table (PowerStream, "Discharge tests of AA batteries"). The floor
# here is 0.8 V per cell, which leaves a few percent in the cells, hence the 8 % below.
AA_TABLE = [(100.0, 2.13, 2.20), (500.0, 1.17, 1.84), (1000.0, 0.83, 1.41)]


@pytest.mark.parametrize(("current_ma", "least_ah", "most_ah"), AA_TABLE)
def test_aa_alkaline_runtime_lies_in_the_published_spread(
    current_ma: float, least_ah: float, most_ah: float
) -> None:
    answer = judge_pack(Pack("alkaline", 1, "AA"), _steady(current_ma), np.random.default_rng(1))
    assert answer.runtime.value is not None
    assert answer.runtime.lower is not None
    assert answer.runtime.upper is not None
    assert 0.92 * least_ah <= answer.runtime.value * current_ma / 1000 <= most_ah * 1.05
    # The interval covers the spread of the table's cells in good part.
    assert answer.runtime.lower * current_ma / 1000 < least_ah * 1.1
    assert answer.runtime.upper * current_ma / 1000 > most_ah * 0.85


def test_power_bank_label_arithmetic() -> None:
    # 10000 mAh at 3.7 V is 37 Wh; at 5 V and 87 %: 37 / 5 x 0.87 = 6.438 Ah (worked by hand).
    assert bank_charge_mah(10000.0) == pytest.approx(6438.0)
    answer = judge_pack(parse_pack("usb-bank", 10000.0), _steady(500.0), np.random.default_rng(1))
    assert answer.runtime.lower is not None
    assert answer.runtime.upper is not None
    # An aged one gives up to a tenth less.
    assert answer.runtime.lower < 6.438 / 0.5 * 0.95 < answer.runtime.upper


def test_packs_of_the_trade() -> None:
    # Three AA 4.5 V, eight AA 12 V, a USB bank 5 V: common practice, no source.
    assert Pack("alkaline", 3, "AA").nominal_v == pytest.approx(4.5)
    assert Pack("alkaline", 8, "AA").nominal_v == pytest.approx(12.0)
    assert Pack("usb-bank").nominal_v == pytest.approx(5.0)


def test_a_coin_cell_cannot_light_a_vest() -> None:
    budget = parse_budget(TEMPLATE)
    answer = judge_pack(
        Pack("lithium-coin", 1, "CR2032"), demand_of(budget, 3.6), np.random.default_rng(1)
    )
    assert not answer.serves
    assert any("Swallowed" in caution for caution in answer.cautions)


def test_peak_that_browns_out_although_the_mean_is_fine() -> None:
    """2.4 A for a moment through three cells at 0.15 to 0.6 ohm: 1 V and more is lost."""
    quiet = _steady(50.0, give_up_v=3.0)
    peaky = replace(quiet, peak_current_ma=2400.0)
    pack = Pack("alkaline", 3, "AA")
    assert judge_pack(pack, quiet, np.random.default_rng(1)).serves
    answer = judge_pack(pack, peaky, np.random.default_rng(1))
    assert any("although the mean is fine" in reason for reason in answer.reasons)


def test_light_load_on_a_power_bank_is_warned_of() -> None:
    answer = judge_pack(parse_pack("usb-bank", 5000.0), _steady(20.0), np.random.default_rng(1))
    assert any("switch off" in caution for caution in answer.cautions)


def test_alkaline_before_lithium_when_both_serve() -> None:
    demand = demand_of(parse_budget(TEMPLATE), 3.6)
    answers = in_order([judge_pack(pack, demand, np.random.default_rng(1)) for pack in CANDIDATES])
    assert answers[0].pack.chemistry == "alkaline"
    serving = [answer.serves for answer in answers]
    assert serving == sorted(serving, reverse=True)
    assert all(answer.reasons for answer in answers if not answer.serves)


def test_cold_and_doubt_widen_and_shorten() -> None:
    pack = Pack("alkaline", 3, "AA")
    warm = judge_pack(pack, _steady(100.0), np.random.default_rng(1)).runtime
    cold = judge_pack(pack, _steady(100.0), np.random.default_rng(1), temperature_c=0.0).runtime
    unsure = judge_pack(pack, _steady(100.0, relative_std=0.3), np.random.default_rng(1)).runtime
    assert cold.value is not None
    assert warm.value is not None
    assert cold.value < 0.85 * warm.value
    assert _width(unsure.lower, unsure.upper) > _width(warm.lower, warm.upper)


def test_changes_are_sorted_and_real() -> None:
    """Each change is reckoned again by hand from the budget with that change in its text."""
    budget = parse_budget(TEMPLATE)
    changes = worthwhile_changes(budget, 3.6)
    gains = [change.gained.value or 0.0 for change in changes]
    assert gains == sorted(gains, reverse=True)
    assert gains[0] > 1.0
    changed = parse_budget(
        TEMPLATE.replace("ride = 0.9, brake = 0.1", "ride = 0.9, brake = 0.05, dark = 0.05")
    )
    demand = replace(demand_of(changed, 3.6), hours=0.0)
    by_hand = judge_pack(changed.pack, demand, np.random.default_rng(0)).runtime.value
    line = next(change for change in changes if "'brake' half as long" in change.words)
    assert line.runtime.value == pytest.approx(by_hand)
    assert not any(
        "microcontroller" in change.words and "brightness" in change.words for change in changes
    )


def test_a_change_is_told_for_the_temperature_that_was_asked() -> None:
    budget = parse_budget(TEMPLATE)
    warm, cold = (
        worthwhile_changes(budget, 3.6, temperature_c=t)[0].runtime for t in (20.0, -15.0)
    )
    assert cold.value is not None
    assert warm.value is not None
    assert cold.value < 0.85 * warm.value


def test_mass_of_what_is_known_only() -> None:
    assert mass_g(Pack("usb-bank")) is None
    assert mass_g(Pack("alkaline", 3, "AA")) == pytest.approx(69.0)


def _width(lower: float | None, upper: float | None) -> float:
    assert lower is not None
    assert upper is not None
    return upper - lower


@pytest.mark.parametrize("kind", ["linear", "buck"])
def test_a_converter_that_steps_down_needs_more_than_its_output(kind: str) -> None:
    """2.4 V of two NiMH cells cannot feed 3.3 V parts, said or not; four alkaline can."""
    text = TEMPLATE.replace('"boost"', f'"{kind}"').replace("output_v = 5.0", "output_v = 3.3")
    text = text.replace(
        "max_v = 5.5                # what its input", "max_v = 7.0  # what its input"
    )
    text = "\n".join(line for line in text.splitlines() if not line.startswith("give_up_v"))
    if kind == "linear":
        text = "\n".join(line for line in text.splitlines() if "efficiency" not in line)
    demand = demand_of(parse_budget(text), 4.0)
    rng = np.random.default_rng(1)
    low = judge_pack(Pack("nimh", 2, "AA"), demand, rng)
    assert any("circuit's cutoff of 3.3 V" in reason for reason in low.reasons)
    assert judge_pack(Pack("alkaline", 4, "AA"), demand, rng).serves


def test_usb_source_under_the_circuit_s_floor() -> None:
    """USB 2.0, 7.2.2 (second-hand): a source may give 4.75 V, so a circuit that stops at 4.8 V is not fed."""
    bank = parse_pack("usb-bank", 10000.0)
    judged = {
        floor_v: judge_pack(bank, _steady(500.0, give_up_v=floor_v), np.random.default_rng(1))
        for floor_v in (4.7, 4.8)
    }
    assert judged[4.7].serves
    assert any("4.75 V" in reason for reason in judged[4.8].reasons)


def test_more_than_a_usb_port_owes_is_told() -> None:
    bank = parse_pack("usb-bank", 10000.0)
    answer = judge_pack(bank, _steady(300.0, peak_current_ma=900.0), np.random.default_rng(1))
    assert any("label must name" in caution for caution in answer.cautions)


def test_sag_at_the_peak_by_hand() -> None:
    """0.5 A more than the mean through three cells of 0.15 ohm: 0.225 V; 0.6 ohm at the end: 0.9 V."""
    answer = judge_pack(
        Pack("alkaline", 3, "AA"), _steady(100.0, peak_current_ma=600.0), np.random.default_rng(1)
    )
    assert answer.sag_v == pytest.approx((0.225, 0.9))
