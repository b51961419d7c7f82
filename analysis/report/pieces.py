"""Runs put together by piece: which pieces last as long as needed, which do not, which cannot be told."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analysis.report.digest import Digest, digest_of
from analysis.report.run_table import Line, by_lasting
from analysis.report.same_piece import Together, newest_first, piece_of, runs_in, together
from analysis.report.trouble import CANNOT_BE_TOLD, Trouble, trouble_of
from analysis.say.words import count_words, plain_text, span_words
from logger.base.durations import duration_text

_NAMED: Final = 4
SEVERAL_SHOWN: Final = 3
_NAME_SIGNS: Final = 70
# Where only few are named: the good news first, as the eye looks for it.
_TO_NAME: Final = (Trouble.FAILS, Trouble.DAMAGED, *CANNOT_BE_TOLD)
_SAID: Final = (Trouble.LASTS, *_TO_NAME)


@dataclass(frozen=True)
class Piece:
    """A piece with its runs, the newest first. ``all_runs``: what several of them say together."""

    name: str
    lines: tuple[Line, ...]
    all_runs: Together | None

    @property
    def first(self) -> Line:
        """The newest run that can be read; the newest where none can."""
        return _first(self.lines)

    @property
    def answer(self) -> str:
        """From all its runs, of a single one its own; empty where nothing was needed."""
        if self.all_runs is None:
            return self.first.answer
        return "" if self.all_runs.answer is None else str(self.all_runs.answer)

    @property
    def need_s(self) -> float | None:
        """How long it must last."""
        return self.first.need_s if self.all_runs is None else self.all_runs.need_s

    @property
    def trouble(self) -> Trouble:
        """In which heap it lies."""
        return trouble_of(
            self.answer,
            self.first.end,
            readable=self.first.digest is not None,
            damaged=any(line.damage for line in self.lines),
        )

    @property
    def shortage_s(self) -> float:
        """By how much it falls short of its need, s; below 0: to spare; 0 where that is not known."""
        lasted = self.first.lasted_s
        if self.all_runs is not None and self.all_runs.next_time.value is not None:
            lasted = self.all_runs.next_time.value
        return 0.0 if lasted is None or self.need_s is None else self.need_s - lasted

    @property
    def problems(self) -> list[str]:
        """Its runs that cannot be read, each with what is wrong."""
        return [f"{line.name} {line.problem}" for line in self.lines if line.problem]


def by_trouble(pieces: Sequence[Piece]) -> list[Piece]:
    """Who needs a look first, stands first; within a heap by what is missing."""
    return sorted(
        pieces, key=lambda piece: (piece.trouble, -round(piece.shortage_s / 60), piece.name)
    )


def _first(lines: Sequence[Line]) -> Line:
    return next((line for line in lines if line.digest is not None), lines[0])


def pieces_of(lines: Sequence[Line]) -> list[Piece]:
    """The pieces of these runs; runs that are not listed but lie beside them count as everywhere else."""
    groups: dict[tuple[object, ...], list[Line]] = {}
    for line in lines:
        own = line.folder.resolve()
        known = line.description
        named = known.title.strip() and known.pack is not None
        key = (own.parent, *piece_of(known)) if named else (own,)
        groups.setdefault(key, []).append(line)
    digests = {line.folder.resolve(): line.digest for line in lines}

    def look(folder: Path, cutoff_v: float | None, hold_s: float | None) -> Digest:
        return digests.get(folder) or digest_of(folder, cutoff_v, hold_s)

    beside = {
        parent: runs_in(parent) for parent in {line.folder.resolve().parent for line in lines}
    }
    pieces = []
    for group in groups.values():
        runs = sorted(
            group, key=lambda line: newest_first((line.folder, line.description)), reverse=True
        )
        first = _first(runs)
        own = first.folder.resolve()
        others = [
            item
            for item in beside[own.parent].get(piece_of(first.description), [])
            if item[0] != own
        ]
        found = None
        if first.digest is not None:
            found = together(
                first.folder,
                first.description,
                first.digest.results,
                first.asked_s,
                beside=others,
                look=look,
            )
        pieces.append(Piece(_name(first), tuple(runs), found))
    names = Counter(piece.name for piece in pieces)
    return [
        piece if names[piece.name] == 1 else Piece(_longer_name(piece), piece.lines, piece.all_runs)
        for piece in pieces
    ]


def several_words(pieces: Sequence[Piece]) -> list[str]:
    """What several runs of one piece say together, a sentence for each such piece."""
    return [
        f"{piece.name}: {piece.all_runs.words}" for piece in pieces if piece.all_runs is not None
    ]


def pieces_answer(lines: Sequence[Line], pieces: Sequence[Piece], *, short: bool = False) -> str:
    """Which pieces last as needed, which not, which cannot be told; without any need the longest and the shortest.

    ``short``: of many pieces only how many; who, stands below.
    """
    heaps: dict[Trouble, list[str]] = {}
    for piece in by_trouble(pieces):
        heaps.setdefault(piece.trouble, []).append(piece.name)
    unread = heaps.get(Trouble.UNREADABLE, [])
    if not any(piece.answer for piece in pieces):
        more = f" {_named(Trouble.UNREADABLE, unread)}" if unread else ""
        return longest_and_shortest(lines) + more
    if len(pieces) <= _NAMED:
        told = [_named(heap, heaps[heap]) for heap in _SAID if heap in heaps]
    else:
        told = [_counted(heaps, len(pieces))]
        told += (
            []
            if short
            else [
                _named(heap, heaps[heap]) for heap in Trouble if heap in heaps and heap in _TO_NAME
            ]
        )
    unasked = sum(len(heaps.get(heap, ())) for heap in (Trouble.NO_NEED, Trouble.GAVE_UP))
    if unasked:
        known = Counter(piece.need_s for piece in pieces if piece.need_s)
        usual = _typed(known.most_common(1)[0][0] or 0.0) if known else "6h"
        add = "" if short else f": add --need {usual}"
        told.append(f"No need is known of {count_words(unasked, 'piece')}{add}.")
    return " ".join(told)


def _typed(need_s: float) -> str:
    """As one types it: ``7h30``."""
    hours, minutes = divmod(round(need_s / 60), 60)
    return f"{hours}h{minutes:02d}" if hours and minutes else duration_text(need_s)


def _named(heap: Trouble, names: Sequence[str]) -> str:
    more = len(names) - _NAMED
    return f"{heap.words}: {'; '.join(names[:_NAMED])}{f' and {more} more' if more > 0 else ''}."


def _counted(heaps: Mapping[Trouble, Sequence[str]], count: int) -> str:
    """``21 of 30 pieces last as needed; 5 do not; 4 cannot be told.``"""
    last, fail, open_ = (
        sum(len(heaps.get(heap, ())) for heap in some)
        for some in ((Trouble.LASTS,), (Trouble.FAILS,), CANNOT_BE_TOLD)
    )
    parts = [f"{last} of {count} pieces {'lasts' if last == 1 else 'last'} as needed"]
    if last == count:
        return f"All {count} pieces last as needed."
    if fail:
        parts.append(f"{fail} {'does' if fail == 1 else 'do'} not")
    if open_:
        parts.append(f"{open_} cannot be told")
    if damaged := len(heaps.get(Trouble.DAMAGED, ())):
        parts.append(f"{damaged} {'is' if damaged == 1 else 'are'} damaged or changed")
    return "; ".join(parts) + "."


def longest_and_shortest(lines: Sequence[Line]) -> str:
    """Longest and shortest until the piece gave up, in a sentence."""
    ranked = [line for line in by_lasting(lines) if line.reached]
    if len(ranked) < 2:
        return f"{count_words(len(ranked), 'run')} of {len(lines)} reached the end."
    best, worst = ranked[0], ranked[-1]
    cutoffs = {line.value("cutoff_v") for line in ranked}
    differ = " Their cutoffs differ, so this compares unlike things." if len(cutoffs) > 1 else ""
    return (
        f"Lasted longest: {full_name(best)}, {span_words(best.lasted_s or 0, 60.0)}. "
        f"Shortest: {full_name(worst)}, {span_words(worst.lasted_s or 0, 60.0)}.{differ}"
    )


def full_name(line: Line) -> str:
    """Title and the run's own name."""
    title = plain_text(line.description.title)
    return f"{title} ({line.name})" if title else line.name


def _name(line: Line) -> str:
    name = plain_text(line.description.title) or line.name
    return name if len(name) <= _NAME_SIGNS else f"{name[: _NAME_SIGNS - 1]}…"


def _longer_name(piece: Piece) -> str:
    first = piece.first
    pack = (
        "" if first.description.pack is None else f" on {plain_text(str(first.description.pack))}"
    )
    return f"{piece.name}{pack}" if len(piece.lines) > 1 else f"{piece.name} ({first.name})"
