"""Does it last as long as it is needed? One verdict, in one sentence, for what was recorded and for what is foreseen."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from analysis.doubt.quantity import Quantity
from analysis.run.lifetime import End, Lifetime
from analysis.say.words import short_words, span_words
from logger.base.wall_clock import WallClock

# A forecast tells nothing in the first minutes, nor while its ends lie further apart than this.
_EARLY_S: Final = 600.0
_EARLY_RATIO: Final = 4.0
_STEPS_S: Final = (60.0, 300.0, 600.0, 1800.0, 3600.0)
_STEPS_PER_WIDTH: Final = 40.0

HOW: Final = {
    End.CUTOFF: "It lasted",
    End.DARK: "It went dark after",
    End.BACK: "It went dark, and came back, after",
    End.REBOOTS: "It restarted for the first time after",
    End.PROTECTION: "The pack's protection circuit switched off after",
}


class Answer(StrEnum):
    """The verdict in a word; shown, and in JSON."""

    YES = "yes"
    NO = "no"
    CLOSE = "too close to call"
    EARLY = "too early to say"
    OPEN = "not shown"


@dataclass(frozen=True)
class Verdict:
    """``need_s``: how long it must last, s from the run's begin; None: nobody said. ``words``: the whole sentence."""

    need_s: float | None
    answer: Answer
    words: str

    def as_json(self) -> dict[str, Any]:
        """Plain object; the need as a quantity's."""
        return {
            **Quantity(self.need_s, "s").as_json(),
            "answer": str(self.answer),
            "words": self.words,
        }


def verdict(need_s: float, life: Lifetime, clock: WallClock | None = None) -> Verdict:
    """The verdict on a recorded run. ``clock``: for the time of day at which it ended."""
    if life.end is End.UNSURE:
        answer, told = _of_readings(need_s, life)
    elif life.time.value is None:
        answer, told = _of_unfinished(need_s, life)
    else:
        answer, told = _of_end(need_s, life, clock)
    return Verdict(need_s, answer, f"Needed {span_words(need_s)}. {told}")


def _of_end(need_s: float, life: Lifetime, clock: WallClock | None) -> tuple[Answer, str]:
    time = life.time
    assert time.value is not None
    low_s = time.value if time.lower is None else time.lower
    high_s = time.value if time.upper is None else time.upper
    at = "" if clock is None or time.at_least else f", at {clock.at(time.value)}"
    told = f"{HOW.get(life.end, 'It lasted')} {short_words(time)}{at}"
    if life.end is End.OFF:
        return _of_unfinished(need_s, life)
    if low_s >= need_s:
        return Answer.YES, f"{told}: yes, with {span_words(low_s - need_s, 60.0)} to spare."
    if time.at_least:
        return Answer.OPEN, f"{told}: not shown, the board was away for an unknown time."
    if high_s < need_s:
        return Answer.NO, f"{told}: no, {span_words(need_s - time.value, 60.0)} short."
    return Answer.CLOSE, f"{told}: too close to call."


def _of_unfinished(need_s: float, life: Lifetime) -> tuple[Answer, str]:
    off = life.end is End.OFF
    lasted_s = life.least_s if off else life.seen_s
    until = f"It was still working when it was switched off after {span_words(lasted_s)}" if off else (
        f"It was still working when the rows ended after {span_words(lasted_s)}"
    )  # fmt: skip
    if lasted_s >= need_s:
        return (
            Answer.YES,
            f"{until}: yes, with at least {span_words(lasted_s - need_s, 60.0)} to spare.",
        )
    return Answer.OPEN, f"{until}: not shown, {span_words(need_s - lasted_s, 60.0)} are missing."


def _of_readings(need_s: float, life: Lifetime) -> tuple[Answer, str]:
    times = [
        life.seen_s
        if item.time_s is None and item.end is End.RUNNING
        else item.time_s or life.least_s
        for item in life.readings
    ]
    told = readings_words(life)
    if min(times) >= need_s:
        return (
            Answer.YES,
            f"{told} Either way: yes, with {span_words(min(times) - need_s, 60.0)} to spare.",
        )
    ends = [item.end for item in life.readings]
    bounds = End.RUNNING in ends or End.OFF in ends or life.time.at_least
    if max(times) < need_s and not bounds:
        return Answer.NO, f"{told} Either way: no."
    return Answer.OPEN, f"{told} So it is not shown."


