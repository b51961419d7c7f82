"""The forecast of a run that is being recorded, as the page shows it: words, interval, band."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis.forecast import Forecast, LiveForecast
from analysis.forecast_words import forecast_line
from analysis.words import span_words
from logger.page.bench import Left
from logger.page.feed import RunFeed

# A forecast takes a noticeable part of a second: it is made anew at most so often, and never for
# more than this share of the time.
_INTERVAL_S: Final = 10.0
LOOK_S: Final = 1.0
# Bases on which a forecast stands; the others know nothing yet, or have nothing left to foresee.
FORESEEN: Final = ("curve", "rated capacity")
_BUSY_SHARE: Final = 0.1
_STEPS_S: Final = (60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0)
_POINTS: Final = 60
_BAND: Final = (5.0, 50.0, 95.0)  # percent: nine in ten lie between the outer two


class PageForecaster:
    """Feeds one run's rows to a live forecast; call it with the feed after each poll."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._live: LiveForecast | None = None
        self._last: Left | None = None
        self._next_s = float("-inf")
        self.found: Forecast | None = None

    def __call__(self, feed: RunFeed) -> Left | None:
        """Time left; None where no cutoff was asked for or nothing can be said yet."""
        stop = feed.description.stop
        if stop.cutoff_v is None:
            feed.keep_fresh = False
            return None
        if self._live is None:
            self._live = LiveForecast(feed.description.pack, stop.cutoff_v, stop.hold_s)
        for rows in feed.take_fresh():
            counted = bool(np.isfinite(rows.charge_mah).all())
            self._live.add(
                rows.time_s, rows.volt_v, rows.current_ma, rows.charge_mah if counted else None
            )
        now_s = self._clock()
        if now_s >= self._next_s:
            self.found = self._live.now()
            self._last = left_of(self.found)
            spent_s = self._clock() - now_s
            self._next_s = now_s + max(_INTERVAL_S, spent_s / _BUSY_SHARE)
        return self._last


def follow(
    folder: Path,
    say: Callable[[Forecast], None],
    over: Callable[[], bool],
    sleep: Callable[[float], object],
) -> None:
    """Forecast a growing run again and again until its description says that it ended, or ``over``.

    ``say`` is called with every new forecast; ``sleep`` waits between looks at the file.
    """
    feed = RunFeed(folder)
    feed.keep_fresh = True
    last: Forecast | None = None
    forecaster = PageForecaster()
    while not over():
        while feed.poll():
            forecaster(feed)
        forecaster(feed)
        if forecaster.found is not None and forecaster.found is not last:
            last = forecaster.found
            say(last)
        if feed.description.state == "ended":
            return
        sleep(LOOK_S)


def foreseen(found: Forecast) -> dict[str, Any] | None:
    """A forecast as the recording takes it (``logger.forecast_process``); None if it knows nothing."""
    half, most = found.cutoff_time
    if None in (half.value, most.lower, most.upper) or found.basis not in FORESEEN:
        return None
    ends = {"end_s": half.value, "lower_s": most.lower, "upper_s": most.upper}
    return {"as_of_s": found.now_s, **ends, "text": forecast_line(found)}


def left_of(found: Forecast) -> Left | None:
    """A forecast in the page's words; None if it knows nothing."""
    half, most = found.cutoff_time
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
    return Left(
        words,
        detail,
        share=now_s / half.value if half.value > 0 else None,
        end_s=half.value,
        lower_s=most.lower,
        upper_s=most.upper,
        fan=_fan(found),
        foreseen=foreseen(found),
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
