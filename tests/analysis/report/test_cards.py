"""The page of a class: heaps by trouble, links, pictures, a page each to hand out."""

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.commands.list_runs import list_command
from analysis.report.cards import hand_outs_of, heaps_of
from analysis.report.pieces import Piece, by_trouble, pieces_answer, pieces_of
from analysis.report.run_table import BY_TROUBLE, Line, in_order, read_lines
from analysis.report.small_picture import LARGE, SMALL, Gallery
from analysis.report.trouble import Trouble, trouble_of
from analysis.run.ending.ends import End
from analysis.run.verdict import Answer
from tests.support.class_of_runs import (
    DAMAGED,
    FIRST_OF_THREE,
    IMPORTED,
    SHORT,
    UNFINISHED,
    write_class,
)

pytestmark = pytest.mark.slow
TITLES = {DAMAGED: "Vest Otter", SHORT: "Vest Firefly", UNFINISHED: "Vest Beacon"}


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("class") / "shelf & all"
    write_class(folder, 14, step_s=120.0)
    return folder


@pytest.fixture(scope="module")
def lines(shelf: Path) -> list[Line]:
    return read_lines(sorted(shelf.iterdir()))


@pytest.fixture(scope="module")
def pieces(lines: list[Line]) -> list[Piece]:
    return pieces_of(lines)


def test_every_verdict_and_every_end_has_its_heap() -> None:
    """The words are those of the verdict; a new one must not fall into "no need"."""
    assert {trouble_of(str(answer), "", readable=True) for answer in Answer} == {
        Trouble.LASTS, Trouble.FAILS, Trouble.CLOSE, Trouble.NOT_SHOWN,
    }  # fmt: skip
    gave_up = {end for end in End if trouble_of("", str(end), readable=True) is Trouble.GAVE_UP}
    assert gave_up == {End.DARK, End.BACK, End.REBOOTS, End.PROTECTION}


def test_the_answer_counts_and_names_who_needs_a_look(lines: list[Line], pieces: list[Piece]) -> None:  # fmt: skip
    told = pieces_answer(lines, pieces)
    assert told.startswith("8 of 12 pieces last as needed; 1 does not; 3 cannot be told.")
    assert "Do not last as needed: Vest Firefly." in told
    assert "Cannot be read: Vest Otter." in told
    assert "Not shown yet: Vest Comet; Vest Beacon." in told or "Vest Beacon; Vest Comet." in told
    assert "No need" not in told
    assert pieces_answer(lines, pieces, short=True) == told.partition(" Do not")[0]


def test_the_worst_stand_first_and_sorted_runs_agree(lines: list[Line], pieces: list[Piece]) -> None:  # fmt: skip
    order = [piece.trouble for piece in by_trouble(pieces)]
    assert order == sorted(order)
    assert by_trouble(pieces)[0].name == "Vest Firefly"
    last = by_trouble(pieces)[-4:]
    assert [piece.shortage_s for piece in last] == sorted((p.shortage_s for p in last), reverse=True)  # fmt: skip
    runs = in_order(lines, BY_TROUBLE)
    assert runs[0].description.title == "Vest Firefly"
    assert [line.trouble for line in runs] == sorted(line.trouble for line in runs)


def test_a_piece_whose_newest_run_cannot_be_read_is_judged_by_the_others(
    shelf: Path, tmp_path: Path
) -> None:
    for number in range(FIRST_OF_THREE, FIRST_OF_THREE + 3):
        shutil.copytree(shelf / f"vest-{number + 1:02d}", tmp_path / f"vest-{number + 1:02d}")
    newest = tmp_path / f"vest-{FIRST_OF_THREE + 3:02d}"
    (newest / "samples.csv").write_bytes(b"\0" * 500)
    (piece,) = pieces_of(read_lines(sorted(tmp_path.iterdir())))
    assert piece.answer == "yes"
    assert piece.all_runs is not None
    assert len(piece.all_runs.runs) == 2
    (heap,) = heaps_of([piece], tmp_path / "page", Gallery([piece]))
    ((told, command),) = heap.cards[0].problems
    assert told.startswith(f"{newest.name} cannot be read")
    assert newest.name in command


