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
    usual_s = sheet.settings_s[0]
    conversion_s = usual_s if conversion_s is None else conversion_s
    if conversion_s not in sheet.settings_s or averages not in sheet.averages:
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
    last, time_us = _ends(pair_s * (1 + float(board.clock[0])), window_s, world.seconds / pair_s)
    first = np.concatenate(([0], last[:-1] + 1))
    number = last - first + 1
    sums = np.concatenate(
        [
            _sums(world, board, first[part], last[part], half_s, chosen, rng)
            for part in _parts(number)
        ],
        axis=1,
    )
    shunt, bus, pack, power, low, high, pack_low, beyond, bus_beyond = sums
    to_ma = 1e3 * sheet.shunt_step_v / board.shunt_ohm
    span_h = np.diff(np.concatenate(([0], time_us))) / 3.6e9
    current = shunt / number * to_ma
    return Windows(
        board=board,
        window_s=window_s,
        end_s=np.asarray(pair_s * (last + 1.0), dtype=np.float64),
        time_us=time_us,
        conversions=number,
        pack_v=pack / number * sheet.shunt_step_v,
        pack_min_v=pack_low * sheet.shunt_step_v,
        bus_v=bus / number * sheet.bus_step_v,
        current_ma=current,
        current_min_ma=low * to_ma,
        current_max_ma=high * to_ma,
        charge_mah=np.cumsum(current * span_h),
        energy_mwh=np.cumsum(power / number * sheet.shunt_step_v * to_ma * span_h),
        beyond=beyond.astype(np.int64),
        bus_beyond=bus_beyond.astype(np.int64),
    )


def _ends(board_pair_s: float, window_s: float, pairs: float) -> tuple[Ints, Ints]:
    """Last pair of each window and the board's time then: the first conversion at or after the nominal end."""
    step_us, nominal_us = 1e6 * board_pair_s, round(1e6 * window_s)
    nominal = nominal_us * np.arange(1, int(step_us * pairs) // nominal_us + 1)

    def end_us(pair: Ints) -> Ints:
        return np.asarray(np.floor(step_us * (pair + 1)), dtype=np.int64)

    last = np.ceil(nominal / step_us).astype(np.int64) - 1
    last += end_us(last) < nominal  # whole microseconds may end short of it
    # A window without a conversion is none: its time belongs to the next.
    last = np.unique(last[last < int(pairs)])
    return last, end_us(last)


def _parts(number: Ints) -> list[slice]:
    """Windows in parts of so many conversions that memory stays small."""
    part = np.cumsum(number) // _CHUNK
    begins = np.flatnonzero(np.diff(part, prepend=-1))
    return [slice(a, b) for a, b in zip(begins, [*begins[1:], len(number)], strict=True)]


def _sums(
    world: World,
    board: Boards,
    first: Ints,
    last: Ints,
    half_s: float,
    chosen: Setting,
    rng: np.random.Generator,
) -> Floats:
    """Sums and extremes of each window's counts, shape (9, windows), in the order that ``record`` takes them."""
    shunt, bus = _registers(world, board, range(first[0], last[-1] + 1), half_s, chosen, rng)
    low, high, bus_high = end_stops(board)
    beyond, bus_beyond = (shunt >= high) | (shunt <= low), bus >= bus_high
    shunt, bus = np.clip(shunt, low, high), np.clip(bus, 0.0, bus_high)
    pack = bus * (board.sheet.bus_step_v / board.sheet.shunt_step_v) + shunt
    at = first - first[0]
    added = (shunt, bus, pack, pack * shunt)
    found = [np.add.reduceat(values, at) for values in added]
    found += [np.minimum.reduceat(shunt, at), np.maximum.reduceat(shunt, at)]
    found += [np.minimum.reduceat(pack, at)]
    found += [np.add.reduceat(flags.astype(np.float64), at) for flags in (beyond, bus_beyond)]
    return np.array(found)


def _registers(
    world: World,
    board: Boards,
    pairs: range,
    half_s: float,
    chosen: Setting,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Counts of shunt and bus of these pairs, rounded down, as if there were no end stops."""
    turns = np.arange(pairs.start * chosen.turns, pairs.stop * chosen.turns + 1, dtype=np.float64)
    from_s = turns * (2 * half_s)
    middle_s = np.asarray(from_s[:-1] + half_s, dtype=np.float64)
    starts, middles = world.load.charge_as(from_s), world.load.charge_as(middle_s)
    amps = (middles - starts[:-1]) / half_s
    later = (starts[1:] - middles) / half_s
    slow_v, ohm = world.between(middle_s)
    common_v = slow_v - (ohm + board.shunt_ohm) * amps
    bus_v = slow_v - (ohm + board.shunt_ohm) * later
    noise = chosen.noise * rng.standard_normal((2, len(middle_s)), dtype=np.float32)
    shunt_v = board.shunt_reading_v(amps, common_v) + board.noise_shunt_v * noise[0]
    read_v = board.bus_reading_v(bus_v) + board.noise_bus_v * noise[1]
    counts = (shunt_v / board.sheet.shunt_step_v, read_v / board.sheet.bus_step_v)
    if chosen.turns > 1:
        counts = (_turns_mean(counts[0], len(pairs)), _turns_mean(counts[1], len(pairs)))
    # What is a whole number of steps stays so whatever the last bit of the division.
    return np.floor(counts[0] + 1e-9), np.floor(counts[1] + 1e-9)


def _turns_mean(values: Floats, pairs: int) -> Floats:
    return np.asarray(values.reshape(pairs, -1).mean(axis=1))


def end_stops(board: Boards) -> tuple[float, float, float]:
    """Least and greatest count of the shunt, greatest of the bus.

    INA219: 4000 counts per 40 mV of its range, bus 12 bits or 13 (SBOS448, from memory).
    INA226: 16 bits signed; bus 7FFFh (SBOS547). INA228: 20 bits signed, bus 85 V (SBOSA20).
    """
    if board.sheet.kind == "INA226":
        return -32768.0, 32767.0, 32767.0
    if board.sheet.kind == "INA228":
        return -524288.0, 524287.0, round(85.0 / board.sheet.bus_step_v)
    counts = float(round(board.full_v / board.sheet.shunt_step_v))
    return -counts, counts, float(round(board.bus_full_v / board.sheet.bus_step_v)) - 1
