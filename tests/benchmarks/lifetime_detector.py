"""What ``analysis.run.lifetime`` says of a judged run, in the judge's words."""

from dataclasses import dataclass
from math import nan
from pathlib import Path
from typing import Final

import pandas as pd

from analysis.run.lifetime import End, Lifetime, LifetimeWatch
from analysis.run.rundown import rundown
from logger.base.pack import Pack
from logger.run.description import Description, Event
from logger.run.reader import Run
from tests.benchmarks.lifetime_judge import score, truth

KIND: Final = {
    End.CUTOFF: truth.CUTOFF,
    End.DARK: truth.WENT_DARK,
    End.BACK: truth.COMES_BACK,
    End.REBOOTS: truth.REBOOTS,
    End.PROTECTION: truth.PROTECTION,
    End.OFF: truth.SWITCHED_OFF,
    End.RUNNING: truth.STILL_RUNNING,
    End.UNSURE: truth.UNSURE,
}
CHEMISTRY: Final = {"li-mno2": "lithium-coin"}
SWITCH: Final = {
    truth.LOAD_OFF: "load switch opened (told by this computer)",
    truth.LOAD_ON: "load switch closed (told by this computer)",
}


def pack_of(run: truth.PieceRun) -> Pack:
    return Pack(CHEMISTRY.get(run.pack.chemistry, run.pack.chemistry), run.pack.cells)


def events_of(run: truth.PieceRun) -> list[Event]:
    marks = [Event(time_s, "mark", text) for time_s, text in run.marks]
    return [*marks, *(Event(time_s, "load", SWITCH[what]) for time_s, what in run.events)]


def found_in(run: truth.PieceRun) -> Lifetime:
    watch = LifetimeWatch(pack_of(run), run.cutoff_v, run.hold_s)
    watch.add(run.time_s, run.pack_v, run.current_ma)
    return watch.now(events_of(run))


def recorded_in(run: truth.PieceRun) -> Lifetime:
    """The lifetime as every screen that shows a recorded run has it."""
    rows = {"time_s": run.time_s, "pack_v": run.pack_v, "current_ma": run.current_ma}
    described = Description(
        state="ended", window_s=run.row_s, pack=pack_of(run), events=tuple(events_of(run))
    )
    whole = Run(Path("piece"), described, pd.DataFrame(rows))
    return rundown(whole, run.cutoff_v, run.hold_s).lifetime


@dataclass(frozen=True)
class Live:
    """What the live watch said: ``last`` of all, ``false_s`` when it first told an end that was none (nan: never).

    ``delay_s``: from the true end to the first time it told it; nan: no end, or not told.
    """

    last: Lifetime
    false_s: float
    delay_s: float


def live_in(run: truth.PieceRun, ask_s: float = 120.0) -> Live:
    """The rows one by one, the watch asked every ``ask_s``."""
    watch = LifetimeWatch(pack_of(run), run.cutoff_v, run.hold_s)
    events, slack_s = events_of(run), score.SLACK_S + 2 * run.row_s + run.hold_s
    told = (truth.CUTOFF, *truth.ALARMS)
    windows = [(a.early_s, a.late_s) for a in run.truth.accept if a.kind in told]
    windows += [(time_s, time_s) for _, time_s in run.truth.later]
    false_s, first_s, asked_s = nan, nan, 0.0
    for row, time_s in enumerate(run.time_s.tolist()):
        watch.add([time_s], [run.pack_v[row]], [run.current_ma[row]])
        if time_s < asked_s + ask_s:
            continue
        asked_s = time_s
        found = watch.now([event for event in events if event.time_s <= time_s])
        at_s = found.time.value
        if not found.ended or at_s is None:
            continue
        if any(early - slack_s <= at_s <= late + slack_s for early, late in windows):
            first_s = time_s if first_s != first_s else first_s
        elif false_s != false_s:
            false_s = time_s
    return Live(watch.now(events), false_s, first_s - run.truth.time_s)


def said_of(run: truth.PieceRun) -> score.Said:
    found = found_in(run)

    def value(time_s: float | None) -> float:
        return nan if time_s is None else time_s

    return score.Said(
        KIND[found.end],
        value(found.time.value),
        found.reboots,
        value(found.first_reboot.value),
        value(found.dimmed.value),
        tuple(KIND[item.end] for item in found.readings),
    )
