"""Generators of flex tests whose truth is known by closed form.

A :class:`Case` names kind, joints per group, claim and where the truth lies; :func:`flex_test`
draws one test of it from the generator passed in. Each row is what a person would enter.
The words of a row are this judge's own: an adapter writes them as the tool's table.
"""

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from tests.benchmarks.joints_judge.laws import (
    Array,
    Competing,
    Gamma,
    Law,
    LogLogistic,
    LogNormal,
    Mixture,
    SharedLuck,
    Threshold,
    Weibull,
)

SIZES: Final = (3, 5, 8, 12, 24)
CONFIDENCE: Final = 0.9
# The highest round reliability that so many clean joints show at 90 % (success run: R^n <= 0.1).
REACHABLE: Final = {3: 0.45, 5: 0.6, 8: 0.7, 12: 0.8, 24: 0.9}
# Between looks every 50 and every 200 bends alike: there a life entered as exact flatters most.
BENDS: Final = 430.0
MANY: Final = 48_000.0

JUST_BELOW: Final = "just below"
BETWEEN: Final = "between"
WELL_ABOVE: Final = "well above"
PLACES: Final = (JUST_BELOW, BETWEEN, WELL_ABOVE)

AT_JOINT: Final = "broke at the joint"
BESIDE_JOINT: Final = "wire broke beside the joint"
FRAYED: Final = "taken out, frayed"
REMOVED: Final = "taken out, needed elsewhere"
WHOLE: Final = "stopped while whole"

WARN_INFORMATIVE: Final = "informative removal"
WARN_RADII: Final = "radii differ"
WARN_FACTOR_10: Final = "acceleration above 10"
WARN_FACTOR_100: Final = "acceleration above 100"
WARN_INSPECTION: Final = "lives are inspections"

ANY: Final = "any"
JOINT: Final = "joint"
WIRE: Final = "wire"

PER_STRIP: Final = 4
STRAND_MM: Final = 0.127  # 36 AWG, SOURCES.md D1
EXPONENT: Final = 4.0
BENCH_RADIUS_MM: Final = 5.0


@dataclass(frozen=True)
class Claim:
    """At least ``reliability`` of joints survive ``bends``, at ``confidence`` (one-sided)."""

    reliability: float
    confidence: float
    bends: float


@dataclass(frozen=True)
class Row:
    """One specimen as entered. ``bends`` is the life or, not failed, where it was given up.

    ``last_whole`` and ``first_failed`` are None where the person noted one number only.
    """

    specimen: str
    group: str
    strip: str
    radius_mm: float | None
    bends: float
    failed: bool
    how: str
    last_whole: float | None = None
    first_failed: float | None = None


@dataclass(frozen=True)
class Truth:
    """Of one group and one way to fail (``any`` is all that ends it): bends, by closed form."""

    group: str
    mode: str
    reliability: float
    b10: float
    median: float


@dataclass(frozen=True)
class FlexTest:
    """One test: rows, what a tool is told beside them, and the truth it must not be told.

    ``better`` holds pairs (A, B) where A truly outlasts B. ``looks`` counts the rows there were
    each time the person looked. ``stated_exponent`` is an option the person gives.
    """

    kind: str
    claim: Claim
    groups: tuple[str, ...]
    rows: tuple[Row, ...]
    truths: tuple[Truth, ...]
    better: frozenset[tuple[str, str]] = frozenset()
    must_warn: frozenset[str] = frozenset()
    looks: tuple[int, ...] = ()
    wire_mm: float | None = None
    worn_radius_mm: float | None = None
    stated_exponent: float | None = None
    true_exponent: float | None = None
    acceleration: float | None = None

    def truth(self, group: str, mode: str = ANY) -> Truth:
        """Raises StopIteration for a group or mode the test has not."""
        return next(t for t in self.truths if (t.group, t.mode) == (group, mode))

    def stages(self) -> Iterator["FlexTest"]:
        """The test as it stood at each look, with the looks so far; else the whole test alone."""
        if not self.looks:
            yield self
        for i, count in enumerate(self.looks, 1):
            yield replace(self, rows=self.rows[:count], looks=self.looks[:i])


@dataclass(frozen=True)
class Case:
    """One cell of the table. ``size`` joints in each group."""

    kind: str
    size: int
    claim: Claim
    place: str


