"""Third sealed kinds of endings and of harmless behaviour. The author of a detector does not read on.

    python -m tests.benchmarks.lifetime_judge.third_seal SEED [RUNS_A_CELL]

prints the judge's usual table of the kinds whose rows decide them, then of those that are
legitimately ambiguous what was said (`AMBIGUOUS`, judged as in `second_seal`). Three of the six packs
stand in no other set. Ordinary cutoffs are more than 15 in 100 of the decided runs, so that missed
ones are scored. Ranges from memory of data sheets, drawn wide.
"""

import sys
from typing import Final

from tests.benchmarks.lifetime_judge import third_endings as end
from tests.benchmarks.lifetime_judge import third_harmless as well
from tests.benchmarks.lifetime_judge.packs import COIN, NIMH_3
from tests.benchmarks.lifetime_judge.sealed_set import Kinds, SealedSet
from tests.benchmarks.lifetime_judge.second_parts import (
    RNG,
    Made,
    not_yet,
)
from tests.benchmarks.lifetime_judge.third_parts import NIMH_4, THIRD_PACKS, chatted
from tests.benchmarks.lifetime_judge.truth import (
    COMES_BACK,
    CUTOFF,
    STILL_RUNNING,
    SWITCHED_OFF,
    WENT_DARK,
)

_NO_COIN: Final = tuple(p for p in THIRD_PACKS if p is not COIN)

ENDINGS: Final[Kinds] = {
    "pump_reset_latch": (end.pump_reset_latch, THIRD_PACKS),
    "amp_mute": (end.amp_mute, _NO_COIN),
    "motor_latch": (end.motor_latch, _NO_COIN),
    "cell_reverses": (end.cell_reverses, (NIMH_3, NIMH_4)),
    "flash_cutoff": (end.flash_cutoff, THIRD_PACKS),
    "thermal_latch": (end.thermal_latch, _NO_COIN),
    "link_timeout": (end.link_timeout, THIRD_PACKS),
}
HARMLESS: Final[Kinds] = {
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


def _chatted(made: Made, rng: RNG) -> Made:
    return chatted(*made, rng), made[1]


SET: Final = SealedSet(KINDS, AMBIGUOUS, _as_wanted, _chatted, TIMES)
make, draw_runs, ambiguous_table = SET.make, SET.draw_runs, SET.ambiguous_table


if __name__ == "__main__":
    SET.main(sys.argv[1:])
