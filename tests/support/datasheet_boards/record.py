"""A board in a world: alternating conversions, registers, windows as the line protocol has them.

Each pair is a conversion of the shunt and then one of the bus, back to back, each the mean of the true
signal over its own time, then noise, then the register's step (rounded down) and end stops. Nothing is
skipped: a pair costs some 0.2 us, a night of the INA219 some ten seconds.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.support.datasheet_boards.errors import Boards
from tests.support.datasheet_boards.packs import World
from tests.support.datasheet_boards.sheets import ChipSheet

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_CHUNK: Final = 1 << 18


@dataclass(frozen=True)
class Windows:
    """Windows of a run, arrays of shape (windows,); units as in the protocol, running sums from the first.

    ``end_s``: true time of each end, ``time_us`` the board's. ``beyond``: conversions at the end stop of the
    shunt, ``bus_beyond``: of the bus.
    """

    board: Boards
    window_s: float
    end_s: Floats
    time_us: Ints
    conversions: Ints
    pack_v: Floats
    pack_min_v: Floats
    bus_v: Floats
    current_ma: Floats
    current_min_ma: Floats
    current_max_ma: Floats
    charge_mah: Floats
    energy_mwh: Floats
    beyond: Ints
    bus_beyond: Ints

    @property
    def begin_s(self) -> Floats:
        """True time of each beginning: the end of the window before, 0 for the first."""
        return np.concatenate(([0.0], self.end_s[:-1]))


@dataclass(frozen=True)
class Setting:
    """How the chip is set up: ``half_s`` by the sheet from shunt to bus, ``turns`` of the two in one pair, ``noise`` of a half beside the first setting's."""

    half_s: float
    turns: int
    noise: float


def setting(sheet: ChipSheet, conversion_s: float | None = None, averages: int = 1) -> Setting:
    """Default: the sketch's own. Raises ValueError for what the chip cannot be set to."""
    usual_s = sheet.conversion_s[0]
    conversion_s = usual_s if conversion_s is None else conversion_s
    if conversion_s not in sheet.conversion_s or averages not in sheet.averages:
        raise ValueError(f"{sheet.kind} has no {conversion_s} s x {averages}")
    if sheet.interleaved:
        return Setting(conversion_s, averages, math.sqrt(usual_s / conversion_s))
    return Setting(sheet.averaged_s.get(averages, conversion_s), 1, 1 / math.sqrt(averages))


def record(
    world: World,
    board: Boards,
    window_s: float,
    rng: np.random.Generator,
    chosen: Setting | None = None,
) -> Windows:
    """All whole windows of ``world.seconds``. ``board``: a set of one; ``chosen``: the chip's setting, default the sketch's."""
    sheet = board.sheet
    chosen = setting(sheet) if chosen is None else chosen
    half_s = chosen.half_s * (1 + float(board.conversion[0]))
    pair_s = 2 * half_s * chosen.turns
    pairs = int(world.seconds / pair_s)
    clock = 1 + float(board.clock[0])
    # A window ends with the first conversion at or after its nominal end, by the board's clock.
    end_us = np.floor(pair_s * np.arange(1, pairs + 1) * clock * 1e6).astype(np.int64)
    nominal_us = round(window_s * 1e6)
    count = int(end_us[-1] // nominal_us)
    last = np.searchsorted(end_us, nominal_us * np.arange(1, count + 1))
    last = last[last < pairs]
    first = np.concatenate(([0], last[:-1] + 1))
    shunt, bus, beyond, bus_beyond = _registers(
        world, board, int(last[-1]) + 1, half_s, chosen, rng
    )
    ratio = sheet.bus_step_v / sheet.shunt_step_v
    pack = bus * ratio + shunt
    number = last - first + 1

    def mean(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, first) / number)

    to_ma = 1e3 * sheet.shunt_step_v / board.shunt_ohm
    time_us = end_us[last]
    span_h = np.diff(np.concatenate(([0], time_us))) / 3.6e9
    current = mean(shunt) * to_ma
    power = mean(pack * shunt) * sheet.shunt_step_v * to_ma
    return Windows(
        board=board,
        window_s=window_s,
        end_s=np.asarray(pair_s * (last + 1.0), dtype=np.float64),
        time_us=time_us,
        conversions=number,
        pack_v=mean(pack) * sheet.shunt_step_v,
        pack_min_v=np.minimum.reduceat(pack, first) * sheet.shunt_step_v,
        bus_v=mean(bus) * sheet.bus_step_v,
        current_ma=current,
        current_min_ma=np.minimum.reduceat(shunt, first) * to_ma,
        current_max_ma=np.maximum.reduceat(shunt, first) * to_ma,
        charge_mah=np.cumsum(current * span_h),
        energy_mwh=np.cumsum(power * span_h),
        beyond=np.add.reduceat(beyond.astype(np.int64), first),
        bus_beyond=np.add.reduceat(bus_beyond.astype(np.int64), first),
    )


def _registers(
    world: World,
    board: Boards,
    pairs: int,
    half_s: float,
    chosen: Setting,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Counts of shunt and bus of every pair, and which of them stand at an end stop."""
    turns = pairs * chosen.turns
    shunt, bus = np.empty(turns), np.empty(turns)
    for begin in range(0, turns, _CHUNK):
        part = slice(begin, min(begin + _CHUNK, turns))
        from_s = np.arange(part.start, part.stop + 1, dtype=np.float64) * (2 * half_s)
        middle_s = np.asarray(from_s[:-1] + half_s, dtype=np.float64)
        starts, middles = world.load.charge_as(from_s), world.load.charge_as(middle_s)
        amps = (middles - starts[:-1]) / half_s
        later = (starts[1:] - middles) / half_s
        slow_v, ohm = world.between(middle_s)
        common_v = slow_v - (ohm + board.shunt_ohm) * amps
        bus_v = slow_v - (ohm + board.shunt_ohm) * later
        n = part.stop - part.start
        noise = rng.standard_normal((2, n), dtype=np.float32)
        read_v = board.shunt_reading_v(amps, common_v)
        read_v += chosen.noise * board.noise_shunt_v * noise[0]
        shunt[part] = read_v / board.sheet.shunt_step_v
        read_v = board.bus_reading_v(bus_v) + chosen.noise * board.noise_bus_v * noise[1]
        bus[part] = read_v / board.sheet.bus_step_v
    if chosen.turns > 1:
        shunt, bus = (values.reshape(pairs, -1).mean(axis=1) for values in (shunt, bus))
    low, high, bus_high = end_stops(board)
    # What is a whole number of steps stays so whatever the last bit of the division.
    shunt, bus = np.floor(shunt + 1e-9), np.floor(bus + 1e-9)
    beyond, bus_beyond = (shunt >= high) | (shunt <= low), bus >= bus_high
    return np.clip(shunt, low, high), np.clip(bus, 0.0, bus_high), beyond, bus_beyond


def end_stops(board: Boards) -> tuple[float, float, float]:
    """Least and greatest count of the shunt, greatest of the bus.

    INA219: 4000 counts per 40 mV of its range, bus 12 bits or 13 (SBOS448, from memory).
    INA226: 16 bits signed; bus 7FFFh (SBOS547).
    """
    if board.sheet.kind == "INA226":
        return -32768.0, 32767.0, 32767.0
    counts = float(round(board.full_v / board.sheet.shunt_step_v))
    return -counts, counts, float(round(board.bus_full_v / board.sheet.bus_step_v)) - 1
