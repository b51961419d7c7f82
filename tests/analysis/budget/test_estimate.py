"""Budget file, estimate and comparison."""

import contextlib
from pathlib import Path

import numpy as np
import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.budget.compare import CONVERTER_LABEL, MeasuredMode, SharedDoubt, compare_budget
from analysis.budget.edit import corrected_text
from analysis.budget.estimate import drop_v, estimate_evening, estimate_mode
from analysis.budget.file import parse_budget, read_budget
from analysis.budget.story import tell_budget
from analysis.budget.supply_limits import supply_warnings
from analysis.budget.words import answer_sentences
from analysis.electric.pack_table import USB_DEVICE_LEAST_V, USB_SOURCE_LEAST_V
from logger.base.errors import BenchError
from logger.base.pack import CHEMISTRIES

VEST = """\
[piece]
name = "Night-ride vest"
give_up_v = 2.7

[supply]
pack = "3x AA alkaline"
converter = "boost"
output_v = 5.0
efficiency_percent = 80
efficiency_tolerance_percent = 5
quiescent_ma = 1.0

[[part]]
name = "LEDs"
quantity = 24
source = "data sheet"
  [part.pixel.ride]
  red = 255
  brightness_percent = 50
  lit_share = 0.5
  [part.pixel.dark]

[[part]]
name = "microcontroller"
tolerance_percent = 30
  [part.current_ma]
  active = 12.0
  [part.peak_ma]
  active = 40.0

[[wire]]
name = "feed"
gauge_awg = 26
length_m = 1.5
carries = ["LEDs"]

[[mode]]
name = "ride"
hours = 3
parts.LEDs = { ride = 0.5, dark = 0.5 }
parts.microcontroller = "active"

[[mode]]
name = "parked"
hours = 1
parts.LEDs = "dark"
parts.microcontroller = "active"
"""


def test_estimate_by_hand() -> None:
    """Worked by hand: LED ride = 1 + 0.5 x (0.5 x 16) = 5 mA; mean of ride and dark 3 mA;
    24 x 3 + 12 = 84 mA at 5 V; at the pack 84 x 5 / (0.8 x 3.75) + 1 = 141 mA."""
    budget = parse_budget(VEST)
    ride = estimate_mode(budget, budget.modes[0], 3.75)
    assert ride.current.value == pytest.approx(141.0)
    # Tolerances at the pack (factor 5/3): 24 x 2.5 x 20 % = 12 -> 20; 24 x 0.5 x 20 % = 2.4 -> 4;
    # 12 x 30 % = 3.6 -> 6; converter 140 x 5 % = 7: root sum of squares of 20, 4, 6, 7 = 22.38.
    assert ride.current.upper == pytest.approx(141.0 + np.sqrt(501.0))
    assert ride.worst_ma == pytest.approx((141.0 - 37.0, 141.0 + 37.0))
    # Peak: (24 x 5 + 40) x 5/3 + 1; wire: 120 mA through 3 m of 26 AWG, 133.89 ohm/km (Floyd).
    assert ride.peak_ma == pytest.approx(160 * 5 / 3 + 1)
    (feed,) = budget.wires
    assert feed.name == "feed"
    assert drop_v(budget, feed, budget.modes[0], 3.75) == pytest.approx(
        0.12 * 3 * 0.13389, rel=1e-3
    )


def test_evening_adds_the_modes() -> None:
    budget = parse_budget(VEST)
    evening = estimate_evening(budget, 3.75)
    ride = estimate_mode(budget, budget.modes[0], 3.75).current.value
    parked = estimate_mode(budget, budget.modes[1], 3.75).current.value
    assert ride is not None
    assert parked is not None
    assert evening.charge.value == pytest.approx(3 * ride + parked)
    assert evening.energy.value == pytest.approx(3.75 * (3 * ride + parked))
    assert evening.mean_current.value == pytest.approx((3 * ride + parked) / 4)


