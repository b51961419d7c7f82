"""Was there more than the sensor could see? Then results are lower bounds, and this says by how much at least."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.doubt.quantity import Quantity
from logger.base.fault_words import OUT_OF_RANGE
from logger.base.numbers import digits_text
from logger.base.sensor_limits import smaller_shunt_words
from logger.run.description import Description, Event

Floats = NDArray[np.float64]

# A reading so near the end of the range is at it.
_AT_END: Final = 0.995
# Conversions beyond the range held no more than so many times it, for what is lost in a blink: the
# project's own figure; beyond so much of the time nothing is guessed.
_MOST_RANGES: Final = 10.0
# Share of the time beyond the range up to which a mean still tells something: the project's own figure.
_RARELY_BEYOND: Final = 0.001
UNKNOWN_PAUSE: Final = "lower bound: the board was away for an unknown time before"
UNSEEN_WORDS: Final = "more was drawn than the sensor could see; take a smaller shunt"
# Runs from before the cost was noted: "(37 conversions)" and "range: 37".
_COUNT: Final = re.compile(r"\((\d+) conversions?\)|range: (\d+)")


@dataclass(frozen=True)
class Beyond:
    """What lay outside the range. ``share``: of the run's time (0 to 1), ``more_mah``: the least charge that it adds.

    ``range_ma``: the current's end; ``current``, ``voltage``: which of the two was beyond. ``told``: the board said so.
    """

    share: float
    more_mah: float
    range_ma: float | None
    shunt_words: str
    current: bool
    voltage: bool
    told: bool

    @property
    def share_words(self) -> str:
        """``2 % of the time``."""
        if self.share < 0.001:
            return "under 0.1 % of the time"
        return f"{digits_text(100 * self.share, 2)} % of the time"

    @property
    def hides_the_draw(self) -> bool:
        """Whether so much current was not seen that nothing can be foreseen from what was."""
        return self.current and self.share > _RARELY_BEYOND

    @property
    def note(self) -> str:
        """Why a result is a lower bound."""
        what = "current" if self.current else "voltage"
        return f"lower bound: the {what} was beyond the sensor's range for {self.share_words}"


@dataclass(frozen=True)
class Seen:
    """Columns of a run, each of shape (n,), None where it has none: mA, V, s."""

    mean_ma: Floats
    most_ma: Floats | None
    least_ma: Floats | None
    bus_v: Floats | None
    weight_s: Floats
    conversions: Floats | None


def beyond_of(description: Description, seen: Seen, factor: float = 1.0) -> Beyond | None:
    """What this run holds of currents or voltages outside the range; None: nothing.

    ``factor``: what a calibration multiplied the current by.
    """
    sensor, range_ma = description.sensor, range_of(description)
    lost = overflows(description.events)
    at_end = at_range_end(seen.mean_ma, range_ma, factor)
    for column in (seen.most_ma, seen.least_ma):
        if column is not None:
            at_end |= at_range_end(column, range_ma, factor)
    high = np.zeros(len(seen.mean_ma), dtype=bool)
    if seen.bus_v is not None and sensor and sensor.bus_range_v:
        high = seen.bus_v >= _AT_END * sensor.bus_range_v
    if not lost and not at_end.any() and not high.any():
        return None
    whole_s = float(seen.weight_s.sum())
    conversions = None if seen.conversions is None else float(seen.conversions.sum())
    share = float(seen.weight_s[at_end | high].sum()) / whole_s
    return _beyond(
        description,
        lost,
        max(_lost_share(lost, conversions), share),
        more_mah=_least_more_mah(seen, lost, range_ma),
        current=bool(lost or at_end.any()),
        voltage=bool(high.any()),
    )


def _beyond(
    description: Description,
    lost: int,
    share: float,
    *,
    more_mah: float,
    current: bool,
    voltage: bool,
) -> Beyond:
    sensor, range_ma = description.sensor, range_of(description)
    words = "" if sensor is None else smaller_shunt_words(sensor.shunt_ohm, range_ma)
    return Beyond(share, more_mah, range_ma, words, current, voltage, told=lost > 0)


def range_of(description: Description) -> float | None:
    """Greatest current that the run's sensor can see, mA; None: not known."""
    sensor = description.sensor
    return sensor.range_ma if sensor and sensor.range_ma else None


def at_range_end(
    current_ma: Floats, range_ma: float | None, factor: float = 1.0
) -> NDArray[np.bool_]:
    """Where currents are so near the range's end that there may have been more, shape of ``current_ma``.

    ``factor``: what a calibration multiplied them by.
    """
    if not range_ma:
        return np.zeros(len(current_ma), dtype=bool)
    return np.asarray(np.abs(current_ma) >= _AT_END * abs(factor) * range_ma)