@dataclass(frozen=True)
class Kind:
    """How a kind of test is made: unit law of life, and what the person does.

    ``stop``: all whole joints are stopped at this multiple of the claimed bends. ``step``:
    looked at every so many bends, the first failed look entered as the life; ``noted``: the
    last whole look is entered too. ``group_factors``: life of each group over the first's.
    ``bends``: of the claim; many where a bench radius shortens lives, so that counts stay fine.
    """

    law: Law
    stop: float | None = None
    step: float | None = None
    noted: bool = False
    strips: bool = False
    random_stop: float | None = None
    frayed_share: float = 0.0
    rounded: bool = False
    group_factors: tuple[float, ...] = (1.0,)
    staged: bool = False
    radii_mm: tuple[float, ...] = ()
    factor: float | None = None
    fitted: bool = False
    bends: float = BENDS


MADE_WELL: Final = Weibull(2.5)
KINDS: Final[dict[str, Kind]] = {
    "weibull 0.8": Kind(Weibull(0.8)),
    "weibull 1.5": Kind(Weibull(1.5)),
    "weibull 2.5": Kind(MADE_WELL),
    "weibull 4": Kind(Weibull(4.0)),
    "weibull, stopped at the claim": Kind(MADE_WELL, stop=1.0),
    "weibull, stopped at 1.5": Kind(MADE_WELL, stop=1.5),
    "gamma": Kind(Gamma(2.0)),
    "log-logistic": Kind(LogLogistic(3.0)),
    "log-normal": Kind(LogNormal(0.6)),
    "threshold": Kind(Threshold(1.2, 1.0, 0.5)),
    "mixture 80/20": Kind(Mixture(Weibull(4.0), Weibull(1.5, 0.2), 0.2)),
    "inspection 50": Kind(MADE_WELL, step=50.0),
    "inspection 200": Kind(MADE_WELL, step=200.0),
    "inspection 200, noted": Kind(MADE_WELL, step=200.0, noted=True),
    "strips of four": Kind(SharedLuck(4.0, 0.5), strips=True),
    "random censoring": Kind(MADE_WELL, random_stop=1.3),
    "taken out when frayed": Kind(MADE_WELL, frayed_share=0.5),
    "ties": Kind(MADE_WELL, rounded=True),
    "five equal groups": Kind(MADE_WELL, group_factors=(1.0,) * 5),
    "one of five lives 4 times": Kind(MADE_WELL, group_factors=(1.0, 1.0, 1.0, 1.0, 4.0)),
    "five equal log-normal groups": Kind(LogNormal(0.6), group_factors=(1.0,) * 5),
    "staged looks": Kind(MADE_WELL, staged=True),
    "joint against wire": Kind(Competing(Weibull(1.5), Weibull(4.0, 1.2))),
    "two radii": Kind(MADE_WELL, radii_mm=(4.0, 8.0), bends=MANY),
    "exponent fitted": Kind(MADE_WELL, radii_mm=(4.0, 8.0), fitted=True, bends=MANY),
    "acceleration 3": Kind(MADE_WELL, factor=3.0, bends=MANY),
    "acceleration 12": Kind(MADE_WELL, factor=12.0, bends=MANY),
    "acceleration 150": Kind(MADE_WELL, factor=150.0, bends=MANY),
}
# Kinds whose power is compared with the state before: well-made Weibull joints.
CONTROL: Final = ("weibull 2.5", "weibull 4", "weibull, stopped at 1.5")


def strain(radius_mm: float, wire_mm: float = STRAND_MM) -> float:
    """Outer-fibre strain d/(2R+d), R the inner bend radius (SOURCES.md D6)."""
    return wire_mm / (2 * radius_mm + wire_mm)


def radius_for(factor: float, bench_mm: float, exponent: float, wire_mm: float) -> float:
    """Radius at which life is ``factor`` times that at ``bench_mm``, life as strain^-exponent."""
    worn = strain(bench_mm, wire_mm) / math.pow(factor, 1 / exponent)
    return wire_mm * (1 / worn - 1) / 2


