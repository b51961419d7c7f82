"""The budget file: what the maker believes every part draws, as TOML, checked line by line.

    [piece]                 name, give_up_v (pack voltage at which the circuit gives up)
    [supply]                pack, capacity_mah, converter, output_v, efficiency_percent, ...
    [[part]]                name, quantity, supply ("output" or "pack"), source, tolerance_percent
      [part.current_ma]     a figure per state: active = 12.0, sleep = 0.02
      tolerance_percent = { STATE = ... }   where the states are not equally well known
      [part.peak_ma]        the short peak of a state, where it is above the mean
      [part.pixel.STATE]    instead of a figure: addressable LEDs by colour, brightness, share lit
      [part.led.STATE]      instead of a figure: plain LEDs by forward_v (their sum in a row), resistor_ohm
    [[wire]]                name, gauge_awg, length_m, carries = ["part", ...] or current_ma
    [[mode]]                name, hours, parts.NAME = "state" or { state = share of time, ... }
    [[step]]                mode, duration_s: a piece that goes through its modes by a fixed programme

Tolerance: the limits that 19 of 20 such parts keep to (95 %).
"""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from analysis.budget.lines import Located
from analysis.budget.part import Figure, Part, read_part
from logger.base.errors import BenchError
from logger.base.pack import Pack, parse_pack

CONVERTERS: Final = ("none", "linear", "boost", "buck")
# Nothing worn runs outside: a figure there is in another unit.
LEAST_SUPPLY_V: Final = 0.5
MOST_SUPPLY_V: Final = 60.0


@dataclass(frozen=True)
class Converter:
    """What stands between pack and parts. ``efficiency`` and its tolerance are fractions (95 %)."""

    kind: str = "none"
    output_v: float = 0.0
    efficiency: float = 1.0
    efficiency_tolerance: float = 0.0
    quiescent_ma: float = 0.0


@dataclass(frozen=True)
class Wire:
    """A pair of wires, out and back: carries some parts, or a stated ``current_ma``."""

    name: str
    gauge_awg: float
    length_m: float
    carries: tuple[str, ...] = ()
    current_ma: float | None = None


@dataclass(frozen=True)
class Mode:
    """A way the piece is worn. ``shares``: (part, state) to share of the time; the rest is off."""

    name: str
    hours: float
    shares: Mapping[tuple[str, str], float]


@dataclass(frozen=True)
class Step:
    """A stretch of the piece's own programme: this mode for so long."""

    mode: str
    duration_s: float


@dataclass(frozen=True)
class Budget:
    """A whole budget file. ``programme``: the steps it repeats from the run's start; empty if not known."""

    name: str
    give_up_v: float | None
    pack: Pack
    converter: Converter
    parts: tuple[Part, ...]
    wires: tuple[Wire, ...]
    modes: tuple[Mode, ...]
    programme: tuple[Step, ...] = ()

    @property
    def figures(self) -> tuple[Figure, ...]:
        return tuple(figure for part in self.parts for figure in part.figures)

    @property
    def floor_v(self) -> float:
        """Pack voltage at which the circuit gives up, 0 if not known.

        Where the file does not say: a linear or buck converter cannot hold its output under it.
        """
        if self.give_up_v is not None:
            return self.give_up_v
        return self.converter.output_v if self.converter.kind in ("linear", "buck") else 0.0

    def part(self, name: str) -> Part:
        return next(part for part in self.parts if part.name == name)