def readings_words(life: Lifetime) -> str:
    """Both ways to read a run that cannot be told, with their times."""
    parts = []
    for item in life.readings:
        after = "" if item.time_s is None else f" after {span_words(item.time_s)}"
        if item.end is End.RUNNING:
            parts.append(f"it was still working at {span_words(life.seen_s)}")
        elif item.end is End.OFF:
            parts.append("it was switched off then")
        elif item.end is End.CUTOFF:
            parts.append(f"it lasted to the cutoff{after}")
        else:
            parts.append(
                f"it {item.end}{after}"
                if item.end is not End.PROTECTION
                else f"the pack's protection circuit switched off{after}"
            )
    return f"Either {', or '.join(parts)}: {life.evidence}."


def lasted_words(life: Lifetime, cutoff_v: float | None, *, said: bool = False) -> str:
    """How it ended, in one sentence; empty where the cutoff or the length of the run says it all.

    ``said``: the verdict stands before it and has told the time already.
    """
    if life.end is End.UNSURE:
        return "" if said else readings_words(life)
    if said and life.end not in (End.RUNNING, End.CUTOFF):
        return f"{life.evidence[:1].upper()}{life.evidence[1:]}."
    if life.end is End.OFF:
        return f"It was switched off after {short_words(life.time)}: {life.evidence}."
    if life.end in (End.RUNNING, End.CUTOFF):
        return ""
    above = "" if cutoff_v is None else f", before the pack had fallen to {cutoff_v:g} V"
    return f"{HOW[life.end]} {short_words(life.time)}{above}: {life.evidence}."


@dataclass(frozen=True)
class Usual:
    """How long such a piece lasts by what was known before the run: ``by`` its budget, or earlier runs of it.

    ``words``: the whole sentence. It stands in while a forecast knows nothing, and is called what it is.
    """

    time_s: float
    by: str
    words: str


@dataclass(frozen=True)
class Ahead:
    """What is foreseen: ``now_s`` into the run, ``time``: end at nine in ten (s from the begin; without
    a value nothing is known), ``chance`` (0 to 1) that it lasts as long as needed."""

    now_s: float
    time: Quantity
    chance: float | None = None

    @property
    def known(self) -> bool:
        """Whether it knows enough to be shown."""
        time = self.time
        if time.value is None or time.lower is None or time.upper is None or self.now_s < _EARLY_S:
            return False
        return time.upper - self.now_s <= _EARLY_RATIO * max(time.lower - self.now_s, 60.0)


def verdict_ahead(
    need_s: float | None, ahead: Ahead, clock: WallClock | None = None, earlier: str = ""
) -> Verdict:
    """The verdict on a run that goes on. ``earlier``: what earlier runs or the budget say, said while it is too early."""
    now_s, time = ahead.now_s, ahead.time

    def at(seconds: float, step_s: float = 60.0) -> str:
        seconds = round(seconds / step_s) * step_s
        return span_words(seconds, 60.0) if clock is None else clock.at(seconds)

    until = "" if clock is None else "until "
    need = "" if need_s is None else f" — needed {until}{at(need_s)}: "
    if need_s is not None and now_s >= need_s:
        return Verdict(
            need_s, Answer.YES, f"Still working after {span_words(now_s, 60.0)}{need}yes"
        )
    decided = _decided(need_s, time) if ahead.now_s >= _EARLY_S else None
    if not ahead.known and decided is None:
        told = f"Too early to say; at least {span_words(now_s, 60.0)} by now"
        return Verdict(need_s, Answer.EARLY, ". ".join(part for part in (told, earlier) if part))
    assert time.value is not None
    assert time.lower is not None
    assert time.upper is not None
    step_s = step_s_of(time)
    span = f"{at(time.lower, step_s)} to {at(time.upper, step_s)}"
    told = f"Lasts {until}about {at(time.value, step_s)} ({span})"
    if need_s is None:
        return Verdict(None, Answer.OPEN, told)
    answer = decided or Answer.CLOSE
    how_likely = ""
    if answer is Answer.CLOSE and ahead.chance is not None:
        how_likely = f" (about {100 * min(max(ahead.chance, 0.02), 0.98):.0f} in 100)"
    return Verdict(need_s, answer, f"{told}{need}{answer}{how_likely}")


def step_s_of(time: Quantity) -> float:
    """Step that a foreseen time is rounded to: no more digits than its interval is worth."""
    if time.lower is None or time.upper is None:
        return _STEPS_S[0]
    least_s = (time.upper - time.lower) / _STEPS_PER_WIDTH
    if least_s < _STEPS_S[0] / 6:
        return 1.0
    return next((step for step in _STEPS_S if step >= least_s), _STEPS_S[-1])


def _decided(need_s: float | None, time: Quantity) -> Answer | None:
    if need_s is None or time.lower is None or time.upper is None or time.value is None:
        return None
    if time.lower >= need_s:
        return Answer.YES
    return Answer.NO if time.upper < need_s else None
