"""Lengths of time as people write them. Words of six languages: from memory (Unicode CLDR, units)."""

import re

import click
import pytest

from logger.base.command_options import Duration, Hold, Need
from logger.base.durations import parse_duration_s

H = 3600.0


@pytest.mark.parametrize(
    ("typed", "seconds"),
    [
        *((text, 6.5 * H) for text in (
            "6,5h", "6.5 h", "6h30", "6h 30", "6:30", "6:30:00", "6:30 h", "6 h 30 min", "6 Stunden und 30 Minuten",
            "6 1/2 h", "6½ h", "6 heures et demie", "six and a half hours", "sechseinhalb Stunden", "6 ore e mezza",
            "6 horas y media", "６：３０", "6\u00a0h\u202f30", "390 min", "6,50 h".replace("50", "5"), "6 uur, 30 min",
        )),
        *((text, 10 * H) for text in (
            "10hours", "10 Stunden", "10 heures", "10 uur", "10 horas", "10 ore", "10H", "10 Std.", "zehn Stunden", "dix heures",
        )),
        *((text, 0.5 * H) for text in (
            "half an hour", "eine halbe Stunde", "une demi-heure", "media hora", "mezz'ora", "een half uur", "½ h", "½h", "1/2 h", "½ HOUR",
        )),
        ("anderthalb Stunden", 1.5 * H), ("1 week", 168 * H), ("un'ora", H), ("1 000 s", 1000.0), ("0.500s", 0.5), ("5min30", 330.0), ("8 HOUR, 10M", 8 * H + 600),
    ],
)  # fmt: skip
def test_a_need_is_understood(typed: str, seconds: float) -> None:
    assert Need().convert(typed, None, None) == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("6", "6h, 6min or 6s"), ("6.30", "6 h 30 min or 6.3 h"), ("90:00", "90 h 00 min or 90 min 00 s"), ("6.30h", "6 h 30 min or 6.3 h"), ("1.500h", "1500h or 1.5h"),
        ("1,500 h", "1500h or 1.5h"), ("1.812h", "1812h or 1.8120h"), ("30min 6h", "largest unit first"),
        ("5h 5h", "each once"), ("6h5", "give 5 its unit"), ("26min,15", "give 15 its unit"), ("2..5", "no unit. Write 10h, 90min, 30s or 100ms"), ("6h75", "more than a h"), ("1.5h 20min", "at the end only"), ("6 months", "write days"),
        ("1 Jahr", "write days"), ("10M", "minutes or months"), ("6-7h", "length of time"), ("6h²", "length of time"), ("6 Uhr", "length of time"),
        ("1d12", "no unit"), ("0h", "above zero"), ("9000h", "longer than a year"),
    ],
)  # fmt: skip
def test_what_may_be_another_time_is_refused_with_its_readings(typed: str, told: str) -> None:
    with pytest.raises(click.BadParameter, match=re.escape(told)):
        Need().convert(typed, None, None)


@pytest.mark.parametrize(
    "typed", ["8½125hrs", "27½0min", "11h 3½0min", "8Minuten ½5Sek", "½\u200b0 h", "1½.5h"]
)
def test_digits_glued_behind_a_fraction_are_no_length_of_time(typed: str) -> None:
    """Were read as the fraction 1/2125 and the like."""
    with pytest.raises(click.BadParameter, match="length of time"):
        Need().convert(typed, None, None)


@pytest.mark.parametrize(("typed", "told"), [("2½", "2.5h, 2.5min or 2.5s"), ("26.55", "26.55h, 26.55min or 26.55s")])  # fmt: skip
def test_a_bare_hold_is_refused_with_its_units(typed: str, told: str) -> None:
    with pytest.raises(click.BadParameter, match=re.escape(told)):
        Hold().convert(typed, None, None)


def test_a_colon_may_be_two_things_where_seconds_are_usual() -> None:
    with pytest.raises(click.BadParameter, match=r"0 h 10 min or 0 min 10 s"):
        Hold().convert("0:10", None, None)
    assert Hold().convert("0:00:10", None, None) == 10.0
    assert Hold().convert("0", None, None) == Hold().convert("0s", None, None) == 0.0
    assert Duration(colon_is_hours=True).convert("0:10", None, None) == 600.0


@pytest.mark.parametrize("refused", ["0.333h", "12.345 min", "6.1h", "7 h 12 min", "100ms"])
def test_a_suggested_reading_is_taken(refused: str) -> None:
    """What a refusal offers can be typed as it stands."""
    try:
        parse_duration_s(refused)
    except ValueError as error:
        for offered in re.findall(r"\d[\d.]*(?:h|min)\b", str(error).partition("write")[2]):
            assert parse_duration_s(offered) > 0
