"""Pack physics against published discharge tables and curves."""

import math

import numpy as np
import pytest

from firmware_probe.twin.load import ConstantPower, operating_point
from firmware_probe.twin.pack import (
    ALKALINE_AA,
    LI_ION,
    NIMH_AA,
    CellKind,
    CellPack,
    IdealPack,
    PackModel,
    PowerBank,
)


def discharge(pack: PackModel, current_a: float, end_v: float, step_s: float = 10.0) -> float:
    """Hours of constant current until the terminals are below ``end_v``."""
    time_s = 0.0
    while True:
        emf_v, ohm = pack.source()
        voltage_v = emf_v - current_a * ohm
        if voltage_v < end_v:
            return time_s / 3600.0
        pack.advance(current_a, voltage_v * current_a, step_s)
        time_s += step_s


def test_alkaline_capacity_against_rate() -> None:
    # Five AA alkaline, Ah at 0.1, 0.5, 1, 2 A to 0.1 V: a cell supplier's published bench
    # table, "Discharge tests of AA batteries" (SOURCES.md B3).
    published = {
        0.1: (2.13, 2.20),
        0.5: (1.31, 1.30, 1.17, 1.28, 1.84),
        1.0: (0.98, 0.83, 0.93, 0.95, 1.41),
        2.0: (0.72, 0.54, 0.70, 0.78, 1.18),
    }
    found = {}
    for current_a, table_ah in published.items():
        found[current_a] = current_a * discharge(CellPack(ALKALINE_AA), current_a, 0.1)
        assert min(table_ah) <= found[current_a] <= max(table_ah)
    # Log-log exponent of the same table: 1.32 to 1.46.
    slope = math.log(found[0.1] / found[2.0]) / math.log(2.0 / 0.1)
    assert 1.32 <= 1.0 + slope <= 1.46


def test_alkaline_curve_at_100_ma() -> None:
    # A maker's sheet at 100 mA, digitised: shape only (SOURCES.md B19).
    published = {
        0.2068: 1.5580,
        0.8750: 1.4829,
        2.1299: 1.4138,
        3.9493: 1.3624,
        5.0513: 1.3390,
        6.5210: 1.3122,
        7.2560: 1.3006,
    }
    pack = CellPack(ALKALINE_AA)
    time_s = 0.0
    for hour, volt in published.items():
        while time_s < hour * 3600.0:
            emf_v, ohm = pack.source()
            pack.advance(0.1, 0.1 * (emf_v - 0.1 * ohm), 5.0)
            time_s += 5.0
        emf_v, ohm = pack.source()
        assert emf_v - 0.1 * ohm == pytest.approx(volt, abs=0.015)


def test_alkaline_new_open_circuit_voltage() -> None:
    # Cell makers' sheets to GB/T 8897.2 (SOURCES.md B4): 1.56 to 1.65 V.
    assert 1.56 <= CellPack(ALKALINE_AA).source()[0] <= 1.65


def test_alkaline_on_43_ohm_four_hours_a_day() -> None:
    # Makers' sheets: 2200 mAh with 43 ohm, 4 h a day, to 0.9 V (SOURCES.md B4); the simulated cell is
    # a middling one of the table in SOURCES.md B3, so within 15 %.
    pack = CellPack(ALKALINE_AA)
    while True:
        for _ in range(4 * 60):
            emf_v, ohm = pack.source()
            voltage_v = emf_v * 43.0 / (43.0 + ohm)
            pack.advance(voltage_v / 43.0, voltage_v**2 / 43.0, 60.0)
        if voltage_v < 0.9:
            break
        pack.advance(0.0, 0.0, 20 * 3600.0)
    assert pack.charge_out_mah == pytest.approx(2200.0, rel=0.15)


def test_li_ion_capacity_against_rate() -> None:
    # Measured pouch cell, charge to 3.0 V at four rates: Ai et al. 2020, JES 167:013512
    # (SOURCES.md B1). The model is drawn after it; 2 %.
    published_ah = {0.228: 2.3355, 1.14: 2.3133, 2.28: 2.2868, 4.56: 2.2399}
    for current_a, ah in published_ah.items():
        found_ah = current_a * discharge(CellPack(LI_ION), current_a, 3.0, 1.0)
        assert found_ah == pytest.approx(ah, rel=0.02)


def test_li_ion_resistance_between_rates() -> None:
    # Same cell at half depth, between 0.5 C and 1 C: 66.4 mOhm (SOURCES.md B2); within 15 %.
    volts = []
    for current_a in (1.14, 2.28):
        pack = CellPack(LI_ION)
        while pack.charge_out_mah < 0.5 * 2280.0:
            emf_v, ohm = pack.source()
            pack.advance(current_a, 0.0, 1.0)
        volts.append(emf_v - current_a * ohm)
    assert (volts[0] - volts[1]) / 1.14 == pytest.approx(0.0664, rel=0.15)


