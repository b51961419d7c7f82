"""Wire joints that fatigue: what a simulated flex rig bends.

A joint has a life in bends, drawn from a Weibull distribution. Its resistance creeps up
towards the end; then it opens now and then, first only when bent to its weak side, and
heals again; then it is broken for good. All numbers are invented; that stranded wire
outlasts solid under repeated bending is common practice, no source (SOURCES.md E8).
"""

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np


@dataclass(frozen=True)
class JointKind:
    """A group of joints.

    ``life_cycles`` and ``life_shape``: Weibull scale (at a bend of 180 degrees between the
    end positions) and shape. ``bend_power``: life goes with (180 / bend)**``bend_power``.
    ``creep``: relative rise of resistance at the end of life. ``warning``: share of life
    after which it opens now and then. ``badly_made``: share of joints with a tenth of the life.
    """

    name: str
    life_cycles: float
    life_shape: float
    resistance_ohm: float = 0.15
    creep: float = 0.8
    warning: float = 0.85
    bend_power: float = 2.0
    badly_made: float = 0.0


SOLID: Final = JointKind("solid", 700.0, 2.5)
STRANDED: Final = JointKind("stranded", 3_000.0, 2.0)
STRANDED_RELIEF: Final = JointKind("stranded, strain relief", 9_000.0, 2.5)
BAD_RELIEF: Final = JointKind("stranded, relief put on badly", 9_000.0, 2.5, badly_made=0.4)
JOINT_KINDS: Final = {
    "solid": SOLID,
    "stranded": STRANDED,
    "stranded-relief": STRANDED_RELIEF,
    "bad-relief": BAD_RELIEF,
}

# Rig as in pins.h: supply, known resistor, joint to ground; open from 10 ohm on.
RIG_SUPPLY_V: Final = 5.0
RIG_RESISTOR_OHM: Final = 220.0
_NOISE_OHM: Final = 0.004
# Opens shorter than this fall between two looks of a board that samples at 1 kHz.
_SHORTEST_OPEN_US: Final = 1_000


@dataclass(frozen=True)
class JointCycle:
    """What the board saw of one joint in one cycle; resistances None if it was open throughout.

    ``longest_open_us`` within the cycle; ``whole_open_us``: with the part before it, if it was open
    already.
    """

    current_min_ma: float
    current_max_ma: float
    resistance_min_ohm: float | None
    resistance_max_ohm: float | None
    opens: int
    longest_open_us: int
    whole_open_us: int


@dataclass
class Joint:
    """One joint, with its planted life; ``damage`` counts bends of 180 degrees' worth.

    ``weak_side``: it first opens when bent below 90 degrees (0) or above (1).
    """

    kind: JointKind
    life_cycles: float
    weak_side: int
    baseline_ohm: float
    rng: np.random.Generator
    damage: float = field(default=0.0, init=False)
    cycles: int = field(default=0, init=False)
    broken: bool = field(default=False, init=False)
    _open_us: int = field(default=0, init=False)

    def bend(self, angle_a: float, angle_b: float, period_us: int) -> JointCycle:
        """One full bend and back within ``period_us``."""
        self.cycles += 1
        self.damage += (abs(angle_b - angle_a) / 180.0) ** self.kind.bend_power
        used = self.damage / self.life_cycles
        if self.broken:
            self._open_us += period_us
            return JointCycle(0.0, 0.0, None, None, 0, period_us, self._open_us)
        if used >= 1.0:
            # Breaks somewhere in this cycle and stays open: half of it on average.
            self.broken = True
            open_us = int(self.rng.uniform(0.2, 0.8) * period_us)
            self._open_us = open_us
            return self._seen(used, 1, open_us)
        to_weak_side = (
            min(angle_a, angle_b) < 90.0 if self.weak_side == 0 else max(angle_a, angle_b) > 90.0
        )
        return self._seen(used, *self._intermittent(used, period_us, to_weak_side))

    def _intermittent(self, used: float, period_us: int, to_weak_side: bool) -> tuple[int, int]:
        """Opens of a joint that is going: more and longer, and on both sides at the very end."""
        going = (used - self.kind.warning) / (1.0 - self.kind.warning)
        if going <= 0.0 or self.rng.random() > going**1.5:
            return 0, 0
        sides = 2 if going > 0.7 and self.rng.random() < going else 1
        if sides == 1 and not to_weak_side:
            return 0, 0
        opens = sides * (1 + int(self.rng.poisson(2.0 * going)))
        longest_us = int(self.rng.exponential(0.15 * going) * period_us / 2)
        return opens, max(min(longest_us, period_us // 2), _SHORTEST_OPEN_US)

    def _seen(self, used: float, opens: int, longest_open_us: int) -> JointCycle:
        ohm = self.baseline_ohm * (1.0 + self.kind.creep * min(used, 1.0) ** 4)
        # Bent to the weak side the remaining strands carry it all.
        bent = ohm * (1.0 + 0.25 * min(used, 1.0) ** 6)
        noise = self.rng.normal(0.0, _NOISE_OHM, 2)
        low, high = sorted((max(ohm + noise[0], 0.0), max(bent + noise[1], 0.0)))
        return JointCycle(
            0.0 if opens else _current_ma(high),
            _current_ma(low),
            low,
            high,
            opens,
            longest_open_us,
            longest_open_us,
        )


def _current_ma(joint_ohm: float) -> float:
    return 1000.0 * RIG_SUPPLY_V / (RIG_RESISTOR_OHM + joint_ohm)


def new_joints(kind: JointKind, count: int, seed: int) -> tuple[Joint, ...]:
    """Joints of a kind, with lives from its Weibull distribution by inversion; the seed decides all."""
    joints = []
    for child in np.random.SeedSequence(seed).spawn(count):
        rng = np.random.default_rng(child)
        life = kind.life_cycles * (-math.log(1.0 - rng.random())) ** (1.0 / kind.life_shape)
        if rng.random() < kind.badly_made:
            life /= 10.0
        baseline = kind.resistance_ohm * float(rng.lognormal(0.0, 0.08))
        joints.append(Joint(kind, max(life, 1.0), int(rng.integers(0, 2)), baseline, rng))
    return tuple(joints)
