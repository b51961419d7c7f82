"""The supply of a budget file: pack, converter, and the currents that what lies between is made for."""

from dataclasses import dataclass
from typing import Final

from analysis.listed.lines import Located
from logger.base.errors import BenchError
from logger.base.pack import Pack, parse_pack

CONVERTERS: Final = ("none", "linear", "boost", "buck")
# Nothing worn runs outside: a figure there is in another unit.
LEAST_SUPPLY_V: Final = 0.5
MOST_SUPPLY_V: Final = 60.0


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
    def switching(self) -> bool:
        """Whether it passes power on: a boost or a buck."""
        return self.kind in ("boost", "buck")

    @property
    def steps_down(self) -> bool:
        """Whether its output lies under its input: a linear regulator or a buck."""
        return self.kind in ("linear", "buck")

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
class Ratings:
    """What stands between cells and circuit is made for: currents in mA, a linear regulator's heat in mW; None: not said."""

    pack_ma: float | None = None
    holder_ma: float | None = None
    switch_ma: float | None = None
    regulator_mw: float | None = None


NOT_RATED: Final = Ratings()


def volts(item: Located, field: str) -> float | None:
    return item.number(field, low=LEAST_SUPPLY_V, high=MOST_SUPPLY_V, optional=True)


def read_ratings(item: Located) -> Ratings:
    def rated(field: str) -> float | None:
        return item.number(field, low=0.1, high=1e6, optional=True)

    regulator_mw = rated("regulator_max_mw")
    if regulator_mw is not None and item.values.get("converter") != "linear":
        raise item.error(
            "regulator_max_mw",
            "this is what a linear regulator may turn into heat, and there is none",
            'it with converter = "linear" only',
        )
    return Ratings(
        rated("pack_max_ma"), rated("holder_max_ma"), rated("switch_max_ma"), regulator_mw
    )


def read_supply(item: Located) -> tuple[Pack, Converter]:
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
        "regulator_max_mw",
    )
    words = item.text("pack")
    capacity_mah = item.number("capacity_mah", low=1.0, optional=True)
    if capacity_mah is not None:
        item.refuse_thousands("capacity_mah", capacity_mah)
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
    least_v, most_v = volts(item, "min_v"), volts(item, "max_v")
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
