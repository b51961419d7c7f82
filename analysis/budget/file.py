"""The budget file: what the maker believes every part draws, as TOML, checked line by line.

    [piece]                 name, give_up_v (pack voltage at which the circuit gives up), max_v (that it stands)
    [supply]                pack, capacity_mah, converter, output_v, efficiency_percent, ...
                            min_v, max_v (the converter's input), pack_max_ma, holder_max_ma, switch_max_ma,
                            regulator_max_mw (heat of a linear regulator)
    [[part]]                name, quantity, supply ("output" or "pack"), source, tolerance_percent, min_v, max_v
      [part.current_ma]     a figure per state: active = 12.0, sleep = 0.02
      tolerance_percent = { STATE = ... }   where the states are not equally well known
      [part.peak_ma]        the short peak of a state, where it is above the mean
      [part.pixel.STATE]    instead of a figure: addressable LEDs by colour, brightness, share lit
      [part.led.STATE]      instead of a figure: plain LEDs by forward_v (their sum in a row), resistor_ohm
    [[wire]]                name, gauge_awg or ohm_per_m (conductive thread), length_m, insulation, bundle,
                            carries = ["part", ...], ["pack"] (all that it gives) or current_ma
    [[mode]]                name, hours, parts.NAME = "state" or { state = share of time, ... }
    [[step]]                mode, duration_s: a piece that goes through its modes by a fixed programme

Tolerance: the limits that 19 of 20 such parts keep to (95 %).
"""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analysis.listed.lines import Located, valid_of
from analysis.listed.part import Figure, Part, read_part
from analysis.listed.supply import NOT_RATED, Converter, Ratings, read_ratings, read_supply, volts
from analysis.listed.wire import Wire, read_wire
from logger.base.errors import BenchError, spoken
from logger.base.pack import Pack
from logger.base.safe_files import read_whole
from logger.base.typed.utf8 import utf8_text

# Plain LEDs that give this much of their light are as good as off: our own judgement.
DARK_SHARE: Final = 0.1
# A budget of a hundred parts takes 20 KiB.
_BUDGET_MAX: Final = 1024 * 1024


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
    """A whole budget file. ``programme``: the steps it repeats from the run's start; empty if not known.

    ``max_v``: the most that the piece stands at the pack's terminals; None: not said.
    """

    name: str
    give_up_v: float | None
    pack: Pack
    converter: Converter
    parts: tuple[Part, ...]
    wires: tuple[Wire, ...]
    modes: tuple[Mode, ...]
    programme: tuple[Step, ...] = ()
    max_v: float | None = None
    ratings: Ratings = NOT_RATED

    @property
    def figures(self) -> tuple[Figure, ...]:
        return tuple(figure for part in self.parts for figure in part.figures)

    @property
    def floor_v(self) -> float:
        """Pack voltage at which the circuit gives up, 0 if not known.

        Where the file does not say: what the parts on the pack and the converter's input need; a
        linear or buck converter cannot hold its output under it; plain LEDs at a tenth of their light.
        """
        if self.give_up_v is not None:
            return self.give_up_v
        needs = [part.min_v or 0.0 for part in self.parts if self.on_pack(part)]
        needs += [
            figure.forward_v + DARK_SHARE * (figure.supply_v - figure.forward_v)
            for part in self.parts
            for figure in part.figures
            if figure.supply_v and self.on_pack(part)
        ]
        needs.append(self.converter.min_v or 0.0)
        if self.converter.steps_down:
            needs.append(self.converter.output_v)
        return max(needs)

    def on_pack(self, part: Part) -> bool:
        """Whether this part gets the pack's own voltage."""
        return self.converter.kind == "none" or not part.after_converter

    def at_pack(self, part: Part, figure: Figure, pack_v: float) -> float:
        """How much of a figure flows at this pack voltage: less for plain LEDs on a supply that sags, or behind a wire."""
        rail_v = self.converter.rail_v(pack_v, part.after_converter)
        return figure.at_rail(rail_v, self.wire_ohm(part))

    def wire_ohm(self, part: Part) -> float:
        """What its wires put in row with each piece of a part: all pieces share them."""
        return part.quantity * sum(
            wire.loop_ohm for wire in self.wires if part.name in wire.carries
        )

    def part(self, name: str) -> Part:
        return next(part for part in self.parts if part.name == name)

    def mode(self, name: str) -> Mode:
        return next(mode for mode in self.modes if mode.name == name)


def read_budget(path: Path) -> Budget:
    """Budget from a file. Raises BenchError naming file, line, field and what would be valid."""
    return parse_budget(budget_text(path), str(path))


def budget_text(path: Path) -> str:
    """Text of a budget file. Raises BenchError for one that cannot be read."""
    try:
        return utf8_text(read_whole(path, _BUDGET_MAX), path, "budget file")
    except FileNotFoundError:
        raise BenchError(
            f"There is no budget file {path}.",
            next_step=f"make one with: drawbench budget new {path}",
        ) from None
    except OSError as error:
        raise BenchError(
            f"The budget file {path} cannot be read.",
            evidence=spoken(error),
            next_step="check that it is a text file you may read.",
        ) from error


