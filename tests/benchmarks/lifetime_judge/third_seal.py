"""Third sealed kinds of endings and of harmless behaviour. The author of a detector does not read on.

    python -m tests.benchmarks.lifetime_judge.third_seal SEED [RUNS_A_CELL]

prints the judge's usual table of the kinds whose rows decide them, then of those that are
legitimately ambiguous what was said (`AMBIGUOUS`, judged as in `second_seal`). Three of the six packs
stand in no other set. Ordinary cutoffs are more than 15 in 100 of the decided runs, so that missed
ones are scored. Ranges from memory of data sheets, drawn wide.
"""

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge import third_endings as end
from tests.benchmarks.lifetime_judge import third_harmless as well
from tests.benchmarks.lifetime_judge.packs import COIN, NIMH_3, PackKind
from tests.benchmarks.lifetime_judge.score import markdown, table_of
from tests.benchmarks.lifetime_judge.second_parts import (
    ERRORS,
    OUTCOMES,
    RNG,
    Made,
    not_yet,
    outcome,
)
from tests.benchmarks.lifetime_judge.third_parts import NIMH_4, THIRD_PACKS, chatted
from tests.benchmarks.lifetime_judge.truth import (
    COMES_BACK,
    CUTOFF,
    STILL_RUNNING,
    SWITCHED_OFF,
    WENT_DARK,
)

TRIES: Final = 60
_NO_COIN: Final = tuple(p for p in THIRD_PACKS if p is not COIN)
Builder = Callable[[PackKind, RNG], Made]

ENDINGS: Final[dict[str, tuple[Builder, tuple[PackKind, ...]]]] = {
    "pump_reset_latch": (end.pump_reset_latch, THIRD_PACKS),
    "amp_mute": (end.amp_mute, _NO_COIN),
    "motor_latch": (end.motor_latch, _NO_COIN),
    "cell_reverses": (end.cell_reverses, (NIMH_3, NIMH_4)),
    "flash_cutoff": (end.flash_cutoff, THIRD_PACKS),
    "thermal_latch": (end.thermal_latch, _NO_COIN),
    "link_timeout": (end.link_timeout, THIRD_PACKS),
}
HARMLESS: Final[dict[str, tuple[Builder, tuple[PackKind, ...]]]] = {
    "tilt_switch": (well.tilt_switch, THIRD_PACKS),
    "twinkle": (well.twinkle, THIRD_PACKS),
    "dawn_dim": (well.dawn_dim, THIRD_PACKS),
    "audio_light": (well.audio_light, THIRD_PACKS),
    "saver_marked": (well.saver_marked, THIRD_PACKS),
    "heated_glove": (well.heated_glove, _NO_COIN),
}
KINDS: Final = {**ENDINGS, **HARMLESS}
# The rows cannot decide these; judged by `outcome`, left out of the goals.
AMBIGUOUS: Final = frozenset({"thermal_latch", "link_timeout"})
# Runs of a cell for one asked for: cutoffs have to be common, and only two packs reverse.
TIMES: Final = {"flash_cutoff": 2, "cell_reverses": 2}
WANTED: Final = {
    "pump_reset_latch": {WENT_DARK},
    "amp_mute": {COMES_BACK, WENT_DARK},
    "motor_latch": {WENT_DARK},
    "cell_reverses": {WENT_DARK, CUTOFF},
    "flash_cutoff": {CUTOFF},
}


def _as_wanted(what: str, made: Made) -> bool:
    """Whether the run shows what its kind is for, after its first half hour."""
    found, when = made
    truth = found.truth
    accepted = {a.kind for a in truth.accept}
    if not_yet(truth.time_s) or any(not_yet(t) for t in when.dim_s):
        return False
    if what in HARMLESS:
        return truth.kind == STILL_RUNNING and accepted <= {STILL_RUNNING, SWITCHED_OFF}
    if what in AMBIGUOUS:
        shown = float(found.time_s[-1]) >= when.dark_s[-1] + 1500
        return shown and truth.kind == WENT_DARK and CUTOFF not in accepted
    return truth.kind in WANTED[what] and not truth.contestable and STILL_RUNNING not in accepted


def make(what: str, pack: PackKind, rng: RNG, name: str = "") -> Made:
    """One run of this kind. KeyError for an unknown one; RuntimeError where none comes out."""
    build = KINDS[what][0]
    for _ in range(TRIES):
        found, when = build(pack, rng)
        if not _as_wanted(what, (found, when)):
            continue
        if what in AMBIGUOUS:
            found = replace(found, truth=replace(found.truth, contestable=True))
        return replace(chatted(found, when, rng), name=name or f"{what} {pack.name}"), when
    raise RuntimeError(f"{what} on {pack.name}: nothing as wanted in {TRIES} draws")


def draw_runs(rng: RNG, per_cell: int, ambiguous: bool) -> Iterator[Made]:
    """`per_cell` runs (times `TIMES`) of every kind that is (not) ambiguous, on each of its packs."""
    for what, (_, packs) in KINDS.items():
        if (what in AMBIGUOUS) == ambiguous:
            for pack in packs:
                for k in range(per_cell * TIMES.get(what, 1)):
                    yield make(what, pack, rng, f"{what} {pack.name} {k}")


def ambiguous_table(counts: Counter[tuple[str, str]]) -> str:
    """Kinds against outcomes, and the share of errors."""
    lines = ["| ambiguous | " + " | ".join(OUTCOMES) + " | errors |", "|---" * 8 + "|"]
    for what in sorted(AMBIGUOUS):
        row = [counts[what, word] for word in OUTCOMES]
        wrong = sum(counts[what, word] for word in ERRORS)
        lines.append(f"| {what} | " + " | ".join(map(str, row)) + f" | {wrong}/{sum(row)} |")
    return "\n".join(lines)


def main(seed: int, per_cell: int) -> None:
    """Print both tables."""
    from tests.benchmarks.lifetime_detector import found_in, said_of

    decided = draw_runs(np.random.default_rng([seed, 0]), per_cell, False)
    print(markdown(table_of((found for found, _ in decided), said_of)))
    counts: Counter[tuple[str, str]] = Counter()
    for found, when in draw_runs(np.random.default_rng([seed, 1]), per_cell, True):
        times = tuple(r.time_s for r in found_in(found).readings if r.time_s is not None)
        counts[found.kind, outcome(found, when, said_of(found), times)] += 1
    print("\n" + ambiguous_table(counts))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 2)
