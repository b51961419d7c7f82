"""Several runs of the same piece on the same kind of pack: the verdict from all of them, with their spread.

Every screen asks ``together``, so all say the same. Runs are of one piece when they lie beside each
other, have the same title, name the same pack, are all recorded or all simulated, and go by the same cutoff.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Final

from analysis.doubt.quantity import Quantity
from analysis.report.digest import Digest, description_of, digest_of
from analysis.run.asked import own_cutoff
from analysis.run.ending.ends import End, Lifetime
from analysis.run.verdict import Usual
from analysis.say.table import interval_words
from analysis.say.words import count_words, span_words
from logger.base.errors import BenchError
from logger.run.description import Description
from logger.run.format import DESCRIPTION_NAME

# Imported where it is needed: a single run is shown without it, at once.
if TYPE_CHECKING:
    from analysis.run.verdict import Answer

MOST_RUNS: Final = 12
# Gives a run's digest for a cutoff and a hold, None: its own.
Look = Callable[[Path, float | None, float | None], Digest]
COVERAGE: Final = 0.9
_NOT_ALL_ENDED: Final = "not every run was recorded to its end"


@dataclass(frozen=True)
class Lasted:
    """How long one run of the piece lasted, s; ``ended``: it gave up by itself, else at least so long.

    ``doubt_s``: half of its interval.
    """

    folder: Path
    lasted_s: float
    ended: bool
    doubt_s: float = 0.0


@dataclass(frozen=True)
class Together:
    """All runs of a piece. ``next_time``: s, in which the next one lies at ``COVERAGE``; no value where not
    all ended. ``answer``: None where nothing was needed. ``words``: all of it in a sentence or two."""

    runs: tuple[Lasted, ...]
    need_s: float | None
    next_time: Quantity
    answer: "Answer | None"
    words: str

    @property
    def span(self) -> str:
        """From the shortest to the longest, in words."""
        return _span([run.lasted_s for run in self.runs])

    def as_json(self) -> dict[str, Any]:
        """Plain object; times as quantities."""
        return {
            "runs": [
                {
                    "run": run.folder.resolve().name,
                    "lasted": Quantity(run.lasted_s if run.ended else None, "s", None if run.ended else run.lasted_s).as_json(),
                }
                for run in self.runs
            ],
            "need": Quantity(self.need_s, "s").as_json(),
            "next": self.next_time.as_json(),
            "answer": None if self.answer is None else str(self.answer),
            "words": self.words,
        }  # fmt: skip


def together(
    folder: Path,
    description: Description,
    results: Mapping[str, Any],
    need_s: float | None = None,
    *,
    beside: Sequence[tuple[Path, Description]] | None = None,
    look: Look = digest_of,
) -> Together | None:
    """What all runs of this piece say, this one among them; None for a single one.

    ``results``: this run's, as a digest or ``Rundown.as_json`` has them; the others are held to the same
    cutoff. ``need_s``: None: the verdict's in ``results``, else the run's own. ``beside``: the other runs
    where they are known already, the newest first. ``look``: gives their digests.
    """
    own = lasted_in(folder, results)
    others = sorted_runs(folder, description) if beside is None else _once(beside, description)
    if own is None or not others:
        return None
    cutoff_v, hold_s = _number(results, "cutoff_voltage"), _number(results, "hold")
    asked: tuple[float | None, float | None] = (cutoff_v, hold_s)
    if asked == own_cutoff(description.asked):
        asked = (None, None)
    found: list[Lasted] = []
    for other, _ in sorted([*others, (folder, description)], key=newest_first, reverse=True):
        lasted = own if other is folder else _lasted_to(other, *asked, cutoff_v, look)
        found += [] if lasted is None else [lasted]
        if len(found) == MOST_RUNS:
            break
    if need_s is None:
        need_s = _number(results, "verdict")
    return together_of(found, description.need_s if need_s is None else need_s)


def together_at(place: Path, kept: Digest, need_s: float | None = None) -> Together | None:
    """``together`` for a run that was named by its folder or by its samples, from its digest."""
    folder = place.parent if place.is_file() else place
    return together(folder, description_of(folder), kept.results, need_s)


def together_in(
    folder: Path, description: Description, need_s: float | None, cutoff_v: float, hold_s: float
) -> Together | None:
    """The same for a run whose digest nobody has asked for yet; it is made only where there are other runs."""
    others = sorted_runs(folder, description)
    if not others:
        return None
    own = (cutoff_v, hold_s) == own_cutoff(description.asked)
    try:
        digest = digest_of(folder) if own else digest_of(folder, cutoff_v, hold_s)
    except BenchError:
        return None
    return together(folder, description, digest.results, need_s, beside=others)


def made_from(source: dict[str, Any] | None, piece: Together | None) -> dict[str, Any] | None:
    """What a page of one run is made from, the other runs of the piece included."""
    return (
        None if source is None else {**source, "same_piece": "" if piece is None else piece.words}
    )


def sorted_runs(folder: Path, description: Description) -> list[tuple[Path, Description]]:
    """Ended runs of the piece beside this one, the newest first, this one and copies left out."""
    title, pack = description.title.strip(), description.pack
    if not title or pack is None:
        return []
    own = folder.resolve()
    named = runs_in(own.parent).get(piece_of(description), [])
    return _once([(other, known) for other, known in named if other != own], description)


def _once(
    runs: Sequence[tuple[Path, Description]], own: Description
) -> list[tuple[Path, Description]]:
    """Each recording once, and none that is this one's: a folder kept twice is no second run of the piece."""
    kept: list[tuple[Path, Description]] = []
    for folder, known in runs:
        if not any(known.same_recording(other) for other in (own, *(told for _, told in kept))):
            kept.append((folder, known))
    return kept


