"""A pack measured behind a linear regulator: seen, kept in mind when it lets go, answered with a bound only.

The volts are closed forms: the output stands at its set value while the pack, a straight line, is higher than the
set value and the drop I R across the pass element; below that it follows the pack.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.doubt.quantity import Quantity
from analysis.forecast.by_charge import charge_left, usable_share
from analysis.forecast.chemistry_prior import capacity_prior
from analysis.forecast.forecast import LOOKS_REGULATED, Forecast, forecast
from analysis.forecast.live import _is_much_drawn
from analysis.forecast.of_run import _too_much
from analysis.forecast.words import forecast_line
from analysis.run.history import History
from logger.base.pack import Pack

Array = NDArray[np.float64]
PACK = Pack("alkaline", 3, "AA", 2200.0)
SET_V = 3.3
LIFE_S = 60_000.0


def behind_regulator(
    until_s: float, fresh: bool | None = None, ohm: float = 2.0, celsius: float | None = None
) -> Forecast:
    """4.5 to 3.0 V over the life, 60 mA and every fourth minute 240 mA; asked at ``until_s``."""
    time_s = np.arange(20.0, until_s, 20.0)
    current_ma = np.where(time_s % 240 < 60, 240.0, 60.0)
    output_v = np.minimum(SET_V, 4.5 - 1.5 * time_s / LIFE_S - ohm * current_ma / 1e3)
    history = History(10.0)
    history.add(time_s, output_v + 0.0005 * (np.arange(len(time_s)) % 3 - 1), current_ma)
    return forecast(history.bins(), PACK, 2.9, 10.0, fresh=fresh, temperature_c=celsius)


def no_interval(found: Forecast) -> bool:
    return all(item.value is None and item.upper is None for item in found.cutoff_time)


@pytest.mark.parametrize("fresh", [None, True, False])
def test_a_regulated_output_gets_a_bound_and_no_interval(fresh: bool | None) -> None:
    found = behind_regulator(25_000.0, fresh)
    assert no_interval(found)
    assert not len(found.draws_s)
    assert found.at_least_s is not None
    assert found.now_s < found.at_least_s
    told = next(text for text in found.warnings if text.startswith(LOOKS_REGULATED))
    assert "3.30 V within" in told


# Light draws let go at 0.72 of the life (4.5 - 1.5 x = 3.42), heavy ones at 0.48 (3.78).
@pytest.mark.parametrize("gone", [0.55, 0.65, 0.72])
def test_it_stays_seen_when_the_regulator_lets_go(gone: float) -> None:
    found = behind_regulator(gone * LIFE_S)
    assert no_interval(found)
    assert found.why.startswith("regulated output that has begun to fall")
    assert any("3.30 V within" in text for text in found.warnings)
    assert "at least" in forecast_line(found) or "at any moment" in forecast_line(found)
    # heavy draws reach 2.9 V when the pack is at 3.38 V
    assert found.at_least_s is not None
    assert found.now_s <= found.at_least_s <= LIFE_S * (4.5 - 3.38) / 1.5


def test_it_is_forgotten_when_the_fall_has_lasted_longer_than_the_stand() -> None:
    time_s = np.arange(20.0, 30_000.0, 20.0)
    volts = np.where(time_s < 8_000, 4.2, 4.2 - 1.0 * (time_s - 8_000) / 30_000)
    history = History(10.0)
    history.add(time_s, volts, np.full(len(time_s), 150.0))
    found = forecast(history.bins(), PACK, 2.9, 10.0)
    assert not any(text.startswith(LOOKS_REGULATED) for text in found.warnings)


def test_a_linear_regulator_leaves_charge_in_the_pack() -> None:
    rng = np.random.default_rng(1)
    prior = capacity_prior(PACK, 100.0)
    high, low = (usable_share(PACK, prior, volts, 100.0, rng) for volts in (3.9, 2.8))
    assert np.quantile(high, 0.25) < np.quantile(low, 0.25) < 1.0
    # a boosted output, above what fresh cells give, tells nothing of that: half the belief stays at all of it
    assert np.quantile(high, 0.75) == 1.0
    least = [
        np.quantile(charge_left(prior, 300.0, False, True, rng, usable), 0.045)
        for usable in (None, high)
    ]
    assert least[1] < least[0]


def test_a_cold_pack_gives_less_before_its_regulator_lets_go() -> None:
    # makers' sheets, from memory: alkaline at 0 C gives at most 0.85 of its charge at a moderate draw
    warm, cold = (behind_regulator(12_000.0, True, celsius=told) for told in (22.0, 0.0))
    assert warm.at_least_s is not None
    assert cold.at_least_s is not None
    assert no_interval(cold)
    assert cold.at_least_s - cold.now_s < 0.85 * (warm.at_least_s - warm.now_s)


def test_what_is_too_much_of_a_pack_depends_on_its_temperature() -> None:
    found = forecast_of(2_500.0)
    assert not _too_much(found, PACK, 22.0)
    assert "do not rely on it" in _too_much(found, PACK, -15.0)
    drawn = forecast_of(1_500.0, drawn_mah=300.0)
    assert not _is_much_drawn(drawn, PACK, 22.0)
    assert _is_much_drawn(drawn, PACK, -15.0)


def forecast_of(capacity_mah: float, drawn_mah: float = 500.0) -> Forecast:
    """As of ten hours, by the chemistry's curve."""
    return replace(
        forecast(History(10.0).bins(), PACK, 2.9, 10.0),
        basis="curve",
        now_s=36_000.0,
        drawn=Quantity(drawn_mah, "mAh"),
        capacity_mah=Quantity(capacity_mah, "mAh"),
    )
