"""Runs put together by piece: which pieces last as long as needed, which do not, which cannot be told."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analysis.report.digest import Digest, digest_of
from analysis.report.run_table import Line, by_lasting
from analysis.report.same_piece import Together, newest_first, piece_of, runs_in, together
from analysis.say.words import count_words, plain_text, span_words

_NAMED: Final = 4
SEVERAL_SHOWN: Final = 3
# The verdict in a word (analysis.run.verdict.Answer) and what is said of the pieces it holds for.
_SAID: Final = {
    "yes": "Last as needed",
    "no": "Do not last as needed",
    "too close to call": "Too close to call",
    "not shown": "Not shown yet",
}


@dataclass(frozen=True)
class Piece:
    """A piece with its runs, the newest first. ``all_runs``: what several of them say together."""

    name: str
    lines: tuple[Line, ...]
    all_runs: Together | None

    @property
    def answer(self) -> str:
        """From all its runs, of a single one its own; empty where nothing was needed."""
        if self.all_runs is None:
            return self.lines[0].answer
        return "" if self.all_runs.answer is None else str(self.all_runs.answer)


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
        first = runs[0]
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


def pieces_answer(lines: Sequence[Line], pieces: Sequence[Piece]) -> str:
    """Which pieces last as needed, which not, which cannot be told; without any need the longest and the shortest."""
    told = []
    for answer, words in _SAID.items():
        names = [piece.name for piece in pieces if piece.answer == answer]
        if names:
            more = len(names) - _NAMED
            told.append(
                f"{words}: {'; '.join(names[:_NAMED])}{f' and {more} more' if more > 0 else ''}."
            )
    if not told:
        return longest_and_shortest(lines)
    unasked = sum(not piece.answer for piece in pieces)
    if unasked:
        told.append(f"No need is known of {count_words(unasked, 'piece')}: add --need 6h.")
    return " ".join(told)


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
    return plain_text(line.description.title) or line.name


def _longer_name(piece: Piece) -> str:
    first = piece.lines[0]
    pack = (
        "" if first.description.pack is None else f" on {plain_text(str(first.description.pack))}"
    )
    return f"{piece.name}{pack}" if len(piece.lines) > 1 else f"{piece.name} ({first.name})"
