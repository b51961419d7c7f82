"""Sensor: register arithmetic against TI's own worked examples, errors within TI's limits."""

import numpy as np
import pytest

from firmware_probe.twin.sensor import (
    INA219,
    INA226,
    INA228,
    NO_ERRORS,
    SHUNT_TOLERANCE,
    CurrentSensor,
    PlantedErrors,
    SensorKind,
    draw_errors,
)
from firmware_probe.twin.sensor_registers import (
    BUS,
    CALIBRATION,
    CONFIGURATION,
    CURRENT,
    DIE_ID,
    MANUFACTURER_ID,
    MASK_ENABLE,
    POWER,
    SHUNT,
    Registers,
    calibration_register,
    decode_configuration,
)


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


def test_ina219_worked_example_of_its_data_sheet() -> None:
    # TI SBOS448F, Table 3 (SOURCES.md C1): 10 A, 12 V, 2 mOhm, 1 mA per bit.
    registers = Registers(INA219)
    registers.write(CONFIGURATION, 0x019F)
    calibration = calibration_register(INA219, 1e-3, 2e-3)
    assert calibration == 0x5000
    registers.write(CALIBRATION, calibration)
    registers.latch(2000, 2995)
    assert registers.read(SHUNT) == 0x07D0
    # 5D98h holds the conversion-ready bit cleared; our register has it set after a conversion.
    assert registers.read(BUS) & ~0x0003 == 0x5D98
    assert registers.read(CURRENT) == 0x2710
    assert registers.read(POWER) == 0x1766


def test_ina219_worked_example_from_volts_and_amperes() -> None:
    # Same table: 20 mV over the shunt and 11.98 V on the bus, through the analogue side.
    sensor = CurrentSensor(INA219, shunt_ohm=0.002, configuration_value=0x019F)
    assert sensor.convert_shunt(10.0, 1, rng()).tolist() == [2000]
    assert sensor.convert_bus(11.98, 1, rng()).tolist() == [2995]


def test_ina226_worked_example_of_its_data_sheet() -> None:
    # TI SBOS547, Table 1 (SOURCES.md C4). The sheet prints 119.82 W; its register is 12B8h.
    registers = Registers(INA226)
    registers.write(CONFIGURATION, 0x4127)
    calibration = calibration_register(INA226, 1e-3, 2e-3)
    assert calibration == 0xA00
    registers.write(CALIBRATION, calibration)
    registers.latch(8000, 9584)
    assert registers.read(SHUNT) == 0x1F40
    assert registers.read(BUS) == 0x2570
    assert registers.read(CURRENT) == 0x2710
    assert registers.read(POWER) == 0x12B8
    sensor = CurrentSensor(INA226, shunt_ohm=0.002)
    assert sensor.convert_shunt(10.0, 1, rng()).tolist() == [8000]
    assert sensor.convert_bus(11.98, 1, rng()).tolist() == [9584]


def test_reset_values_and_identification() -> None:
    # TI SBOS448G 8.6 (SOURCES.md C2): reset 399Fh, no identification registers. TI SBOS547B 7.6 (SOURCES.md C5).
    plain, named = Registers(INA219), Registers(INA226)
    assert plain.read(CONFIGURATION) == 0x399F
    assert named.read(CONFIGURATION) == 0x4127
    assert (named.read(MANUFACTURER_ID), named.read(DIE_ID)) == (0x5449, 0x2260)
    with pytest.raises(KeyError):
        plain.read(MANUFACTURER_ID)
    plain.write(CALIBRATION, 0x1235)
    assert plain.read(CALIBRATION) == 0x1234  # bit 0 is void
    plain.write(CONFIGURATION, 0x8000)
    assert (plain.read(CONFIGURATION), plain.read(CALIBRATION)) == (0x399F, 0)


@pytest.mark.parametrize(
    ("code", "time_us", "bits"),
    # TI SBOS448G 7.5 and Table 5 (SOURCES.md C3): 12 bit 532 us, averaging 2 to 128 in ms.
    [
        (0b0000, 84, 9),
        (0b0011, 532, 12),
        (0b1000, 532, 12),
        (0b1001, 1060, 12),
        (0b1010, 2130, 12),
        (0b1011, 4260, 12),
        (0b1100, 8510, 12),
        (0b1101, 17020, 12),
        (0b1110, 34050, 12),
        (0b1111, 68100, 12),
    ],
)
def test_ina219_conversion_times(code: int, time_us: float, bits: int) -> None:
    setting = decode_configuration(INA219, 0x2007 | 0x1800 | code << 7 | code << 3)
    assert setting.shunt_time_us == pytest.approx(time_us, rel=0.005)
    assert setting.bus_time_us == setting.shunt_time_us
    assert (setting.shunt_bits, setting.gain, setting.bus_range_v) == (bits, 3, 32.0)


def test_ina226_conversion_times() -> None:
    # TI SBOS547B 7.6.1 (SOURCES.md C5).
    times = [
        decode_configuration(INA226, 0x4007 | code << 6 | code << 3).shunt_time_us
        for code in range(8)
    ]
    assert times == [140, 204, 332, 588, 1100, 2116, 4156, 8244]
    averaged = decode_configuration(INA226, 0x4127 | 0b010 << 9)
    assert (averaged.shunt_averages, averaged.pair_time_us) == (16, 2 * 16 * 1100)


def test_conversion_ready_flag_and_what_clears_it() -> None:
    # TI SBOS448G 8.6.3.2: reading the power register clears it. TI SBOS547B: reading mask/enable.
    registers = Registers(INA219)
    assert registers.read(BUS) & 2 == 0
    registers.latch(10, 1000)
    assert registers.read(BUS) & 2
    assert registers.read(BUS) & 2
    registers.read(POWER)
    assert registers.read(BUS) & 2 == 0
    other = Registers(INA226)
    other.latch(10, 1000)
    assert other.read(MASK_ENABLE) & 8
    assert other.read(MASK_ENABLE) & 8 == 0


