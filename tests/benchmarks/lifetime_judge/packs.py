"""Packs of the judge: open-circuit voltage against depth, and a resistance that relaxes.

Terminal voltage = cells x (OCV(depth) - u_fast - u_slow - I r0(depth)), where each relaxing part
follows du/dt = (I r - u)/tau: when the draw collapses the voltage recovers at once by I r0, then
over tau_fast and tau_slow.
Sources: end voltages and coin capacity: makers' sheets; AA alkaline to about 1.3 V: a maker's
digitised sheet at 100 mA; the other curves, resistances and time constants: from memory, drawn wide.
"""

from bisect import bisect_right
from dataclasses import dataclass
from math import exp
from typing import Final

import numpy as np

GRID: Final = 2000
DEPTH_END: Final = 1.2


@dataclass(frozen=True)
class PackInfo:
    """What the person wrote down about the pack; `floor_v` is the cells' limit for the whole pack."""

    name: str
    chemistry: str
    cells: int
    rated_mah: float
    nominal_v: float
    floor_v: float


@dataclass(frozen=True)
class PackKind:
    """Ranges of one kind of pack; resistances in ohm per cell, draws in mA, voltages of the pack."""

    name: str
    chemistry: str
    cells: int
    nominal_v: float
    floor_v: float
    depth: tuple[float, ...]
    ocv_v: tuple[float, ...]
    r0_ohm: tuple[float, float]
    r_fast_ohm: tuple[float, float]
    r_slow_ohm: tuple[float, float]
    growth: float
    capacity_mah: tuple[float, float]
    draw_ma: tuple[float, float]
    lockout_v: tuple[float, float]
    brownout_v: tuple[float, float]
    shunt_ohm: float = 0.1
    protection_v: tuple[float, float] | None = None


_ALKALINE_DEPTH: Final = (
    0, 0.01, 0.04, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0, 1.04, 1.1,
)  # fmt: skip
_ALKALINE_V: Final = (
    1.62, 1.60, 1.548, 1.478, 1.418, 1.375, 1.34, 1.31, 1.28, 1.24, 1.19, 1.11, 1.03, 0.85, 0.55, 0.1,
)  # fmt: skip

ALKALINE_3: Final = PackKind(
    "alkaline AA x3", "alkaline", 3, 4.5, 2.4, _ALKALINE_DEPTH, _ALKALINE_V,
    (0.10, 0.22), (0.05, 0.15), (0.2, 0.5), 1.5, (1700, 2700), (60, 450), (2.7, 3.4), (2.6, 3.2),
)  # fmt: skip
BLOCK_9V: Final = PackKind(
    "9 V block", "alkaline", 6, 9.0, 4.8, _ALKALINE_DEPTH, _ALKALINE_V,
    (0.25, 0.5), (0.15, 0.4), (0.7, 1.8), 1.5, (400, 580), (12, 60), (5.4, 6.6), (5.3, 6.3),
)  # fmt: skip
NIMH_3: Final = PackKind(
    "NiMH AA x3", "nimh", 3, 3.6, 3.0,
    (0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.8, 0.88, 0.94, 0.98, 1.0, 1.02, 1.05),
    (1.42, 1.38, 1.345, 1.32, 1.30, 1.285, 1.275, 1.255, 1.24, 1.215, 1.165, 1.08, 0.95, 0.6, 0.1),
    (0.025, 0.07), (0.01, 0.03), (0.02, 0.06), 2.5, (1700, 2500), (60, 450), (2.7, 3.35), (2.6, 3.2),
)  # fmt: skip
LITHIUM_POUCH: Final = PackKind(
    "Li-ion pouch", "li-ion", 1, 3.7, 3.0,
    (0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0, 1.012, 1.025, 1.04),
    (4.19, 4.11, 4.06, 3.97, 3.89, 3.82, 3.76, 3.72, 3.685, 3.63, 3.53, 3.41, 3.24, 2.97, 2.7, 2.2, 1.0),
    (0.08, 0.25), (0.02, 0.08), (0.03, 0.10), 1.0, (900, 2200), (60, 450), (2.9, 3.35), (2.85, 3.2),
    protection_v=(2.4, 3.0),
)  # fmt: skip
LIFEPO4: Final = PackKind(
    "LiFePO4 cell", "lifepo4", 1, 3.2, 2.5,
    (0, 0.02, 0.05, 0.2, 0.4, 0.6, 0.75, 0.85, 0.92, 0.96, 0.985, 1.0, 1.015, 1.03),
    (3.45, 3.36, 3.33, 3.31, 3.295, 3.285, 3.265, 3.235, 3.19, 3.10, 2.93, 2.65, 2.2, 1.0),
    (0.05, 0.15), (0.02, 0.05), (0.02, 0.06), 1.0, (550, 1600), (60, 400), (2.6, 2.95), (2.55, 2.9),
    protection_v=(2.0, 2.5),
)  # fmt: skip
COIN: Final = PackKind(
    "coin cell", "li-mno2", 1, 3.0, 2.0,
    (0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.8, 0.88, 0.94, 0.98, 1.0, 1.03),
    (3.25, 3.12, 3.05, 3.02, 2.99, 2.94, 2.90, 2.82, 2.65, 2.35, 2.0, 0.8),
    (8, 18), (3, 8), (8, 20), 3.0, (180, 235), (1.5, 6), (2.05, 2.5), (1.85, 2.3),
    shunt_ohm=1.0,
)  # fmt: skip

