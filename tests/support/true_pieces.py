"""Pieces as they truly are: what each part draws, and what the pack sees of it.

Ohm's law and the converter's power balance alone: pack current = output power / (efficiency x pack
voltage) + the converter's own draw. Imports nothing of ``analysis``, ``logger`` or ``firmware_probe``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.support.datasheet_boards.loads import Load
from tests.support.datasheet_boards.loads import Mode as LoadMode
from tests.support.datasheet_boards.packs import ALKALINE, Chemistry, Pack

EFFICIENCY: Final = "converter efficiency"

# Copper pair, ohm per metre of length one way: twice that of the gauge (tests/SOURCES.md D2).
WIRE_OHM_PER_M: Final = {22: 2 * 0.05295, 26: 2 * 0.13389, 30: 2 * 0.33858}
# Pulses within a mode come and go this often: a share of time, not a mode.
_SHARE_HZ: Final = 0.5
# Others than the culprit are within a quarter of their tolerance of what is believed (one standard deviation).
_QUARTER: Final = 0.25

States = Mapping[str, float]
Use = Mapping[str, str | Mapping[str, float]]


@dataclass(frozen=True)
class Led:
    """Plain LED: volts over it, resistor in row with it."""

    forward_v: float
    resistor_ohm: float


@dataclass(frozen=True)
class PieceMode:
    """``use``: part -> its state, or shares of time per state. ``seconds``: how long it lasts in the run."""

    hours: float
    use: Use
    seconds: float = 240.0


@dataclass(frozen=True)
class Piece:
    """A whole piece; currents in mA per single part at its own supply. ``feed``: part -> (gauge, metres) of its wire."""

    converter: str
    output_v: float
    efficiency: float
    quiescent_ma: float
    parts: Mapping[str, States]
    modes: Mapping[str, PieceMode]
    quantity: Mapping[str, int]
    tolerance: Mapping[str, float]
    leds: Mapping[str, Led]
    feed: Mapping[str, tuple[int, float]]
    chemistry: Chemistry = ALKALINE


def nominal_v(chemistry: Chemistry) -> float:
    """Of the pack half-way down."""
    share, volts = np.array(chemistry.emf).T
    return float(chemistry.cells * np.interp(0.5, share, volts))


def part_ma(piece: Piece, name: str, state: str, supply_v: float) -> float:
    """All pieces of a part in one state; plain LEDs by Ohm's law with their wire's resistance."""
    count = piece.quantity.get(name, 1)
    led = piece.leds.get(name)
    if led is None or state != "on":
        return count * piece.parts[name].get(state, 0.0)
    gauge, metres = piece.feed.get(name, (22, 0.0))
    wire_ohm = WIRE_OHM_PER_M[gauge] * metres
    # All share the wire: n (V - n I w) = ..., solved for the sum.
    volts = supply_v - led.forward_v
    return 1e3 * max(volts, 0.0) / (led.resistor_ohm / count + wire_ohm)


def levels_ma(piece: Piece, mode: str, pack_v: float) -> list[tuple[float, float]]:
    """(share of time, current at the pack) of a mode; at most two levels."""
    supply_v = piece.output_v if piece.converter != "none" else pack_v
    base, pulses = 0.0, [(1.0, 0.0)]
    for name, use in piece.modes[mode].use.items():
        if isinstance(use, str):
            base += part_ma(piece, name, use, supply_v)
        else:
            shares = list(use.items())
            assert len(pulses) == 1
            assert len(shares) == 2
            pulses = [(share, part_ma(piece, name, state, supply_v)) for state, share in shares]
    return [(share, _at_pack(piece, base + ma, pack_v)) for share, ma in pulses]


def _at_pack(piece: Piece, output_ma: float, pack_v: float) -> float:
    if piece.converter == "none":
        return output_ma
    if piece.converter == "linear":
        return output_ma + piece.quiescent_ma
    return output_ma * piece.output_v / (piece.efficiency * pack_v) + piece.quiescent_ma


def mode_ma(piece: Piece, mode: str, pack_v: float) -> float:
    """Mean current of a mode at the pack."""
    return sum(share * ma for share, ma in levels_ma(piece, mode, pack_v))


def evening_ma(piece: Piece, pack_v: float) -> float:
    """Mean current over all modes by their hours."""
    hours = sum(mode.hours for mode in piece.modes.values())
    return sum(m.hours * mode_ma(piece, name, pack_v) for name, m in piece.modes.items()) / hours


def load_of(piece: Piece, pack: Pack) -> Load:
    """The true piece's modes one after the other; each at the pack voltage that its own draw leaves."""
    modes = []
    for name, mode in piece.modes.items():
        volts = open_v = float(pack.emf_v(np.zeros(1))[0])
        for _ in range(20):
            volts = open_v - (pack.ohm + pack.slow_ohm) * mode_ma(piece, name, volts) / 1e3
        levels = [(share, ma / 1e3) for share, ma in levels_ma(piece, name, volts)]
        low = min(levels, key=lambda level: level[1])[1]
        high_share, high = max(levels, key=lambda level: level[1])
        duty = high_share if len(levels) == 2 else 0.0
        modes.append(LoadMode(mode.seconds, low, high - low, _SHARE_HZ, duty))
    return Load(tuple(modes), name="piece")


def starts_s(piece: Piece) -> dict[str, float]:
    """When each mode begins in the run."""
    found, at_s = {}, 0.0
    for name, mode in piece.modes.items():
        found[name] = at_s
        at_s += mode.seconds
    return found


def pack_of(piece: Piece) -> Pack:
    """A pack half-way down, so large that it stays there."""
    chemistry = piece.chemistry
    ohm = chemistry.cells * sum(chemistry.ohm) / 2 + 0.05
    return Pack(chemistry, 50.0, 25.0, ohm, 0.2 * ohm, 20.0)


def with_ma(piece: Piece, part: str, state: str, ma: float) -> Piece:
    """The piece with one figure changed."""
    return replace(piece, parts={**piece.parts, part: {**piece.parts[part], state: ma}})


def with_use(piece: Piece, mode: str, part: str, use: str | Mapping[str, float]) -> Piece:
    """The piece with a part in another state in one mode."""
    changed = replace(piece.modes[mode], use={**piece.modes[mode].use, part: use})
    return replace(piece, modes={**piece.modes, mode: changed})


def with_hours(piece: Piece, hours: Mapping[str, float]) -> Piece:
    """The piece with some modes worn for longer or shorter."""
    modes = {
        name: replace(mode, hours=hours.get(name, mode.hours)) for name, mode in piece.modes.items()
    }
    return replace(piece, modes=modes)


def jittered(piece: Piece, kept: frozenset[str], seed: int) -> Piece:
    """The piece with every figure that is not the culprit a little off, within what its tolerance says."""
    rng = np.random.default_rng([seed, 31])
    parts = {
        name: {
            state: ma
            if f"{name}: {state}" in kept
            else ma
            * (1 + float(np.clip(rng.normal(0, _QUARTER), -0.5, 0.5)) * piece.tolerance[name] / 100)
            for state, ma in states.items()
        }
        for name, states in piece.parts.items()
    }
    return replace(piece, parts=parts)
