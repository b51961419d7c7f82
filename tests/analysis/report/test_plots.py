"""A run's pictures in every size: nothing cut off, no words over each other, marks by name."""

from itertools import combinations
from pathlib import Path

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from analysis.report import plots
from analysis.run.rundown import rundown
from analysis.say.events import ListedEvent, numbered_events
from analysis.say.figures import SIZES, SizeName, figure_style, new_figure, set_title
from logger.run.reader import read_run
from tests.support.places import SAMPLES

RUN = SAMPLES / "night-ride-vest"
MARKS = (
    ListedEvent(1, 3600.0, "mark", "ride"),
    ListedEvent(2, 18000.0, "mark", "moved to the balcony where it is colder"),
    ListedEvent(3, 40000000.0, "load", "load switch opened (told by this computer)"),
)


def _drawn(size: SizeName, folder: Path, patch: pytest.MonkeyPatch) -> list[Figure]:
    run = read_run(RUN)
    figures: list[Figure] = []
    patch.setattr(plots, "save_figure", lambda figure, *_: figures.append(figure))
    plots.draw_plots(rundown(run, 2.7, 60.0), run.description.pack, MARKS, folder, size)
    return figures


def _texts(figure: Figure) -> list[Text]:
    return [
        text for text in figure.findobj(Text) if isinstance(text, Text) and text.get_text().strip()
    ]


@pytest.mark.slow
@pytest.mark.parametrize("size", list(SIZES))
def test_words_are_whole_and_clear_of_each_other(
    size: SizeName, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also the widest title on a phone and the histogram's labels beside its axis."""
    for figure in _drawn(size, tmp_path, monkeypatch):
        with figure_style():
            FigureCanvasAgg(figure)
            figure.draw_without_rendering()
            boxes = {
                text: text.get_window_extent() for text in _texts(figure) if text.get_visible()
            }
        axes = figure.axes[0]
        ticks = {*axes.get_xticklabels(), *axes.get_yticklabels()}
        said = {text: box for text, box in boxes.items() if text not in ticks}
        for text, box in said.items():
            assert box.x0 >= 0, text.get_text()
            assert box.x1 <= figure.bbox.x1 + 1, text.get_text()
            assert box.y1 <= figure.bbox.y1 + 1, text.get_text()
        for (one, first), (two, second) in combinations(said.items(), 2):
            assert not first.padded(-2).overlaps(second.padded(-2)), (
                one.get_text(),
                two.get_text(),
            )


@pytest.mark.slow
def test_a_short_mark_is_named_and_the_end_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    voltage = _drawn("page", tmp_path, monkeypatch)[0]
    words = {text.get_text() for text in _texts(voltage)}
    assert {"1 ride", "2"} <= words
    assert "3" not in words


def test_titles_carry_the_doubt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for figure in _drawn("page", tmp_path, monkeypatch)[:3]:
        assert " to " in figure.axes[0].get_title(loc="left")


def test_title_breaks_neither_intervals_nor_units() -> None:
    with figure_style():
        _, axes = new_figure("phone")
        set_title(axes, "2.7 V after 9 h 25 min (9 h 22 min to 9 h 28 min)", "phone")
    assert axes.get_title(loc="left") == "2.7 V after 9 h 25 min\n(9 h 22 min to 9 h 28 min)"


def test_how_the_switch_was_found_is_no_mark() -> None:
    events = tuple(
        ListedEvent(number, time_s, kind, "")
        for number, (time_s, kind) in enumerate(
            ((0.0, "load"), (0.0, "mark"), (50.0, "load"), (60.0, "gap"), (100.0, "load")), start=1
        )
    )
    assert [event.number for event in numbered_events(events, 100.0)] == [2, 3]
