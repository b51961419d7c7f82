"""What burns, hurts or wears out: each with number, limit, source and deference."""

import pytest

from analysis.budget.file import parse_budget
from analysis.budget.hazards import hazard_warnings
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
    assert story.estimates[0].wire_drop_v["sewn line"] == pytest.approx(1.2)
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
