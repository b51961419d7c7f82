"""Parts of the third sealed set: packs, a charge pump, a motor that stalls, a cell that reverses.

All figures from memory of data sheets and handbooks; ranges are drawn wide.
"""

from dataclasses import dataclass, replace
from math import exp, inf
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.bench import CHAT, uniform
from tests.benchmarks.lifetime_judge.engine import FLOATS, Supervisor
from tests.benchmarks.lifetime_judge.packs import (
    ALKALINE_3,
    COIN,
    DEPTH_END,
    GRID,
    LITHIUM_POUCH,
    NIMH_3,
    Pack,
    PackKind,
)
from tests.benchmarks.lifetime_judge.second_parts import RNG, Moments
from tests.benchmarks.lifetime_judge.truth import PieceRun

ALKALINE_2: Final = replace(
    ALKALINE_3, name="alkaline AA x2", cells=2, nominal_v=3.0, floor_v=1.6, draw_ma=(50, 300),
    lockout_v=(1.75, 2.2), brownout_v=(1.75, 2.1),
)  # fmt: skip
NIMH_4: Final = replace(
    NIMH_3, name="NiMH AA x4", cells=4, nominal_v=4.8, floor_v=4.0, lockout_v=(3.6, 4.45),
    brownout_v=(3.5, 4.3),
)  # fmt: skip
LI_ION_2S: Final = replace(
    LITHIUM_POUCH, name="Li-ion 2s", cells=2, nominal_v=7.4, floor_v=6.0, draw_ma=(40, 350),
    lockout_v=(5.8, 6.7), brownout_v=(5.7, 6.4), protection_v=None,
)  # fmt: skip
THIRD_PACKS: Final = (ALKALINE_3, ALKALINE_2, NIMH_4, LI_ION_2S, LITHIUM_POUCH, COIN)


@dataclass(frozen=True)
class ChargePump:
    """Regulated charge pump of ratio `gain`: I_in = gain I_out, whatever V, as long as it regulates.

    Below `knee_v` (where gain V - I R_out = V_out) the output falls, and the LEDs behind it have
    I_out (V - zero_v)/(knee_v - zero_v): closed form of a pump as ideal transformer with R_out.
    """

    gain: float
    out_a: float
    knee_v: float
    zero_v: float

    def share(self, v_v: float) -> float:
        return min(1.0, max((v_v - self.zero_v) / (self.knee_v - self.zero_v), 0.0))

    def draw_a(self, v_v: float, level: float) -> float:
        return self.gain * self.out_a * (0.004 + level * self.share(v_v))

    def light(self, v_v: float) -> float:
        return self.share(v_v)


@dataclass(frozen=True)
class FanMotor:
    """Direct-current motor with a wing or fan: I = idle_a + i_a (friction + (1 - friction)(V/V_n)^2).

    Speed is about V/k, the air's torque goes with its square, current with torque; `idle_a` is the
    electronics', running or not.
    """

    i_a: float
    friction: float
    nominal_v: float
    idle_a: float = 0.0

    def draw_a(self, v_v: float, level: float) -> float:
        speed = max(v_v, 0.0) / self.nominal_v
        torque = self.friction + (1 - self.friction) * speed * speed
        return self.idle_a + level * self.i_a * torque

    def light(self, v_v: float) -> float:
        return min(1.0, max(v_v, 0.0) / self.nominal_v)


@dataclass
class StallLatch(Supervisor):
    """Below `off_v` the motor stalls: `stall` times the draw for `stall_s`, then latched off."""

    stall: float = 3.0
    stall_s: float = 2.0
    stalled_s: float = inf

    def settle(self, time_s: float, v_v: float) -> None:
        if self.on and self.stalled_s == inf and v_v < self.off_v:
            self.stalled_s = time_s
        if self.on and time_s - self.stalled_s >= self.stall_s:
            self.turn_off(time_s)

    def restless(self, time_s: float) -> bool:
        return (self.on and self.stalled_s < inf) or super().restless(time_s)

    def level(self, time_s: float) -> float:
        return self.stall if time_s >= self.stalled_s else 1.0


class WeakCellPack(Pack):
    """A pack one cell of which has only `share` of the others' capacity and is driven backwards.

    Its voltage follows the others' curve over depth/share and on to -0.2 to -0.45 V (hydrogen on
    both electrodes; NiMH handbooks); without load it comes back to about 1.1 V within minutes.
    """

    REST_V: Final = 1.1
    FALL_S: Final = 5.0
    RISE_S: Final = 200.0

    def __init__(self, kind: PackKind, depth: float, rng: RNG, share: float) -> None:
        super().__init__(kind, depth, rng)
        self._others_v = [v * (kind.cells - 1) / kind.cells for v in self._ocv]
        x = np.linspace(0, DEPTH_END, GRID + 1)
        depths = (*kind.depth, kind.depth[-1] + 0.02, kind.depth[-1] + 0.3)
        self._weak = np.interp(x / share, depths, (*kind.ocv_v, -0.2, -0.45)).tolist()
        self._ocv = self._others_v
        self._rest_a = self.capacity_mah * 1e-3 / 100
        self.weak_v = self._driven_v()

    def _driven_v(self) -> float:
        return float(self._weak[int(min(self.depth, DEPTH_END - 1e-9) * (GRID / DEPTH_END))])

    def source_v(self) -> float:
        return super().source_v() + self.weak_v

    def advance(self, current_a: float, dt_s: float) -> None:
        super().advance(current_a, dt_s)
        driven_v = self._driven_v()
        loaded = current_a > self._rest_a
        goal_v = driven_v if loaded else max(driven_v, self.REST_V)
        tau_s = self.FALL_S if loaded else self.RISE_S
        self.weak_v += (goal_v - self.weak_v) * (1 - exp(-dt_s / tau_s))


def lit_share(n: int, row_s: float, period_s: float, duty: float, phase_s: float) -> FLOATS:
    """Share of each of `n` rows that a square wave of this period and duty is on."""
    edges = np.arange(n + 1) * row_s + phase_s
    # One call for both: rounding must not tell quotient and remainder apart at a period's end.
    whole, into_s = np.divmod(edges, period_s)
    on_s = whole * duty * period_s + np.minimum(into_s, duty * period_s)
    return np.asarray(np.diff(on_s) / row_s, dtype=np.float64)


def chatted(found: PieceRun, when: Moments, rng: RNG) -> PieceRun:
    """In one run of three the person marks something beside the point, far from what happens."""
    if rng.random() > 1 / 3:
        return found
    busy = (found.truth.time_s, *when.dark_s, *when.dim_s, *(t for t, _ in found.marks))
    said = []
    for at in rng.uniform(60, float(found.time_s[-1]), int(rng.integers(1, 4))).tolist():
        if not any(abs(at - b) < 900 for b in busy):
            said.append((round(at, 1), str(rng.choice(CHAT))))
    return replace(found, marks=tuple(sorted((*found.marks, *said))))


def pump_gain(kind: PackKind) -> float:
    """Ratio of the pump that makes about 5 V of this pack, or halves a high one."""
    if kind.nominal_v > 6:
        return 0.5
    return 1.5 if kind.nominal_v > 4 else 2.0


def below(rng: RNG, voltage_v: float, low: float, high: float) -> float:
    """A voltage that is `low` to `high` of `voltage_v` under it."""
    return voltage_v * (1 - uniform(rng, low, high))
