"""Resistance and drop of wires against handbook values."""

import pytest

from analysis.electric.wire_drop import (
    STRANDED_SPREAD,
    diameter_mm,
    loop_resistance_ohm,
    resistance_ohm_per_km,
)

# ASTM B258 diameters and a published solid-copper table (Floyd), ohm per 1000 ft and per km.
WIRE_TABLE = [
    (22, 0.64380, 52.95),
    (24, 0.51056, 84.22),
    (26, 0.40489, 133.89),
    (28, 0.32109, 212.93),
    (30, 0.25464, 338.58),
]
# Published stranded-wire chart, ohm per 1000 ft: 22 7/30, 24 7/32, 26 7/34, 28 7/36, 30 7/38.
STRANDED_OHM_PER_1000_FT = [(22, 14.74), (24, 23.30), (26, 37.30), (28, 64.90), (30, 103.20)]


@pytest.mark.parametrize(("gauge_awg", "expected_mm", "expected_ohm_per_km"), WIRE_TABLE)
def test_wire_table(gauge_awg: int, expected_mm: float, expected_ohm_per_km: float) -> None:
    assert diameter_mm(gauge_awg) == pytest.approx(expected_mm, abs=1e-5)
    assert resistance_ohm_per_km(gauge_awg) == pytest.approx(expected_ohm_per_km, rel=5e-4)


@pytest.mark.parametrize(("gauge_awg", "ohm_per_1000_ft"), STRANDED_OHM_PER_1000_FT)
def test_stranded_wire_lies_in_the_stated_spread(gauge_awg: int, ohm_per_1000_ft: float) -> None:
    solid = resistance_ohm_per_km(gauge_awg)
    stranded = ohm_per_1000_ft / 0.3048
    assert solid * (1 - STRANDED_SPREAD) <= stranded <= solid * 1.001


def test_drop_counts_out_and_back() -> None:
    # 26 AWG, 1.5 m one way is 3 m of wire: 3 m x 133.89 ohm/km = 0.4017 ohm; 0.5 A: 0.2008 V.
    assert loop_resistance_ohm(26, 1.5) == pytest.approx(0.4017, rel=1e-3)
    assert loop_resistance_ohm(26, 1.5) * 0.5 == pytest.approx(0.2008, rel=1e-3)