def test_a_planted_error_is_found_and_its_part_named() -> None:
    """The LEDs' dark current is really 1.6 mA, not 1.0: only that figure moves by much."""
    budget = parse_budget(VEST)
    truth = VEST.replace("  [part.pixel.dark]\n", "  [part.current_ma]\n  dark = 1.6\n")
    measured = tuple(
        MeasuredMode(mode.name, _mean_ma(truth, index), 3.75, 0.05, 600.0)
        for index, mode in enumerate(budget.modes)
    )
    result = compare_budget(budget, measured, SharedDoubt(0.5, 0.003))
    after = dict(zip(result.labels, result.reconciled.posterior_ma, strict=True))
    surprise = dict(zip(result.labels, result.reconciled.surprise, strict=True))
    assert max(surprise, key=lambda label: abs(surprise[label])) == "LEDs: dark"
    assert 1.2 < after["LEDs: dark"] < 1.7
    assert not result.modes[1].explained
    # Dark LEDs and microcontroller are on in every mode; the modes cannot tell them apart.
    assert any(
        {"LEDs: dark", "microcontroller: active"} <= set(group) for group in result.inseparable
    )
    assert result.labels[-1] == CONVERTER_LABEL


def test_a_difference_that_tolerances_explain_is_said_to_be_none() -> None:
    budget = parse_budget(VEST)
    measured = (MeasuredMode("ride", 141.0 * 1.08, 3.75, 0.05, 600.0),)
    assert compare_budget(budget, measured, SharedDoubt(0.5, 0.003)).modes[0].explained


@pytest.mark.slow
def test_efficiency_intervals_hold_the_truth() -> None:
    """Converter and figures drawn from their tolerances, nonlinear truth: 90 % intervals hold 87-93 %."""
    rng = np.random.default_rng(11)
    budget = parse_budget(VEST)
    held: list[bool] = []
    for _ in range(400):
        factor = 1 + rng.normal(size=4) * np.array([0.2, 0.2, 0.3, 0.05]) / 1.96
        ride, dark, active = np.array([5.0, 1.0, 12.0]) * factor[:3]
        shared = rng.normal() * 0.5
        measured = tuple(
            MeasuredMode(
                name,
                (24 * leds + active) * 5 / (0.8 * 3.75) * factor[3]
                + 1
                + shared
                + rng.normal() * 0.1,
                3.75,
                0.1,
                600.0,
            )
            for name, leds in (("ride", (ride + dark) / 2), ("parked", dark))
        )
        result = compare_budget(budget, measured, SharedDoubt(0.5, 0.0))
        low, high = result.reconciled.interval_ma(0.9)
        truth = np.array([ride, dark, active, factor[3]])
        held.extend((low <= truth) & (truth <= high))
    # Two modes only: what is allowed for slips makes the intervals a little wide.
    assert 0.87 <= np.mean(held) <= 0.94


@pytest.mark.parametrize(
    ("good", "bad", "line", "words"),
    [
        ("ride = 0.5, dark = 0.5", "ride = 0.7, dark = 0.5", 40, "add up to 1.2"),
        ("ride = 0.5, dark", "ride = -0.5, dark", 40, "not a share"),
        ("quantity = 24", 'quantity = "24"', 15, "no number"),
        ("[part.current_ma]", "[part.current_ua]", 26, "Next: did you mean 'current_ma'"),
        ("3x AA alkaline", "2x AA alkaline + 1x AA nimh", 6, "Next: use one kind"),
        ("active = 12.0", "active = -1", 27, "out of range"),
        ("gauge_awg = 26", "gauge = 26", 33, "gauge_awg"),
        ("red = 255", "red = 300", 18, "0 to 255"),
        ("3x AA alkaline", "3x AA mystery", 6, "chemistries"),
        ('"boost"', '"pump"', 7, "none, linear, boost, buck"),
        ('carries = ["LEDs"]', 'carries = ["LED"]', 35, "did you mean 'LEDs'"),
        ("[part.pixel.dark]", "[part.current_ma]\n  ride = 5.0", 22, "a figure already"),
        ("active = 40.0", "active = 4.0", 29, "under the mean of 12 mA"),
        ("output_v = 5.0", "output_v = 0", 8, "0.5 to 60"),
        ("give_up_v = 2.7", "give_up_v = 2700", 3, "0.5 to 60"),
        ("converter =", "capacity_mah = -5\nconverter =", 7, "capacity_mah: -5 is out of range"),
    ],
)
def test_errors_name_line_field_and_what_is_valid(
    good: str, bad: str, line: int, words: str
) -> None:
    with pytest.raises(BenchError) as caught:
        parse_budget(VEST.replace(good, bad, 1), "vest.toml")
    assert f"vest.toml, line {line}:" in str(caught.value)
    assert words in str(caught.value)


