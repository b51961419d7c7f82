"""The forecast of a run that is being recorded, as the page shows it: words, interval, band; and its faults."""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis.doubt.beyond import UNSEEN_WORDS, RangeWatch, range_of
from analysis.doubt.uncertainty import limits_of
from analysis.forecast.answer import LOOKS_PART_USED
from analysis.forecast.chemistry_prior import capacity_prior
from analysis.forecast.earlier_runs import earlier_runs
from analysis.forecast.forecast import (
    FORESEEN,
    LOOKS_REGULATED,
    Forecast,
    forecast,
)
from analysis.forecast.own_runs import EarlierRun
from analysis.forecast.verdict_words import live_verdict, with_life
from analysis.forecast.words import at_least_words, forecast_line
from analysis.run.history import Bins
from analysis.run.lifetime import LifetimeWatch, ended_by_the_fall
from analysis.run.pack_faults import Fault, FaultWatch, watch_of
from analysis.run.verdict import Answer, Usual, Verdict
from analysis.say.words import span_words
from logger.base.left import Left
from logger.base.pack import Pack
from logger.run.feed import RunFeed

# A forecast takes a noticeable part of a second: it is made anew at most so often, and never for
# more than this share of the time.
_INTERVAL_S: Final = 10.0
LOOK_S: Final = 1.0
_BUSY_SHARE: Final = 0.1
# What the forecast itself finds odd is told when it has been so for long and clearly: a young run
# tells little, and a fresh flat cell looks regulated at first.
_ODD_FOR_S: Final = 600.0
_ODD_FOR_SHARE: Final = 0.1
_PART_USED_LEAST: Final = 0.2  # of its charge
_REGULATED_DRAWN: Final = 0.25  # of the usual charge
_STEPS_S: Final = (60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0)
_POINTS: Final = 60
_BAND: Final = (5.0, 50.0, 95.0)  # percent: nine in ten lie between the outer two


class PageForecaster:
    """Feeds one run's rows to a live forecast; call it with the feed after each poll.

    ``usual``: what earlier runs of the piece, or its budget, say, for the time in which a forecast knows nothing.
    ``modes_ma``: draws of the piece's modes by its budget.
    ``faults``: what was found wrong with the run so far, each once, in order.
    """

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        *,
        without_cutoff: bool = False,
        usual: Usual | None = None,
        modes_ma: Sequence[float] = (),
    ) -> None:
        self._usual = usual
        self._modes_ma = tuple(modes_ma)
        self._life: LifetimeWatch | None = None
        self._range: RangeWatch | None = None
        self._clock = clock
        self._without_cutoff = without_cutoff
        self._watch: FaultWatch | None = None
        self._last: Left | None = None
        self._next_s = float("-inf")
        self._odd_since_s: dict[str, float] = {}
        self._told: set[str] = set()
        self._own_runs: tuple[EarlierRun, ...] | None = None
        self.found: Forecast | None = None
        self.faults: list[Fault] = []

    def __call__(self, feed: RunFeed) -> Left | None:
        """Time left; None where no cutoff was asked for or nothing can be said yet."""
        stop = feed.description.asked
        if stop.cutoff_v is None and not self._without_cutoff:
            feed.keep_fresh = False
            return None
        for rows in feed.take_fresh():
            if self._watch is None:
                self._watch = watch_of(feed.description, stop.hold_s, feed.course.begin_s)
            if self._life is None:
                self._life = life_watch_of(feed, self._modes_ma)
            if self._range is None:
                self._range = RangeWatch(feed.course.begin_s)
            self._life.add(rows.time_s, rows.volt_v, np.abs(rows.current_ma))
            peaks_ma = np.fmax(np.abs(rows.low_ma), np.abs(rows.high_ma))
            counted = bool(np.isfinite(rows.charge_mah).all())
            charge_mah = rows.charge_mah if counted else None
            self._watch.add(rows.time_s, rows.volt_v, rows.current_ma, charge_mah, peaks_ma)
            range_ma = range_of(feed.description)
            self._range.add(rows.time_s, peaks_ma, rows.conversions, range_ma)
        now_s = self._clock()
        if self._watch is not None and now_s >= self._next_s:
            self._look(self._watch, feed)
            spent_s = self._clock() - now_s
            self._next_s = now_s + max(_INTERVAL_S, spent_s / _BUSY_SHARE)
        return self._last

    def _look(self, watch: FaultWatch, feed: RunFeed) -> None:
        """Faults and forecast as of now."""
        found = list(watch.faults())
        stop = feed.description.asked
        if stop.cutoff_v is not None:
            self.found = self._forecast(watch, feed, stop.cutoff_v)
            if self._life is not None:
                ended = ended_by_the_fall(feed.description)
                life = self._life.now(feed.description.events, ended=ended)
                self.found = with_life(self.found, life)
            earlier = "" if self._usual is None else self._usual.words
            answer = live_verdict(self.found, feed.description, earlier=earlier)
            self._last = left_of(self.found, answer, self._usual)
            temperature_c = feed.description.temperature_c
            found += self._lasting(self.found, feed.description.pack, temperature_c)
        self.faults += [fault for fault in found if fault.code not in self._told]
        self._told.update(fault.code for fault in found)

    def _forecast(self, watch: FaultWatch, feed: RunFeed, cutoff_v: float) -> Forecast:
        pack, bins, hold_s = feed.description.pack, watch.bins(), watch.history.block_s
        beyond = None if self._range is None else self._range.now(feed.description)
        why = ""
        if watch.flow == "charging":
            why = "the pack is being charged, not discharged"
        elif watch.flow == "unclear":
            why = "the current reads negative: crossed wires or charging, not told apart yet"
        elif beyond is not None and beyond.hides_the_draw:
            why = UNSEEN_WORDS
        if why:
            nothing = Bins(*(values[:0] for values in vars(bins).values()))
            return replace(forecast(nothing, pack, cutoff_v, hold_s), why=why)
        if self._own_runs is None:
            self._own_runs = earlier_runs(feed.folder, feed.description)
        fresh = feed.description.fresh
        return forecast(
            bins,
            pack,
            cutoff_v,
            hold_s,
            fresh=fresh,
            earlier=self._own_runs,
            temperature_c=feed.description.temperature_c,
        )

    def _lasting(
        self, found: Forecast, pack: Pack | None, temperature_c: float | None
    ) -> list[Fault]:
        """Oddities that the forecast has been telling for long enough, and clearly."""
        told = []
        for code, begin, clear in (
            ("part-used", LOOKS_PART_USED, _is_part_used(found)),
            ("regulated", LOOKS_REGULATED, _is_much_drawn(found, pack, temperature_c)),
        ):
            text = next((text for text in found.warnings if text.startswith(begin)), None)
            if text is None or not clear:
                self._odd_since_s.pop(code, None)
                continue
            since_s = self._odd_since_s.setdefault(code, found.now_s)
            if found.now_s - since_s >= max(_ODD_FOR_S, _ODD_FOR_SHARE * found.now_s):
                told.append(Fault(code, text))
        return told


