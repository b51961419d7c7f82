"""Second sealed kinds of endings and of harmless behaviour. The author of a detector does not read on.

    python -m tests.benchmarks.lifetime_judge.second_seal SEED [RUNS_A_CELL]

prints the judge's usual table of the kinds whose rows decide them, then of those that are
legitimately ambiguous what was said (`AMBIGUOUS`): there "unsure" with the moment is right, so is
"running" that says the dimming at its moment or "went dark" at a fair moment; "running, all well"
and any other firm statement is an error. No run of this set ends by its cutoff, so the goal on
missed cutoffs has nothing to be met by ("nan"). Ranges from memory of data sheets, drawn wide.
"""

import sys
from math import nan
from typing import Final

from tests.benchmarks.lifetime_judge import second_endings as end
from tests.benchmarks.lifetime_judge import second_harmless as well
from tests.benchmarks.lifetime_judge.packs import COIN, LIFEPO4, LITHIUM_POUCH, PACKS
from tests.benchmarks.lifetime_judge.sealed_set import Kinds, SealedSet
from tests.benchmarks.lifetime_judge.second_parts import (
    Made,
    not_yet,
)
from tests.benchmarks.lifetime_judge.truth import (
    COMES_BACK,
    PROTECTION,
    REBOOTS,
    STILL_RUNNING,
    WENT_DARK,
)

_POUCHES: Final = (LITHIUM_POUCH, LIFEPO4)
_NO_COIN: Final = tuple(p for p in PACKS if p is not COIN)

ENDINGS: Final[Kinds] = {
    "hiccup": (end.hiccup, PACKS),
    "watchdog_loop": (end.watchdog_loop, PACKS),
    "radio_bursts": (end.radio_bursts, _NO_COIN),
    "haptic_stall": (end.haptic_stall, _NO_COIN),
    "protection_releases": (end.protection_releases, _POUCHES),
    "foldback_glow": (end.foldback_glow, PACKS),
    "low_then_flash": (end.low_then_flash, PACKS),
    "segments": (end.segments, _NO_COIN),
}
HARMLESS: Final[Kinds] = {
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


SET: Final = SealedSet(KINDS, AMBIGUOUS, _as_wanted)
make, draw_runs, ambiguous_table = SET.make, SET.draw_runs, SET.ambiguous_table


if __name__ == "__main__":
    SET.main(sys.argv[1:])