class RangeWatch:
    """The share of ``beyond_of`` in a run that still grows: ``add`` its rows, then ask ``now``. Memory: a few sums."""

    def __init__(self, begin_s: float = 0.0) -> None:
        self._last_s = begin_s
        self._whole_s = self._at_end_s = self._conversions = 0.0
        self._counted = True

    def add(
        self,
        times_s: Floats,
        peaks_ma: Floats,
        conversions: Floats | None,
        range_ma: float | None,
    ) -> None:
        """Rows, each of shape (n,): end of each, greatest size of its current, conversions in it (None: not counted)."""
        spans_s = np.maximum(np.diff(times_s, prepend=self._last_s), 0.0)
        self._last_s = float(times_s[-1])
        self._whole_s += float(spans_s.sum())
        self._at_end_s += float(spans_s[at_range_end(peaks_ma, range_ma)].sum())
        self._counted &= conversions is not None and bool(np.isfinite(conversions).all())
        if conversions is not None:
            self._conversions += float(np.nansum(conversions))

    def now(self, description: Description) -> Beyond | None:
        """What lay outside the range so far, without the charge that it adds; None: nothing."""
        lost = overflows(description.events)
        if not self._whole_s > 0 or not (lost or self._at_end_s > 0):
            return None
        share = _lost_share(lost, self._conversions if self._counted else None)
        share = max(share, self._at_end_s / self._whole_s)
        return _beyond(description, lost, share, more_mah=0.0, current=True, voltage=False)


def overflows(events: Iterable[Event]) -> int:
    """Conversions that the board could not see, by its own word; at least one for each fault."""
    counted = 0
    for event in events:
        if event.kind == "fault" and OUT_OF_RANGE in event.text:
            texts = [int(number) for number in sum(_COUNT.findall(event.text), ()) if number]
            counted += max(1, round(event.lost.get("conversions", 0.0)), sum(texts))
    return counted


def _lost_share(lost: int, conversions: float | None) -> float:
    """Share of the conversions that are missing; ``conversions``: how many are there, None: not counted."""
    if not lost:
        return 0.0
    return 1.0 if conversions is None else lost / (lost + conversions)


def _least_more_mah(seen: Seen, lost: int, range_ma: float | None) -> float:
    """Least charge that conversions beyond the range add: each at the range's end.

    The board left them out of their window's mean, which was taken for their time as well.
    """
    if not lost or range_ma is None or seen.conversions is None or len(seen.weight_s) < 2:
        return 0.0
    rate = seen.conversions / seen.weight_s
    usual = float(np.quantile(rate, 0.99))
    missing = np.clip(usual * seen.weight_s - seen.conversions, 0, None)
    missing[missing < 2] = 0.0  # windows differ by a conversion
    if missing.sum() <= 0:
        return 0.0
    missing *= min(1.0, lost / float(missing.sum()))
    return float(missing @ np.clip(range_ma - seen.mean_ma, 0, None)) / usual / 3600


def bounded(quantity: Quantity, beyond: Beyond | None, *, more: float = 0.0) -> Quantity:
    """A result of a current as the lower bound that it is; ``more``: what it is higher at least."""
    return quantity if beyond is None else as_bound(quantity, beyond.note, more=more)


def as_bound(quantity: Quantity, note: str, *, more: float = 0.0) -> Quantity:
    """The lower end of a result as all that is known of it; ``note`` says why."""
    if quantity.value is None:
        return quantity
    least = (quantity.value if quantity.lower is None else quantity.lower) + more
    return replace(quantity, value=least, lower=least, upper=None, note=note, at_least=True)


def unknown_from_s(events: Iterable[Event]) -> float:
    """From this moment of the run on a pause of unknown length lies behind it; infinity: there was none."""
    return min((event.time_s for event in events if event.is_unknown_pause), default=math.inf)


def after_unknown(quantity: Quantity, at_s: float | None, from_s: float) -> Quantity:
    """A time or a sum reached at ``at_s`` of the run as the lower bound that it is, if that is after ``from_s``."""
    if at_s is None or at_s <= from_s:
        return quantity
    return as_bound(quantity, UNKNOWN_PAUSE)


def is_a_blink(beyond: Beyond, mean_ma: float, half_share: float) -> bool:
    """Whether what lay beyond is lost in the doubt: ten times the range for all that time is less.

    ``half_share``: half-width of the charge's interval over the charge.
    """
    if beyond.range_ma is None or beyond.voltage or mean_ma <= 0:
        return False
    return _MOST_RANGES * beyond.range_ma * beyond.share / mean_ma < 0.1 * half_share
