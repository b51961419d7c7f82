"""From bench to body: strain in a bent wire, bends per wearing, and what a tighter bench bend is worth.

Outer-fibre strain = d / (2 R + d), d: diameter of the wire or of one strand, R: inner bend
radius (beam theory, neutral axis in the middle). Of a stranded wire each strand bends by
itself as long as solder has not wicked into it: then it is as stiff as solid.
Life goes with strain^-exponent (Coffin-Manson/Basquin form), cycles worn = cycles on the
bench * (bench strain / worn strain)^exponent.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.life.data import Specimen, lives_of
from analysis.life.regression import NoFit
from analysis.life.slope import slope
from logger.base.errors import BenchError

# Planning figures for one evening (four hours, moderate movement): no source; count your own.
BENDS_PER_WEARING: Final = {"elbow": 400, "shoulder": 250, "hip": 300}
# Rough range for copper at large strain, from memory; an assumption until fitted from two radii.
EXPONENT_ASSUMED: Final = 2.0
EXPONENT_RANGE: Final = (1.5, 4.0)
FACTOR_SAFE: Final = 10.0  # worn bends a bench bend may stand for without a caution,
FACTOR_MAX: Final = 100.0  # and with a verdict
_AWG_STRANDS: Final = {22: 30, 24: 32, 26: 34, 28: 36, 30: 38}  # 7 strands; common wire charts


@dataclass(frozen=True)
class Acceleration:
    """``factor``: cycles worn per cycle on the bench; ``exponent`` of strain, fitted or assumed.

    ``diameter_mm`` bends round ``bench_radius_mm`` on the bench, ``worn_radius_mm`` as worn.
    """

    factor: Quantity
    exponent: Quantity
    fitted: bool
    diameter_mm: float
    bench_radius_mm: float
    worn_radius_mm: float

    @property
    def cautious(self) -> float:
        """The factor that may be relied on: its lower end, where it has one."""
        assert self.factor.value is not None
        return self.factor.value if self.factor.lower is None else self.factor.lower

    def worn_per_bend(self, radius_mm: float, cautious: bool = True) -> float:
        """Bends as worn that one bend round ``radius_mm`` stands for, at the cautious or the other end of the exponent."""
        ratio = outer_strain(self.diameter_mm, radius_mm) / outer_strain(
            self.diameter_mm, self.worn_radius_mm
        )
        ends = [self.exponent.lower, self.exponent.upper]
        known = [end for end in ends if end is not None] or [self.exponent.value or 0.0]
        worth = [ratio**end for end in known]
        return float(min(worth) if cautious else max(worth))


def awg_diameter_mm(gauge: int) -> float:
    """Diameter of an American wire gauge: 0.127 mm * 92^((36 - n) / 39) (ASTM B258)."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def bending_diameter_mm(wire: str) -> float:
    """Diameter that bends, from words: ``24 solid``, ``24 stranded`` (7 strands), or millimetres: ``0.127``.

    Raises BenchError if they cannot be understood.
    """
    words = wire.lower().replace("awg", " ").replace("mm", " ").split()
    try:
        if len(words) == 1:
            diameter_mm = float(words[0].replace(",", "."))
        else:
            gauge = int(words[0])
            diameter_mm = awg_diameter_mm(
                {"solid": gauge, "stranded": _AWG_STRANDS[gauge]}[words[1]]
            )
    except (ValueError, KeyError, IndexError):
        diameter_mm = 0.0
    if not 0.005 <= diameter_mm <= 10:
        raise BenchError(
            f"The wire {wire!r} is not understood.",
            evidence=f"known gauges: {', '.join(map(str, _AWG_STRANDS))}, solid or stranded (7 strands)",
            next_step='write "24 solid", "24 stranded" or the diameter of one strand in mm, e.g. "0.127".',
        )
    return diameter_mm


def outer_strain(diameter_mm: float, bend_radius_mm: float) -> float:
    """Strain of the outer fibre, as a share; ``bend_radius_mm`` is the inner radius, 0 or more."""
    if diameter_mm <= 0 or bend_radius_mm < 0:
        raise BenchError(
            "A diameter must be above 0 and a bend radius not below 0.",
            evidence=f"diameter {diameter_mm:g} mm, radius {bend_radius_mm:g} mm",
            next_step="give both in millimetres.",
        )
    return diameter_mm / (2.0 * bend_radius_mm + diameter_mm)