def true_reliability(claimed: float, place: str) -> float:
    """Where the truth lies for a claim: 0.002 under it, half the failures, a tenth of them."""
    if place == JUST_BELOW:
        return claimed - 0.002
    return 1 - (1 - claimed) * {BETWEEN: 0.5, WELL_ABOVE: 0.1}[place]


@lru_cache(maxsize=4096)
def law_of(case: Case) -> Law:
    """The law of the first group, scaled so that its reliability at the claim is as wanted."""
    unit = KINDS[case.kind].law
    wanted = true_reliability(case.claim.reliability, case.place)
    return unit.scaled(case.claim.bends / unit.quantile(1 - wanted))


def claims_for(size: int, bends: float = BENDS) -> tuple[Claim, ...]:
    """The usual 90/90, and what so many joints can show by counting alone."""
    wanted = dict.fromkeys((REACHABLE[size], 0.9))
    return tuple(Claim(reliability, CONFIDENCE, bends) for reliability in wanted)


def cases(
    kinds: Sequence[str] = tuple(KINDS),
    sizes: Sequence[int] = SIZES,
    places: Sequence[str] = (JUST_BELOW, WELL_ABOVE),
) -> Iterator[Case]:
    """The cells of the table in a fixed order."""
    for kind in kinds:
        for size in sizes:
            for claim in claims_for(size, KINDS[kind].bends):
                for place in places:
                    yield Case(kind, size, claim, place)


def group_names(case: Case) -> tuple[str, ...]:
    return tuple("ABCDE"[: len(KINDS[case.kind].group_factors)])


def _truth(group: str, mode: str, law: Law, bends: float) -> Truth:
    return Truth(group, mode, law.reliability(bends), law.quantile(0.1), law.quantile(0.5))


@lru_cache(maxsize=4096)
def truths_of(case: Case) -> tuple[Truth, ...]:
    """Truth of each group and way to fail; at the worn radius, or at the sharper of two."""
    found = []
    for group, factor in zip(group_names(case), KINDS[case.kind].group_factors, strict=True):
        law = law_of(case).scaled(factor)
        found.append(_truth(group, ANY, law, case.claim.bends))
        if isinstance(law, Competing):
            found.append(_truth(group, JOINT, law.joint, case.claim.bends))
            found.append(_truth(group, WIRE, law.wire, case.claim.bends))
    return tuple(found)


def _lives(kind: Kind, law: Law, random: np.random.Generator, size: int) -> tuple[Array, list[str]]:
    """True lives, and at what each specimen fails."""
    if isinstance(law, Competing):
        joint, wire = law.joint.draw(random, size), law.wire.draw(random, size)
        hows = [AT_JOINT if j <= w else BESIDE_JOINT for j, w in zip(joint, wire, strict=True)]
        return np.minimum(joint, wire), hows
    if kind.strips and isinstance(law, SharedLuck):
        return law.draw_strips(random, size, PER_STRIP), [AT_JOINT] * size
    return law.draw(random, size), [AT_JOINT] * size


def _two_digits(bends: float) -> float:
    unit = 10.0 ** max(math.floor(math.log10(bends)) - 1, 0)
    return max(round(bends / unit) * unit, 1.0)


def _looked(kind: Kind, life: float, row: Row) -> Row:
    """The row as entered by someone who looks every ``step`` bends; stops fall on looks."""
    step = kind.step or 1.0
    if not row.failed:
        return replace(row, bends=step * math.floor(row.bends / step))
    seen = step * math.ceil(life / step)
    if kind.noted:
        return replace(row, bends=seen, last_whole=seen - step, first_failed=seen)
    return replace(row, bends=seen)


def _row(case: Case, kind: Kind, row: Row, life: float, random: np.random.Generator) -> Row:
    """What is entered for one specimen of this life (bends)."""
    if kind.frayed_share and random.random() < kind.frayed_share:
        taken = life * random.uniform(0.7, 0.95)
        return replace(row, bends=_whole(taken), failed=False, how=FRAYED)
    ends = math.inf if kind.stop is None else kind.stop * case.claim.bends
    how = WHOLE
    if kind.random_stop is not None:
        removed = float(law_of(case).scaled(kind.random_stop).draw(random, 1)[0])
        if removed < ends:
            ends, how = removed, REMOVED
    if life > ends:
        row = replace(row, bends=float(math.floor(ends)), failed=False, how=how)
    else:
        row = replace(row, bends=_whole(life))
    if kind.step is not None:
        return _looked(kind, life, row)
    return replace(row, bends=_two_digits(row.bends)) if kind.rounded else row


