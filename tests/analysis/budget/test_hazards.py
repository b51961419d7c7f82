"""What burns, hurts or wears out: each with number, limit, source and deference."""

import pytest

from analysis.budget.estimate import drop_v
from analysis.budget.file import parse_budget
from analysis.budget.hazards import fuse_sentences, hazard_warnings
from analysis.budget.story import tell_budget
from logger.base.errors import BenchError

CAPE = """\
[piece]
name = "Cape"
max_v = 5.3

[supply]
pack = "1x pouch li-ion"
capacity_mah = 2000
switch_max_ma = 3000

[[part]]
name = "strip"
quantity = 30
source = "data sheet"
[part.current_ma]
white = 40

[[part]]
name = "sensor"
[part.current_ma]
on = 20

[[wire]]
name = "feed"
gauge_awg = 22
insulation = "silicone"
length_m = 0.5
carries = ["strip"]

[[wire]]
name = "sewn line"
ohm_per_m = 30
length_m = 0.1
carries = ["sensor"]

[[mode]]
name = "lit"
hours = 1
parts.strip = "white"
parts.sensor = "on"
"""


def _told(good: str = "", bad: str = "", *more: tuple[str, str]) -> tuple[str, ...]:
    text = CAPE
    for old, new in ((good, bad), *more):
        assert old in text
        text = text.replace(old, new, 1)
    return hazard_warnings(parse_budget(text))


def test_what_keeps_its_limits_is_not_warned_of() -> None:
    assert _told() == ()


def test_a_thin_wire_is_told_with_number_limit_and_source() -> None:
    """1.2 A in a pair of 30 AWG: a single wire for 200 C carries 1.3 A at 70 C (SOURCES.md D12), PVC much less."""
    (text,) = _told('gauge_awg = 22\ninsulation = "silicone"', "gauge_awg = 30")
    assert "1.2 A" in text
    assert "limit of 69" in text
    assert "derating" in text
    assert "Local codes" in text
    # Silicone stands more heat, a bundle less current.
    assert _told("gauge_awg = 22", "gauge_awg = 30") == ()
    assert _told("gauge_awg = 22", "gauge_awg = 30\nbundle = 20") != ()


def test_thread_by_its_heat_and_its_drop() -> None:
    """40 ohm/m at 150 mA: 0.9 W/m; 0.1 m out and back: 8 ohm, 1.2 V."""
    (text,) = _told("ohm_per_m = 30", "ohm_per_m = 40", ("on = 20", "on = 150"))
    assert "0.9 W" in text
    assert "sewn line" in text
    story = tell_budget(
        parse_budget(CAPE.replace("on = 20", "on = 150").replace("per_m = 30", "per_m = 40"))
    )
    line = next(wire for wire in story.budget.wires if wire.name == "sewn line")
    assert drop_v(story.budget, line, story.budget.modes[0], story.pack_v) == pytest.approx(1.2)
    assert any("loses 1.20 V" in warning for warning in story.warnings)


def test_stated_ratings_against_the_peak() -> None:
    for field, word in (("switch", "switch"), ("holder", "battery holder"), ("pack", "pack")):
        (text,) = _told("switch_max_ma = 3000", f"{field}_max_ma = 1000")
        assert f"the {word} carries 1.2 A, over the 1 A" in text


def test_too_much_of_a_pouch_is_a_reason_and_a_warning() -> None:
    story = tell_budget(parse_budget(CAPE.replace("capacity_mah = 2000", "capacity_mah = 300")))
    assert not story.packs[0].serves
    assert any("4.1C" in warning and "makers' sheets" in warning for warning in story.warnings)


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        ('"silicone"', '"paper"', "one of: pvc"),
        ("ohm_per_m = 30", "ohm_per_m = 30\ngauge_awg = 30", "one of the two"),
        ("ohm_per_m = 30", "ohm_per_m = 0", "out of range"),
        ("gauge_awg = 22", "gauge_awg = 22\nbundle = 1", "out of range"),
    ],
)
def test_wires_that_cannot_be_are_refused(good: str, bad: str, words: str) -> None:
    with pytest.raises(BenchError, match="line"):
        _told(good, bad)
    with pytest.raises(BenchError) as caught:
        _told(good, bad)
    assert words in str(caught.value)


def test_no_pack_is_offered_that_brings_a_new_hazard() -> None:
    """1.2 W behind a boost: 267 mA at 4.5 V, 500 mA at 2.4 V, 750 mA from two cells at 1.6 V; a switch of 600 mA."""
    text = CAPE.replace(
        '"1x pouch li-ion"\ncapacity_mah = 2000\nswitch_max_ma = 3000',
        '"3x AA alkaline"\nconverter = "boost"\noutput_v = 5\nefficiency_percent = 80\nmax_v = 5.5\nswitch_max_ma = 600',
    ).replace("white = 40", "white = 5.73")
    assert hazard_warnings(parse_budget(text)) == ()
    story = tell_budget(parse_budget(text))
    two = next(answer for answer in story.packs if answer.name == "2x AA alkaline")
    assert "the switch carries 750 mA, over the 600 mA" in two.reasons[0]
    assert not two.serves


def test_a_cell_more_is_not_proposed_where_it_burns() -> None:
    """(4.95 - 3.3) V x 170 mA is 0.28 W; with a fourth cell 0.56 W, over the 0.4 W of a small regulator (SOURCES.md E9)."""
    text = (
        CAPE.replace("max_v = 5.3\n", "")
        .replace(
            '"1x pouch li-ion"\ncapacity_mah = 2000',
            '"3x AA alkaline"\nconverter = "linear"\noutput_v = 3.3\nmax_v = 12',
        )
        .replace("quantity = 30\n", "quantity = 2\n")
        .replace("white = 40", "white = 75")
    )
    assert not any("cell more" in item.words for item in tell_budget(parse_budget(text)).changes)
    cool = text.replace("max_v = 12", "max_v = 12\nregulator_max_mw = 900")
    assert any("cell more" in item.words for item in tell_budget(parse_budget(cool)).changes)


def test_the_fuse_next_to_the_pack() -> None:
    # 30 x 40 mA + 20 mA = 1220 mA; 1.5 times that is 1830 mA: 2 A, as much as the pouch gives (1C).
    words, rule = fuse_sentences(parse_budget(CAPE))
    assert words.startswith("Fuse next to the pack: 2 A, quick-acting (peak 1.22 A)")
    assert "not the conductive thread" in words
    assert "Local codes" in rule
    thin = CAPE.replace("gauge_awg = 22", "gauge_awg = 32")
    words, _ = fuse_sentences(parse_budget(thin))
    assert "none of the usual values fits: the peak asks for 2 A, and the thinnest wire" in words
    smaller = CAPE.replace("capacity_mah = 2000", "capacity_mah = 1500")
    assert "more than the 1.5 A" in fuse_sentences(parse_budget(smaller))[0]
    bank = CAPE.replace("1x pouch li-ion", "usb-bank").replace("capacity_mah = 2000", "capacity_mah = 5000")  # fmt: skip
    assert fuse_sentences(parse_budget(bank))[0].startswith("No fuse")
