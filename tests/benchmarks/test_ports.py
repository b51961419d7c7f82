"""What each chip makes of the same sketch, in simulation: conversions caught and lost, flash and RAM.

    python -m pytest tests/benchmarks/test_ports.py -s

Board time, not the computer's: the table is the same on any machine. The RP2040 runs with our own few calls
in the place of its Arduino core (``simulator/rp2040/core``): its flash and RAM are the sketch's share.
"""

from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.toolchain import (
    Size,
    needs_rp2040,
    needs_toolchain,
    rp2040_size_of,
    rp2040_sketch,
    size_of,
    sketch,
)

pytestmark = [
    pytest.mark.firmware,
    pytest.mark.timeout(1200),
    needs_toolchain,
    needs_rp2040,
]

SECONDS = 2.0
FAST = "-DINA219_BITS=9"
SENSORS = (("INA219", ()), ("INA219, 9 bit", (FAST,)), ("INA226", ()), ("INA228", ()))


@dataclass(frozen=True)
class Chip:
    name: str
    image: Path
    size: Size
    seconds: float


def chips(flags: tuple[str, ...]) -> list[Chip]:
    avr = sketch(*flags)
    found = [Chip("ATmega328P, 16 MHz", avr, size_of(avr), SECONDS)]
    for hertz, seconds in ((12_000_000, SECONDS), (125_000_000, 1.0)):
        image = rp2040_sketch(*flags, hertz=hertz)
        name = f"RP2040, {hertz // 1_000_000} MHz"
        found.append(Chip(name, image, rp2040_size_of(image), seconds))
    return found


def caught_and_lost(outcome: Outcome) -> tuple[float, float, float]:
    """Conversions a second in the windows, converted but not read, and told by `missed`, from first window to last."""
    windows = outcome.windows[2:-1]
    begin_us, end_us = (int(windows[i]["time_us"]) for i in (0, -1))
    span_s = (end_us - begin_us) * 1e-6
    caught = sum(int(window["conversions"]) for window in windows[1:])
    # the sensor's clock began with the board's, some milliseconds of start apart
    ends_us = outcome.conversions["cycle"] / 16
    converted = int(((ends_us > begin_us) & (ends_us <= end_us)).sum())
    told = sum(int(line.fields[2]) for line in outcome.faults("missed"))
    return caught / span_s, max(0, converted - caught) / span_s, told / span_s


def test_conversions_caught_and_lost(tmp_path: Path) -> None:
    print(
        f"\n{'sensor':14} {'chip':20} {'caught/s':>9} {'lost/s':>7} {'told/s':>7} {'flash':>7} {'RAM':>6}"
    )
    for sensor, flags in SENSORS:
        for chip in chips(flags):
            kind = sensor.split(",")[0].lower()
            script = Script().at(0, f"sensor {kind} 40", "load-ma 80", "load-noise 30 3")
            folder = tmp_path / f"{sensor}-{chip.name}".replace(" ", "")
            outcome = run_bench(chip.image, script.host(0.2, "start"), folder, chip.seconds)
            caught, lost, told = caught_and_lost(outcome)
            size = f"{chip.size.flash:7} {chip.size.ram:6}"
            print(f"{sensor:14} {chip.name:20} {caught:9.1f} {lost:7.1f} {told:7.1f} {size}")
            assert caught > 0
