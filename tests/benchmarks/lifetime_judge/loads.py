"""What a piece draws at a voltage, and how bright it is: closed forms of the common circuits.

`draw_a(v_v, level)` in A at the pack's terminals, `light(v_v)` relative to its own full light.
`level` is the brightness asked for (1 = usual).
"""

from dataclasses import dataclass
from typing import Protocol


class Load(Protocol):
    """A circuit on the pack."""

    def draw_a(self, v_v: float, level: float) -> float: ...

    def light(self, v_v: float) -> float: ...


@dataclass(frozen=True)
class Resistor:
    """Ohm's law."""

    r_ohm: float

    def draw_a(self, v_v: float, level: float) -> float:
        return level * max(v_v, 0.0) / self.r_ohm

    def light(self, v_v: float) -> float:
        return 1.0


@dataclass(frozen=True)
class Converter:
    """Switching converter: P/(efficiency V), efficiency a little lower at low input; limited."""

    power_w: float
    limit_a: float
    nominal_v: float

    def draw_a(self, v_v: float, level: float) -> float:
        volts = max(v_v, 0.05)
        efficiency = 0.9 - 0.1 * max(0.0, 1 - volts / self.nominal_v)
        return min(level * self.power_w / (efficiency * volts), self.limit_a)

    def light(self, v_v: float) -> float:
        return 1.0


@dataclass(frozen=True)
class Regulator:
    """Linear regulator: constant current until drop-out, then LEDs with resistors on what is left.

    I = i_a min(1, (V - drop - vf)/(vreg - vf)).
    """

    i_a: float
    vreg_v: float
    drop_v: float
    forward_v: float

    def share(self, v_v: float) -> float:
        left = (v_v - self.drop_v - self.forward_v) / (self.vreg_v - self.forward_v)
        return min(1.0, max(left, 0.0))

    def draw_a(self, v_v: float, level: float) -> float:
        return self.i_a * (0.003 + level * self.share(v_v))

    def light(self, v_v: float) -> float:
        return self.share(v_v)


@dataclass(frozen=True)
class LedString:
    """LEDs with series resistors straight on the pack: I = (V - vf)/R, never negative."""

    forward_v: float
    r_ohm: float

    def draw_a(self, v_v: float, level: float) -> float:
        return level * max(v_v - self.forward_v, 0.0) / self.r_ohm

    def light(self, v_v: float) -> float:
        return max(v_v - self.forward_v, 0.0)


@dataclass(frozen=True)
class Addressable:
    """Pixels of three channels: 16/11/15 mA red/green/blue, 1 mA dark (a published power model).

    A channel is a current sink: full above forward + headroom, then linear down to the forward
    voltage: blue and green (3.0 V) go first, red (2.0 V) stays. Forward voltages and luminous
    weights (0.3, 0.6, 0.1) from memory.
    """

    pixels: float
    mix: tuple[float, float, float]
    headroom_v: float

    def _shares(self, v_v: float) -> tuple[float, float]:
        red = min(1.0, max((v_v - 2.0) / self.headroom_v, 0.0))
        blue = min(1.0, max((v_v - 2.9) / self.headroom_v, 0.0))
        return red, blue

    def draw_a(self, v_v: float, level: float) -> float:
        red, blue = self._shares(v_v)
        r, g, b = self.mix
        return self.pixels * 1e-3 * (1 + level * (16 * r * red + (11 * g + 15 * b) * blue))

    def light(self, v_v: float) -> float:
        red, blue = self._shares(v_v)
        r, g, b = self.mix
        return 0.3 * r * red + (0.6 * g + 0.1 * b) * blue


def meet(load: Load, source_v: float, r_ohm: float, level: float, guess_a: float) -> float:
    """Current in A where the load's draw meets the source, by two Steffensen steps."""
    current = guess_a
    for _ in range(2):
        first = load.draw_a(source_v - current * r_ohm, level)
        change = first - current
        if abs(change) <= 1e-3 * first:
            return first
        second = load.draw_a(source_v - first * r_ohm, level)
        bend = second - 2 * first + current
        current = first if bend == 0 else current - change * change / bend
        current = min(max(current, 0.0), source_v / r_ohm)
    return current
