"""A stranger plants something under every name that the program writes: whose files were touched, what was the user told?

``python -m tests.benchmarks.planted_names`` makes the table; ``--few`` a small one.
"""

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from tests.benchmarks.faults_judge.fault import Fault, shown
from tests.support.planting import DOINGS, KINDS, Outcome, names_of, planted

FEW: Final = 0.05  # share of the pairs, for a quick look


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


def planted_links(share: float, seed: int) -> Fault:
    """Links, FIFOs, devices, folders and files without rights, at every name that the program writes."""
    with tempfile.TemporaryDirectory() as place:
        return fault_of(outcomes(Path(place).resolve(), share, seed))


def fault_of(found: Sequence[Outcome]) -> Fault:
    """``lost``: files outside that were changed or taken away; ``invented``: made outside, or left behind half-made."""
    touched = [outcome for outcome in found if outcome.touched]
    wrong = [outcome for outcome in found if not outcome.is_clean]
    invented = sum("new" in o.touched or "left behind" in o.touched for o in touched)
    told = sum(outcome.ended == "refused" and bool(outcome.said.strip()) for outcome in found)
    done = len(found) - told - len(wrong)
    kinds = Counter(f"{outcome.doing}: {outcome.kind}" for outcome in wrong)
    return Fault(
        "links and more planted at every name", len(found), len(touched) - invented, invented, 0,
        f"{told} refused in words, {done} replaced themselves or done without",
        str(dict(kinds)) if kinds else "nothing wrong", wrong=len(wrong),
    )  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--few", action="store_true", help="a small table, for a quick look")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        found = outcomes(
            Path(place).resolve(),
            FEW if asked.few else 1.0,
            asked.seed,
            lambda text: print(text, file=sys.stderr, flush=True),
        )
    code = shown([fault_of(found)])
    for outcome in [outcome for outcome in found if not outcome.is_clean][:40]:
        print(
            f"  {outcome.doing}, {outcome.kind} at {outcome.name}: {outcome.ended} {outcome.touched}"
        )
    return code


if __name__ == "__main__":
    sys.exit(main())
