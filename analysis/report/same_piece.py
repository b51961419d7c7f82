"""Several runs of the same piece on the same kind of pack: the verdict from all of them, with their spread."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any, Final

from analysis.report.digest import description_of, digest_of
from analysis.run.verdict import Usual
from analysis.say.words import count_words, span_words
from logger.base.errors import BenchError
from logger.run.description import Description
from logger.run.format import DESCRIPTION_NAME

MOST_RUNS: Final = 12
_COVERAGE: Final = 0.9


@dataclass(frozen=True)
class Lasted:
    """How long one run of the piece lasted, s; ``ended``: it gave up by itself, else at least so long."""

    folder: Path
    lasted_s: float
    ended: bool


def earlier_runs(folder: Path, description: Description) -> list[Lasted]:
    """Ended runs beside this one of a piece of the same title on the same kind of pack, this one left out."""
    title, pack = description.title.strip(), description.pack
    if not title or pack is None:
        return []
    own = folder.resolve()
    found: list[Lasted] = []
    for other in sorted(own.parent.iterdir() if own.parent.is_dir() else (), reverse=True):
        if other == own or not (other / DESCRIPTION_NAME).is_file() or len(found) >= MOST_RUNS:
            continue
        known = description_of(other)
        if known.state != "ended" or known.title.strip() != title or str(known.pack) != str(pack):
            continue
        lasted = lasted_of(other)
        if lasted is not None:
            found.append(lasted)
    return found


def lasted_of(folder: Path) -> Lasted | None:
    """One run's lifetime by its digest; None where it has none."""
    try:
        return lasted_in(folder, digest_of(folder).results)
    except BenchError:
        return None


def lasted_in(folder: Path, results: Mapping[str, Any]) -> Lasted | None:
    """The same from results that are at hand, as a digest has them."""
    life = results.get("lifetime")
    if not isinstance(life, dict):
        return None
    if life.get("value") is not None:
        return Lasted(folder, float(life["value"]), life.get("end") != "switched off")
    lower = life.get("lower")
    return None if lower is None else Lasted(folder, float(lower), False)


def together_words(runs: Sequence[Lasted], need_s: float | None) -> str:
    """The verdict from all runs of a piece; empty for fewer than two.

    The range for the next run is a prediction interval of a normal sample, mean ± t s sqrt(1 + 1/n)
    (Student's t with n - 1 degrees of freedom), and is given where all ended.
    """
    if len(runs) < 2:
        return ""
    times = [run.lasted_s for run in runs]
    span = f"{span_words(min(times), 60.0)} to {span_words(max(times), 60.0)}"
    told = f"All {count_words(len(runs), 'run')} of this piece on such packs: {span}"
    if not all(run.ended for run in runs):
        told += " (some had not ended)"
    ends = _next_s(times) if all(run.ended for run in runs) else None
    if ends is not None:
        told += (
            f"; the next lasts {span_words(ends[0], 60.0)} to {span_words(ends[1], 60.0)} (9 in 10)"
        )
    if need_s is None:
        return f"{told}."
    kept = sum(time_s >= need_s for time_s in times)
    if ends is not None and ends[0] >= need_s:
        return f"{told}: yes, for the next one as well."
    if ends is not None and ends[1] < need_s:
        return f"{told}: no."
    return f"{told}: {kept} of {len(runs)} lasted the {span_words(need_s)}; for the next one it is too close to call."


def _next_s(times: Sequence[float]) -> tuple[float, float] | None:
    from scipy.stats import t

    count = len(times)
    mean = math.fsum(times) / count
    spread = math.sqrt(math.fsum((x - mean) ** 2 for x in times) / (count - 1))
    half = float(t.ppf(0.5 + _COVERAGE / 2, count - 1)) * spread * math.sqrt(1 + 1 / count)
    return max(mean - half, 0.0), mean + half


def usual_of(runs: Sequence[Lasted]) -> Usual | None:
    """What earlier runs say while a forecast knows nothing yet; None without any."""
    ended = [run.lasted_s for run in runs if run.ended]
    if not ended:
        return None
    if len(ended) == 1:
        words = f"An earlier run of this piece lasted {span_words(ended[0], 60.0)}"
        return Usual(ended[0], "by an earlier run", words)
    span = f"{span_words(min(ended), 60.0)} to {span_words(max(ended), 60.0)}"
    return Usual(median(ended), "by earlier runs", f"Earlier runs of this piece lasted {span}")