@pytest.mark.parametrize(
    ("kind", "nominal_v", "end_v"),
    # Cell sheets (SOURCES.md B10): NiMH 1.2/1.0, Li-ion 3.6-3.7/3.0.
    [(NIMH_AA, 1.2, 1.0), (LI_ION, 3.65, 3.0)],
)
def test_mean_voltage_is_near_nominal_and_little_is_left_at_the_end(
    kind: CellKind, nominal_v: float, end_v: float
) -> None:
    pack = CellPack(kind)
    discharge(pack, kind.capacity_mah / 10_000.0, end_v)
    mean_v = pack.energy_out_mwh / pack.charge_out_mah
    assert mean_v == pytest.approx(nominal_v, rel=0.04)
    assert pack.depth > 0.9


def test_a_rested_cell_recovers_and_gives_more() -> None:
    pack = CellPack(ALKALINE_AA)
    hours = discharge(pack, 1.0, 0.9)
    assert hours < 1.0
    low_v = pack.source()[0]
    pack.advance(0.0, 0.0, 60.0)
    after_a_minute_v = pack.source()[0]
    pack.advance(0.0, 0.0, 3600.0)
    assert low_v < after_a_minute_v < pack.source()[0]
    assert discharge(pack, 1.0, 0.9) > 0.02


def test_wells_keep_the_charge() -> None:
    pack = CellPack(ALKALINE_AA, cells=3)
    rng = np.random.default_rng(3)
    for _ in range(500):
        pack.advance(float(rng.uniform(0.0, 0.5)), 0.0, float(rng.uniform(0.1, 20.0)))
    assert pack.depth * ALKALINE_AA.capacity_mah == pytest.approx(pack.charge_out_mah, rel=1e-9)


def test_step_length_hardly_matters() -> None:
    # Wells and polarisation are solved exactly for a constant current.
    ends_v = []
    for step_s in (1.0, 30.0):
        pack = CellPack(ALKALINE_AA)
        for _ in range(round(7200 / step_s)):
            pack.advance(0.3, 0.0, step_s)
        ends_v.append(pack.source()[0])
    assert ends_v[0] == pytest.approx(ends_v[1], abs=1e-9)


def test_resistance_rises_with_depth_and_cold() -> None:
    pack = CellPack(ALKALINE_AA)
    fresh_ohm = pack.source()[1]
    pack.advance(0.1, 0.0, 60_000.0)
    assert pack.source()[1] > 1.3 * fresh_ohm
    cold = CellPack(ALKALINE_AA, temperature_c=0.0)
    assert cold.source()[1] > fresh_ohm
    assert discharge(cold, 0.25, 0.9) < discharge(CellPack(ALKALINE_AA), 0.25, 0.9)


def test_cells_in_series_add_up() -> None:
    one, three = CellPack(NIMH_AA), CellPack(NIMH_AA, cells=3, wire_ohm=0.1)
    assert three.source()[0] == pytest.approx(3 * one.source()[0])
    assert three.source()[1] == pytest.approx(3 * one.source()[1] + 0.1)
    with pytest.raises(ValueError, match="at least one"):
        CellPack(NIMH_AA, cells=0)


def test_power_bank_is_flat_then_off() -> None:
    # 4.75 to 5.25 V at the source: USB 2.0 7.2.2, second-hand (SOURCES.md C9).
    bank = PowerBank(label_mah=5000.0)
    for current_a in (0.05, 1.0):
        emf_v, ohm = bank.source()
        assert 4.75 <= emf_v - current_a * ohm <= 5.25
    hours = discharge(bank, 0.5, 4.4)
    assert not bank.is_on
    assert bank.source()[0] == 0.0
    # Label counts at the cell's 3.6-3.7 V: at 5 V less comes out, by voltage ratio and efficiency.
    assert 0.5 * hours == pytest.approx(5.0 * 3.7 * 0.88 / 5.05, rel=0.08)
    assert bank.energy_out_mwh < bank.cell.energy_out_mwh


def test_power_bank_switches_off_under_a_light_load_until_the_button() -> None:
    bank = PowerBank(light_load_a=0.05, light_load_s=30.0)
    for _ in range(29):
        bank.advance(0.02, 0.1, 1.0)
    assert bank.is_on
    bank.advance(0.2, 1.0, 1.0)
    for _ in range(30):
        bank.advance(0.02, 0.1, 1.0)
    assert not bank.is_on
    bank.switch_on()
    assert bank.source()[0] > 4.75


def test_true_sums_of_an_ideal_pack() -> None:
    pack = IdealPack(4.5, 0.2)
    pack.advance(0.5, 2.2, 7200.0)
    assert pack.charge_out_mah == pytest.approx(1000.0)
    assert pack.energy_out_mwh == pytest.approx(4400.0)
    assert operating_point(4.5, 0.2, ConstantPower(1.0).draw()) is not None