def read_budget(path: Path) -> Budget:
    """Budget from a file. Raises BenchError naming file, line, field and what would be valid."""
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors put a mark in front
    except FileNotFoundError:
        raise BenchError(
            f"There is no budget file {path}.",
            next_step=f"make one with: drawbench budget new {path}",
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise BenchError(
            f"The budget file {path} cannot be read.",
            evidence=str(error),
            next_step="check that it is a text file (UTF-8) you may read.",
        ) from error
    return parse_budget(text, str(path))


def parse_budget(text: str, name: str = "budget") -> Budget:
    """Budget from TOML text; ``name`` stands in messages."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BenchError(
            f"{name} is not valid TOML.",
            evidence=str(error),
            next_step='mend that line; text needs quotes, numbers take a point: name = "vest", current = 1.5',
        ) from None
    root = Located(name, text, document)
    root.only("piece", "supply", "part", "wire", "mode", "step")
    piece = root.table("piece")
    piece.only("name", "give_up_v")
    supply = root.table("supply")
    pack, converter = _supply(supply)
    parts = tuple(
        read_part(item, pack.nominal_v, converter.output_v)
        for item in root.tables("part", needed=True)
    )
    _unique(root, "part", [part.name for part in parts])
    wires = tuple(_wire(item, parts) for item in root.tables("wire"))
    modes = tuple(_mode(item, parts) for item in root.tables("mode", needed=True))
    _unique(root, "mode", [mode.name for mode in modes])
    programme = tuple(_step(item, modes) for item in root.tables("step"))
    give_up_v = piece.number("give_up_v", low=LEAST_SUPPLY_V, high=MOST_SUPPLY_V, optional=True)
    return Budget(piece.text("name"), give_up_v, pack, converter, parts, wires, modes, programme)


def _supply(item: Located) -> tuple[Pack, Converter]:
    item.only(
        "pack",
        "capacity_mah",
        "converter",
        "output_v",
        "efficiency_percent",
        "efficiency_tolerance_percent",
        "quiescent_ma",
    )
    words = item.text("pack")
    capacity_mah = item.number("capacity_mah", low=1.0, optional=True)
    try:
        pack = parse_pack(words, capacity_mah)
    except BenchError as error:
        raise item.error("pack", error.happened.rstrip("."), error.next_step) from None
    kind = item.text("converter", default="none")
    if kind not in CONVERTERS:
        raise item.error(
            "converter", f"{kind!r} is no converter", f"one of: {', '.join(CONVERTERS)}"
        )
    if kind == "none":
        return pack, Converter(output_v=pack.nominal_v)
    output_v = item.number("output_v", low=LEAST_SUPPLY_V, high=MOST_SUPPLY_V)
    quiescent_ma = item.number("quiescent_ma", low=0.0, default=0.0)
    if kind == "linear":
        return pack, Converter(kind, output_v, quiescent_ma=quiescent_ma)
    efficiency = item.number("efficiency_percent", low=1.0, high=100.0)
    tolerance = item.number("efficiency_tolerance_percent", low=0.0, high=50.0, default=5.0)
    return pack, Converter(kind, output_v, efficiency / 100, tolerance / 100, quiescent_ma)


def _wire(item: Located, parts: tuple[Part, ...]) -> Wire:
    item.only("name", "gauge_awg", "length_m", "carries", "current_ma")
    gauge_awg = item.number("gauge_awg", low=0.0, high=50.0)
    length_m = item.number("length_m", low=0.0, high=100.0)
    known = [part.name for part in parts]
    carries = item.texts("carries")
    for name in carries:
        if name not in known:
            raise item.error("carries", f"there is no part {name!r}", _valid(name, known))
    current_ma = item.number("current_ma", low=0.0, optional=True)
    if (current_ma is None) == (not carries):
        raise item.error(
            "carries",
            "a wire needs its parts or its current, one of the two",
            'carries = ["..."] or current_ma = 500',
        )
    return Wire(item.text("name"), gauge_awg, length_m, tuple(carries), current_ma)


def _mode(item: Located, parts: tuple[Part, ...]) -> Mode:
    item.only("name", "hours", "parts")
    name = item.text("name")
    hours = item.number("hours", low=0.0, high=10_000.0, default=0.0)
    states = {part.name: [figure.state for figure in part.figures] for part in parts}
    shares: dict[tuple[str, str], float] = {}
    for part, use in item.mapping("parts").items():
        field = f"parts.{part}"
        if part not in states:
            raise item.error(field, f"there is no part {part!r}", _valid(part, list(states)))
        given = {use: 1.0} if isinstance(use, str) else use
        if not isinstance(given, Mapping) or not given:
            raise item.error(
                field,
                f"{use!r} is no state",
                f'"{states[part][0]}" or {{ {states[part][0]} = 0.5 }}',
            )
        for state, share in given.items():
            if state not in states[part]:
                raise item.error(
                    field, f"part {part!r} has no state {state!r}", _valid(state, states[part])
                )
            if isinstance(share, bool) or not isinstance(share, int | float) or not 0 <= share <= 1:
                raise item.error(
                    field,
                    f"duty {share!r} of {state!r} is not a share of the time",
                    "a number from 0 to 1",
                )
            shares[part, state] = float(share)
        total = math.fsum(float(share) for share in given.values())
        if total > 1 + 1e-9:
            raise item.error(
                field,
                f"the duties of {part!r} add up to {total:g}",
                "shares that add up to 1 at most",
            )
    return Mode(name, hours, shares)


def _step(item: Located, modes: tuple[Mode, ...]) -> Step:
    item.only("mode", "duration_s")
    known = [mode.name for mode in modes]
    mode = item.text("mode")
    if mode not in known:
        raise item.error("mode", f"there is no mode {mode!r}", _valid(mode, known))
    return Step(mode, item.number("duration_s", low=0.1))


def _valid(wrong: str, known: list[str]) -> str:
    close = get_close_matches(wrong, known, 1)
    hint = f"did you mean {close[0]!r}? " if close else ""
    return f"{hint}one of: {', '.join(known)}"


def _unique(root: Located, kind: str, names: list[str]) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            item = root.tables(kind)[index]
            raise item.error("name", f"{kind} {name!r} is there twice", "another name")
