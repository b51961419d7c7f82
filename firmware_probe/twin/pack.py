"""Physics of the pack: voltage against depth of discharge, resistance, rate, recovery.

A cell is

- two wells of charge, available and bound, that level out slowly (kinetic battery
  model, Manwell & McGowan 1993, Solar Energy 50:399): the reason why a fast discharge gives
  less and why a rested cell recovers,
- an open-circuit voltage that follows how empty the available well is,
- a resistance in series that rises with depth of discharge,
- one resistor-capacitor pair: the polarisation that comes and goes within a minute.

The curves rest on published shapes, named at each chemistry; the numbers between are
invented to fit them, and no maker's cell is meant. Temperature stays what it was
at the start (bench, about 20 C); its effects are invented.
"""

import math
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import numpy as np

from firmware_probe.twin.load import ConstantPower, operating_point

COULOMB_PER_MAH: Final = 3.6
JOULE_PER_MWH: Final = 3.6


class PackModel(Protocol):
    """A source with memory; the simulated board asks and advances it."""

    @property
    def charge_out_mah(self) -> float:
        """True charge given since new."""

    @property
    def energy_out_mwh(self) -> float:
        """True energy given at the terminals since new."""

    def source(self) -> tuple[float, float]:
        """(voltage behind the resistance in V, resistance in ohm) at this instant."""

    def advance(self, current_a: float, power_w: float, duration_s: float) -> None:
        """Give ``current_a`` (mean) and ``power_w`` (mean at the terminals) for ``duration_s``."""


@dataclass
class IdealPack:
    """Constant voltage and resistance, never empty: for tests with an exact answer."""

    voltage_v: float
    resistance_ohm: float = 0.0
    charge_out_mah: float = field(default=0.0, init=False)
    energy_out_mwh: float = field(default=0.0, init=False)

    def source(self) -> tuple[float, float]:
        return self.voltage_v, self.resistance_ohm

    def advance(self, current_a: float, power_w: float, duration_s: float) -> None:
        self.charge_out_mah += current_a * duration_s / COULOMB_PER_MAH
        self.energy_out_mwh += power_w * duration_s / JOULE_PER_MWH


@dataclass(frozen=True)
class CellKind:
    """Parameters of one cell.

    ``curve``: (how empty the available well is from 0 full to 1 empty, open-circuit voltage in V). ``resistance_ohm`` of a full cell; at depth d it is
    ``resistance_ohm x (1 + resistance_rise x d**resistance_power)``. ``available``: share of the charge in
    the available well; ``levelling_per_s``: rate constant k' with which the wells level out.
    ``polarisation_ohm`` and ``polarisation_s``: the resistor-capacitor pair.
    ``resistance_per_c`` and ``capacity_per_c``: relative change per degree below 20 C.
    """

    chemistry: str
    capacity_mah: float
    curve: tuple[tuple[float, float], ...]
    resistance_ohm: float
    resistance_rise: float
    resistance_power: float
    available: float
    levelling_per_s: float
    polarisation_ohm: float
    polarisation_s: float
    resistance_per_c: float = 0.02
    capacity_per_c: float = 0.006


