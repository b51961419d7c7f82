"""Second sealed set of flex tests. Whoever works on the verdicts does not read on, nor runs it.

    python -m tests.benchmarks.joints_judge.second_seal SEED [--repeats 200] [--sizes 5,24] [--kinds "a;b"]

prints the table and the missed goals of the judge's own scores, asked through the usual adapter.
The seed moves every stream; the same seed gives the same tests.
"""

import argparse
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from tests.benchmarks.joints_judge.generators import (
    ANY,
    AT_JOINT,
    BENDS,
    JUST_BELOW,
    SIZES,
    WARN_INFORMATIVE,
    WARN_INSPECTION,
    WELL_ABOVE,
    Case,
    FlexTest,
    Row,
    Truth,
    claims_for,
    true_reliability,
)
from tests.benchmarks.joints_judge.laws import Law, LogNormal
from tests.benchmarks.joints_judge.score import (
    Answer,
    Tally,
    as_lines,
    as_text,
    by_looks,
    cell_name,
    findings,
    tally,
)
from tests.benchmarks.joints_judge.second_laws import (
    Bathtub,
    BirnbaumSaunders,
    Frailty,
    InverseGaussian,
    LuckyStrips,
    TwoBatches,
    Washed,
)

PER_STRIP: Final = 3
# Looks at twice the bends each time, and in the usual 1, 2, 5.
DOUBLING: Final = tuple(25.0 * 2**k for k in range(40))
ONE_TWO_FIVE: Final = tuple(m * 10.0**k for k in range(1, 12) for m in (1, 2, 5))
DRIFTED: Final = "taken out, resistance had risen"
# Taken out when its resistance is up by a fifth; it counts as failed when it has doubled.
TAKEN_OUT_AT: Final = 0.2


@dataclass(frozen=True)
class Kind:
    """A kind of test: unit law and what the person does.

    `looks`: bends at which it is looked at, one tuple for each group; empty: watched all along.
    `noted`: the last whole look is entered too. `drifting`: share that is taken out as its
    resistance rises. `batches`: the evening is noted as the strip.
    """

    law: Law
    looks: tuple[tuple[float, ...], ...] = ((),)
    noted: bool = False
    strips: bool = False
    batches: bool = False
    drifting: float = 0.0
    staged: bool = False


def _every(step: float) -> tuple[float, ...]:
    return tuple(step * k for k in range(1, 2000))


EVENINGS: Final = TwoBatches(0.3, 0.35)
KINDS: Final[dict[str, Kind]] = {
    # Fatigue by crack growth: metal's own law.
    "birnbaum-saunders": Kind(BirnbaumSaunders(0.7)),
    # Wear that drifts to a limit: thread that thins.
    "inverse gaussian": Kind(InverseGaussian(2.0)),
    # Nicks from stripping and overheated insulation fail early, sound joints late.
    "bathtub": Kind(Bathtub(0.6, 20.0, 4.0)),
    # Two evenings, one with a cold iron.
    "two evenings, not noted": Kind(EVENINGS),
    "two evenings, noted": Kind(EVENINGS, batches=True),
    # A person who looks ever more rarely.
    "log-normal, looks doubling": Kind(LogNormal(0.5), (DOUBLING,)),
    "log-normal, looks 1 2 5, noted": Kind(LogNormal(0.5), (ONE_TWO_FIVE,), noted=True),
    # Bend radius differs from specimen to specimen.
    "gamma frailty": Kind(Frailty(3.0, 0.8)),
    # Work-hardened and corroded by one wash midway.
    "washed midway": Kind(Washed(3.0, 0.45, 4.0)),
    "strips of three, looked at every 100": Kind(LuckyStrips(0.4, 0.35), (_every(100.0),), strips=True),
    "taken out as resistance rose": Kind(BirnbaumSaunders(0.5), drifting=0.4),
    # Alike, but looked at unlike: nobody outlasts anybody.
    "three equal, looked at unlike": Kind(LogNormal(0.45), ((), _every(50.0), _every(250.0))),
    "staged, inverse gaussian": Kind(InverseGaussian(3.0), staged=True),
}  # fmt: skip


def names_of(kind: Kind) -> tuple[str, ...]:
    return tuple("ABC"[: len(kind.looks)])


@lru_cache(maxsize=4096)
def law_of(case: Case) -> Law:
    """The kind's law, scaled so that its reliability at the claim is as wanted."""
    unit = KINDS[case.kind].law
    wanted = true_reliability(case.claim.reliability, case.place)
    return unit.scaled(case.claim.bends / unit.quantile(1 - wanted))


@lru_cache(maxsize=4096)
def truths_of(case: Case) -> tuple[Truth, ...]:
    law, bends = law_of(case), case.claim.bends
    figures = (law.reliability(bends), law.quantile(0.1), law.quantile(0.5))
    return tuple(Truth(name, ANY, *figures) for name in names_of(KINDS[case.kind]))