def test_links_lead_from_any_folder_to_what_is_there(
    shelf: Path, tmp_path: Path, pieces: list[Piece]
) -> None:
    run = next(piece for piece in pieces if piece.name == "Vest Ember").first.folder
    for made in ("report/report.html", "sheet/run-sheet.pdf"):
        (run / made).parent.mkdir()
        (run / made).write_text("made")
    os.utime(run / "report/report.html", (1, 1))
    try:
        page = tmp_path / "far" / "away"
        heaps = heaps_of(pieces, page, Gallery(pieces))
        cards = {card.name: card for heap in heaps for card in heap.cards}
        report, sheet = cards["Vest Ember"].links
        assert (report.old, sheet.old) == (True, False)
        assert "shelf%20%26%20all" in report.address
        from urllib.parse import unquote

        assert (page / unquote(report.address)).resolve() == (run / "report/report.html").resolve()
        assert not cards["Vest Firefly"].links
        assert [heap.anchor for heap in heaps] == ["fails", "unreadable", "not-shown", "lasts"]
    finally:
        for made in ("report", "sheet"):
            shutil.rmtree(run / made)


def test_pictures_share_their_axes_and_say_what_is_in_them(pieces: list[Piece]) -> None:
    gallery = Gallery(pieces)
    by_name = {piece.name: piece for piece in pieces}
    drawn = {name: gallery.picture(piece) for name, piece in by_name.items()}
    assert drawn["Vest Otter"] is None
    short, long = drawn["Vest Firefly"], drawn["Vest Ember"]
    assert short is not None
    assert long is not None
    assert short.end is not None
    assert long.end is not None
    assert short.need == long.need
    # By hand: 0.55 of some 6 h 40 min, 1.02 of it recorded, against 6 h on the same axis.
    assert short.need is not None
    inside = (short.end[0] - SMALL.left) / (short.need[0] - SMALL.left)
    assert inside == pytest.approx(1.02 * (by_name["Vest Firefly"].first.lasted_s or 0) / 21600, rel=0.02)  # fmt: skip
    assert short.seen
    unfinished = drawn["Vest Beacon"]
    assert unfinished is not None
    assert not unfinished.seen
    assert "from 4." in short.alt
    large = gallery.picture(by_name["Vest Ember"], LARGE)
    assert large is not None
    assert [text for _, text in large.ticks_x][:3] == ["0", "2", "4"]
    points = [tuple(map(float, p.split())) for p in re.split("[ML]", short.path)[1:]]
    assert all(0 <= x <= SMALL.width and 0 <= y <= SMALL.height for x, y in points)


def test_one_far_longer_has_an_axis_of_its_own(tmp_path: Path, pieces: list[Piece]) -> None:
    folders = write_class(tmp_path, 4, step_s=600.0)
    text = (folders[3] / "samples.csv").read_text().splitlines()
    more = [f"{float(row.split(',')[0]) * 10:.6f},{row.split(',', 1)[1]}" for row in text[1:]]
    (folders[3] / "samples.csv").write_text("\n".join([text[0], *more]))
    own = pieces_of(read_lines(folders))
    gallery = Gallery(own)
    ends = {piece.name: gallery.picture(piece) for piece in own}
    usual, far = ends["Vest Ember"], ends["Vest Lantern"]
    assert usual is not None
    assert far is not None
    assert usual.end is not None
    assert usual.end[0] > SMALL.width / 2
    assert usual.ticks_x[-1][1] != far.ticks_x[-1][1]


def test_a_page_for_each_piece_with_its_answer_and_caution(pieces: list[Piece], tmp_path: Path) -> None:  # fmt: skip
    pages = hand_outs_of(pieces, tmp_path, Gallery(pieces))
    assert len(pages) == len(pieces) - 1  # one cannot be read
    assert [page.card.name for page in pages] == sorted(page.card.name for page in pages)
    for page in pages:
        assert page.answer
        assert "Stop at 0.8 V per cell" in page.cautions[-1]
        assert page.rows
    three = next(page for page in pages if "3 runs of this piece" in " ".join(page.told))
    assert three.card.note.startswith("3 runs")