def parse_budget(text: str, name: str = "budget") -> Budget:
    """Budget from TOML text; ``name`` stands in messages."""
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise BenchError(
            f"{name} is nested too deeply to be a budget.", next_step="mend it, or begin anew."
        ) from None
    except ValueError as error:  # also a number of thousands of digits
        raise BenchError(
            f"{name} is not valid TOML.",
            evidence=str(error),
            next_step='mend that line; text needs quotes, numbers take a point: name = "vest", current = 1.5',
        ) from None
    root = Located(name, text, document)
    root.only("piece", "supply", "part", "wire", "mode", "step")
    piece = root.table("piece")
    if "min_v" in piece.values:
        raise piece.error("min_v", "the least voltage of a piece is give_up_v", "give_up_v instead")
    piece.only("name", "give_up_v", "max_v")
    supply = root.table("supply")
    pack, converter = read_supply(supply)
    parts = tuple(
        read_part(item, pack.nominal_v, converter.output_v)
        for item in root.tables("part", needed=True)
    )
    _unique(root, "part", [part.name for part in parts])
    wires = tuple(read_wire(item, [part.name for part in parts]) for item in root.tables("wire"))
    modes = tuple(_mode(item, parts) for item in root.tables("mode", needed=True))
    _unique(root, "mode", [mode.name for mode in modes])
    programme = tuple(_step(item, modes) for item in root.tables("step"))
    give_up_v = volts(piece, "give_up_v")
    budget = Budget(
        piece.text("name"), give_up_v, pack, converter, parts, wires, modes, programme,
        volts(piece, "max_v"), read_ratings(supply),
    )  # fmt: skip
    refuse_impossible(budget, piece, supply, root.tables("part"))
    return budget


def _mode(item: Located, parts: tuple[Part, ...]) -> Mode:
    item.only("name", "hours", "parts")
    name = item.text("name")
    hours = item.number("hours", low=0.0, high=10_000.0, default=0.0)
    states = {part.name: [figure.state for figure in part.figures] for part in parts}
    shares: dict[tuple[str, str], float] = {}
    for part, use in item.mapping("parts").items():
        field = f"parts.{part}"
        if part not in states:
            raise item.error(field, f"there is no part {part!r}", valid_of(part, list(states)))
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
                    field, f"part {part!r} has no state {state!r}", valid_of(state, states[part])
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
        raise item.error("mode", f"there is no mode {mode!r}", valid_of(mode, known))
    return Step(mode, item.number("duration_s", low=0.1))


def _unique(root: Located, kind: str, names: list[str]) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            item = root.tables(kind)[index]
            raise item.error("name", f"{kind} {name!r} is there twice", "another name")


def refuse_impossible(
    budget: Budget, piece: Located, supply: Located, parts: list[Located]
) -> None:
    """Raises BenchError for limits of voltage that no pack, or not this converter, can keep."""
    converter = budget.converter
    give_up_v, output_v = budget.give_up_v, converter.output_v
    if budget.max_v is not None and give_up_v is not None and budget.max_v <= give_up_v:
        raise piece.error(
            "max_v",
            f"{budget.max_v:g} V is not above give_up_v, {give_up_v:g} V, so no pack can feed it",
            "a max_v above give_up_v",
        )
    for item, most_v in ((piece, budget.max_v), (supply, converter.max_v)):
        if converter.steps_down and most_v is not None and most_v < output_v:
            raise item.error(
                "max_v",
                f"{most_v:g} V at the pack is under the {converter.words}'s output of {output_v:g} V, and it only steps down",
                f'a max_v above {output_v:g}, or converter = "boost"',
            )
    if None not in (converter.min_v, converter.max_v) and converter.max_v <= converter.min_v:  # type: ignore[operator]
        raise supply.error("max_v", "it is not above min_v", "a max_v above min_v")
    for item, part in zip(parts, budget.parts, strict=True):
        _refuse_part(budget, item, part)


def _refuse_part(budget: Budget, item: Located, part: Part) -> None:
    output_v = budget.converter.output_v
    if part.max_v is not None and part.min_v is not None and part.max_v <= part.min_v:
        raise item.error("max_v", "it is not above min_v", "a max_v above min_v")
    if budget.on_pack(part):
        return
    if part.max_v is not None and not part.max_v_usual and part.max_v < output_v:
        raise item.error(
            "max_v",
            f"part {part.name!r} stands {part.max_v:g} V, but the converter gives it {output_v:g} V",
            f'an output_v of {part.max_v:g} at most, a part that stands more, or supply = "pack" if it is fed by the pack',
        )
    if part.min_v is not None and part.min_v > output_v:
        raise item.error(
            "min_v",
            f"part {part.name!r} needs {part.min_v:g} V, but the converter gives it {output_v:g} V",
            "a higher output_v, or a part that needs less",
        )
