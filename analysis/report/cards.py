"""What does the page of a class say of each piece? A card each, heaped by trouble; and a page each to hand out."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import quote

from analysis.report.pieces import Piece, by_trouble
from analysis.report.run_table import shown
from analysis.report.small_picture import LARGE, SMALL, Gallery, Picture
from analysis.report.told import paragraphs_of
from analysis.report.trouble import Trouble
from analysis.run.heat import HOTTEST, heat_caution
from analysis.say.words import count_words, first_clause, plain_text, span_words
from logger.base.next_step import command_line
from logger.base.pack import SAFETY_CLOSING
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME

# Where report and sheet put what they make, if nobody says otherwise.
_MADE: Final = (("report", "report/report.html"), ("sheet", "sheet/run-sheet.pdf"))
_WARNINGS: Final = 3
# Kept for the report: a page to hand out has room for the main results.
_NOT_HANDED_OUT: Final = ("% of the time at or below", "first touch")
_ROWS: Final = 12
_FOLDED_FROM: Final = 60
_ONE_HEAP: Final = 4


@dataclass(frozen=True)
class Link:
    """``address``: as seen from the page. ``run``: which of several. ``old``: the run was changed since."""

    words: str
    run: str
    address: str
    old: bool


@dataclass(frozen=True)
class Card:
    """A piece in words. ``short``: how much is missing; ``problems``: runs that cannot be read, each with what to do."""

    name: str
    anchor: str
    answer: str
    lasted: str
    needed: str
    short: str
    note: str
    problems: tuple[tuple[str, str], ...]
    links: tuple[Link, ...]
    picture: Picture | None
    simulated: bool


@dataclass(frozen=True)
class Heap:
    """Pieces in the same state. ``folded``: too many to be looked through, and all well."""

    title: str
    anchor: str
    cards: tuple[Card, ...]
    folded: bool


@dataclass(frozen=True)
class HandOut:
    """A printed page of one piece. ``told``: below its answer. ``rows``: label, value, interval."""

    card: Card
    answer: str
    told: tuple[str, ...]
    picture: Picture | None
    interval: str
    rows: tuple[tuple[str, ...], ...]
    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]


def heaps_of(pieces: Sequence[Piece], folder: Path, gallery: Gallery) -> list[Heap]:
    """The pieces by trouble, the worst heap first; of a few one heap. ``folder``: where the page will stand."""
    cards: dict[Trouble, list[Card]] = {}
    for number, piece in enumerate(by_trouble(pieces), start=1):
        cards.setdefault(piece.trouble, []).append(_card(piece, number, folder, gallery))
    if len(pieces) <= _ONE_HEAP:
        return [
            Heap(
                "Pieces", "pieces", tuple(card for found in cards.values() for card in found), False
            )
        ]
    return [
        Heap(
            f"{heap.words}: {len(found)}",
            heap.name.lower().replace("_", "-"),
            tuple(found),
            heap is Trouble.LASTS and len(found) > _FOLDED_FROM,
        )
        for heap, found in cards.items()
    ]


def hand_outs_of(pieces: Sequence[Piece], folder: Path, gallery: Gallery) -> list[HandOut]:
    """A page for each piece of which a run can be read, in order of their names."""
    readable = [piece for piece in pieces if piece.first.digest is not None]
    named = sorted(readable, key=lambda piece: piece.name.casefold())
    return [_hand_out(piece, number, folder, gallery) for number, piece in enumerate(named, 1)]


def _card(piece: Piece, number: int, folder: Path, gallery: Gallery) -> Card:
    first = piece.first
    short = ""
    if piece.trouble is Trouble.FAILS and piece.all_runs is None and first.reached:
        short = f"{span_words(piece.shortage_s, 60.0)} short"
    pack = plain_text(str(first.description.pack)) if first.description.pack else ""
    count = len(piece.all_runs.runs) if piece.all_runs is not None else len(piece.lines)
    run = first.name if count == 1 else count_words(count, "run")
    end = shown(first, "end") if count == 1 else ""
    note = (run if run != piece.name else "", pack, "" if end in ("", "cutoff") else end)
    lasted = shown(first, "lasted_s") if piece.all_runs is None else piece.all_runs.span
    return Card(
        name=piece.name,
        anchor=f"piece-{number}",
        answer=f"{piece.answer}{'' if piece.all_runs is None or not piece.answer else ' for the next'}",
        lasted=lasted,
        needed="" if piece.need_s is None else span_words(piece.need_s),
        short=short,
        note=", ".join(part for part in note if part),
        problems=tuple(
            (f"{line.name} {line.problem}", command_line("check", Path(line.name)))
            for line in piece.lines
            if line.problem
        )
        + tuple(
            (f"{line.name}: {line.damage}.", command_line("check", Path(line.name)))
            for line in piece.lines
            if line.damage
        ),
        links=tuple(_links(piece, folder)),
        picture=gallery.picture(piece, SMALL),
        simulated=any(line.digest is not None and line.digest.simulated for line in piece.lines),
    )


def _links(piece: Piece, folder: Path) -> list[Link]:
    """To what was made of each run, where it stands at its usual place."""
    found = []
    for line in piece.lines:
        run = line.name if len(piece.lines) > 1 else ""
        for words, place in _MADE:
            try:
                made = (line.folder / place).stat().st_mtime
                from_files = [line.folder / name for name in (SAMPLES_NAME, DESCRIPTION_NAME)]
                old = any(path.stat().st_mtime > made for path in from_files if path.exists())
                found.append(Link(words, run, _address(line.folder / place, folder), old))
            except OSError:
                continue
    return found


def _address(path: Path, folder: Path) -> str:
    """From the page to the file; the page may be moved along with the runs."""
    try:
        way = os.path.relpath(path.resolve(), folder.resolve())
    except ValueError:  # another drive
        return path.resolve().as_uri()
    return quote(Path(way).as_posix())


def _hand_out(piece: Piece, number: int, folder: Path, gallery: Gallery) -> HandOut:
    digest, known = piece.first.digest, piece.first.description
    assert digest is not None
    asked = piece.first.verdict_asked()
    answer, *below = paragraphs_of(digest, piece.all_runs)
    pack = known.pack
    damage = "" if piece.first.described else "Its description cannot be read."
    warnings = (
        [damage, *map(first_clause, digest.warnings)]
        if damage
        else [*map(first_clause, digest.warnings)]
    )
    facts = (
        ("Pack", plain_text(str(pack)) if pack else "not stated"),
        ("Load", _cut(known.load, 160)),
        ("Recorded", shown(piece.first, "started") and f"{shown(piece.first, 'started')} UTC"),
        ("By", _cut(known.author, 80)),
        ("Notes", _cut(known.notes, 200)),
        ("Run", piece.first.name),
    )
    return HandOut(
        card=_card(piece, number, folder, gallery),
        answer=answer if asked is None else asked.words,
        told=tuple(below),
        picture=gallery.picture(piece, LARGE),
        interval=digest.interval,
        rows=tuple(
            tuple(row) for row in digest.rows if not any(part in row[0] for part in _NOT_HANDED_OUT)
        )[:_ROWS],
        facts=tuple((name, text) for name, text in facts if text),
        warnings=tuple(_cut(text, 300) for text in warnings[:_WARNINGS]),
        cautions=(*_heat(piece), f"{pack}: {pack.caution}" if pack else SAFETY_CLOSING),
    )


def _heat(piece: Piece) -> tuple[str, ...]:
    """As on the sheet, of the hottest of its runs."""
    found = [line.digest.number("hottest_power") for line in piece.lines if line.digest is not None]
    return heat_caution(max((watt or 0.0 for watt in found), default=0.0), HOTTEST)


def _cut(text: str, most: int) -> str:
    """On one line, and short enough that the page stays one; cut after a word where there are some."""
    text = plain_text(text)
    if len(text) <= most:
        return text
    whole, _, rest = text[:most].rpartition(" ")
    return f"{whole if len(rest) < most // 4 else text[: most - 1]}…"