def test_arithmetic_overflow_flag_and_negative_current() -> None:
    registers = Registers(INA219)
    registers.write(CALIBRATION, 0x1000)
    registers.latch(-2001, 1000)
    # 2001 x 4096 / 4096, two's complement; the power of a negative current is positive.
    assert registers.read(CURRENT) == 0x10000 - 2001
    assert registers.read(POWER) == 2001 * 1000 // 5000
    assert registers.read(BUS) & 1 == 0
    registers.write(CALIBRATION, 0xFFFE)
    registers.latch(32000, 4000)
    assert registers.read(BUS) & 1 == 1


def test_calibration_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit the register"):
        calibration_register(INA219, 1e-6, 1e-3)


def test_counts_end_at_the_gain_range() -> None:
    # TI SBOS448G 8.6.3.1: PGA /8 is full at 32000, /1 at 4000 steps of 10 uV.
    wide = CurrentSensor(INA219, shunt_ohm=0.1)
    assert wide.convert_shunt(5.0, 2, rng()).tolist() == [32000, 32000]
    assert wide.range_ma == 3200.0
    narrow = wide.with_gain(0)
    assert narrow.convert_shunt(-5.0, 1, rng()).tolist() == [-4000]
    assert narrow.range_ma == 400.0
    assert CurrentSensor(INA226, shunt_ohm=0.1).convert_shunt(5.0, 1, rng()).tolist() == [0x7FFF]


def test_nine_bits_step_eight_times_as_coarse() -> None:
    sensor = CurrentSensor(INA219, configuration_value=0x3807)
    counts = sensor.convert_shunt(np.linspace(0.0, 0.1, 500), 500, rng())
    assert set(counts % 8) == {0}
    assert sensor.configuration.pair_time_us == 168


@pytest.mark.parametrize("kind", [INA219, INA226, INA228], ids=lambda kind: kind.name)
def test_noise_and_quantisation_leave_the_mean_alone(kind: SensorKind) -> None:
    sensor = CurrentSensor(kind, errors=PlantedErrors())
    true_a = 0.1234567
    counts = sensor.convert_shunt(true_a, 40_000, rng())
    step_a = kind.shunt_lsb_pv * 1e-12 / 0.1
    spread = counts.std() * step_a
    assert spread == pytest.approx(np.hypot(kind.shunt_noise_lsb, 12**-0.5) * step_a, rel=0.02)
    # Five standard errors.
    assert abs(counts.mean() * step_a - true_a) < 5 * spread / 200


@pytest.mark.parametrize("kind", [INA219, INA226, INA228], ids=lambda kind: kind.name)
def test_planted_errors_keep_within_the_sheet(kind: SensorKind) -> None:
    # TI SBOS448G 7.5, TI SBOS547B 6.5 (SOURCES.md C3, C5, C25).
    drawn = [draw_errors(kind, np.random.default_rng(seed)) for seed in range(500)]
    assert max(abs(errors.shunt_gain) for errors in drawn) <= kind.shunt_gain_max
    assert max(abs(errors.bus_gain) for errors in drawn) <= kind.bus_gain_max
    assert max(abs(errors.bus_offset_v) for errors in drawn) <= kind.bus_offset_max_v
    assert max(abs(errors.shunt_ohm_error) for errors in drawn) <= SHUNT_TOLERANCE
    for gain, limit_uv in enumerate(kind.shunt_offset_max_uv):
        assert max(abs(errors.shunt_offset_uv[gain]) for errors in drawn) <= limit_uv
    # They are drawn as wide as the sheet calls typical, not all near zero.
    assert np.std([errors.shunt_gain for errors in drawn]) > 0.6 * kind.shunt_gain_typ


def test_planted_gain_offset_and_shunt_show_in_the_counts() -> None:
    errors = PlantedErrors(
        shunt_gain=0.004, shunt_offset_uv=(0.0, 0.0, 0.0, 150.0), shunt_ohm_error=0.01, noise=0.0
    )
    sensor = CurrentSensor(INA219, errors=errors)
    # 1 A x 0.101 ohm x 1.004 + 150 uV in steps of 10 uV.
    assert sensor.convert_shunt(1.0, 1, rng()).tolist() == [round((101e3 * 1.004 + 150) / 10)]
    assert NO_ERRORS.shunt_gain == 0.0


def test_sensor_that_does_not_convert_both_is_refused() -> None:
    with pytest.raises(ValueError, match="continuously"):
        CurrentSensor(INA219, configuration_value=0x399D)
    with pytest.raises(ValueError, match="ohm"):
        CurrentSensor(INA219, shunt_ohm=0.0)


def test_twenty_bits_and_the_times_of_an_ina228() -> None:
    # TI SBOSA20 (SOURCES.md C25, from memory): 312.5 nV, 195.3125 uV, times 50 us to 4.12 ms, +-163.84 mV.
    sensor = CurrentSensor(INA228, shunt_ohm=0.1)
    assert sensor.convert_shunt(0.972, 1, rng()).tolist() == [0x4BF00]  # 97.2 mV
    assert sensor.convert_bus(48.0, 1, rng()).tolist() == [0x3C000]
    assert sensor.convert_shunt(-5.0, 1, rng()).tolist() == [-0x7FFFF]
    assert sensor.range_ma == pytest.approx(1638.4)
    assert sensor.configuration.pair_time_us == 540 + 540 + 50
    assert decode_configuration(INA228, 0xFB68).shunt_time_us == 1052
    assert INA228.pack_ratio == 625