def test_missing_file_and_broken_toml(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="drawbench budget new"):
        read_budget(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("[piece\n", encoding="utf-8")
    with pytest.raises(BenchError, match="line 1"):
        read_budget(broken)


def test_a_mark_in_front_of_the_file_is_no_fault(tmp_path: Path) -> None:
    """Some editors write a byte order mark in front of UTF-8."""
    marked = tmp_path / "marked.toml"
    marked.write_text(VEST, encoding="utf-8-sig")
    assert read_budget(marked) == parse_budget(VEST)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, ""),
        ({"hours = 3\n": ""}, "no part of the evening: ride"),
        ({"hours = 3\n": "", "hours = 1\n": ""}, "one hour of each"),
        ({'"boost"': '"buck"'}, "buck converter only steps down"),
        ({'"boost"': '"linear"'}, "linear regulator only steps down"),
        ({"quantity = 24": "quantity = 200"}, "W into heat where it is worn"),
    ],
)
def test_what_the_maker_overlooked_is_said(changes: dict[str, str], told: str) -> None:
    text = VEST
    for old, new in changes.items():
        text = text.replace(old, new)
    warnings = " ".join(tell_budget(parse_budget(text)).warnings)
    for words in ("no part of the evening", "one hour of each", "steps down", "into heat"):
        assert (words in warnings) == (words in told)
    assert told in warnings


def test_a_pack_that_is_empty_at_once_is_said_so() -> None:
    story = tell_budget(parse_budget(VEST.replace("3x AA alkaline", "1x CR2032 lithium-coin")))
    sentences = " ".join(answer_sentences(story))
    assert "empty within a minute" in sentences
    assert "At the peak" not in sentences  # a sag of more than the pack has says nothing


def _mean_ma(text: str, index: int) -> float:
    budget = parse_budget(text)
    value = estimate_mode(budget, budget.modes[index], 3.75).current.value
    assert value is not None
    return value


def test_tolerance_by_state() -> None:
    text = VEST.replace("tolerance_percent = 30", "tolerance_percent = { active = 7.5 }")
    assert parse_budget(text).figures[-1].tolerance == pytest.approx(0.075)
    with pytest.raises(BenchError, match="no state 'aktive'"):
        parse_budget(text.replace("{ active", "{ aktive"))


TAIL_LIGHT = """
[[part]]
name = "tail light"
  [part.led.on]
  forward_v = 2.0
  resistor_ohm = 150
  [part.led.dim]
  forward_v = 2.0
  resistor_ohm = 150
  brightness_percent = 25

[[wire]]"""


def test_a_plain_led_by_its_resistor() -> None:
    # 5 V, 2.0 V, 150 ohm: 20 mA (Ohm's law, a worked example of the trade). Pulses keep their peak.
    text = VEST.replace("\n[[wire]]", TAIL_LIGHT, 1)
    on, dim = parse_budget(text).part("tail light").figures
    assert [on.current_ma, on.peak_ma] == pytest.approx([20.0, 20.0])
    assert [dim.current_ma, dim.peak_ma] == pytest.approx([5.0, 20.0])
    # Straight at three alkaline AA: 4.5 V are left.
    at_pack = text.replace('name = "tail light"', 'name = "tail light"\nsupply = "pack"')
    assert parse_budget(at_pack).part("tail light").figures[0].current_ma == pytest.approx(50 / 3)
    with pytest.raises(BenchError, match="forward_v: a supply of 5 V cannot drive LEDs") as caught:
        parse_budget(text.replace("forward_v = 2.0", "forward_v = 6.0", 1), "vest.toml")
    assert "forward_v = 6.0" in str(caught.value)
    with pytest.raises(BenchError, match="resistor_ohm: 0 is out of range"):
        parse_budget(text.replace("resistor_ohm = 150", "resistor_ohm = 0", 1))


def test_the_corrected_file_has_the_figure_in_the_place_of_the_led() -> None:
    text = VEST.replace("\n[[wire]]", TAIL_LIGHT, 1).replace(
        'parts.microcontroller = "active"',
        'parts.microcontroller = "active"\nparts."tail light" = "on"',
        1,
    )
    budget = parse_budget(text)
    # The LED on the bench draws 40 mA, twice what its resistor says: 20 mA more at 5 V.
    measured = tuple(
        MeasuredMode(mode.name, _mean_ma(text, index) + more_ma, 3.75, 0.05, 600.0)
        for index, (mode, more_ma) in enumerate(zip(budget.modes, (20 * 5 / 3, 0.0), strict=True))
    )
    result = compare_budget(budget, measured, SharedDoubt(0.5, 0.003))
    corrected = parse_budget(corrected_text(text, budget, result))
    on, dim = sorted(corrected.part("tail light").figures, key=lambda item: item.state)[::-1]
    assert on.current_ma > 25.0  # the LEDs' ride takes its share of the blame
    assert dim.current_ma == pytest.approx(5.0)