def _whole(bends: float) -> float:
    """A counter shows whole bends and the failing one counts; none fails before its first."""
    return float(max(math.ceil(bends), 1))


def _rows(case: Case, random: np.random.Generator) -> Iterator[Row]:
    kind = KINDS[case.kind]
    for group, group_factor in zip(group_names(case), kind.group_factors, strict=True):
        lives, hows = _lives(kind, law_of(case).scaled(group_factor), random, case.size)
        for i, (life, how) in enumerate(zip(lives.tolist(), hows, strict=True)):
            radius: float | None = None
            if kind.radii_mm:
                radius = kind.radii_mm[i % len(kind.radii_mm)]
                reference = worn_radius_mm(case) or kind.radii_mm[0]
                life *= (strain(reference) / strain(radius)) ** EXPONENT
            elif kind.factor is not None:
                radius, life = BENCH_RADIUS_MM, life / kind.factor
            strip = f"{group}{i // PER_STRIP + 1}" if kind.strips else ""
            row = Row(f"{group}-{i + 1:02d}", group, strip, radius, 0.0, True, how)
            yield _row(case, kind, row, life, random)


def worn_radius_mm(case: Case) -> float | None:
    kind = KINDS[case.kind]
    if kind.fitted:
        return kind.radii_mm[-1] * 1.5
    if kind.factor is None:
        return None
    return radius_for(kind.factor, BENCH_RADIUS_MM, EXPONENT, STRAND_MM)


def _must_warn(kind: Kind, rows: Sequence[Row]) -> frozenset[str]:
    due = {
        WARN_INFORMATIVE: any(row.how == FRAYED for row in rows),
        WARN_RADII: len({row.radius_mm for row in rows}) > 1 and not kind.fitted,
        WARN_FACTOR_10: kind.factor is not None and 10 < kind.factor <= 100,
        WARN_FACTOR_100: kind.factor is not None and kind.factor > 100,
        # A handful may fall on multiples of 50 by chance; of three lives nobody can tell.
        WARN_INSPECTION: kind.step is not None and not kind.noted and len(rows) >= 5,
    }
    return frozenset(word for word, wanted in due.items() if wanted)


def flex_test(case: Case, random: np.random.Generator) -> FlexTest:
    """One test of this case, everything by chance from ``random``."""
    kind = KINDS[case.kind]
    rows = tuple(_rows(case, random))
    names = group_names(case)
    factors = dict(zip(names, kind.group_factors, strict=True))
    about_radii = kind.fitted or kind.factor is not None
    return FlexTest(
        kind=case.kind,
        claim=case.claim,
        groups=names,
        rows=rows,
        truths=truths_of(case),
        better=frozenset((a, b) for a in names for b in names if factors[a] > factors[b]),
        must_warn=_must_warn(kind, rows),
        looks=tuple(range(3, case.size + 1)) if kind.staged else (),
        wire_mm=STRAND_MM if about_radii else None,
        worn_radius_mm=worn_radius_mm(case),
        stated_exponent=EXPONENT if kind.factor is not None else None,
        true_exponent=EXPONENT if kind.radii_mm else None,
        acceleration=kind.factor,
    )


def seed_of(case: Case, repeat: int) -> np.random.Generator:
    """The same stream for the same cell and repeat, whatever else is run."""
    words = f"{case.kind}|{case.size}|{case.claim}|{case.place}".encode()
    return np.random.default_rng([repeat, *words])


def as_csv(test: FlexTest) -> str:
    """The table as entered: one row a specimen, empty where the person noted nothing.

    ``cycles`` is the entered life; with a last whole look it is the first failed look.
    """
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")
    head = "specimen group strip cycles failed how last_whole_cycles bend_radius_mm"
    writer.writerow(head.split())
    for row in test.rows:
        mark = "yes" if row.failed else "no"
        noted = ["" if v is None else f"{v:.10g}" for v in (row.last_whole, row.radius_mm)]
        writer.writerow(
            (row.specimen, row.group, row.strip, f"{row.bends:.10g}", mark, row.how, *noted)
        )
    return held.getvalue()