def fitted_exponent(
    specimens: Sequence[Specimen], diameter_mm: float, coverage: float
) -> Quantity | None:
    """Exponent of strain from specimens bent round two radii or more; None with fewer, or where no fit is found.

    Raises BenchError if too few failed.
    """
    known = [item for item in specimens if item.bend_radius_mm is not None]
    radii = {item.bend_radius_mm for item in known}
    if len(radii) < 2:
        return None
    strain = np.array([outer_strain(diameter_mm, item.bend_radius_mm or 0.0) for item in known])
    try:
        value, low, high = slope(lives_of(known), np.log(strain), coverage)
    except NoFit:
        return None  # the assumed one then, with its range, and called so
    return Quantity(
        -value,
        "",
        -high,
        -low,
        coverage,
        f"fitted from {len(known)} specimens at {len(radii)} radii, likelihood ratio calibrated by imitated tests",
    )


def acceleration(
    diameter_mm: float, bench_radius_mm: float, worn_radius_mm: float, exponent: Quantity
) -> Acceleration:
    """How many bends as worn one bend on the bench stands for."""
    ratio = outer_strain(diameter_mm, bench_radius_mm) / outer_strain(diameter_mm, worn_radius_mm)
    assert exponent.value is not None
    ends = [ratio**end for end in (exponent.lower, exponent.upper) if end is not None]
    fitted = exponent.note.startswith("fitted")
    factor = Quantity(
        ratio**exponent.value,
        "",
        min(ends) if len(ends) == 2 else None,
        max(ends) if len(ends) == 2 else None,
        exponent.coverage,
        "from the exponent's interval" if fitted else "assumption: exponent not measured",
    )
    return Acceleration(factor, exponent, fitted, diameter_mm, bench_radius_mm, worn_radius_mm)


def on_one_radius(
    specimens: Sequence[Specimen], speed: Acceleration, cautious: bool = True
) -> tuple[Specimen, ...]:
    """Lives at other radii than ``speed.bench_radius_mm`` as lives there, at the exponent's cautious or other end."""
    found = []
    for item in specimens:
        radius_mm = item.bend_radius_mm
        if radius_mm is None or radius_mm == speed.bench_radius_mm:
            found.append(item)
            continue
        factor = speed.worn_per_bend(radius_mm, cautious) / speed.worn_per_bend(
            speed.bench_radius_mm, cautious
        )
        found.append(
            replace(
                item,
                whole_cycles=item.whole_cycles * factor,
                broken_cycles=item.broken_cycles * factor,
            )
        )
    return tuple(found)


def factor_words(factor: float) -> str:
    """Worn bends of a bench bend to two digits: ``12``, ``160``, ``95 million``."""
    if factor >= 1e9:
        return f"{factor:.0e}"
    if factor >= 1e6:
        return f"{float(f'{factor / 1e6:.2g}'):g} million"
    return f"{float(f'{factor:.2g}'):,.0f}" if factor >= 10 else f"{factor:.2g}"


def speed_cautions(speed: Acceleration | None) -> tuple[str, ...]:
    """What must be said of a bench bend that stands for many worn ones."""
    if speed is None or speed.factor.value is None or speed.factor.value <= FACTOR_SAFE:
        return ()
    found = f"One bench bend stands for {factor_words(speed.factor.value)} worn bends: "
    if speed.factor.value <= FACTOR_MAX:
        return (
            f"{found}above ten, a small error of the exponent is a large one of the life. Bend some at a wider radius.",
        )
    return (
        f"{found}beyond a hundred nothing is shown, at most indicated. Bend at a radius nearer to the one as worn.",
    )


def radius_for_mm(speed: Acceleration, factor: float) -> float:
    """Inner bend radius at which a bench bend stands for ``factor`` worn bends."""
    assert speed.exponent.value is not None
    strain = outer_strain(speed.diameter_mm, speed.worn_radius_mm)
    strain *= float(factor ** (1.0 / speed.exponent.value))
    return speed.diameter_mm * (1.0 / strain - 1.0) / 2.0


def assumed_exponent(value: float | None) -> Quantity:
    """The stated exponent, or the default; shown as an assumption."""
    low, high = EXPONENT_RANGE
    if value is None:
        return Quantity(
            EXPONENT_ASSUMED, "", low, high, None, "assumed, with a range that is assumed, too"
        )
    return Quantity(value, "", note="assumed, as stated")