def test_heat_is_on_the_page_that_goes_with_the_piece(pieces: list[Piece], tmp_path: Path) -> None:
    hot = pieces[0].first
    assert hot.digest is not None
    power = {**hot.digest.results, "hottest_power": {"value": 1.24, "unit": "W"}}
    long = ["A bad contact, or it was switched off " + "by somebody " * 30]
    warm = replace(hot, digest=replace(hot.digest, results=power, warnings=long))
    piece = replace(pieces[0], lines=(warm,))
    (page,) = hand_outs_of([piece], tmp_path, Gallery([piece]))
    assert "turns 1.2 W into heat where it is worn" in page.cautions[0]
    assert page.warnings[0].endswith(("by…", "somebody…")), "cut after a word"


def test_the_page_of_a_class_by_its_command(shelf: Path, tmp_path: Path) -> None:
    out = tmp_path / "page"
    done = CliRunner().invoke(list_command, [str(shelf), "--overview", str(out)])
    assert done.exit_code == 0, done.output
    html = (out / "overview.html").read_text("utf-8").replace("\u00a0", " ")
    assert html.startswith("<!doctype html>")
    assert html.count('<article class="card"') == 12
    assert html.count("<svg") == 11
    assert "<script" not in html
    assert "drawbench report" in html, "no report is there: the command that makes them"
    assert html.count("drawbench report") == 1
    for name in ("overview.html", "overview.md", "hand-outs.html", "report-files.json"):
        assert str(shelf.parent) not in (out / name).read_text("utf-8"), "it may be passed on"
    assert len(html) < 400_000
    pages = (out / "hand-outs.html").read_text("utf-8")
    assert pages.count("<section ") == 11
    assert "hand-outs.html" in done.output
    # The same piece, the same words on the list, the page and the hand-out.
    assert "8 of 12 pieces last as needed" in " ".join(done.output.split())
    assert "8 of 12 pieces last as needed" in html
    imported = f"vest-{IMPORTED + 1:02d}"
    assert imported in html


def test_the_list_of_a_class_fits_and_says_once_what_all_share(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    done = CliRunner().invoke(list_command, [str(shelf), "--sort", "trouble"])
    rows = done.output.splitlines()
    assert max(len(row) for row in rows if "drawbench" not in row) <= 80
    assert "all on 3x AA alkaline; all needed 6 h" in done.output
    first = next(row for row in rows if row.startswith("vest-"))
    assert "Vest Firefly" in first
    assert " no " in first
    assert done.output.rstrip().splitlines()[-1].endswith("--overview class")


def test_a_run_that_is_damaged_is_named_and_is_no_plain_yes(shelf: Path, tmp_path: Path) -> None:
    """A sound twin, one whose charge was changed by hand, one whose description is torn: one yes is left."""
    for name in ("sound", "changed", "torn", "more", "again"):
        shutil.copytree(shelf / "vest-01", tmp_path / name)
        described = tmp_path / name / "samples.csv-metadata.json"
        described.write_text(described.read_text().replace("Vest Ember", f"Vest {name}"))
    samples = tmp_path / "changed" / "samples.csv"
    rows = samples.read_text().splitlines()
    place = rows[0].split(",").index("charge_mah")
    for number in range(100, 130):
        cells = rows[number].split(",")
        cells[place] = f"{float(cells[place]) + 50:.6f}"
        rows[number] = ",".join(cells)
    samples.write_text("\n".join(rows))
    described = tmp_path / "torn" / "samples.csv-metadata.json"
    described.write_text(described.read_text()[:200])
    lines = read_lines(sorted(tmp_path.iterdir()))
    damage = {line.name: line.damage for line in lines if line.damage}
    assert damage == {
        "changed": "its rows changed after the recording, or damaged",
        "torn": "its description cannot be read",
    }
    pieces = pieces_of(lines)
    told = pieces_answer(lines, pieces)
    assert told.startswith("3 of 5 pieces last as needed; 2 are damaged or changed.")
    shown = CliRunner().invoke(list_command, [str(tmp_path)]).output
    assert "yes !" in shown
    assert "! changed: its rows" in shown
    assert "check" in shown
    heaps = heaps_of(pieces, tmp_path / "page", Gallery(pieces))
    assert heaps[0].anchor == "damaged"
    assert all(card.problems for card in heaps[0].cards)