# Open circuit when new 1.56 to 1.65 V: cell makers' sheets to GB/T 8897.2 (SOURCES.md B4).
# Shape above 1.3 V: a maker's 100 mA curve (SOURCES.md B19). Capacity at 0.1, 0.5, 1 and 2 A to
# 0.1 V: a cell supplier's bench table (SOURCES.md B3), within the spread of its cells. Below 1.3 V and
# the time constants: invented to fit.
ALKALINE_AA: Final = CellKind(
    chemistry="alkaline",
    capacity_mah=2430.0,
    curve=(
        (0.0, 1.61),
        (0.03, 1.577),
        (0.1, 1.502),
        (0.175, 1.433),
        (0.255, 1.382),
        (0.3, 1.36),
        (0.36, 1.333),
        (0.39, 1.321),
        (0.5, 1.285),
        (0.65, 1.24),
        (0.78, 1.19),
        (0.88, 1.115),
        (0.95, 1.0),
        (0.985, 0.75),
        (1.0, 0.0),
    ),
    resistance_ohm=0.14,
    resistance_rise=1.8,
    resistance_power=2.0,
    available=0.26,
    levelling_per_s=3.5e-4,
    polarisation_ohm=0.05,
    polarisation_s=40.0,
)
ALKALINE_AAA: Final = replace(
    ALKALINE_AA, capacity_mah=1150.0, resistance_ohm=0.22, polarisation_ohm=0.09
)
# Nominal 1.2 V, end 1.0 V: cell makers' sheets (SOURCES.md B10). Flat shape and resistance
# of tens of milliohms: common practice, no source; all numbers between invented.
NIMH_AA: Final = CellKind(
    chemistry="nimh",
    capacity_mah=2000.0,
    curve=(
        (0.0, 1.42),
        (0.03, 1.35),
        (0.1, 1.31),
        (0.2, 1.285),
        (0.4, 1.265),
        (0.6, 1.25),
        (0.8, 1.225),
        (0.9, 1.19),
        (0.95, 1.14),
        (0.98, 1.03),
        (1.0, 0.3),
    ),
    resistance_ohm=0.03,
    resistance_rise=0.8,
    resistance_power=4.0,
    available=0.85,
    levelling_per_s=3.0e-4,
    polarisation_ohm=0.02,
    polarisation_s=30.0,
    resistance_per_c=0.015,
    capacity_per_c=0.003,
)
# Nominal 3.6 to 3.7 V, end 3.0 V: SOURCES.md B10. Capacity to 3.0 V against rate and resistance
# between rates: the measured pouch curves of Ai et al. 2020, JES 167:013512 (SOURCES.md B1, B2).
LI_ION: Final = CellKind(
    chemistry="li-ion",
    capacity_mah=2375.0,
    curve=(
        (0.0, 4.19),
        (0.05, 4.11),
        (0.1, 4.05),
        (0.2, 3.96),
        (0.3, 3.88),
        (0.4, 3.81),
        (0.5, 3.75),
        (0.6, 3.71),
        (0.7, 3.67),
        (0.8, 3.61),
        (0.88, 3.55),
        (0.94, 3.45),
        (0.97, 3.32),
        (0.985, 3.1),
        (1.0, 2.5),
    ),
    resistance_ohm=0.05,
    resistance_rise=0.4,
    resistance_power=3.0,
    available=0.95,
    levelling_per_s=1.2e-3,
    polarisation_ohm=0.015,
    polarisation_s=30.0,
    resistance_per_c=0.02,
    capacity_per_c=0.004,
)


@dataclass
class CellPack:
    """Equal cells in series, with true sums of what they gave.

    ``wire_ohm``: holder springs and leads. ``charge_out_mah`` and ``energy_out_mwh`` are exact
    for the current and power that they were told.
    """

    kind: CellKind
    cells: int = 1
    wire_ohm: float = 0.0
    temperature_c: float = 20.0
    charge_out_mah: float = field(default=0.0, init=False)
    energy_out_mwh: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        if self.cells < 1:
            raise ValueError(f"{self.cells} cells: at least one is needed")
        below_c = 20.0 - self.temperature_c
        self._capacity_c = (
            self.kind.capacity_mah
            * COULOMB_PER_MAH
            * max(1.0 - self.kind.capacity_per_c * below_c, 0.05)
        )
        self._cold = math.exp(self.kind.resistance_per_c * below_c)
        self._available_c = self.kind.available * self._capacity_c
        self._bound_c = self._capacity_c - self._available_c
        self._polarisation_v = 0.0
        self._emptied, self._open_v = np.transpose(self.kind.curve)

    @property
    def depth(self) -> float:
        """Depth of discharge: 0 new, 1 nothing left in either well."""
        return 1.0 - (self._available_c + self._bound_c) / self._capacity_c

    def source(self) -> tuple[float, float]:
        emptied = 1.0 - self._available_c / (self.kind.available * self._capacity_c)
        open_v = float(np.interp(emptied, self._emptied, self._open_v))
        rise = 1.0 + self.kind.resistance_rise * max(self.depth, 0.0) ** self.kind.resistance_power
        cell_ohm = self.kind.resistance_ohm * self._cold * rise
        return (
            self.cells * max(open_v - self._polarisation_v, 0.0),
            self.cells * cell_ohm + self.wire_ohm,
        )

    def advance(self, current_a: float, power_w: float, duration_s: float) -> None:
        self.charge_out_mah += current_a * duration_s / COULOMB_PER_MAH
        self.energy_out_mwh += power_w * duration_s / JOULE_PER_MWH
        self._move_wells(current_a, duration_s)
        gone = math.exp(-duration_s / self.kind.polarisation_s)
        end_v = current_a * self.kind.polarisation_ohm * self._cold
        self._polarisation_v = end_v + (self._polarisation_v - end_v) * gone

    def _move_wells(self, current_a: float, duration_s: float) -> None:
        """Exact solution for a constant current, Manwell & McGowan 1993 eq. 5-6 (from memory)."""
        k, c = self.kind.levelling_per_s, self.kind.available
        total_c = self._available_c + self._bound_c
        gone = math.exp(-k * duration_s)
        available_c = (
            self._available_c * gone
            + (total_c * k * c - current_a) * (1.0 - gone) / k
            - current_a * c * (k * duration_s - 1.0 + gone) / k
        )
        self._available_c = max(available_c, 0.0)
        self._bound_c = max(total_c - current_a * duration_s - self._available_c, 0.0)


