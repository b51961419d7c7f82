"""Scores of forecasts against rundowns whose end is known, and the two simple rivals."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.forecast import LiveForecast
from tests.benchmarks.rundowns import Rundown

MOMENTS: Final = (0.25, 0.50, 0.75)


@dataclass(frozen=True)
class Score:
    """One forecast at one moment, relative to the true life."""

    chemistry: str
    source: str
    load: str
    moment: float
    error: float
    line_error: float
    rated_error: float
    held_50: bool
    held_90: bool
    rank: float
    width_90: float


def straight_line_s(run: Rundown, now_s: float) -> float:
    """Straight line through voltage against time so far (first tenth left out), on to the cutoff."""
    seen = (run.time_s <= now_s) & (run.time_s > 0.1 * now_s)
    slope, level = np.polyfit(run.time_s[seen], run.pack_v[seen], 1)
    if slope >= 0:
        return 10 * now_s
    return float(np.clip((run.cutoff_v - level) / slope, now_s, 10 * now_s))


def rated_over_mean_s(run: Rundown, now_s: float) -> float:
    """Rated capacity over mean current so far."""
    mean_ma = run.current_ma[run.time_s <= now_s].mean()
    return float(max(run.rated_mah / mean_ma * 3600, now_s))


def score(run: Rundown, used: bool = False) -> Iterable[Score]:
    live = LiveForecast(replace(run.pack, used=used), run.cutoff_v, run.hold_s)
    begin = 0
    for moment in MOMENTS:
        end = int(np.searchsorted(run.time_s, moment * run.life_s, side="right"))
        live.add(run.time_s[begin:end], run.pack_v[begin:end], run.current_ma[begin:end])
        begin = end
        found = live.now()
        half, most = found.cutoff_time
        now_s = float(run.time_s[end - 1])
        life = run.life_s
        median = found.median_s if found.median_s is not None else np.nan
        yield Score(
            run.chemistry,
            run.source,
            run.load,
            moment,
            (median - life) / life,
            (straight_line_s(run, now_s) - life) / life,
            (rated_over_mean_s(run, now_s) - life) / life,
            half.lower is not None and half.lower <= life <= (half.upper or np.inf),
            most.lower is not None and most.lower <= life <= (most.upper or np.inf),
            float(np.mean(found.draws_s < life)) if len(found.draws_s) else np.nan,
            ((most.upper or np.nan) - (most.lower or np.nan)) / life,
        )


def table(scores: list[Score], key: str = "chemistry") -> str:
    """Plain text: a row per chemistry (or source) and moment."""
    lines = [
        f"{key:16s} at life  runs  |error| median  within 10 %  of what is left  50 % holds  90 % holds  90 % width  | straight line   rated/mean"
    ]
    for name in dict.fromkeys(getattr(item, key) for item in scores):
        for moment in MOMENTS:
            part = [s for s in scores if getattr(s, key) == name and s.moment == moment]
            error = np.abs([s.error for s in part])
            lines.append(
                f"{name:16s} {moment * 100:4.0f} %  {len(part):5d}  {np.median(error) * 100:10.1f} %   {share(error <= 0.1):8.0f} %  {share(error <= 0.1 * (1 - moment)):12.0f} %  "
                f"{share([s.held_50 for s in part]):10.0f} %  {share([s.held_90 for s in part]):9.0f} %  {np.median([s.width_90 for s in part]) * 100:8.0f} %  | "
                f"{np.median(np.abs([s.line_error for s in part])) * 100:8.1f} %  {np.median(np.abs([s.rated_error for s in part])) * 100:8.1f} %"
            )
    return "\n".join(lines)


def share(hits: Iterable[bool] | NDArray[np.bool_]) -> float:
    return 100 * float(np.mean(list(hits)))


def shortfalls(scores: list[Score]) -> list[str]:
    """Where a chemistry misses what was aimed at, in words; small samples stray by 2 to 4 points."""
    told = []
    for name in dict.fromkeys(item.chemistry for item in scores):
        for moment in MOMENTS:
            part = [s for s in scores if s.chemistry == name and s.moment == moment]
            where = f"{name} at {moment * 100:.0f} %"
            error = np.abs([s.error for s in part])
            if moment == 0.5 and np.median(error) > 0.05:
                told.append(f"{where}: median error {np.median(error) * 100:.1f} %, aimed at 5 %")
            if moment == 0.5 and share(error <= 0.1) < 85:
                told.append(f"{where}: {share(error <= 0.1):.0f} % within 10 %, aimed at 85 %")
            for coverage, low, high in ((90, 85, 95), (50, 43, 57)):
                held = share([getattr(s, f"held_{coverage}") for s in part])
                if not low <= held <= high:
                    told.append(
                        f"{where}: the {coverage} % interval held {held:.0f} %, aimed at {low} to {high} %"
                    )
            for rival in ("line", "rated"):
                other = np.median(np.abs([getattr(s, f"{rival}_error") for s in part]))
                if np.median(error) >= other:
                    told.append(f"{where}: no better than {rival} ({other * 100:.1f} %)")
    return told