def life_watch_of(feed: RunFeed, modes_ma: Sequence[float] = ()) -> LifetimeWatch:
    """The watch over a growing run's lifetime; readings are as they came, not calibrated."""
    description = feed.description
    stop = description.asked
    return LifetimeWatch(
        description.pack, stop.cutoff_v, stop.hold_s, feed.course.begin_s,
        limits_of(description), description.source == "board", (*description.modes_ma, *modes_ma),
    )  # fmt: skip


def _is_part_used(found: Forecast) -> bool:
    fan = found.fan
    return fan is not None and float(np.median(fan.started_depth)) > _PART_USED_LEAST


def _is_much_drawn(found: Forecast, pack: Pack | None, temperature_c: float | None) -> bool:
    drawn_mah = found.drawn.value or 0.0
    if pack is None or not found.now_s > 0:
        return False
    usual = capacity_prior(pack, drawn_mah / (found.now_s / 3600), temperature_c)
    return drawn_mah > _REGULATED_DRAWN * usual.median_mah


def follow(
    folder: Path,
    say: Callable[[Forecast], None],
    over: Callable[[], bool],
    sleep: Callable[[float], object],
    warn: Callable[[Fault], None] = lambda fault: None,
    modes_ma: Sequence[float] = (),
) -> None:
    """Forecast a growing run again and again until its description says that it ended, or ``over``.

    ``say`` is called with every new forecast, ``warn`` once with each fault that is found;
    ``sleep`` waits between looks at the file; ``modes_ma``: draws of the piece's modes by its budget.
    """
    feed = RunFeed(folder)
    feed.keep_fresh = True
    last: Forecast | None = None
    warned = 0
    forecaster = PageForecaster(without_cutoff=True, modes_ma=modes_ma)
    while not over():
        while feed.poll():
            forecaster(feed)
        forecaster(feed)
        for fault in forecaster.faults[warned:]:
            warn(fault)
        warned = len(forecaster.faults)
        if forecaster.found is not None and forecaster.found is not last:
            last = forecaster.found
            say(last)
        if feed.description.state == "ended":
            return
        sleep(LOOK_S)


