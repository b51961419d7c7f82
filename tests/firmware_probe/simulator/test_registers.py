"""Data sheets' worked examples through the virtual sensors, and through sketch and sensor together."""

import subprocess
from pathlib import Path

import pytest

from tests.support.firmware_sim.bench import Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, registers_program, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def registers(
    kind: str, shunt_v: float, bus_v: float, config: str, calibration: str
) -> dict[str, int]:
    command = [str(registers_program()), kind, str(shunt_v), str(bus_v), config, calibration]
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


@pytest.mark.parametrize("sensor", ["ina219", "ina226"])
def test_sheet_example_through_the_sketch(tmp_path: Path, sensor: str) -> None:
    """The same 10 A, 11.98 V and 2 mOhm: what arrives in the line, and an hour's worth of charge and energy."""
    counts = "2000 2995" if sensor == "ina219" else "8000 9584"
    script = Script().at(0, f"sensor {sensor} 40", f"sensor-force {counts}").host(0.3, "start")
    outcome = run_bench(sketch("-DSHUNT_STEPS=20"), script, tmp_path, 3)
    window = outcome.windows[-1]
    assert window["current_ma"] == "10000.0000"
    assert window["bus_v"] == "11.980000"
    assert window["pack_v"] == window["pack_min_v"] == "12.000000"
    hours = int(window["time_us"]) / 3.6e9
    assert float(window["charge_mah"]) == pytest.approx(10_000 * hours, abs=1e-6)
    # the pack gives 10 A x 12.00 V; the sheet's 119.8 W are what is left behind the shunt
    assert float(window["energy_mwh"]) == pytest.approx(120_000 * hours, abs=1e-6)
    assert not outcome.of("fault")


@pytest.mark.parametrize("address", range(0x40, 0x50))
def test_every_address_is_found(tmp_path: Path, address: int) -> None:
    sensor = "ina226" if address % 2 else "ina219"
    outcome = run_bench(sketch(), Script().at(0, f"sensor {sensor} {address:x}"), tmp_path, 0.3)
    assert outcome.hellos[0]["sensor"] == sensor.upper()
    assert outcome.hellos[0]["address"] == f"{address:02X}"
