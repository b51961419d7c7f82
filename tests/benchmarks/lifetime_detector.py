"""What ``analysis.run.lifetime`` says of a judged run, in the judge's words."""

from math import nan
from typing import Final

from analysis.run.lifetime import End, Lifetime, LifetimeWatch
from logger.base.pack import Pack
from logger.run.description import Event
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
    return watch.now(events_of(run), ended=True)


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
