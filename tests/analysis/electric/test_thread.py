"""Heat of a conductive thread by Joule's law."""

import pytest

from analysis.electric.thread import THREAD_W_PER_M, heat_w_per_m


def test_heat_per_metre_by_hand() -> None:
    # 90 ohm/m at 50 mA: 90 x 0.0025 = 0.225 W/m; 100 mA: four times that.
    assert heat_w_per_m(90.0, 50.0) == pytest.approx(0.225)
    assert heat_w_per_m(90.0, 100.0) == pytest.approx(0.9)
    assert heat_w_per_m(90.0, 50.0) < THREAD_W_PER_M < heat_w_per_m(90.0, 100.0)
