"""The budget file: what the maker believes every part draws, as TOML, checked line by line.

    [piece]                 name, give_up_v (pack voltage at which the circuit gives up), max_v (that it stands)
    [supply]                pack, capacity_mah, converter, output_v, efficiency_percent, ...
                            min_v, max_v (the converter's input), pack_max_ma, holder_max_ma, switch_max_ma
    [[part]]                name, quantity, supply ("output" or "pack"), source, tolerance_percent, min_v, max_v
      [part.current_ma]     a figure per state: active = 12.0, sleep = 0.02
      tolerance_percent = { STATE = ... }   where the states are not equally well known
      [part.peak_ma]        the short peak of a state, where it is above the mean
      [part.pixel.STATE]    instead of a figure: addressable LEDs by colour, brightness, share lit
      [part.led.STATE]      instead of a figure: plain LEDs by forward_v (their sum in a row), resistor_ohm
    [[wire]]                name, gauge_awg or ohm_per_m (conductive thread), length_m, insulation, bundle,
                            carries = ["part", ...] or current_ma
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
from analysis.electric.ampacity import DEFAULT_INSULATION, INSULATIONS_C
from analysis.electric.wire_drop import loop_resistance_ohm
from logger.base.errors import BenchError
from logger.base.pack import Pack, parse_pack

CONVERTERS: Final = ("none", "linear", "boost", "buck")
# Nothing worn runs outside: a figure there is in another unit.
LEAST_SUPPLY_V: Final = 0.5
MOST_SUPPLY_V: Final = 60.0
# Plain LEDs that give this much of their light are as good as off: our own judgement.
DARK_SHARE: Final = 0.1


@dataclass(frozen=True)
class Converter:
    """What stands between pack and parts. ``efficiency`` and its tolerance are fractions (95 %).

    ``min_v``, ``max_v``: what its input needs and stands; None: not said.
    """

    kind: str = "none"
    output_v: float = 0.0
    efficiency: float = 1.0
    efficiency_tolerance: float = 0.0
    quiescent_ma: float = 0.0
    min_v: float | None = None
    max_v: float | None = None

    @property
    def words(self) -> str:
        return {"linear": "linear regulator", "none": "circuit"}.get(
            self.kind, f"{self.kind} converter"
        )

    def rail_v(self, pack_v: float, after_converter: bool = True) -> float:
        """Voltage that a part gets while the pack stands at ``pack_v``; drop-out not counted."""
        if not after_converter or self.kind == "none":
            return pack_v
        return max(self.output_v, pack_v) if self.kind == "boost" else min(self.output_v, pack_v)


@dataclass(frozen=True)
class Wire:
    """A pair of wires, out and back: carries some parts, or a stated ``current_ma``.

    One of ``gauge_awg`` (copper) and ``ohm_per_m`` (conductive thread) is given. ``bundle``: how
    many such wires lie together, this pair included.
    """

    name: str
    gauge_awg: float | None
    length_m: float
    carries: tuple[str, ...] = ()
    current_ma: float | None = None
    ohm_per_m: float | None = None
    insulation: str = DEFAULT_INSULATION
    bundle: int = 2

    @property
    def loop_ohm(self) -> float:
        """Resistance out and back."""
        if self.ohm_per_m is not None:
            return 2 * self.length_m * self.ohm_per_m
        assert self.gauge_awg is not None
        return loop_resistance_ohm(self.gauge_awg, self.length_m)


@dataclass(frozen=True)
class Ratings:
    """Currents that what stands between cells and circuit is made for, mA; None: not said."""

    pack_ma: float | None = None
    holder_ma: float | None = None
    switch_ma: float | None = None


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
    ratings: Ratings = Ratings()

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
        if self.converter.kind in ("linear", "buck"):
            needs.append(self.converter.output_v)
        return max(needs)

    def on_pack(self, part: Part) -> bool:
        """Whether this part gets the pack's own voltage."""
        return self.converter.kind == "none" or not part.after_converter

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
    if "min_v" in piece.values:
        raise piece.error("min_v", "the least voltage of a piece is give_up_v", "give_up_v instead")
    piece.only("name", "give_up_v", "max_v")
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
    give_up_v = _volts(piece, "give_up_v")
    budget = Budget(
        piece.text("name"), give_up_v, pack, converter, parts, wires, modes, programme,
        _volts(piece, "max_v"), _ratings(supply),
    )  # fmt: skip
    refuse_impossible(budget, piece, supply, root.tables("part"))
    return budget


