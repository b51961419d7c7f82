"""Any sign in a title draws, in every format, without a warning."""

import warnings
from pathlib import Path

import pytest

from analysis.say.figures import figure_style, new_figure, save_figure, set_title
from analysis.say.glyphs import LACKING, drawable

# Emoji with a joiner, Japanese, Arabic, Devanagari, a letter of two signs, a sign of no script.
TITLE = "Vest \U0001f9ba\u2728 \u591c\u306e \u0633\u062a\u0631\u0629 \u0928\u092e\u0938\u094d e\u0301 \U0001f469\u200d\U0001f527 \ue000"


@pytest.mark.slow
def test_signs_draw_everywhere_without_a_warning(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with figure_style():
            figure, axes = new_figure()
            axes.plot([0, 1], [0, 1], label=TITLE)
            set_title(axes, TITLE)
            axes.set_xticks([0, 1], ["\u591c", TITLE])
            axes.set_yticks([0, 1])
            axes.set_yticklabels([TITLE, "\U0001f9ba"])
            axes.legend()
            figure.text(0.5, 0.5, TITLE, fontweight="bold")
        save_figure(figure, tmp_path / "any", ("png", "svg", "pdf"))
    assert capfd.readouterr() == ("", "")
    assert len(list(tmp_path.iterdir())) == 3


def test_what_no_font_has_is_shown_as_lacking() -> None:
    assert drawable("plain \u2126 text") == ("plain \u2126 text", [])
    assert drawable("a\ue000b")[0] in (f"a{LACKING}b", "a\ue000b")
    assert drawable("a\ufe0fb")[0].replace("\ufe0f", "") == "ab", "has no room of its own"
