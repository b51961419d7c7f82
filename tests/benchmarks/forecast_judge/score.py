"""Figures by group of what was forecast, with their standard errors, and the rivals beside them.

Errors and widths are shares of the true remaining life. A forecast without a finite interval is a
refusal. Moments before `settled_s` (a change that nobody could foresee was still to come) are left
out of every figure and counted apart.

Standard errors: binomial sqrt(p (1 - p) / n), and beside it the one that allows for moments of one
recording agreeing with each other (Liang & Zeger 1986, clusters = `record`):
sqrt(G/(G-1) sum over clusters of (sum of (x - p))^2) / n.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .rivals import RIVALS
from .rundown import Floats, Rundown, Seen, seen_until

LEVEL = 0.90
ALPHA = 0.10
FRACTIONS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
ERRORS_AT = (0.3, 0.5, 0.7)
# Goals of the issue.
HOLDS = (0.85, 0.95)
AT_LEAST_HOLDS = 0.88
RIVAL_FACTOR = 1.1
REFUSED_LATE = 0.25


@dataclass(frozen=True)
class Forecast:
    """Remaining time in s from the moment of the forecast: 90 % interval, median, bound.

    None: not said. `at_least_s` may be said without an interval.
    """

    low_s: float | None = None
    median_s: float | None = None
    high_s: float | None = None
    at_least_s: float | None = None

    @property
    def refused(self) -> bool:
        """No interval, or one without a finite end."""
        return (
            self.low_s is None
            or self.high_s is None
            or not np.isfinite(self.low_s)
            or not np.isfinite(self.high_s)
        )


@dataclass(frozen=True)
class Judged:
    """One forecast beside the truth; `rivals` as remaining s."""

    rundown: str
    record: str
    group: str
    fraction: float
    foreseeable: bool
    regulated: bool
    true_s: float
    forecast: Forecast
    rivals: Mapping[str, float | None]

    @property
    def holds(self) -> bool | None:
        """Whether the interval, ends included, holds the truth; None for a refusal."""
        low_s, high_s = self.forecast.low_s, self.forecast.high_s
        if self.forecast.refused or low_s is None or high_s is None:
            return None
        return low_s <= self.true_s <= high_s

    @property
    def width(self) -> float | None:
        """Width of the interval over the true remaining life."""
        low_s, high_s = self.forecast.low_s, self.forecast.high_s
        if self.forecast.refused or low_s is None or high_s is None:
            return None
        return (high_s - low_s) / self.true_s

    @property
    def interval_score(self) -> float | None:
        """Width + 2/(1 - level) times the miss, over the remaining life (Gneiting & Raftery 2007).

        Least for the true 5 % and 95 % points: neither too wide nor too narrow an interval pays.
        """
        low_s, high_s = self.forecast.low_s, self.forecast.high_s
        if self.forecast.refused or low_s is None or high_s is None:
            return None
        miss_s = max(low_s - self.true_s, self.true_s - high_s, 0.0)
        return (high_s - low_s + 2 / (1 - LEVEL) * miss_s) / self.true_s

    @property
    def at_least_holds(self) -> bool | None:
        """Whether at least that much was left; None where no bound above 0 was said."""
        bound_s = self.forecast.at_least_s
        return None if bound_s is None or bound_s <= 0 else self.true_s >= bound_s

    def error(self, of: str | None = None) -> float | None:
        """|said - true| / true of the median, or of the rival named; None where it says nothing."""
        said_s = self.forecast.median_s if of is None else self.rivals[of]
        if said_s is None or not np.isfinite(said_s):
            return None
        return abs(said_s - self.true_s) / self.true_s


@dataclass(frozen=True)
class Figure:
    """A figure over `count` values, with its standard errors; NaN where there is none."""

    value: float
    se: float
    se_clustered: float
    count: int


@dataclass(frozen=True)
class GroupScore:
    """The table's row of a group; see the module for what the figures are shares of.

    `rival_half_same`: the rivals' median error at half-life where the forecast named a median too:
    who refuses the hard ones is not compared with rivals that had to answer them.
    """

    group: str
    rundowns: int
    judged: int
    unforeseeable: int
    regulated: bool
    holds: Figure
    error: Mapping[float, Figure]
    alpha_lambda: Figure
    width: Figure
    median_width: float
    interval_score: Figure
    refused: Figure
    refused_late: Figure
    at_least_holds: Figure
    at_least_said: Figure
    at_least_share: float
    rival_error: Mapping[str, Mapping[float, Figure]]
    rival_alpha_lambda: Mapping[str, Figure]
    rival_half_same: Mapping[str, Figure]


Forecaster = Callable[[Seen], Forecast]


def judge(
    rundowns: Iterable[Rundown],
    forecaster: Forecaster,
    fractions: Sequence[float] = FRACTIONS,
    earlier: Mapping[str, tuple[Rundown, ...]] | None = None,
) -> list[Judged]:
    """Ask the forecaster at each fraction of each rundown's life, in the order of time.

    It gets only the rows up to then. `earlier`: own past runs by the rundown's name.
    """
    judged = []
    for rundown in rundowns:
        past = (earlier or {}).get(rundown.name, ())
        for fraction in sorted(fractions):
            at_s = rundown.moment_s(fraction)
            seen = seen_until(rundown, at_s, past)
            rivals = {name: rival(seen) for name, rival in RIVALS.items()}
            judged.append(
                Judged(
                    rundown=rundown.name,
                    record=rundown.record or rundown.name,
                    group=rundown.group,
                    fraction=fraction,
                    foreseeable=at_s >= rundown.settled_s,
                    regulated=rundown.regulated,
                    true_s=rundown.end_s - at_s,
                    forecast=forecaster(seen),
                    rivals=rivals,
                )
            )
    return judged


def mean_figure(values: Sequence[float], clusters: Sequence[str]) -> Figure:
    """Mean, its standard error as if independent (binomial for 0 and 1), and the clustered one."""
    count = len(values)
    if count == 0:
        return Figure(float("nan"), float("nan"), float("nan"), 0)
    array = np.array(values, dtype=float)
    mean = float(array.mean())
    se = float(array.std() / np.sqrt(count))
    _, which = np.unique(np.array(clusters), return_inverse=True)
    sums = np.bincount(which, weights=array - mean)
    groups = len(sums)
    if groups < 2:
        return Figure(mean, se, float("nan"), count)
    clustered = float(np.sqrt(groups / (groups - 1) * np.sum(sums**2)) / count)
    return Figure(mean, se, clustered, count)


def median_figure(values: Sequence[float]) -> Figure:
    """Median with half the distance of the order statistics n/2 -+ sqrt(n)/2 (one binomial SE).

    At one fraction a rundown gives one value; cuts of one recording still agree: no clustered one.
    """
    count = len(values)
    if count == 0:
        return Figure(float("nan"), float("nan"), float("nan"), 0)
    ordered: Floats = np.sort(np.array(values, dtype=float))
    half = np.sqrt(count) / 2
    low = ordered[max(int(np.floor(count / 2 - half)), 0)]
    high = ordered[min(int(np.ceil(count / 2 + half)), count - 1)]
    return Figure(float(np.median(ordered)), float(high - low) / 2, float("nan"), count)


def _share(judged: Sequence[Judged], what: Callable[[Judged], float | bool | None]) -> Figure:
    pairs = [(what(j), j.record) for j in judged]
    said = [(float(value), record) for value, record in pairs if value is not None]
    return mean_figure([value for value, _ in said], [record for _, record in said])


def _errors(judged: Sequence[Judged], of: str | None) -> dict[float, Figure]:
    table = {}
    for fraction in ERRORS_AT:
        errors = [j.error(of) for j in judged if abs(j.fraction - fraction) < 1e-9]
        table[fraction] = median_figure([e for e in errors if e is not None])
    return table


def _within(of: str | None) -> Callable[[Judged], bool]:
    """Within alpha of the truth (Saxena et al. 2008); what says nothing is not within."""

    def within(judged: Judged) -> bool:
        error = judged.error(of)
        return error is not None and error <= ALPHA

    return within


def score(judged: Sequence[Judged], group: str) -> GroupScore:
    """The row of one group; `judged` holds at least one forecast of it."""
    mine = [j for j in judged if j.group == group]
    if not mine:
        raise ValueError(f"no forecast of group {group!r}")
    kept = [j for j in mine if j.foreseeable]
    late = [j for j in kept if j.fraction >= 0.5 - 1e-9]
    said = [j for j in kept if j.error() is not None]
    widths = [j.width for j in kept if j.width is not None]
    bounds = [j.forecast.at_least_s / j.true_s for j in kept if j.forecast.at_least_s is not None]
    return GroupScore(
        group=group,
        rundowns=len({j.rundown for j in mine}),
        judged=len(kept),
        unforeseeable=len(mine) - len(kept),
        regulated=all(j.regulated for j in mine),
        holds=_share(kept, lambda j: j.holds),
        error=_errors(kept, None),
        alpha_lambda=_share(kept, _within(None)),
        width=_share(kept, lambda j: j.width),
        median_width=float(np.median(widths)) if widths else float("nan"),
        interval_score=_share(kept, lambda j: j.interval_score),
        refused=_share(kept, lambda j: j.forecast.refused),
        refused_late=_share(late, lambda j: j.forecast.refused),
        at_least_holds=_share(kept, lambda j: j.at_least_holds),
        at_least_said=_share(kept, lambda j: j.at_least_holds is not None),
        at_least_share=float(np.median(bounds)) if bounds else float("nan"),
        rival_error={name: _errors(kept, name) for name in RIVALS},
        rival_alpha_lambda={name: _share(kept, _within(name)) for name in RIVALS},
        rival_half_same={name: _errors(said, name)[0.5] for name in RIVALS},
    )


def scores(judged: Sequence[Judged]) -> list[GroupScore]:
    """One row per group, in the order of their first appearance."""
    return [score(judged, group) for group in dict.fromkeys(j.group for j in judged)]


def short_of(row: GroupScore) -> list[str]:
    """Which goals of the issue this group misses, in words; empty where it meets them all.

    A figure that does not exist misses its goal. A regulated group is excepted from the share of
    refusals, and without any forecast from all but the bound.
    """
    missed = []
    silent = row.regulated and row.holds.count == 0
    if not silent and not HOLDS[0] <= row.holds.value <= HOLDS[1]:
        missed.append(f"90 % interval holds {row.holds.value:.1%}, not 85 to 95 %")
    if not row.at_least_holds.value >= AT_LEAST_HOLDS:
        missed.append(f"'at least' holds {row.at_least_holds.value:.1%}, not 88 % or more")
    best = min(
        (figure.value for figure in row.rival_half_same.values() if figure.count),
        default=float("inf"),
    )
    if not silent and not row.error[0.5].value <= RIVAL_FACTOR * best:
        missed.append(
            f"median error at half-life {row.error[0.5].value:.1%}, best rival's {best:.1%}"
        )
    if not row.regulated and not row.refused_late.value < REFUSED_LATE:
        missed.append(f"refuses {row.refused_late.value:.1%} after half the life")
    return missed


def percent(figure: Figure, decimals: int = 1) -> str:
    """In %, ± the larger of its two standard errors; "-" where nothing was counted."""
    if figure.count == 0:
        return "-"
    errors = [se for se in (figure.se, figure.se_clustered) if np.isfinite(se)]
    return f"{100 * figure.value:.{decimals}f} ± {100 * max(errors):.{decimals}f}"


def table(rows: Sequence[GroupScore]) -> str:
    """Markdown; all in %, ± the larger of the two standard errors."""
    names = list(RIVALS)
    head = ["group", "runs", "moments", "holds", *(f"error at {f:.0%}" for f in ERRORS_AT)]
    head += ["alpha-lambda 10 %", "mean width", "median width", "interval score", "refused"]
    head += ["refused late", "at least holds", "said", "of the truth"]
    head += [f"{name}, error at {f:.0%}" for name in names for f in ERRORS_AT]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in rows:
        cells = [row.group, str(row.rundowns), str(row.judged), percent(row.holds)]
        cells += [percent(row.error[f]) for f in ERRORS_AT]
        cells += [percent(row.alpha_lambda), percent(row.width), f"{100 * row.median_width:.1f}"]
        cells += [percent(row.interval_score), percent(row.refused), percent(row.refused_late)]
        cells += [percent(row.at_least_holds), percent(row.at_least_said)]
        cells += [f"{100 * row.at_least_share:.0f}"]
        cells += [percent(row.rival_error[name][f]) for name in names for f in ERRORS_AT]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)
