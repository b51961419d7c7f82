"""What cells are made for, against the limits of their sheets."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.electric.demand import Demand
from analysis.electric.pack_choice import judge_pack
from analysis.electric.pack_table import limits_ma
from logger.base.pack import Pack, parse_pack

QUIET = Demand(0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0)

# Lasting and pulse current (SOURCES.md B21, from memory); the pouch by 1C and 3C of its label.
SHEETS = [
    (Pack("alkaline", 3, "AA"), 1000.0, 2000.0),
    (Pack("lithium-coin", 1, "CR2032"), 3.0, 15.0),
    (Pack("lithium-coin", 1, "CR2450"), 3.0, 15.0),
    (Pack("li-ion", 1, "pouch", 500.0), 500.0, 1500.0),
]


@pytest.mark.parametrize(("pack", "steady_ma", "peak_ma"), SHEETS)
def test_limits_of_the_sheets(pack: Pack, steady_ma: float, peak_ma: float) -> None:
    assert limits_ma(pack) == pytest.approx((steady_ma, peak_ma))


@pytest.mark.parametrize(("pack", "steady_ma", "peak_ma"), SHEETS)
def test_more_than_that_does_not_serve(pack: Pack, steady_ma: float, peak_ma: float) -> None:
    def reasons(**more: float) -> str:
        demand = replace(QUIET, **more)  # type: ignore[arg-type]
        return " ".join(judge_pack(pack, demand, np.random.default_rng(1)).reasons)

    assert reasons(current_ma=0.9 * steady_ma, peak_current_ma=0.9 * peak_ma) == ""
    assert "in pulses" in reasons(peak_current_ma=1.1 * peak_ma)
    assert "for long" in reasons(current_ma=1.1 * steady_ma)


def test_what_is_not_known_is_not_judged() -> None:
    assert limits_ma(Pack("li-ion", 1, "pouch")) is None
    assert limits_ma(parse_pack("usb-bank", 5000.0)) is None


def test_a_pouch_beyond_three_c_is_told_by_its_rate() -> None:
    demand = replace(QUIET, peak_current_ma=2000.0)
    answer = judge_pack(Pack("li-ion", 1, "pouch", 500.0), demand, np.random.default_rng(1))
    assert any("4.0C" in reason for reason in answer.reasons)
