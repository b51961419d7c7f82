"""Boards drawn within the data sheets' limits, and what such a board reads for a true input.

Two laws, for a sheet leaves open how its chips spread:

- ``LIMITS``: rectangular between the greatest values, all that is known from limits alone (JCGM 100
  4.3.7); where the sheet gives only a typical value, normal with that as standard deviation, cut at three.
- ``TYPICAL``: normal with the typical value as standard deviation (makers call typical what about two
  chips in three keep to; common practice), cut at the greatest value; as above without a typical value.

Shunt 1 %, 100 ppm per degree: common practice, no source. Clock: crystal 50 ppm or resonator 0.5 %,
rectangular, each board one of them (parts' sheets, from memory).
"""

from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from tests.support.datasheet_boards.sheets import (
    SHEET_C,
    SHEET_COMMON_V,
    SHEET_SUPPLY_V,
    SHEETS,
    ChipSheet,
    Figure,
)

Floats = npt.NDArray[np.float64]

SHUNT_LIMIT: Final = 0.01
SHUNT_PER_C: Final = 100e-6
CRYSTAL: Final = 50e-6
RESONATOR: Final = 0.005
# The laptop's own clock beside true time, and the wait of a line on its way: no source.
LAPTOP: Final = 20e-6
# Supply of a board from USB (tests/SOURCES.md C9) and temperature of a room.
SUPPLY_V: Final = (4.75, 5.25)
ROOM_C: Final = (15.0, 32.0)
_CUT: Final = 3.0
_PIN_SPREAD: Final = 0.25


class Law(Enum):
    """How chips spread within their sheet's figures; see the module."""

    LIMITS = "limits"
    TYPICAL = "typical"


@dataclass(frozen=True)
class Boards:
    """Errors of ``n`` boards of one kind with one shunt; every field an array of shape (n,).

    Offsets in V at the chip's input at the sheet's conditions; ``common``, ``supply`` in V per V;
    ``shunt``, ``gain``, ``bus_gain``, ``clock``, ``laptop`` relative; ``pin_a`` A, ``pin_siemens`` S;
    ``conversion`` of the chip's time base, relative; ``noise_*_v`` standard deviations.
    """

    sheet: ChipSheet
    shunt_ohm: float
    full_v: float
    bus_full_v: float
    shunt: Floats
    shunt_per_c: Floats
    gain: Floats
    gain_per_c: Floats
    offset_v: Floats
    offset_v_per_c: Floats
    common: Floats
    supply: Floats
    bus_gain: Floats
    bus_gain_per_c: Floats
    bus_offset_v: Floats
    bus_offset_v_per_c: Floats
    bus_supply: Floats
    pin_a: Floats
    pin_siemens: Floats
    supply_v: Floats
    temperature_c: Floats
    clock: Floats
    laptop: Floats
    conversion: Floats
    noise_shunt_v: Floats
    noise_bus_v: Floats

    @property
    def range_ma(self) -> float:
        """Full scale of the current as the board's ``hello`` has it."""
        return 1e3 * self.full_v / self.shunt_ohm

    def one(self, index: int) -> "Boards":
        """The board at ``index`` as a set of one."""
        kept: dict[str, Any] = {
            name: value[index : index + 1]
            for name, value in vars(self).items()
            if isinstance(value, np.ndarray)
        }
        return replace(self, **kept)

    def at(self, temperature_c: Floats, supply_v: Floats | None = None) -> "Boards":
        """The same boards at another temperature, and supply if given."""
        supply_v = self.supply_v if supply_v is None else supply_v
        return replace(self, temperature_c=temperature_c, supply_v=supply_v)

    def pin_current_a(self, common_v: Floats) -> Floats:
        """Into VIN- (and what is tied to it) through the shunt: there with the load unplugged, gone with the pack off."""
        return np.where(common_v > 0.1, self.pin_a + common_v * self.pin_siemens, 0.0)

    def shunt_reading_v(self, current_a: Floats, common_v: Floats) -> Floats:
        """What the shunt's conversion gives before noise and rounding, for currents into the load."""
        warmer_c = self.temperature_c - SHEET_C
        ohm = self.shunt_ohm * (1 + self.shunt + self.shunt_per_c * warmer_c)
        drop_v = (current_a + self.pin_current_a(common_v)) * ohm
        offset_v = (
            self.offset_v
            + self.offset_v_per_c * warmer_c
            + self.common * (common_v - SHEET_COMMON_V)
            + self.supply * (self.supply_v - SHEET_SUPPLY_V)
        )
        return drop_v * (1 + self.gain + self.gain_per_c * warmer_c) + offset_v

    def bus_reading_v(self, bus_v: Floats) -> Floats:
        """The same for the bus conversion."""
        warmer_c = self.temperature_c - SHEET_C
        offset_v = (
            self.bus_offset_v
            + self.bus_offset_v_per_c * warmer_c
            + self.bus_supply * (self.supply_v - SHEET_SUPPLY_V)
        )
        return bus_v * (1 + self.bus_gain + self.bus_gain_per_c * warmer_c) + offset_v