def _volts(item: Located, field: str) -> float | None:
    return item.number(field, low=LEAST_SUPPLY_V, high=MOST_SUPPLY_V, optional=True)


def _ratings(item: Located) -> Ratings:
    def rated(field: str) -> float | None:
        return item.number(field, low=0.1, high=1e6, optional=True)

    return Ratings(rated("pack_max_ma"), rated("holder_max_ma"), rated("switch_max_ma"))


def _supply(item: Located) -> tuple[Pack, Converter]:
    item.only(
        "pack",
        "capacity_mah",
        "converter",
        "output_v",
        "efficiency_percent",
        "efficiency_tolerance_percent",
        "quiescent_ma",
        "min_v",
        "max_v",
        "pack_max_ma",
        "holder_max_ma",
        "switch_max_ma",
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
        for field in ("min_v", "max_v"):
            if field in item.values:
                raise item.error(
                    field,
                    "this is what a converter's input stands, and there is none",
                    f"{'give_up_v' if field == 'min_v' else 'max_v'} under [piece] instead",
                )
        return pack, Converter(output_v=pack.nominal_v)
    least_v, most_v = _volts(item, "min_v"), _volts(item, "max_v")
    output_v = item.number("output_v", low=LEAST_SUPPLY_V, high=MOST_SUPPLY_V)
    quiescent_ma = item.number("quiescent_ma", low=0.0, default=0.0)
    if kind == "linear":
        return pack, Converter(
            kind, output_v, quiescent_ma=quiescent_ma, min_v=least_v, max_v=most_v
        )
    efficiency = item.number("efficiency_percent", low=1.0, high=100.0)
    tolerance = item.number("efficiency_tolerance_percent", low=0.0, high=50.0, default=5.0)
    return pack, Converter(
        kind, output_v, efficiency / 100, tolerance / 100, quiescent_ma, least_v, most_v
    )


def _wire(item: Located, parts: tuple[Part, ...]) -> Wire:
    item.only(
        "name",
        "gauge_awg",
        "ohm_per_m",
        "length_m",
        "carries",
        "current_ma",
        "insulation",
        "bundle",
    )
    gauge_awg, ohm_per_m = _conductor(item)
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
    insulation = item.text("insulation", default=DEFAULT_INSULATION)
    if insulation not in INSULATIONS_C:
        raise item.error(
            "insulation",
            f"{insulation!r} is no known insulation",
            f"one of: {', '.join(INSULATIONS_C)}",
        )
    bundle = item.number("bundle", low=2.0, high=200.0, default=2.0)
    return Wire(
        item.text("name"), gauge_awg, length_m, tuple(carries), current_ma, ohm_per_m, insulation, int(bundle)
    )  # fmt: skip


def _conductor(item: Located) -> tuple[float | None, float | None]:
    """Gauge of a copper wire, or ohm per metre of a conductive thread."""
    ohm_per_m = item.number("ohm_per_m", low=0.001, high=10_000.0, optional=True)
    if ohm_per_m is None:
        return item.number("gauge_awg", low=0.0, high=50.0), None
    if "gauge_awg" in item.values:
        raise item.error(
            "ohm_per_m",
            "a wire has a gauge, a conductive thread its ohm per metre",
            "gauge_awg or ohm_per_m, one of the two",
        )
    return None, ohm_per_m


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


def refuse_impossible(
    budget: Budget, piece: Located, supply: Located, parts: list[Located]
) -> None:
    """Raises BenchError for limits of voltage that no pack, or not this converter, can keep."""
    converter = budget.converter
    steps_down = converter.kind in ("linear", "buck")
    give_up_v, output_v = budget.give_up_v, converter.output_v
    if budget.max_v is not None and give_up_v is not None and budget.max_v <= give_up_v:
        raise piece.error(
            "max_v",
            f"{budget.max_v:g} V is not above give_up_v, {give_up_v:g} V, so no pack can feed it",
            "a max_v above give_up_v",
        )
    for item, most_v in ((piece, budget.max_v), (supply, converter.max_v)):
        if steps_down and most_v is not None and most_v < output_v:
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
