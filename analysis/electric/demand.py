"""What a piece asks of a pack at every voltage of it, and what it stands."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.pack import Pack

Array = npt.NDArray[np.float64]
LEAST_MA: Final = 1e-3


@dataclass(frozen=True)
class Ceiling:
    """The most that may stand on the pack's terminals, and whose limit that is, in words."""

    most_v: float
    words: str


# Sums of decimal figures: 3 x 1.1 V is not over 3.3 V.
SLACK_V: Final = 0.005


def over_ceiling(pack: Pack, ceilings: Sequence[Ceiling]) -> Ceiling | None:
    """The first of the ceilings that the fresh pack is over; None if it keeps all."""
    return next((item for item in ceilings if pack.full_v > item.most_v + SLACK_V), None)


@dataclass(frozen=True)
class LedDraw:
    """Plain LEDs on a resistor that follow the pack: I = ma_per_v (min(V, rail) - forward_v), none under it.

    ``ma_per_v``: over the whole evening, mA at the pack for each volt above ``forward_v``;
    ``peak_ma_per_v``: in the mode of the highest peak. ``rail_v``: where a regulator holds them;
    ``supply_v``: at which the budget reckons their light.
    """

    name: str
    forward_v: float
    ma_per_v: float
    peak_ma_per_v: float
    rail_v: float = np.inf
    supply_v: float = 0.0

    def over_v(self, pack_v: Array) -> Array:
        """Volts above the forward voltage, shape of ``pack_v``."""
        return np.clip(np.minimum(pack_v, self.rail_v) - self.forward_v, 0.0, None)


def way_down_v(pack: Pack, give_up_v: float) -> tuple[float, float]:
    """Pack voltage fresh, and where circuit or cells give up, V."""
    return pack.full_v, min(max(give_up_v, pack.floor_v), pack.full_v)


@dataclass(frozen=True)
class Demand:
    """What the piece asks of a pack.

    ``power_mw``: what passes a switching converter, at the pack's side; ``current_ma``: what does
    not depend on the pack's voltage. ``relative_std``: standard uncertainty of both as a
    fraction. ``peak_power_mw``, ``peak_current_ma``: the same for the shortest peak.
    ``give_up_v``: pack voltage at which the circuit gives up, 0 if not known;
    ``most_v``: voltage it stands at most. ``hours``: how long it must run, 0 if not said.
    ``ceilings``: the same limit by who states it. ``leds``: what follows the pack's voltage.
    ``by_mode``: the same for each mode that lasts, by itself, named; empty where the whole is one mode.
    """

    power_mw: float
    current_ma: float
    relative_std: float
    peak_power_mw: float
    peak_current_ma: float
    give_up_v: float
    most_v: float
    hours: float
    ceilings: tuple[Ceiling, ...] = ()
    leds: tuple[LedDraw, ...] = ()
    by_mode: tuple["Demand", ...] = ()
    name: str = ""

    def current_at_ma(self, pack_v: Array) -> Array:
        """Mean current at these pack voltages (any shape)."""
        lit = sum((led.ma_per_v * led.over_v(pack_v) for led in self.leds), np.zeros_like(pack_v))
        # Never nothing at all: a pack that only LEDs drain would last for ever under their forward voltage.
        return np.maximum(self.current_ma + self.power_mw / pack_v + lit, LEAST_MA)

    def peak_at_ma(self, pack_v: float) -> float:
        lit = sum(led.peak_ma_per_v * float(led.over_v(np.array(pack_v))) for led in self.leds)
        return self.peak_current_ma + self.peak_power_mw / pack_v + lit
