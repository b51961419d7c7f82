"""Which fuse: standard values, what they must let pass, and what must bear them."""

import math

import pytest

from analysis.electric.fuse import HOLDS_MA, STANDARD_MA, choose_fuse
from analysis.electric.pack_table import short_circuit_ma
from logger.base.pack import parse_pack


def test_the_standards_values_are_the_r10_series() -> None:
    # ISO 3: ten steps a decade, 10^(k/10), rounded to 1 % or so (SOURCES.md D13, from memory).
    for step, value in enumerate(STANDARD_MA):
        assert value == pytest.approx(10 ** ((15 + step) / 10), rel=0.015)


@pytest.mark.parametrize(
    ("peak_ma", "rated_ma"),
    # 1.5 times the peak by hand: 489 -> 500; 500 -> 500; 501 -> 630; 24 -> 32; 6000 -> 6300 mA.
    [(326.0, 500), (333.3, 500), (334.0, 630), (16.0, 32), (4000.0, 6300)],
)
def test_the_next_value_over_one_and_a_half_times_the_peak(peak_ma: float, rated_ma: int) -> None:
    fuse = choose_fuse(peak_ma, wire_ma=None, pack_ma=None, short_ma=None)
    assert fuse.rated_ma == rated_ma
    assert fuse.hold_ma is not None
    assert fuse.hold_ma * 0.85 >= peak_ma


def test_never_more_than_the_wire_bears() -> None:
    # IEC 60364-4-43, 433.1 (SOURCES.md D14): 2.1 I_n <= 1.45 I_z. 630 mA need I_z of 912.4 mA.
    fits = choose_fuse(400.0, wire_ma=912.5, pack_ma=None, short_ma=None)
    assert fits.rated_ma == 630
    thin = choose_fuse(400.0, wire_ma=912.0, pack_ma=None, short_ma=None)
    assert thin.rated_ma is None
    assert "the thinnest wire bears no fuse over 630 mA" in thin.why_not
    for peak_ma in (10.0, 90.0, 400.0, 1300.0):
        for wire_ma in (50.0, 300.0, 900.0, 2500.0, 6000.0):
            fuse = choose_fuse(peak_ma, wire_ma=wire_ma, pack_ma=None, short_ma=None)
            assert fuse.rated_ma is None or 2.1 * fuse.rated_ma <= 1.45 * wire_ma
            assert fuse.hold_ma is None or 2.0 * fuse.hold_ma <= 1.45 * wire_ma
            assert (fuse.rated_ma is None) == bool(fuse.why_not)


def test_never_more_than_the_pack_is_made_for() -> None:
    fuse = choose_fuse(400.0, wire_ma=None, pack_ma=500.0, short_ma=None)
    assert fuse.rated_ma is None
    assert "more than the 500 mA" in fuse.why_not


def test_a_pack_that_cannot_melt_it_is_told_so() -> None:
    # A CR2032 of 12 ohm (typical, from memory) gives 3.0 / 12 = 250 mA when shorted.
    short_ma = short_circuit_ma(parse_pack("1x CR2032 lithium-coin"))
    assert short_ma == pytest.approx(250.0)
    fuse = choose_fuse(80.0, wire_ma=None, pack_ma=None, short_ma=short_ma)
    assert fuse.rated_ma is None
    assert "its own resistance limits the current" in fuse.why_not
    assert choose_fuse(10.0, wire_ma=None, pack_ma=None, short_ma=short_ma).rated_ma == 32


def test_beyond_all_values() -> None:
    assert "beyond 10 A" in choose_fuse(7000.0, wire_ma=None, pack_ma=None, short_ma=None).why_not
    assert math.isfinite(sum(HOLDS_MA))
