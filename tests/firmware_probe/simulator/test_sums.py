"""The compiled sketch counts every conversion once, and its sums are the sensor's to the last digit."""

from pathlib import Path

import numpy as np
import pytest

from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.exact import (
    INA219,
    INA226,
    INA228,
    check_windows,
    converted_pairs,
    read_pairs,
)
from tests.support.firmware_sim.toolchain import needs_toolchain, size_of, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]

FASTER_BAUD = 500_000
SECONDS = 6.0


def lively_load(script: Script, folder: Path) -> Script:
    """A vest's draw: steps within 20 ms, noise, a part that flows back into the pack."""
    folder.mkdir(parents=True, exist_ok=True)
    table = folder / "load.csv"
    table.write_text("0,48\n3000,310.5\n7000,12.25\n13000,-7\n15500,96\n", "ascii")
    return script.at(
        0, "pack-v 4.5", "pack-ohm 0.4", f"load-table 19777 {table}", "load-noise 9 11"
    )


def measure(folder: Path, *flags: str, before: tuple[str, ...] = ()) -> Outcome:
    script = lively_load(Script().at(0, *before), folder)
    script.host(0.3, "start")
    return run_bench(sketch(*flags), script, folder, SECONDS)


def per_100_ms(outcome: Outcome) -> list[float]:
    """Conversions in 100 ms of board time, window by window."""
    ends = np.array([int(window["time_us"]) for window in outcome.windows])
    counts = np.array([int(window["conversions"]) for window in outcome.windows])
    return list(counts[1:] / np.diff(ends) * 1e5)


@pytest.mark.parametrize("baud", [115_200, FASTER_BAUD])
def test_12_bit_every_conversion_exactly_once(tmp_path: Path, baud: int) -> None:
    outcome = measure(tmp_path, f"-DBAUD={baud}")
    windows = outcome.windows
    assert len(windows) > 50
    assert not outcome.void
    assert not outcome.of("fault")
    begin, end = check_windows(converted_pairs(outcome), windows, INA219)
    # none repeated: the sensor saw each shunt value read once, and windows follow without a gap
    assert (outcome.conversions["shunt_reads"][begin:end] == 1).all()
    # SBOS448G: 532 us for each half of a pair, so 93.98 pairs in 100 ms
    assert np.mean(per_100_ms(outcome)) == pytest.approx(100_000 / 1064, rel=2e-3)
    assert [int(w["sequence"]) for w in windows] == list(range(len(windows)))


@pytest.mark.parametrize("baud", [115_200, FASTER_BAUD])
def test_9_bit_as_fast_as_the_bus(tmp_path: Path, baud: int) -> None:
    outcome = measure(tmp_path, "-DINA219_BITS=9", f"-DBAUD={baud}")
    assert not outcome.void
    assert not outcome.of("fault")
    check_windows(read_pairs(outcome), outcome.windows, INA219)
    assert (outcome.conversions["shunt_reads"] <= 1).all()
    assert min(per_100_ms(outcome)[1:]) >= 140


def test_ina226_every_conversion_exactly_once(tmp_path: Path) -> None:
    outcome = measure(tmp_path, before=("sensor ina226 45",))
    assert outcome.hellos[0]["sensor"] == "INA226"
    assert outcome.hellos[0]["address"] == "45"
    assert not outcome.of("fault")
    begin, end = check_windows(converted_pairs(outcome), outcome.windows, INA226)
    assert (outcome.conversions["shunt_reads"][begin:end] == 1).all()
    assert (outcome.conversions["bus_reads"][begin:end] == 1).all()


