"""The wires of a budget file: copper by its gauge, or conductive thread by its ohm per metre."""

from dataclasses import dataclass
from typing import Final

from analysis.electric.ampacity import DEFAULT_INSULATION, INSULATIONS_C
from analysis.electric.wire_drop import loop_resistance_ohm
from analysis.listed.lines import Located, valid_of

# What the leads of the pack carry: all that it gives.
PACK: Final = "pack"


@dataclass(frozen=True)
class Wire:
    """A pair of wires, out and back: carries some parts, all that the pack gives, or a stated ``current_ma``.

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
    def of_pack(self) -> bool:
        """Whether it lies between the pack and everything else."""
        return self.carries == (PACK,)

    @property
    def loop_ohm(self) -> float:
        """Resistance out and back."""
        if self.ohm_per_m is not None:
            return 2 * self.length_m * self.ohm_per_m
        assert self.gauge_awg is not None
        return loop_resistance_ohm(self.gauge_awg, self.length_m)


def read_wire(item: Located, known: list[str]) -> Wire:
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
    carries = item.texts("carries")
    if PACK in carries and (carries != [PACK] or PACK in known):
        raise item.error(
            "carries",
            "'pack' means all that the pack gives",
            'carries = ["pack"] alone, and another name for a part that is called so',
        )
    for name in carries:
        if name not in known and name != PACK:
            raise item.error(
                "carries", f"there is no part {name!r}", valid_of(name, [*known, PACK])
            )
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