def drawn(figure: Figure, law: Law, rng: np.random.Generator, n: int) -> Floats:
    """``n`` values of a sheet's figure."""
    typical, most = figure.typical, figure.most
    if most is not None and (law is Law.LIMITS or typical is None):
        return rng.uniform(-most, most, n)
    assert typical is not None
    return _cut_normal(typical, _CUT * typical if most is None else most, rng, n)


def _cut_normal(sigma: float, most: float, rng: np.random.Generator, n: int) -> Floats:
    values = rng.normal(0.0, sigma, n)
    while (beyond := np.abs(values) > most).any():
        values[beyond] = rng.normal(0.0, sigma, int(beyond.sum()))
    return values


def draw_boards(
    kind: str,
    law: Law,
    rng: np.random.Generator,
    n: int,
    *,
    shunt_ohm: float = 0.1,
    full_v: float | None = None,
    bus_full_v: float | None = None,
) -> Boards:
    """``n`` boards; ranges default to the widest, as the sketch sets the chips up."""
    sheet = SHEETS[kind]
    full_v = max(sheet.offsets) if full_v is None else full_v

    def of(figure: Figure) -> Floats:
        return drawn(figure, law, rng, n)

    def between(ends: tuple[float, float]) -> Floats:
        return rng.uniform(*ends, n)

    is_crystal = rng.uniform(size=n) < 0.5
    clock_limit = np.where(is_crystal, CRYSTAL, RESONATOR)
    spread = [1 + _cut_normal(_PIN_SPREAD, 3 * _PIN_SPREAD, rng, n) for _ in range(2)]
    return Boards(
        sheet=sheet,
        shunt_ohm=shunt_ohm,
        full_v=full_v,
        bus_full_v=max(sheet.bus_ranges_v) if bus_full_v is None else bus_full_v,
        shunt=between((-SHUNT_LIMIT, SHUNT_LIMIT)),
        shunt_per_c=between((-SHUNT_PER_C, SHUNT_PER_C)),
        gain=of(sheet.gain),
        gain_per_c=of(sheet.gain_per_c),
        offset_v=of(sheet.offsets[full_v]),
        offset_v_per_c=of(sheet.offset_per_c),
        common=of(sheet.common),
        supply=of(sheet.supply),
        bus_gain=of(sheet.bus_gain),
        bus_gain_per_c=of(sheet.bus_gain_per_c),
        bus_offset_v=of(sheet.bus_offset),
        bus_offset_v_per_c=of(sheet.bus_offset_per_c),
        bus_supply=of(sheet.bus_supply),
        # A typical value alone: a quarter of it as standard deviation, no source.
        pin_a=sheet.pin_a * spread[0],
        pin_siemens=spread[1] / sheet.pin_ohm,
        supply_v=between(SUPPLY_V),
        temperature_c=between(ROOM_C),
        clock=rng.uniform(-1.0, 1.0, n) * clock_limit,
        laptop=between((-LAPTOP, LAPTOP)),
        conversion=between((-sheet.clock, sheet.clock)),
        noise_shunt_v=between(sheet.noise_shunt_v),
        noise_bus_v=between(sheet.noise_bus_v),
    )


def perfect_board(
    kind: str, *, shunt_ohm: float = 0.1, conversion: float = 0.0, noise_steps: float = 0.0
) -> Boards:
    """A board without any error but its steps, which it rounds to the nearest; ``noise_steps`` of each spread it."""
    board = draw_boards(kind, Law.LIMITS, np.random.default_rng(0), 1, shunt_ohm=shunt_ohm)
    sheet, zero = board.sheet, np.zeros(1)
    exact: dict[str, Any] = {
        name: zero for name, value in vars(board).items() if isinstance(value, np.ndarray)
    } | {
        "offset_v": zero + sheet.shunt_step_v / 2,
        "bus_offset_v": zero + sheet.bus_step_v / 2,
        "supply_v": zero + SHEET_SUPPLY_V,
        "temperature_c": zero + SHEET_C,
        "conversion": zero + conversion,
        "noise_shunt_v": zero + noise_steps * sheet.shunt_step_v,
        "noise_bus_v": zero + noise_steps * sheet.bus_step_v,
    }
    return replace(board, **exact)
