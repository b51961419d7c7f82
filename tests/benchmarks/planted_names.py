"""A stranger plants something under every name that the program writes: whose files were touched, what was the user told?

``python -m tests.benchmarks.planted_names`` makes the table; ``--few`` a small one.
"""

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.benchmarks.faults_judge.fault import HEAD
from tests.support.planting import DOINGS, KINDS, Outcome, names_of, planted


class Counts(NamedTuple):
    """``lost``: files outside that were changed or taken away; ``invented``: made outside, or left behind half-made;
    ``doubled``: of ours, written over without being told; ``told``: refused in words. In the rest the planted thing was replaced itself, or
    done without."""

    tried: int
    lost: int
    invented: int
    doubled: int
    told: int
    wrong: tuple[Outcome, ...]


def outcomes(
    place: Path, share: float = 1.0, seed: int = 1, say: Callable[[str], None] = lambda _: None
) -> list[Outcome]:
    """One for each name and each thing planted there, or for a ``share`` of these pairs. ``say``: how far it is."""
    chance = random.Random(seed)
    found = []
    for doing in DOINGS:
        names = names_of(doing, place / "work").paths
        pairs = [(name, kind) for name in names for kind in KINDS]
        some = pairs if share >= 1 else chance.sample(pairs, max(1, round(share * len(pairs))))
        found += [planted(doing, name, kind, place) for name, kind in some]
        say(f"{doing.name}: {len(names)} names, {len(some)} tried")
    return found


def planted_links(
    share: float = 1.0, seed: int = 1, say: Callable[[str], None] = lambda _: None
) -> Counts:
    """The counts of the judge's table."""
    with tempfile.TemporaryDirectory() as place:
        found = outcomes(Path(place).resolve(), share, seed, say)
    touched = [outcome for outcome in found if outcome.touched]
    wrong = [outcome for outcome in found if not outcome.is_clean]
    invented = [o for o in touched if "new" in o.touched or "left behind" in o.touched]
    told = sum(outcome.ended == "refused" and bool(outcome.said.strip()) for outcome in found)
    return Counts(len(found), len(touched) - len(invented), len(invented), 0, told, tuple(wrong))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--few", action="store_true", help="a small table, for a quick look")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    counts = planted_links(
        0.05 if asked.few else 1.0,
        asked.seed,
        lambda text: print(text, file=sys.stderr, flush=True),
    )
    print(HEAD)
    kinds = Counter(f"{outcome.doing}: {outcome.kind}" for outcome in counts.wrong)
    print(
        f"links and more planted at every name | {counts.tried} | {counts.lost} | {counts.invented} | {counts.doubled} | "
        f"{counts.told} refused in words, {counts.tried - counts.told - len(counts.wrong)} replaced themselves or done without | "
        f"{dict(kinds) or 'nothing wrong'}"
    )
    for outcome in counts.wrong[:40]:
        print(
            f"  {outcome.doing}, {outcome.kind} at {outcome.name}: {outcome.ended} {outcome.touched}"
        )
    return 1 if counts.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
