"""How far do many runs lie apart, and which of them are odd?"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any, Final

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.run.rundown import Rundown
from analysis.run.trace import Trace
from analysis.say.words import and_words, count_words, span_words, value_words

# From so many runs on they are told as a heap, not pair by pair.
MANY: Final = 6
FALSE_ALARM: Final = 0.05
_COVER_95: Final = 1.96
_NAMED: Final = 4
# At most this share of the runs can be odd: more, and who is odd cannot be told.
_MOST_ODD: Final = 1 / 3
_MEASURES: Final = 3  # asked together
_ENDED_LEAST: Final = 0.75  # share of the runs


@dataclass(frozen=True)
class Measure:
    """Something that may be odd. ``least``: share of the mean below which nobody would mind."""

    name: str
    said: str
    verb: str
    unit: str
    least: float


LASTED: Final = Measure("lifetime", "lifetime", "lasted", "s", 0.05)
DREW: Final = Measure("mean_current", "draw", "drew", "mA", 0.05)
HALFWAY: Final = Measure("halfway_voltage", "voltage halfway", "had halfway", "V", 0.03)


@dataclass(frozen=True)
class Odd:
    """A run that lies apart by one measure; ``others``: least and greatest of those that do not.

    ``distance``: from the mean of those that do not, in their standard deviations.
    """

    number: int
    measure: Measure
    value: float
    others: tuple[float, float]
    distance: float

    def words(self, name: str) -> str:
        """``A lasted 3 h 52 min, the others 5 h 35 min to 7 h 11 min``."""
        low, high = (_amount(value, self.measure.unit) for value in self.others)
        span = low if low == high else f"{low} to {high}"
        return f"{name} {self.measure.verb} {_amount(self.value, self.measure.unit)}, the others {span}"


@dataclass(frozen=True)
class Spread:
    """Many runs as a heap, lifetimes in s. ``half``: between these lies the middle half of them.

    ``ended``: how many showed their end. ``best``: which of them lasted longest; ``level``: those that the measurement's doubt
    leaves as long as it (Holm's rule over all). ``beyond``: so many were still working after the longest had ended. ``odd``: the farthest first. ``judged``: by what there were enough to say.
    """

    names: tuple[str, ...]
    lasted: tuple[Quantity, ...]
    ended: int
    median_s: float | None
    half: tuple[float, float] | None
    span: tuple[float, float] | None
    best: int | None
    level: tuple[int, ...]
    beyond: int
    odd: tuple[Odd, ...]
    judged: tuple[Measure, ...]

    @property
    def odd_numbers(self) -> tuple[int, ...]:
        """Each odd run once, the farthest first."""
        return tuple(dict.fromkeys(item.number for item in self.odd))

    def only(self, numbers: Sequence[int]) -> "Spread":
        """The same of these runs alone, what was found of them as it is: for pictures of those with a voltage."""
        place = {number: n for n, number in enumerate(numbers)}
        return replace(
            self,
            names=tuple(self.names[n] for n in numbers),
            lasted=tuple(self.lasted[n] for n in numbers),
            best=place.get(self.best) if self.best is not None else None,
            level=tuple(place[n] for n in self.level if n in place),
            odd=tuple(
                replace(item, number=place[item.number])
                for item in self.odd
                if item.number in place
            ),
        )

    def sentences(self) -> tuple[str, ...]:
        """The answer: how long they lasted, the longest, the odd ones."""
        told = [self._lasted_words()]
        if self.best is not None:
            told.append(self._best_words())
        elif self.beyond and self.ended:
            told.append(
                f"The longest cannot be told: {count_words(self.beyond, 'run')} went on beyond that."
            )
        return (*told, *self._odd_words())

    def _lasted_words(self) -> str:
        count = len(self.names)
        if self.span is None:
            return f"None of {count} runs showed its end."
        ends = _between(self.span)
        if self.half is None:
            return f"{self.ended} of {count} runs were recorded to their end: {ends}."
        every = (
            f"{count} runs" if self.ended == count else f"{self.ended} of {count} runs to their end"
        )
        return f"Lasted: {ends} ({every}), the middle half of them {_between(self.half)}."

    def _best_words(self) -> str:
        assert self.best is not None
        lasted = value_words(self.lasted[self.best])
        unknown = [number for number in self.level if half_of(self.lasted[number]) is None]
        if unknown or half_of(self.lasted[self.best]) is None:
            every = " of every run" if half_of(self.lasted[self.best]) is not None else ""
            return f"Longest: {self.names[self.best]}, {lasted}; the measurement's doubt is not known{every}."
        if not self.level:
            return f"Longest: {self.names[self.best]}, {lasted}: more than the measurement's doubt over the next."
        names = [self.names[number] for number in self.level]
        shown = names[:2] if len(names) <= 2 else [names[0], f"{len(names) - 1} more"]
        return f"Longest: {self.names[self.best]}, {lasted}; within the doubt as long: {and_words(shown)}."

    def _odd_words(self) -> tuple[str, ...]:
        if not self.judged:
            return ("Too few runs to say which are odd.",)
        if not self.odd:
            return (
                f"None is odd: {and_words([measure.said for measure in self.judged])} were looked at.",
            )
        numbers = self.odd_numbers
        told = []
        for number in numbers[:_NAMED]:
            reasons = [item for item in self.odd if item.number == number]
            reasons.sort(key=lambda item: self.judged.index(item.measure))
            first = reasons[0].words(self.names[number])
            also = [
                f"{item.measure.verb} {_amount(item.value, item.measure.unit)}"
                for item in reasons[1:]
            ]
            told.append("; it ".join([first, *also]))
        more = len(numbers) - _NAMED
        last = f" And {more} more." if more > 0 else ""
        return (f"Odd: {'. '.join(told)}.{last}",)

    def as_json(self) -> dict[str, Any]:
        """Plain object; times in s."""
        return {
            "runs": len(self.names),
            "ended": self.ended,
            "median": Quantity(self.median_s, "s").as_json(),
            "middle_half": None if self.half is None else list(self.half),
            "shortest_longest": None if self.span is None else list(self.span),
            "longest": None if self.best is None else self.names[self.best],
            "as_long_within_doubt": [self.names[number] for number in self.level],
            "odd": [
                {
                    "run": self.names[item.number],
                    "by": item.measure.name,
                    "value": item.value,
                    "unit": item.measure.unit,
                    "others": list(item.others),
                    "distance": item.distance,
                }
                for item in self.odd
            ],
        }  # fmt: skip


def spread_of(names: Sequence[str], rundowns: Sequence[Rundown]) -> Spread:
    """These runs as a heap, all held to the same cutoff."""
    lasted = tuple(_lasted(result) for result in rundowns)
    ended = [q.value for q in lasted if q.value is not None and not q.at_least]
    # Where many were stopped before their end, those that ended are the short ones: no middle, no odd one.
    told = bool(ended) and len(ended) >= _ENDED_LEAST * len(lasted)
    halfway_s = float(np.median(ended if told else [q.value or 0.0 for q in lasted]))
    halfway = [_halfway(result.draw.trace, halfway_s) for result in rundowns]
    draws = [result.mean_current for result in rundowns]
    lives = [Quantity(None, "s") if q.at_least or not told else q for q in lasted]
    odd, judged = [], []
    for measure, found in ((LASTED, lives), (DREW, draws), (HALFWAY, halfway)):
        own = odd_by(measure, found)
        if own is not None:
            judged.append(measure)
            odd += own
    best = max(
        (n for n, q in enumerate(lasted) if q.value is not None and not q.at_least),
        key=lambda n: lasted[n].value or 0.0,
        default=None,
    )
    beyond = [
        q.value or 0.0 for q in lasted if q.at_least and (q.value or 0.0) >= max(ended, default=0.0)
    ]
    if beyond:
        best = None
    return Spread(
        names=tuple(names),
        lasted=lasted,
        ended=len(ended),
        median_s=float(np.median(ended)) if told else None,
        half=_pair(np.percentile(ended, [25, 75])) if told else None,
        span=(min(ended), max(ended)) if ended else None,
        best=best,
        level=() if best is None else _level(lasted, best),
        beyond=len(beyond),
        odd=tuple(sorted(odd, key=lambda item: -item.distance)),
        judged=tuple(judged),
    )


def odd_by(measure: Measure, values: Sequence[Quantity]) -> list[Odd] | None:
    """Runs that lie apart by this measure; None where fewer than ``MANY`` have it.

    Rosner's generalized ESD test (SOURCES.md F4), which does not let several odd ones
    hide each other, at a third of ``FALSE_ALARM`` for each of three measures. The standard deviation is never
    taken below the doubt of measuring, and what differs less than ``measure.least`` nobody would mind.
    """
    known = {n: q.value for n, q in enumerate(values) if q.value is not None}
    if len(known) < MANY:
        return None
    doubts = [half for q in values if q.value is not None and (half := half_of(q)) is not None]
    doubt = float(np.median(doubts)) / _COVER_95 if doubts else 0.0
    all_of = list(known.values())
    apart = [list(known)[place] for place in outliers(all_of, FALSE_ALARM / _MEASURES, doubt)]
    rest = np.array([value for number, value in known.items() if number not in apart])
    middle, deviation = float(np.mean(rest)), max(float(np.std(rest, ddof=1)), doubt, 1e-9)
    apart = [n for n in apart if abs(known[n] - middle) > measure.least * abs(middle)]
    others = [value for number, value in known.items() if number not in apart]
    return [
        Odd(n, measure, known[n], (min(others), max(others)), abs(known[n] - middle) / deviation)
        for n in apart
    ]


def outliers(values: Sequence[float], level: float, least_deviation: float = 0.0) -> list[int]:
    """Places of the outliers of a normal sample, the farthest first: generalized ESD at ``level``, up to a third."""
    from scipy.stats import t as student

    left = list(range(len(values)))
    taken: list[int] = []
    found = 0
    for step in range(1, max(int(_MOST_ODD * len(values)), 1) + 1):
        sample = np.array([values[place] for place in left])
        off = np.abs(sample - sample.mean())
        deviation = max(float(sample.std(ddof=1)), least_deviation, 1e-12)
        count = len(left)
        point = float(student.ppf(1 - level / (2 * count), count - 2))
        limit = (count - 1) * point / math.sqrt((count - 2 + point**2) * count)
        farthest = int(np.argmax(off))
        taken.append(left.pop(farthest))
        if off[farthest] / deviation > limit:
            found = step
    return taken[:found]


def holm(probabilities: Sequence[float], level: float = FALSE_ALARM) -> list[bool]:
    """Which of these hold together at ``level``: Holm's rule (SOURCES.md F5), step down."""
    clear = [False] * len(probabilities)
    for done, number in enumerate(sorted(range(len(probabilities)), key=probabilities.__getitem__)):
        if probabilities[number] > level / (len(probabilities) - done):
            break
        clear[number] = True
    return clear


def chance_of(difference: float, half: float) -> float:
    """How likely a normal error alone makes such a difference; ``half``: half of its 95 % interval."""
    if half <= 0:
        return 0.0 if difference else 1.0
    return 2 * NormalDist().cdf(-abs(difference) / half * NormalDist().inv_cdf(0.975))


def _level(lasted: Sequence[Quantity], best: int) -> tuple[int, ...]:
    """Runs not told apart from the longest; those of unknown doubt count as such."""
    others = [
        n for n, q in enumerate(lasted) if n != best and q.value is not None and not q.at_least
    ]
    top = lasted[best]
    chances = []
    for number in others:
        off = (top.value or 0.0) - (lasted[number].value or 0.0)
        one, other = half_of(top), half_of(lasted[number])
        known = one is not None and other is not None
        chances.append(chance_of(off, math.hypot(one or 0.0, other or 0.0)) if known else 1.0)
    apart = holm(chances)
    open_ = [number for number, clear in zip(others, apart, strict=True) if not clear]
    return tuple(sorted(open_, key=lambda number: -(lasted[number].value or 0.0)))


def _lasted(result: Rundown) -> Quantity:
    """Until it gave up; at least so long where its end was not seen."""
    life = result.lifetime
    if life.ended and life.time.value is not None:
        return life.time
    return Quantity(life.least_s, "s", note="its end was not seen", at_least=True)


def _halfway(trace: Trace, median_s: float) -> Quantity:
    """Voltage at half of the usual lifetime, V: mean over a tenth of it around that moment."""
    if trace.voltage_v is None:
        return Quantity(None, "V")
    from_s, to_s = (trace.begin_s + part * median_s for part in (0.45, 0.55))
    low, high = np.searchsorted(trace.time_s, [from_s, to_s])
    part = trace.voltage_v[low:high]
    part = part[np.isfinite(part)]
    if not len(part) or trace.end_s < to_s:
        return Quantity(None, "V")
    return Quantity(float(np.mean(part)), "V")


def half_of(quantity: Quantity) -> float | None:
    """Half of the interval; None where there is none."""
    if quantity.lower is None or quantity.upper is None or quantity.coverage is None:
        return None
    return (quantity.upper - quantity.lower) / 2


def _pair(values: Any) -> tuple[float, float]:
    low, high = values
    return float(low), float(high)


def _amount(value: float, unit: str) -> str:
    say: dict[str, Callable[[float], str]] = {
        "s": lambda v: span_words(v, 60.0),
        "V": lambda v: f"{v:.2f} V",
        "mA": lambda v: f"{v:.3g} mA",
    }
    return say[unit](value)


def _between(ends: tuple[float, float]) -> str:
    low, high = (span_words(end, 60.0) for end in ends)
    return low if low == high else f"{low} to {high}"