@dataclass
class PowerBank:
    """USB power bank: Li-ion inside, a converter to a flat 5 V, and a mind of its own.

    The label's capacity counts at the cell's voltage: at 5 V less comes out, by the ratio of
    voltages and the converter's ``efficiency``. It switches off when the cell is at
    ``cell_floor_v``, and, if ``light_load_a`` is not 0, when it gave less than that for
    ``light_load_s``; off is off until ``switch_on``. 5 V within 4.75 to 5.25 V: USB 2.0 7.2.2
    (SOURCES.md C9, second-hand). All other numbers invented.
    """

    label_mah: float = 5000.0
    output_v: float = 5.08
    output_ohm: float = 0.08
    efficiency: float = 0.88
    idle_w: float = 0.03
    cell_floor_v: float = 3.0
    light_load_a: float = 0.0
    light_load_s: float = 30.0
    charge_out_mah: float = field(default=0.0, init=False)
    energy_out_mwh: float = field(default=0.0, init=False)
    is_on: bool = field(default=True, init=False)

    def __post_init__(self) -> None:
        scale = self.label_mah / LI_ION.capacity_mah
        kind = replace(
            LI_ION,
            capacity_mah=self.label_mah,
            resistance_ohm=LI_ION.resistance_ohm / scale,
            polarisation_ohm=LI_ION.polarisation_ohm / scale,
        )
        self.cell = CellPack(kind)
        self._light_s = 0.0

    def switch_on(self) -> None:
        """The button."""
        self.is_on = True
        self._light_s = 0.0

    def source(self) -> tuple[float, float]:
        return (self.output_v, self.output_ohm) if self.is_on else (0.0, self.output_ohm)

    def advance(self, current_a: float, power_w: float, duration_s: float) -> None:
        if not self.is_on:
            self.cell.advance(0.0, 0.0, duration_s)
            return
        self.charge_out_mah += current_a * duration_s / COULOMB_PER_MAH
        self.energy_out_mwh += power_w * duration_s / JOULE_PER_MWH
        # The converter works against its own output resistance, too.
        inside_w = power_w + current_a**2 * self.output_ohm
        emf_v, ohm = self.cell.source()
        point = operating_point(
            emf_v, ohm, ConstantPower(inside_w / self.efficiency + self.idle_w).draw()
        )
        if point is None or point[0] < self.cell_floor_v:
            self.is_on = False
            return
        cell_v, cell_a = point
        self.cell.advance(cell_a, cell_v * cell_a, duration_s)
        self._light_s = self._light_s + duration_s if current_a < self.light_load_a else 0.0
        if self.light_load_a and self._light_s >= self.light_load_s:
            self.is_on = False
