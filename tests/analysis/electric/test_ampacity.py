"""Ampacity against the derating that it is scaled from, and against a table of another trade."""

import pytest

from analysis.electric.ampacity import AROUND_C, INSULATIONS_C, ampacity_ma, bundle_share

# SOURCES.md D12 (from memory): ampere of a single wire, 200 C insulation, 70 C around it.
DERATING_A = [(30, 1.3), (28, 1.8), (26, 2.5), (24, 3.3), (22, 4.5), (20, 6.5)]
# What it leaves for other insulations.
SHARES = [(150.0, 0.8), (135.0, 0.7), (105.0, 0.5)]
# Chassis wiring by a handbook of electronic tables, ampere, from memory: never less than ours in a pair.
CHASSIS_A = [(30, 0.86), (28, 1.4), (26, 2.2), (24, 3.5), (22, 7.0)]


@pytest.mark.parametrize(("gauge_awg", "ampere"), DERATING_A)
def test_single_wires_of_the_table(gauge_awg: int, ampere: float) -> None:
    assert ampacity_ma(gauge_awg, "ptfe", 1, AROUND_C) == pytest.approx(1000 * ampere)


@pytest.mark.parametrize(("insulation_c", "share"), SHARES)
def test_other_insulations_as_the_table_scales_them(
    insulation_c: float, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(INSULATIONS_C, "other", insulation_c)
    got = ampacity_ma(24, "other", 1, AROUND_C) / 3300
    assert got == pytest.approx(share, abs=0.03)


def test_bundles_of_the_table() -> None:
    # (29 - N) / 28 up to 15 wires, half above (SOURCES.md D12).
    assert bundle_share(1) == 1.0
    assert bundle_share(15) == pytest.approx(0.5)
    assert bundle_share(40) == 0.5


@pytest.mark.parametrize(("gauge_awg", "ampere"), CHASSIS_A)
def test_worn_pvc_is_on_the_safe_side_of_chassis_wiring(gauge_awg: int, ampere: float) -> None:
    assert 0.3 * ampere < ampacity_ma(gauge_awg, "pvc") / 1000 < ampere


def test_silicone_carries_more_than_pvc_and_thinner_less() -> None:
    assert ampacity_ma(26, "silicone") > 1.5 * ampacity_ma(26, "pvc")
    currents = [ampacity_ma(gauge, "pvc") for gauge in (10, 18, 23, 30, 36)]
    assert currents == sorted(currents, reverse=True)
