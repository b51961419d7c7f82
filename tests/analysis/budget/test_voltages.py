"""Limits of voltage against fresh packs, and budgets that cannot be."""

import pytest
from click.testing import CliRunner

from analysis.budget.file import parse_budget
from analysis.budget.story import tell_budget
from analysis.budget.words import short_sentences
from analysis.commands.budget import budget_command
from logger.base.errors import BenchError
from logger.base.pack import Pack
from tests.support.places import VEST_BUDGET

BROOCH = """\
[piece]
name = "Brooch"
max_v = 3.6

[supply]
pack = "2x AA alkaline"

[[part]]
name = "controller"
[part.current_ma]
on = 8

[[mode]]
name = "on"
hours = 5
parts.controller = "on"
"""
REGULATED = (
    BROOCH.replace("max_v = 3.6\n", "")
    .replace(
        '"2x AA alkaline"', '"2x pouch li-ion"\nconverter = "linear"\noutput_v = 3.3\nmax_v = 6.0'
    )
    .replace('"controller"\n', '"controller"\nmax_v = 3.6\n', 1)
)
# Open voltage of a fresh cell, V (SOURCES.md B4, B20); USB (SOURCES.md C9).
FRESH_V = {
    "alkaline": 1.6, "lithium-aa": 1.8, "li-ion": 4.2, "nimh": 1.45, "lithium-coin": 3.3, "usb-bank": 5.25,
}  # fmt: skip


def _fresh_v(pack: Pack) -> float:
    return FRESH_V[pack.chemistry] * pack.cells


@pytest.mark.parametrize(
    ("text", "most_v", "own_serves"),
    [
        (BROOCH, 3.6, True),
        (BROOCH.replace("2x AA alkaline", "4x AA alkaline"), 3.6, False),
        (BROOCH.replace("2x AA alkaline", "2x AA lithium-aa"), 3.6, True),
        (BROOCH.replace("3.6", "3.5").replace("2x AA alkaline", "2x AA lithium-aa"), 3.5, False),
        (REGULATED, 6.0, False),
        (REGULATED.replace("2x pouch", "1x pouch"), 6.0, True),
    ],
)
def test_no_pack_over_the_limit_is_offered(text: str, most_v: float, own_serves: bool) -> None:
    story = tell_budget(parse_budget(text))
    offered = [answer.pack for answer in story.packs if answer.serves]
    assert offered
    assert all(_fresh_v(pack) <= most_v for pack in offered)
    assert story.packs[0].serves == own_serves
    assert any("Do not connect" in text for text in story.warnings) != own_serves
    # What must not be done is the first sentence.
    assert short_sentences(story)[0].startswith("Do not connect") != own_serves


def test_without_a_limit_no_pack_above_the_budget_s_own_is_offered() -> None:
    story = tell_budget(parse_budget(BROOCH.replace("max_v = 3.6\n", "")))
    offered = [answer.pack for answer in story.packs if answer.serves]
    assert all(_fresh_v(pack) <= 3.3 for pack in offered)
    assert any("state max_v" in " ".join(answer.reasons) for answer in story.packs)


def test_addressable_leds_bring_their_limit() -> None:
    """5.3 V, common practice (SOURCES.md E2): four alkaline AA are too much where nothing is between."""
    text = BROOCH.replace("max_v = 3.6\n", "").replace("2x AA", "4x AA")
    text = text.replace("[part.current_ma]\non = 8", "[part.pixel.on]\nred = 255")
    story = tell_budget(parse_budget(text))
    assert not story.packs[0].serves
    assert "usual for addressable LEDs" in story.packs[0].reasons[0]


def test_a_boost_converter_lets_a_higher_pack_through() -> None:
    text = BROOCH.replace("max_v = 3.6\n", "").replace(
        '"2x AA alkaline"',
        '"3x AA alkaline"\nconverter = "boost"\noutput_v = 3.3\nefficiency_percent = 90',
    )
    assert "lets through" in tell_budget(parse_budget(text)).packs[0].reasons[0]


def test_what_a_part_needs_is_the_floor() -> None:
    text = BROOCH.replace('"controller"\n', '"controller"\nmin_v = 2.7\n', 1)
    assert parse_budget(text).floor_v == 2.7
    stated = text.replace("max_v = 3.6", "max_v = 3.6\ngive_up_v = 2.0")
    assert any(
        "2.7 V and more" in warning for warning in tell_budget(parse_budget(stated)).warnings
    )


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        ("max_v = 3.6\nsource", "max_v = 3.0\nsource", "the converter gives it 3.3 V"),
        ("max_v = 6.0", "max_v = 3.0", "under the linear regulator's output"),
        ("max_v = 6.0", "max_v = 6.0\nmin_v = 6.5", "not above min_v"),
        ("max_v = 3.6\nsource", "min_v = 5.0\nsource", "needs 5 V"),
        ("max_v = 3.6\nsource", "max_v = 3.6\nmin_v = 3.6\nsource", "not above min_v"),
        ('name = "Brooch"', 'name = "Brooch"\nmin_v = 3', "give_up_v"),
        ('name = "Brooch"', 'name = "Brooch"\nmax_v = 4\ngive_up_v = 4.5', "not above give_up_v"),
        ('name = "Brooch"', 'name = "Brooch"\nmax_v = 3', "under the linear regulator's output"),
        ("max_v = 6.0", "switch_max_ma = -1", "out of range"),
        ('converter = "linear"\noutput_v = 3.3', 'converter = "none"', "under [piece] instead"),
    ],
)
def test_limits_that_cannot_be_are_refused_with_the_next_step(
    good: str, bad: str, words: str
) -> None:
    text = REGULATED.replace("max_v = 3.6\n", 'max_v = 3.6\nsource = "guess"\n')
    assert good in text
    with pytest.raises(BenchError) as caught:
        parse_budget(text.replace(good, bad, 1), "brooch.toml")
    assert "brooch.toml, line" in str(caught.value)
    assert words in str(caught.value)
    assert caught.value.next_step


def test_a_pack_that_was_asked_for_is_answered_even_where_it_does_not_serve() -> None:
    asked = ("2x AA nimh", "4x AA alkaline")  # both are candidates of our own as well
    options = [part for pack in asked for part in ("--pack", pack)]
    shown = CliRunner().invoke(budget_command, [str(VEST_BUDGET), *options])
    assert shown.exit_code == 0
    table = shown.output.split("90 % sure")[1]
    assert all(pack in table for pack in asked)
    assert "boost converter" in table