def runs_in(parent: Path) -> dict[tuple[str, str, bool], list[tuple[Path, Description]]]:
    """Ended runs in a folder by their piece, the newest first; those without title or pack are no piece's."""
    found: dict[tuple[str, str, bool], list[tuple[Path, Description]]] = {}
    for folder in parent.iterdir() if parent.is_dir() else ():
        if not (folder / DESCRIPTION_NAME).is_file():
            continue
        known = description_of(folder)
        if known.state == "ended" and known.title.strip() and known.pack is not None:
            found.setdefault(piece_of(known), []).append((folder, known))
    return {piece: sorted(runs, key=newest_first, reverse=True) for piece, runs in found.items()}


def earlier_runs(folder: Path, description: Description) -> list[Lasted]:
    """How long the newest ended runs of the piece beside this one lasted, this one left out."""
    wanted_v, newest = description.asked.cutoff_v, sorted_runs(folder, description)[:MOST_RUNS]
    found = [_lasted_to(other, None, None, wanted_v, digest_of) for other, _ in newest]
    return [lasted for lasted in found if lasted is not None]


def lasted_in(folder: Path, results: Mapping[str, Any]) -> Lasted | None:
    """One run's lifetime from results as a digest has them; None where it has none."""
    document = results.get("lifetime")
    if not isinstance(document, dict):
        return None
    life = Lifetime.from_json(document, 0.0)
    time = life.time
    if time.at_least:
        return None if time.value is None else Lasted(folder, time.value, False)
    if time.value is not None:
        ends = [end for end in (time.lower, time.upper) if end is not None]
        doubt_s = max((abs(end - time.value) for end in ends), default=0.0)
        return Lasted(folder, time.value, life.end is not End.OFF, doubt_s)
    return None if time.lower is None else Lasted(folder, time.lower, False)


def together_of(runs: Sequence[Lasted], need_s: float | None) -> Together | None:
    """The verdict from these runs of a piece; None for fewer than two.

    The range for the next run is a prediction interval of a normal sample, mean ± t s sqrt(1 + 1/n)
    (Student's t with n - 1 degrees of freedom), and is given where all ended.
    """
    if len(runs) < 2:
        return None
    from analysis.run.verdict import Answer

    times = [run.lasted_s for run in runs]
    told = f"{count_words(len(runs), 'run')} of this piece on such packs lasted {_span(times)}"
    going = sum(not run.ended for run in runs)
    following = Quantity(None, "s", note=_NOT_ALL_ENDED) if going else next_time(runs)
    if going:
        told += f", {going} of them not to the end"
    else:
        told += f"; the next {interval_words(following)} (9 in 10)"
    answer = None if need_s is None else _answer(following, need_s)
    if need_s is not None:
        kept = sum(time_s >= need_s for time_s in times)
        how = "" if answer in (Answer.YES, Answer.NO) else f"{kept} of {len(runs)} lasted so long, "
        told += f". Needed {span_words(need_s)}: {how}{answer}"
        told += "" if not how else " for the next"
    return Together(tuple(runs), need_s, following, answer, f"{told}.")


def next_time(runs: Sequence[Lasted]) -> Quantity:
    """Mean of a normal sample, with the interval for one more of its kind, s.

    The runs' own doubt, most of it one sensor's and so the same in all, is added in quadrature.
    """
    from scipy.stats import t

    count, times_s = len(runs), [run.lasted_s for run in runs]
    mean = math.fsum(times_s) / count
    spread = math.sqrt(math.fsum((x - mean) ** 2 for x in times_s) / (count - 1))
    half = float(t.ppf(0.5 + COVERAGE / 2, count - 1)) * spread * math.sqrt(1 + 1 / count)
    half = math.hypot(half, max(run.doubt_s for run in runs))
    return Quantity(mean, "s", max(mean - half, 0.0), mean + half, COVERAGE)


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


def _span(times_s: Sequence[float]) -> str:
    ends = [span_words(time_s, 60.0) for time_s in (min(times_s), max(times_s))]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _answer(following: Quantity, need_s: float) -> "Answer":
    from analysis.run.verdict import Answer

    if following.lower is None or following.upper is None:
        return Answer.OPEN
    if following.lower >= need_s:
        return Answer.YES
    return Answer.NO if following.upper < need_s else Answer.CLOSE


def piece_of(description: Description) -> tuple[str, str, bool]:
    """What makes runs one piece's: title, pack, and whether a simulated board recorded it."""
    return description.title.strip(), str(description.pack), description.simulated


def newest_first(run: tuple[Path, Description]) -> tuple[str, str]:
    return run[1].started_utc, run[0].resolve().name


def _lasted_to(
    folder: Path, cutoff_v: float | None, hold_s: float | None, wanted_v: float | None, look: Look
) -> Lasted | None:
    """A run's lifetime by its digest; None where it has none, or went by another cutoff than ``wanted_v``."""
    try:
        digest = look(folder, cutoff_v, hold_s)
    except BenchError:
        return None
    fits = digest.number("cutoff_voltage") == wanted_v
    return lasted_in(folder, digest.results) if fits else None


def _number(results: Mapping[str, Any], name: str) -> float | None:
    found = results.get(name)
    return found.get("value") if isinstance(found, dict) else None
