"""The sheet to print: the fuse by the run's own peak."""

from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from analysis.report.sheet import _block, _Page, sheet_figure
from analysis.run.rundown import rundown
from analysis.say.figures import figure_style
from logger.base.fault_words import load_text
from logger.base.pack import Pack
from logger.run.description import Event
from logger.run.reader import read_run
from tests.support.places import ROOT

EVENING = ROOT / "sample_runs" / "vest-evening"


def _fuse(pack: Pack | None) -> str:
    run = read_run(EVENING)
    run = replace(run, description=replace(run.description, pack=pack))
    with figure_style():
        page = sheet_figure(run, rundown(run, 3.0, 60.0))
    texts = [text.get_text() for text in page.texts]
    found = [i for i, text in enumerate(texts) if text.startswith("Fuse:")]
    return " ".join(texts[found[0] : found[0] + 3]) if found else ""


def test_the_fuse_by_the_runs_peak() -> None:
    # Its peak is 303 mA: 1.5 times that is 455 mA, the next value is 500 mA (SOURCES.md D13).
    assert "500 mA quick" in _fuse(Pack("alkaline", 3, "AA"))
    assert "if the wires bear it" in " ".join(_fuse(Pack("alkaline", 3, "AA")).split())


def test_a_power_bank_needs_none_and_a_coin_cell_melts_none() -> None:
    assert _fuse(Pack("usb-bank")) == ""
    assert "none of the usual values fits" in _fuse(Pack("lithium-coin", 1, "CR2032"))


def test_no_fuse_over_what_the_cells_are_made_for() -> None:
    """As the budget has it: 500 mA is over 1C of 400 mAh (SOURCES.md B21)."""
    words = " ".join(_fuse(Pack("li-ion", 1, "pouch", 400.0)).split())
    assert "none of the usual values fits" in words
    assert words.endswith(
        "more than the 400 mA that the pack or its holder is made for: take a bigger one"
    )


@pytest.mark.slow
@pytest.mark.parametrize("state", ["1", "-"])
def test_a_load_switch_is_drawn_where_there_was_one(state: str) -> None:
    run = read_run(EVENING)
    events = (Event(0.0, "load", load_text(state, "status")),)
    result = rundown(run, 3.0, 60.0)
    run = replace(run, description=replace(run.description, events=events))
    with figure_style():
        page = sheet_figure(run, result)
    in_picture = [text.get_text() for axes in page.axes for text in axes.texts]
    drawn = state == "1"
    assert ("load switch" in in_picture) is drawn
    assert any("may sit in the plus" in text.get_text() for text in page.texts) is drawn


def test_a_long_answer_keeps_its_verdict_and_nothing_stands_in_the_foot() -> None:
    run = read_run(EVENING)
    told = (f"Needed 6 h. {'Either it went dark, or it did not. ' * 9}So it is not shown.",)
    warned = replace(rundown(run, 3.0, 60.0), warnings=("It is long. " * 40,) * 3)
    with figure_style():
        page = sheet_figure(run, warned, told)
    texts = [(text.get_text(), text.get_position()[1]) for text in page.texts]
    assert any(words.endswith("not shown.") for words, _ in texts)
    assert min(top for words, top in texts if not words.startswith("drawbench run sheet")) > 0.045


@pytest.mark.parametrize(("room", "drawn"), [(0.005, 0), (0.015, 0), (0.025, 2)])
def test_no_title_stands_without_a_line_below_it(room: float, drawn: int) -> None:
    page = _Page(Figure())
    page.top = 0.05 + room
    _block(page, "What happened", ["A mark."])
    assert len(page.figure.texts) == drawn