def cases(
    kinds: Sequence[str] = tuple(KINDS),
    sizes: Sequence[int] = SIZES,
    places: Sequence[str] = (JUST_BELOW, WELL_ABOVE),
) -> Iterator[Case]:
    """The cells, with the claims of the first judge; KeyError for a kind that is not there."""
    for kind in kinds:
        KINDS[kind]
        for size in sizes:
            for claim in claims_for(size, BENDS):
                for place in places:
                    yield Case(kind, size, claim, place)


def _drifted(life: float, random: np.random.Generator) -> float:
    """Bends at which the resistance is up by a fifth, where it rises as (bends/life)^m and doubles
    at the end of its life; m 2 to 5."""
    return float(life * TAKEN_OUT_AT ** (1 / random.uniform(2, 5)))


def entered(row: Row, life: float, looks: Sequence[float], noted: bool) -> Row:
    """The row as entered for a life: whole bends, or the first look at which it had failed."""
    if not looks:
        return replace(row, bends=float(max(math.ceil(life), 1)))
    seen = next(look for look in looks if look >= life)
    if not noted:
        return replace(row, bends=seen)
    before = max((look for look in looks if look < life), default=0.0)
    return replace(row, bends=seen, last_whole=before, first_failed=seen)


def _group(
    case: Case, name: str, looks: Sequence[float], random: np.random.Generator
) -> Iterator[Row]:
    kind, law = KINDS[case.kind], law_of(case)
    strips = [""] * case.size
    if isinstance(law, TwoBatches):
        lives, second = law.draw_batches(random, case.size)
        if kind.batches:
            strips = [f"evening {int(k) + 1}" for k in second]
    elif isinstance(law, LuckyStrips):
        lives = law.draw_strips(random, case.size, PER_STRIP)
        strips = [f"{name}{i // PER_STRIP + 1}" for i in range(case.size)]
    else:
        lives = law.draw(random, case.size)
    for i, (life, strip) in enumerate(zip(lives.tolist(), strips, strict=True)):
        row = Row(f"{name}-{i + 1:02d}", name, strip, None, 0.0, True, AT_JOINT)
        if kind.drifting and random.random() < kind.drifting:
            taken = float(max(math.floor(_drifted(life, random)), 1))
            yield replace(row, bends=taken, failed=False, how=DRIFTED)
        else:
            yield entered(row, life, looks, kind.noted)


def flex_test(case: Case, random: np.random.Generator) -> FlexTest:
    """One test of this case, everything by chance from `random`."""
    kind = KINDS[case.kind]
    groups = names_of(kind)
    rows = tuple(
        row
        for name, looks in zip(groups, kind.looks, strict=True)
        for row in _group(case, name, looks, random)
    )
    looked = all(kind.looks) and not kind.noted and case.size >= 5
    due = {
        WARN_INSPECTION: looked,
        WARN_INFORMATIVE: any(row.how == DRIFTED for row in rows),
    }
    return FlexTest(
        kind=case.kind,
        claim=case.claim,
        groups=groups,
        rows=rows,
        truths=truths_of(case),
        must_warn=frozenset(word for word, wanted in due.items() if wanted),
        looks=tuple(range(3, case.size + 1)) if kind.staged else (),
    )


def stream(case: Case, seed: int, repeat: int) -> np.random.Generator:
    """The same stream for the same seed, cell and repeat, whatever else is run."""
    words = f"{case.kind}|{case.size}|{case.claim}|{case.place}".encode()
    return np.random.default_rng([seed, repeat, *words])


def play(case: Case, judge: Callable[[FlexTest], Answer], repeats: int, seed: int) -> Tally:
    """Draw the case's tests, ask `judge` (at every look where there are looks), tabulate."""
    pairs = []
    for repeat in range(repeats):
        test = flex_test(case, stream(case, seed, repeat))
        pairs.append((test, by_looks([judge(stage) for stage in test.stages()])))
    return tally(cell_name(case), pairs)


def main() -> None:
    """Print the table for a seed."""
    from tests.benchmarks.joints_adapter import ask

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seed", type=int)
    parser.add_argument("--repeats", type=int, default=200)
    parser.add_argument("--sizes", default="5,24")
    parser.add_argument("--kinds", default=";".join(KINDS))
    given = parser.parse_args()
    sizes = [int(size) for size in given.sizes.split(",")]
    played = [
        play(case, ask, given.repeats, given.seed) for case in cases(given.kinds.split(";"), sizes)
    ]
    print(as_text(played))
    missed = as_lines([item for found in played for item in findings(found)])
    print(f"\n{given.repeats} tests a cell, seed {given.seed}. Missed:\n{missed or 'nothing'}")


if __name__ == "__main__":
    main()
