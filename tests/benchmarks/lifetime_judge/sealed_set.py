"""A sealed set of kinds: how its runs are drawn, and the two tables that are printed of it."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.packs import PackKind
from tests.benchmarks.lifetime_judge.score import markdown, table_of
from tests.benchmarks.lifetime_judge.second_parts import ERRORS, OUTCOMES, RNG, Made, outcome

TRIES: Final = 60
Builder = Callable[[PackKind, RNG], Made]
Kinds = Mapping[str, tuple[Builder, tuple[PackKind, ...]]]


def _as_it_is(made: Made, rng: RNG) -> Made:
    return made


@dataclass(frozen=True)
class SealedSet:
    """`kinds` with the packs that each goes with; `ambiguous` ones stay out of the goals and are judged by `outcome`.

    `as_wanted`: whether a run shows what its kind is for. `finished`: what is added to a run that does.
    `times`: runs of a cell for one asked for.
    """

    kinds: Kinds
    ambiguous: frozenset[str]
    as_wanted: Callable[[str, Made], bool]
    finished: Callable[[Made, RNG], Made] = _as_it_is
    times: Mapping[str, int] = field(default_factory=dict)

    def make(self, what: str, pack: PackKind, rng: RNG, name: str = "") -> Made:
        """One run of this kind. KeyError for an unknown one; RuntimeError where none comes out."""
        build = self.kinds[what][0]
        for _ in range(TRIES):
            found, when = build(pack, rng)
            if not self.as_wanted(what, (found, when)):
                continue
            if what in self.ambiguous:
                found = replace(found, truth=replace(found.truth, contestable=True))
            found, when = self.finished((found, when), rng)
            return replace(found, name=name or f"{what} {pack.name}"), when
        raise RuntimeError(f"{what} on {pack.name}: nothing as wanted in {TRIES} draws")

    def draw_runs(self, rng: RNG, per_cell: int, ambiguous: bool) -> Iterator[Made]:
        """`per_cell` runs (times `times`) of every kind that is (not) ambiguous, on each of its packs."""
        for what, (_, packs) in self.kinds.items():
            if (what in self.ambiguous) == ambiguous:
                for pack in packs:
                    for k in range(per_cell * self.times.get(what, 1)):
                        yield self.make(what, pack, rng, f"{what} {pack.name} {k}")

    def ambiguous_table(self, counts: Counter[tuple[str, str]]) -> str:
        """Kinds against outcomes, and the share of errors."""
        lines = ["| ambiguous | " + " | ".join(OUTCOMES) + " | errors |", "|---" * 8 + "|"]
        for what in sorted(self.ambiguous):
            row = [counts[what, word] for word in OUTCOMES]
            wrong = sum(counts[what, word] for word in ERRORS)
            lines.append(f"| {what} | " + " | ".join(map(str, row)) + f" | {wrong}/{sum(row)} |")
        return "\n".join(lines)

    def main(self, arguments: list[str]) -> None:
        """Print both tables; `arguments`: the seed, and the runs of a cell."""
        from tests.benchmarks.lifetime_detector import found_in, said_of

        seed, per_cell = int(arguments[0]), int(arguments[1]) if len(arguments) > 1 else 2
        decided = self.draw_runs(np.random.default_rng([seed, 0]), per_cell, False)
        print(markdown(table_of((found for found, _ in decided), said_of)))
        counts: Counter[tuple[str, str]] = Counter()
        for found, when in self.draw_runs(np.random.default_rng([seed, 1]), per_cell, True):
            times = tuple(r.time_s for r in found_in(found).readings if r.time_s is not None)
            counts[found.kind, outcome(found, when, said_of(found), times)] += 1
        print("\n" + self.ambiguous_table(counts))