def foreseen(
    found: Forecast, answer: Verdict | None = None, usual: Usual | None = None
) -> dict[str, Any] | None:
    """A forecast as the recording takes it (``logger.recording.forecast_beside``); None if it knows nothing."""
    half, most = found.cutoff_time
    words = "" if answer is None else answer.words
    if found.basis in ("ended", "unclear"):
        told = words or forecast_line(found)
        return {"as_of_s": found.now_s, "text": forecast_line(found), "verdict": told}
    early = answer is not None and answer.answer is Answer.EARLY
    unknown = None in (half.value, most.lower, most.upper) or found.basis not in FORESEEN
    if early or (unknown and words):
        known = {} if usual is None else {"usual_s": usual.time_s, "usual_by": usual.by}
        return {"as_of_s": found.now_s, "text": words, "verdict": words, "early": True, **known}
    if unknown:
        return None
    ends = {"end_s": half.value, "lower_s": most.lower, "upper_s": most.upper}
    return {"as_of_s": found.now_s, **ends, "text": forecast_line(found), "verdict": words}


def left_of(
    found: Forecast, answer: Verdict | None = None, usual: Usual | None = None
) -> Left | None:
    """A forecast in the page's words, the verdict first; None if it knows nothing."""
    half, most = found.cutoff_time
    if found.basis in ("ended", "unclear") and found.life is not None:
        life = found.life
        after = span_words(life.least_s)
        words = (
            f"{str(life.end).capitalize()} after {after}"
            if life.ended
            else f"Dark, or switched off, after {after}"
        )
        told = f"{life.evidence[:1].upper()}{life.evidence[1:]}."
        return Left(
            words,
            told if answer is None else f"{answer.words} {told}",
            foreseen=foreseen(found, answer),
        )
    if answer is not None and answer.answer is Answer.EARLY:
        return Left(answer.words, foreseen=foreseen(found, answer, usual))
    if half.value is None and found.at_least_s is not None:
        words = at_least_words(found)
        return Left(f"{words[:1].upper()}{words[1:]}", f"When it ends cannot be told: {found.why}.")
    if found.basis not in FORESEEN or half.value is None:
        return None
    now_s = found.now_s
    ahead_s = half.value - now_s
    if most.lower is None or most.upper is None:
        words, detail = f"About {_about(ahead_s, ahead_s)} left", ""
    else:
        width_s = most.upper - most.lower
        words = f"About {_about(ahead_s, width_s)} left"
        detail = f"Nine in ten: {_about(most.lower - now_s, width_s)} to {_about(most.upper - now_s, width_s)}."
    detail = " ".join((detail, *found.warnings[:1])).strip()
    clocked = answer is not None and answer.need_s is not None
    if answer is not None and clocked:
        words, detail = answer.words, f"{words}. {detail}"
    return Left(
        words,
        detail,
        share=now_s / half.value if half.value > 0 else None,
        end_s=half.value,
        lower_s=most.lower,
        upper_s=most.upper,
        fan=_fan(found),
        foreseen=foreseen(found, answer),
        clocked=clocked,
    )


def _about(seconds: float, width_s: float) -> str:
    """Rounded to a step that goes about ten times into the interval's width."""
    step_s = next((step for step in _STEPS_S if step >= width_s / 20), _STEPS_S[-1])
    return span_words(max(round(seconds / step_s) * step_s, step_s), 60.0)


def _fan(found: Forecast) -> dict[str, list[float]] | None:
    """Band of the voltage to come: percentiles over the drawn courses at common times."""
    fan = found.fan
    if fan is None or not len(fan.path_s):
        return None
    end_s = float(np.percentile(fan.path_s[:, -1], _BAND[2]))
    if not end_s > found.now_s:
        return None
    times_s = np.linspace(found.now_s, end_s, _POINTS)
    # Past its own end a course has given up: it stays at its last voltage.
    courses = np.array(
        [
            np.interp(times_s, path_s, path_v)
            for path_s, path_v in zip(fan.path_s, fan.path_v, strict=True)
        ]
    )
    low, mid, high = np.percentile(courses, _BAND, axis=0)
    return {
        "time_s": np.round(times_s, 1).tolist(),
        "low": np.round(low, 4).tolist(),
        "mid": np.round(mid, 4).tolist(),
        "high": np.round(high, 4).tolist(),
    }