def test_a_wire_by_its_own_current_and_a_wire_that_takes_too_much() -> None:
    text = VEST.replace('carries = ["LEDs"]', "current_ma = 500")
    budget = parse_budget(text)
    # 0.5 A through 3 m of 26 AWG at 133.89 ohm/km (Floyd): 0.2008 V, under 5 % of 5 V.
    (feed,) = budget.wires
    assert drop_v(budget, feed, budget.modes[0], 3.75) == pytest.approx(0.2008, rel=1e-3)
    assert supply_warnings(budget) == ()
    (warning,) = supply_warnings(parse_budget(text.replace("= 500", "= 700")))
    assert "loses 0.28 V of 5 V" in warning
    with pytest.raises(BenchError, match="one of the two"):
        parse_budget(VEST.replace('carries = ["LEDs"]', ""))


def test_usb_limits_at_the_end_of_a_wire() -> None:
    """USB 2.0, 7.2.2 (second-hand): 4.75 to 5.25 V at the source, down to 4.4 V at the device."""
    assert (CHEMISTRIES["usb-bank"].full_v, USB_SOURCE_LEAST_V) == (5.25, 4.75)
    assert CHEMISTRIES["usb-bank"].floor_v == USB_DEVICE_LEAST_V == 4.4
    supply = VEST[VEST.index("[supply]") : VEST.index("[[part]]")]
    usb = VEST.replace(supply, '[supply]\npack = "usb-bank"\ncapacity_mah = 5000\n\n')
    usb = usb.replace('carries = ["LEDs"]', "current_ma = 800")
    # 0.35 V may be lost: at 0.4017 ohm that is 871 mA.
    assert supply_warnings(parse_budget(usb)) == ()
    (warning,) = supply_warnings(parse_budget(usb.replace("= 800", "= 900")))
    assert "leaves 4.39 V" in warning


def test_a_budget_that_draws_nothing_is_refused() -> None:
    text = VEST.replace("active = 12.0", "active = 0").replace("active = 40.0", "active = 0")
    pixels = text[text.index("  [part.pixel.ride]") : text.index('[[part]]\nname = "microc')]
    nothing = text.replace(pixels, "  [part.current_ma]\n  ride = 0\n  dark = 0.0\n")
    with pytest.raises(BenchError, match="nothing draws"):
        tell_budget(parse_budget(nothing))


@pytest.mark.slow
def test_a_budget_of_one_mode() -> None:
    story = tell_budget(parse_budget(VEST[: VEST.rindex("[[mode]]")]))
    assert [item.mode for item in story.estimates] == ["ride"]
    assert story.packs[0].runtime.value is not None


ONE_FIELD = st.one_of(
    st.integers(),
    st.floats(),
    st.booleans(),
    st.text(max_size=8),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.sampled_from(["ride", "dark", "x"]), st.integers(-2, 2), max_size=2),
)
FIELDS = [
    line.split("=")[0].strip()
    for line in VEST.splitlines()
    if "=" in line and not line.startswith("parts.")
]


@pytest.mark.slow
@given(field=st.sampled_from(FIELDS), value=ONE_FIELD)
@settings(max_examples=120, deadline=None)
def test_a_field_of_any_other_kind_is_an_error_in_words(field: str, value: object) -> None:
    """Valid TOML with one field replaced by anything: read and told, or refused with line and next step."""
    lines = VEST.splitlines()
    place = next(n for n, line in enumerate(lines) if line.split("=")[0].strip() == field)
    lines[place] = f"{field} = {tomlkit.item(value).as_string()}"
    refused: BenchError | None = None
    try:
        tell_budget(parse_budget("\n".join(lines)))
    except BenchError as error:
        refused = error
    assert refused is None or refused.next_step


@pytest.mark.slow
@given(
    text=st.one_of(st.text(max_size=60), st.sampled_from(VEST.splitlines())), cut=st.integers(0, 60)
)
@settings(max_examples=120, deadline=None)
def test_a_torn_or_foreign_file_is_an_error_in_words(text: str, cut: int) -> None:
    lines = VEST.splitlines()
    with contextlib.suppress(BenchError):
        parse_budget("\n".join([*lines[:cut], text]))
