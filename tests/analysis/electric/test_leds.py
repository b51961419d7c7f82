"""Currents of LEDs against worked examples and a published power model."""

import pytest

from analysis.electric.leds import (
    PIXEL_MEASURED,
    PIXEL_PLANNING,
    led_current_ma,
    pixel_current_ma,
)


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
