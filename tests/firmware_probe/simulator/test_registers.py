"""Data sheets' worked examples through the virtual sensors, and through sketch and sensor together."""

import subprocess
from pathlib import Path

import pytest

from tests.support.firmware_sim.bench import Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, registers_program, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def registers(
    kind: str, shunt_v: float, bus_v: float, config: str, calibration: str, *seconds: str
) -> dict[str, int]:
    program = str(registers_program())
    command = [program, kind, str(shunt_v), str(bus_v), config, calibration, *seconds]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    rows = (line.split() for line in done.stdout.splitlines())
    return {name: int(value, 16) for name, value in rows}


def test_ina219_sheet_example() -> None:
    """TI SBOS448F, Table 3: 10 A through 2 mOhm at 12 V; the bus register's low bits are flags."""
    found = registers("ina219", 0.020, 11.98, "019F", "5000")
    assert found["00"] == 0x019F
    assert found["01"] == 0x07D0
    assert found["02"] & 0xFFF8 == 0x5D98
    assert found["03"] == 0x1766
    assert found["04"] == 0x2710
    assert found["05"] == 0x5000


def test_ina226_sheet_example() -> None:
    """TI SBOS547, Table 1 (power: the register's 12B8h; the sheet also prints 119.82 W beside it)."""
    found = registers("ina226", 0.020, 11.98, "4127", "A00")
    assert [found[name] for name in ("00", "01", "02", "03", "04", "05")] == [
        0x4127,
        0x1F40,
        0x2570,
        0x12B8,
        0x2710,
        0x0A00,
    ]


def test_ina228_sheet_example() -> None:
    """TI SBOSA20, application example (SOURCES.md C25, from memory): 6 A and 48 V on 16.2 mOhm, and an hour of it."""
    found = registers("ina228", 0.0972, 48, "FB68", "FD2", "3600")
    assert found["02"] == 0x0FD2
    assert found["04"] >> 4 == 0x4BF00
    assert found["05"] >> 4 == 0x3C000
    assert found["06"] == 0x0C80  # 25 degrees
    assert found["07"] >> 4 == 0x4CCCC
    assert found["08"] == pytest.approx(
        288 / (3.2 * 10 / 2**19), rel=1e-5
    )  # 288 W in 3.2 x 10 A / 2^19
    assert found["09"] == pytest.approx(0x3F480000, rel=1e-5)
    assert found["0A"] == pytest.approx(0x43800000, rel=1e-5)
    assert (found["3E"], found["3F"] >> 4) == (0x5449, 0x228)


def test_identification_registers() -> None:
    """TI SBOS547B: manufacturer 5449h, die 2260h; the INA219 has neither (SBOS448G)."""
    assert (
        registers("ina226", 0, 0, "4127", "0")["FE"],
        registers("ina226", 0, 0, "4127", "0")["FF"],
    ) == (
        0x5449,
        0x2260,
    )
    assert registers("ina219", 0, 0, "399F", "0")["FE"] == 0


@pytest.mark.parametrize(
    ("shunt_v", "config", "counts"),
    # SBOS448G, shunt voltage register format: gain /1 ends at 40 mV = 4000 counts, /8 at 320 mV
    [(0.5, "399F", 32000), (-0.5, "399F", -32000), (0.05, "219F", 4000), (-0.05, "219F", -4000)],
)
def test_ina219_end_of_range(shunt_v: float, config: str, counts: int) -> None:
    assert registers("ina219", shunt_v, 5, config, "0")["01"] == counts & 0xFFFF


@pytest.mark.parametrize("sensor", ["ina219", "ina226", "ina228"])
def test_sheet_example_through_the_sketch(tmp_path: Path, sensor: str) -> None:
    """The same 10 A, 11.98 V and 2 mOhm: what arrives in the line, and an hour's worth of charge and energy."""
    counts = {"ina219": "2000 2995", "ina226": "8000 9584", "ina228": "64000 61338"}[sensor]
    script = Script().at(0, f"sensor {sensor} 40", f"sensor-force {counts}").host(0.3, "start")
    outcome = run_bench(sketch("-DSHUNT_STEPS=20"), script, tmp_path, 3)
    window = outcome.windows[-1]
    assert window["current_ma"] == "10000.0000"
    # The INA228's nearest count to 11.98 V is 78 uV off.
    off_v = 61338 * 195.3125e-6 - 11.98 if sensor == "ina228" else 0.0
    assert float(window["bus_v"]) == pytest.approx(11.98 + off_v, abs=6e-7)
    assert window["pack_v"] == window["pack_min_v"]
    assert float(window["pack_v"]) == pytest.approx(12 + off_v, abs=6e-7)
    hours = int(window["time_us"]) / 3.6e9
    assert float(window["charge_mah"]) == pytest.approx(10_000 * hours, abs=1e-6)
    # the pack gives 10 A x 12.00 V; the sheet's 119.8 W are what is left behind the shunt
    assert float(window["energy_mwh"]) == pytest.approx(10_000 * (12 + off_v) * hours, abs=2e-6)
    assert not outcome.of("fault")


@pytest.mark.parametrize("address", range(0x40, 0x50))
def test_every_address_is_found(tmp_path: Path, address: int) -> None:
    sensor = ("ina219", "ina226", "ina228")[address % 3]
    outcome = run_bench(sketch(), Script().at(0, f"sensor {sensor} {address:x}"), tmp_path, 0.3)
    assert outcome.hellos[0]["sensor"] == sensor.upper()
    assert outcome.hellos[0]["address"] == f"{address:02X}"