def test_ina228_every_conversion_exactly_once(tmp_path: Path) -> None:
    """All 20 bits, to the last digit; charge and energy over windows of which the sums go beyond 2^47."""
    outcome = measure(tmp_path, before=("sensor ina228 4a",))
    assert outcome.hellos[0]["sensor"] == "INA228"
    assert outcome.hellos[0]["address"] == "4A"
    assert outcome.hellos[0]["range_ma"] == "1638.4000"
    assert not outcome.of("fault")
    begin, end = check_windows(converted_pairs(outcome), outcome.windows, INA228)
    assert (outcome.conversions["shunt_reads"][begin:end] == 1).all()
    assert (outcome.conversions["bus_reads"][begin:end] == 1).all()
    # SBOSA20 (SOURCES.md C25): 540, 540 and 50 us
    assert np.mean(per_100_ms(outcome)) == pytest.approx(100_000 / 1130, rel=2e-3)


def test_ina228_at_the_ends_of_its_ranges(tmp_path: Path) -> None:
    """163 mV and 80 V at once, and backwards: the greatest sums that there are."""
    for counts in ("521600 409600", "-521600 409600"):
        script = Script().at(0, "sensor ina228 40", f"sensor-force {counts}")
        script.host(0.2, "window", 1_000_000).host(0.3, "start")
        outcome = run_bench(sketch(), script, tmp_path, 5)
        assert not outcome.of("fault")
        check_windows(converted_pairs(outcome), outcome.windows, INA228)
        assert outcome.windows[-1]["bus_v"] == "80.000000"


@pytest.mark.parametrize("factor", [0.95, 586 / 532])
def test_sensors_own_clock_may_be_off(tmp_path: Path, factor: float) -> None:
    """SBOS448G gives 532 us typical and 586 us at most; how fast one may be it does not say."""
    outcome = measure(tmp_path, before=(f"sensor-clock {factor}", "sensor ina219 40"))
    begin, end = check_windows(converted_pairs(outcome), outcome.windows, INA219)
    assert (outcome.conversions["shunt_reads"][begin:end] == 1).all()
    assert not outcome.of("fault")


def test_charge_is_what_really_flowed(tmp_path: Path) -> None:
    """Not only the sensor's sums: the pack's own charge, which no sensor step rounds."""
    outcome = measure(tmp_path)
    last = outcome.windows[-1]
    share = int(last["time_us"]) / outcome.truth["time_us"]
    assert float(last["charge_mah"]) == pytest.approx(outcome.truth["charge_mah"] * share, rel=5e-3)
    assert float(last["energy_mwh"]) == pytest.approx(outcome.truth["energy_mwh"] * share, rel=5e-3)


def test_small_shunt_and_backward_current(tmp_path: Path) -> None:
    outcome = measure(tmp_path, "-DSHUNT_STEPS=100", before=("shunt-ohm 0.01", "wiring swapped"))
    check_windows(converted_pairs(outcome), outcome.windows, INA219, shunt_steps=100)
    assert float(outcome.windows[-1]["current_ma"]) < 0
    assert float(outcome.windows[-1]["charge_mah"]) < 0


@pytest.mark.parametrize("window_us", [10_000, 1_000_000])
def test_window_length(tmp_path: Path, window_us: int) -> None:
    """A line of 10 ms that did not get out in time shows in the sequence numbers, not in the charge."""
    script = lively_load(Script(), tmp_path).host(0.3, "window", window_us).host(0.4, "start")
    outcome = run_bench(sketch(f"-DBAUD={FASTER_BAUD}"), script, tmp_path, SECONDS)
    windows = outcome.windows
    check_windows(converted_pairs(outcome), windows, INA219)
    spans = np.diff([int(window["time_us"]) for window in windows])
    steps = np.diff([int(window["sequence"]) for window in windows])
    assert (spans / steps).mean() == pytest.approx(window_us, abs=1100)
    assert steps.max() <= (3 if window_us == 10_000 else 1)


@pytest.mark.parametrize("flags", [(), ("-DINA219_BITS=9",)])
def test_fits_the_chip(tmp_path: Path, flags: tuple[str, ...]) -> None:
    size = size_of(sketch(*flags))
    assert size.flash <= 29 * 1024  # of the 30 KiB that the smallest board's boot loader leaves
    assert size.ram <= 1400
    # variables and the deepest stack that this run reached, of 2048 bytes
    assert measure(tmp_path, *flags).truth["ram_bytes"] < 1_800
