"""Current of light-emitting diodes: plain ones on a resistor, addressable ones by colour."""

from dataclasses import dataclass
from typing import Final

_LEVELS: Final = 255.0


@dataclass(frozen=True)
class PixelCurrents:
    """Current of one addressable pixel with each colour full on, and dark, mA."""

    red_ma: float
    green_ma: float
    blue_ma: float
    dark_ma: float


# Measured power model of an open LED library for 5 V addressable pixels (SOURCES.md E1): white 43 mA.
PIXEL_MEASURED: Final = PixelCurrents(16.0, 11.0, 15.0, 1.0)
# Planning figure: 60 mA full white, 1 mA dark (common practice, no source).
PIXEL_PLANNING: Final = PixelCurrents(59 / 3, 59 / 3, 59 / 3, 1.0)
# Supply that addressable 5 V pixels stand (SOURCES.md E2).
PIXEL_MOST_V: Final = 5.3


def pixel_current_ma(
    red: float,
    green: float,
    blue: float,
    brightness: float = 1.0,
    currents: PixelCurrents = PIXEL_MEASURED,
) -> float:
    """Mean current of one addressable pixel showing a colour, mA.

    ``red``, ``green``, ``blue``: levels 0 to 255; ``brightness``: 0 to 1. Pixels dim by
    pulse width, so the mean current follows the level in a straight line.
    Raises ValueError outside these ranges.
    """
    for name, level in (("red", red), ("green", green), ("blue", blue)):
        if not 0 <= level <= _LEVELS:
            raise ValueError(f"{name} level {level:g} is not between 0 and 255")
    if not 0 <= brightness <= 1:
        raise ValueError(f"brightness {brightness:g} is not between 0 and 1")
    lit = red * currents.red_ma + green * currents.green_ma + blue * currents.blue_ma
    return currents.dark_ma + brightness * lit / _LEVELS


def led_current_ma(supply_v: float, forward_v: float, resistor_ohm: float) -> float:
    """Current of a plain LED behind its series resistor, mA: I = (Vs - Vf) / R (Ohm's law).

    ``forward_v``: of all LEDs in the row together. Raises ValueError if the supply is not above it.
    """
    if supply_v <= forward_v:
        raise ValueError(
            f"a supply of {supply_v:g} V cannot drive LEDs with a forward voltage of {forward_v:g} V"
        )
    return 1000.0 * (supply_v - forward_v) / resistor_ohm