PACKS: Final = (ALKALINE_3, NIMH_3, LITHIUM_POUCH, COIN, BLOCK_9V, LIFEPO4)


class Pack:
    """One pack as a state: depth and two relaxing parts; voltages in V, currents in A, time in s."""

    def __init__(self, kind: PackKind, depth: float, rng: np.random.Generator) -> None:
        self.kind = kind
        self.capacity_mah = float(rng.uniform(*kind.capacity_mah))
        self.depth = depth
        self._charge_as = self.capacity_mah * 3.6
        x = np.linspace(0, DEPTH_END, GRID + 1)
        shift = float(rng.normal(0, 0.004)) * kind.nominal_v / kind.cells
        self._ocv = ((np.interp(x, kind.depth, kind.ocv_v) + shift) * kind.cells).tolist()
        grown = 1 + kind.growth * x**3 + 4 * kind.growth * np.clip(x - 0.92, 0, 0.2) / 0.1
        self._r0 = (float(rng.uniform(*kind.r0_ohm)) * kind.cells * grown).tolist()
        self._r_fast = float(rng.uniform(*kind.r_fast_ohm)) * kind.cells
        self._r_slow = float(rng.uniform(*kind.r_slow_ohm)) * kind.cells
        self._growth = grown.tolist()
        self._tau_fast = float(rng.uniform(15, 60))
        self._tau_slow = float(rng.uniform(500, 2500))
        self._fast_v = 0.0
        self._slow_v = 0.0
        self._keep: dict[float, tuple[float, float]] = {}

    def source_v(self) -> float:
        """Voltage behind the instant resistance, in V."""
        place = min(self.depth, DEPTH_END - 1e-9) * (GRID / DEPTH_END)
        i = int(place)
        low = self._ocv[i]
        return float(low + (self._ocv[i + 1] - low) * (place - i) - self._fast_v - self._slow_v)

    def r0_ohm(self) -> float:
        """Instant resistance of the whole pack, in ohm."""
        return float(self._r0[int(min(self.depth, DEPTH_END - 1e-9) * (GRID / DEPTH_END))])

    def advance(self, current_a: float, dt_s: float) -> None:
        """Draw `current_a` for `dt_s`."""
        if dt_s not in self._keep:
            self._keep[dt_s] = (exp(-dt_s / self._tau_fast), exp(-dt_s / self._tau_slow))
        fast, slow = self._keep[dt_s]
        grown = self._growth[int(min(self.depth, DEPTH_END - 1e-9) * (GRID / DEPTH_END))]
        target = current_a * grown
        self._fast_v += (target * self._r_fast - self._fast_v) * (1 - fast)
        self._slow_v += (target * self._r_slow - self._slow_v) * (1 - slow)
        self.depth += current_a * dt_s / self._charge_as

    def info(self) -> PackInfo:
        """What a person would write down: the rating is not this pack's capacity."""
        kind = self.kind
        low, high = kind.capacity_mah
        sizes = np.round(np.linspace(low, high, 5), -1).tolist()
        rated = sizes[max(0, bisect_right(sizes, self.capacity_mah) - 1)]
        return PackInfo(
            kind.name, kind.chemistry, kind.cells, float(rated), kind.nominal_v, kind.floor_v
        )
