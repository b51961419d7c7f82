"""What the voltage tells of pulses cut by conversions, against rows made of the identity itself: M1 = T + e, M2 = T - e, V = E - R M2."""

from typing import Final

import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal

from analysis.doubt.chance import Luckless, Rows, level_around
from analysis.doubt.cut_pulses import (
    _DEGREE,
    _SMOOTH,
    Chance,
    Luck,
    Resistance,
    _quick,
    luck_of,
)

Floats = npt.NDArray[np.float64]

ROWS: Final = 1500
OHM: Final = 0.5
# One pulse of 400 mA and 2 ms a second, cut by conversions of 0.588 ms: e up to 0.14 mA, about even (see ``row_chance``).
LUCK_MA: Final = 0.14
CHANCE: Final = Chance(0.07, 0.14)
SOURCE: Final = Resistance(OHM, 0.02)
RNG: Final = np.random.default_rng(5)
EVEN_MA: Final = RNG.uniform(-LUCK_MA, LUCK_MA, ROWS)
# A pack's slow fall.
FALL_V: Final[Floats] = 3.6 - 4e-4 * np.arange(ROWS, dtype=np.float64)


def told(
    true_ma: Floats, luck_ma: Floats, emf_v: Floats = FALL_V, noise_v: float = 2e-5
) -> Luck | None:
    return luck_of(true_ma + luck_ma, bus_v(true_ma, luck_ma, emf_v, noise_v), SOURCE, CHANCE)


def bus_v(true_ma: Floats, luck_ma: Floats, emf_v: Floats, noise_v: float) -> Floats:
    noise = np.random.default_rng(8).normal(0, noise_v, len(true_ma))
    return emf_v - 1e-3 * OHM * (true_ma - luck_ma) + noise


def test_luck_is_told_and_what_is_left_as_well() -> None:
    found = told(np.full(ROWS, 10.0), EVEN_MA)
    assert found is not None
    left_ma = float(np.std(found.ma - EVEN_MA))
    assert left_ma < 0.5 * float(np.std(EVEN_MA))
    assert 0.8 * left_ma <= found.left_ma <= 1.6 * left_ma


@pytest.mark.parametrize("step_ma", [0.3, 0.8])
def test_what_the_load_changes_is_no_luck(step_ma: float) -> None:
    """Two pulses in some windows, one in others; a resistance 2 % off makes 1 % of that look like luck."""
    true_ma: Floats = 10.0 + step_ma * RNG.integers(0, 2, ROWS).astype(np.float64)
    found = told(true_ma, np.zeros(ROWS))
    assert found is not None
    assert float(np.abs(found.ma).max()) < 0.2 * step_ma
    with_luck = told(true_ma, EVEN_MA)
    assert with_luck is not None
    assert float(np.std(with_luck.ma - EVEN_MA)) < 0.5 * float(np.std(EVEN_MA))


def test_noise_takes_nothing_off() -> None:
    """Four times as much noise in the voltage as luck: what is left is about all of it."""
    found = told(np.full(ROWS, 10.0), EVEN_MA, noise_v=4e-3 * OHM * LUCK_MA)
    assert found is not None
    assert float(np.std(found.ma)) < 0.5 * float(np.std(EVEN_MA))
    assert found.left_ma > 0.7 * float(np.std(EVEN_MA))


def test_rows_beside_a_bend_of_the_packs_curve_are_not_told() -> None:
    """A pack that falls 25 times as fast from one row to the next: no luck is as great as what that looks like."""
    at = ROWS // 2
    emf_v = FALL_V - 0.01 * np.maximum(np.arange(ROWS) - at, 0)
    found = told(np.full(ROWS, 10.0), EVEN_MA, emf_v)
    assert found is not None
    assert not found.is_told[at - 5 : at + 6].any()
    assert found.is_told[: at - 30].all()
    assert found.is_told[at + 30 :].all()
    far = np.abs(np.arange(ROWS) - at) > 30
    assert float(np.std((found.ma - EVEN_MA)[far])) < 0.5 * float(np.std(EVEN_MA))


def test_a_gentle_bend_is_no_luck() -> None:
    """Three times as fast over a minute, as flat chemistries do: a parabola through 21 rows goes along."""
    emf_v = FALL_V - 8e-4 * 15 * np.logaddexp(0, (np.arange(ROWS) - 750) / 15)
    found = told(np.full(ROWS, 10.0), EVEN_MA, emf_v)
    assert found is not None
    assert found.is_told.all()
    assert float(np.std(found.ma - EVEN_MA)) < 0.5 * float(np.std(EVEN_MA))


def test_too_few_rows_tell_nothing() -> None:
    few = slice(0, 40)
    assert told(np.full(40, 10.0), EVEN_MA[few], FALL_V[few]) is None


@pytest.mark.parametrize("percent", [5.0, 50.0, 95.0])
@pytest.mark.parametrize("share", [0.3, 0.7])
def test_percentiles_are_those_of_the_true_means(share: float, percent: float) -> None:
    """Windows of one pulse and of two: each percentile is one of the two levels, whatever luck made of the rows."""
    true_ma: Floats = 10.8 + 0.8 * (RNG.uniform(size=ROWS) < share).astype(np.float64)
    true_ma += RNG.normal(0, 0.01, ROWS)
    luck_ma = EVEN_MA * np.sqrt((true_ma - 10) / 0.8)
    mean_ma = true_ma + luck_ma
    rows = Rows(
        mean_ma,
        np.full(ROWS, 10.0),
        np.full(ROWS, 410.0),
        np.full(ROWS, 850.0),
        bus_v(true_ma, luck_ma, FALL_V, 2e-5),
    )
    # g of rising and falling edges of 400 mA at the lag of a conversion: n J^2 T / 2.
    between_ma2 = 2 * (1 + share) * 400.0**2 * 0.588e-3 / 2
    known = Luckless(0.1, 0.05, between_ma2, SOURCE)
    read_ma = float(np.percentile(mean_ma, percent, method="inverted_cdf"))
    true = float(np.percentile(true_ma, percent, method="inverted_cdf"))
    found = level_around(read_ma, rows, known)
    assert abs(found.value_ma - true) <= 2.5 * found.scatter_ma + max(found.less_ma, found.more_ma)
    assert found.scatter_ma < 0.08


@pytest.mark.parametrize("rows", [42, 43, 500])
def test_the_parabola_through_the_rows_around_is_that_of_savitzky_and_golay(rows: int) -> None:
    """scipy.signal reckons the same, ends included."""
    values = np.random.default_rng(rows).normal(0, 50, rows) + np.arange(rows) ** 2
    wanted = values - scipy.signal.savgol_filter(values, _SMOOTH, _DEGREE, mode="interp")
    np.testing.assert_allclose(_quick(values), wanted, rtol=0, atol=1e-12 * np.abs(values).max())
