"""Second sealed kinds of endings and of harmless behaviour. The author of a detector does not read on.

    python -m tests.benchmarks.lifetime_judge.second_seal SEED [RUNS_A_CELL]

prints the judge's usual table of the kinds whose rows decide them, then of those that are
legitimately ambiguous what was said (`AMBIGUOUS`): there "unsure" with the moment is right, so is
"running" that says the dimming at its moment or "went dark" at a fair moment; "running, all well"
and any other firm statement is an error. No run of this set ends by its cutoff, so the goal on
missed cutoffs has nothing to be met by ("nan"). Ranges from memory of data sheets, drawn wide.
"""

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from math import nan
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge import second_endings as end
from tests.benchmarks.lifetime_judge import second_harmless as well
from tests.benchmarks.lifetime_judge.packs import COIN, LIFEPO4, LITHIUM_POUCH, PACKS, PackKind
from tests.benchmarks.lifetime_judge.score import markdown, table_of
from tests.benchmarks.lifetime_judge.second_parts import (
    ERRORS,
    OUTCOMES,
    RNG,
    Made,
    not_yet,
    outcome,
)
from tests.benchmarks.lifetime_judge.truth import (
    COMES_BACK,
    PROTECTION,
    REBOOTS,
    STILL_RUNNING,
    WENT_DARK,
)

TRIES: Final = 60
_POUCHES: Final = (LITHIUM_POUCH, LIFEPO4)
_NO_COIN: Final = tuple(p for p in PACKS if p is not COIN)
Builder = Callable[[PackKind, RNG], Made]

ENDINGS: Final[dict[str, tuple[Builder, tuple[PackKind, ...]]]] = {
    "hiccup": (end.hiccup, PACKS),
    "watchdog_loop": (end.watchdog_loop, PACKS),
    "radio_bursts": (end.radio_bursts, _NO_COIN),
    "haptic_stall": (end.haptic_stall, _NO_COIN),
    "protection_releases": (end.protection_releases, _POUCHES),
    "foldback_glow": (end.foldback_glow, PACKS),
    "low_then_flash": (end.low_then_flash, PACKS),
    "segments": (end.segments, _NO_COIN),
}
HARMLESS: Final[dict[str, tuple[Builder, tuple[PackKind, ...]]]] = {
    "battery_look": (well.battery_look, PACKS),
    "breathing": (well.breathing, PACKS),
    "show_programme": (well.show_programme, PACKS),
    "mode_button": (well.mode_button, PACKS),
    "slower_sensor": (well.slower_sensor, PACKS),
    "cold_night": (well.cold_night, PACKS),
}
KINDS: Final = {**ENDINGS, **HARMLESS}
# The rows cannot decide these; judged by `outcome`, left out of the goals.
AMBIGUOUS: Final = frozenset({"foldback_glow", "low_then_flash", "segments"})
# What happens within seconds: rows of 2 s at most.
SECONDS: Final = frozenset({"radio_bursts", "haptic_stall"})
WANTED: Final = {
    "hiccup": {WENT_DARK, COMES_BACK},
    "watchdog_loop": {WENT_DARK},
    "radio_bursts": {REBOOTS},
    "haptic_stall": {REBOOTS},
    "protection_releases": {COMES_BACK, PROTECTION},
}


def _as_wanted(what: str, made: Made) -> bool:
    """Whether the run shows what its kind is for, after its first half hour."""
    found, when = made
    truth = found.truth
    if not_yet(truth.time_s) or any(not_yet(t) for t in when.dim_s):
        return False
    if what in HARMLESS:
        return truth.kind == STILL_RUNNING and len(truth.accept) == 1
    if what in AMBIGUOUS:
        cut_s = truth.time_s if what != "segments" else nan
        return len(when.dark_s) > 0 and not cut_s < when.dark_s[-1] + 1200
    fine = what not in SECONDS or found.row_s <= 2
    return truth.kind in WANTED[what] and not truth.contestable and fine


def make(what: str, pack: PackKind, rng: RNG, name: str = "") -> Made:
    """One run of this kind. KeyError for an unknown one; RuntimeError where none comes out."""
    build = KINDS[what][0]
    for _ in range(TRIES):
        found, when = build(pack, rng)
        if not _as_wanted(what, (found, when)):
            continue
        if what in AMBIGUOUS:
            found = replace(found, truth=replace(found.truth, contestable=True))
        return replace(found, name=name or f"{what} {pack.name}"), when
    raise RuntimeError(f"{what} on {pack.name}: nothing as wanted in {TRIES} draws")


def draw_runs(rng: RNG, per_cell: int, ambiguous: bool) -> Iterator[Made]:
    """`per_cell` runs of every kind that is (not) ambiguous, on every pack it goes with."""
    for what, (_, packs) in KINDS.items():
        if (what in AMBIGUOUS) == ambiguous:
            for pack in packs:
                for k in range(per_cell):
                    yield make(what, pack, rng, f"{what} {pack.name} {k}")


def ambiguous_table(counts: Counter[tuple[str, str]]) -> str:
    """Kinds against outcomes, and the share of errors."""
    lines = ["| ambiguous | " + " | ".join(OUTCOMES) + " | errors |", "|---" * 8 + "|"]
    for what in sorted(AMBIGUOUS):
        row = [counts[what, word] for word in OUTCOMES]
        wrong = sum(counts[what, word] for word in ERRORS)
        share = f"{wrong}/{sum(row)}"
        lines.append(f"| {what} | " + " | ".join(map(str, row)) + f" | {share} |")
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
