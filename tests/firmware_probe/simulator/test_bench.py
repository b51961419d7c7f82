"""The simulated bench itself: the same every time, with the data sheets' timing, losing no byte."""

import itertools
import time
from pathlib import Path

import numpy as np
import pytest

from firmware_probe.line_format import command
from tests.support.firmware_sim.bench import (
    CYCLES_PER_US,
    Host,
    HostError,
    Script,
    live_bench,
    read_outcome,
    run_bench,
)
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def eventful() -> Script:
    script = Script().at(
        0, "switch-fitted", "load-ma 80", "load-noise 30 3", "joint-open 1 2 5000 2000"
    )
    script.host(0.3, "start").host(0.4, "flex-start", "servo", 3, 200, 50, 20, 160, 2, 0)
    script.at(1.2, "bus sda-low 9").at(1.6, "reset external").at(2, "stall").host(2.1, "start")
    return script


def test_lock_step_runs_are_alike_to_the_byte(tmp_path: Path) -> None:
    for name in ("a", "b"):
        run_bench(sketch(), eventful(), tmp_path / name, 5)
    for name in ("uart.bin", "lines.txt", "events.txt", "sensor.bin", "truth.txt"):
        first, second = ((tmp_path / run / name).read_bytes() for run in ("a", "b"))
        assert first == second, name
        assert first


@pytest.mark.parametrize(
    ("sensor", "flags", "pair_us"),
    [
        ("ina219", (), 2 * 532),  # SBOS448G 7.5
        ("ina219", ("-DINA219_BITS=9",), 2 * 84),
        ("ina226", (), 2 * 588),  # SBOS547B
    ],
)
def test_conversions_take_what_the_sheet_says(
    tmp_path: Path, sensor: str, flags: tuple[str, ...], pair_us: int
) -> None:
    outcome = run_bench(sketch(*flags), Script().at(0, f"sensor {sensor} 40"), tmp_path, 0.5)
    ends = outcome.conversions["cycle"][-50:].astype(np.int64)
    assert (np.diff(ends) == pair_us * CYCLES_PER_US).all()


def test_bytes_on_the_wire_take_ten_bits(tmp_path: Path) -> None:
    """Lines cannot leave faster than the rate allows: 115200 baud gives 86.8 us a byte, 16 MHz 85 us."""
    script = Script().host(0.4, "window", 10_000).host(0.5, "start").at(0, "load-ma 80")
    outcome = run_bench(sketch(), script, tmp_path, 1.5)
    sent = [
        (line.sent_us, len(line.kind) + len(",".join(line.fields)) + 7) for line in outcome.of("w")
    ]
    gaps = [(b[0] - a[0]) / b[1] for a, b in itertools.pairwise(sent)]
    assert min(gaps) >= 85.0


@pytest.mark.parametrize("baud", [115_200, 500_000])
def test_slow_reader_loses_nothing(tmp_path: Path, baud: int) -> None:
    """The host sleeps while the pty fills: board time stands still, every byte arrives."""
    script = Script().at(0, "pack-v 4.5", "load-ma 80")
    elf = sketch(f"-DBAUD={baud}")
    with live_bench(elf, script, tmp_path) as port, Host(port, baud) as host:
        host.hear(b"hello", ask=command("identify"))
        host.send(command("window", "30000"), command("start"))
        host.hear(b"ok,start")
        time.sleep(0.5)  # a real wait: the kernel's buffer has to fill
        heard = host.hear(b"w,", bytes_wanted=30_000)
    sequences = [
        int(line.split(b",")[1]) for line in heard.split(b"\n")[:-1] if line.startswith(b"w,")
    ]
    assert len(sequences) > 200
    assert sequences == list(range(len(sequences)))
    assert heard in (tmp_path / "uart.bin").read_bytes()


def test_opening_the_port_restarts_the_board(tmp_path: Path) -> None:
    """DTR does not cross a pty; the bench does what an Uno's capacitor does."""
    with (
        live_bench(sketch(), Script(), tmp_path, "--pace", "2") as port,
        Host(port, 115_200) as host,
    ):
        host.hear(b"cause=reset")
    assert len(read_outcome(tmp_path).event_times("boot")) == 2


def test_unplugging_takes_port_and_power(tmp_path: Path) -> None:
    script = Script().at(0, "switch-fitted", "load-ma 80").at(1.5, "unplug").at(2.5, "plug")
    with live_bench(sketch(), script, tmp_path, "--pace", "2", "--no-reset-on-open") as port:
        with Host(port, 115_200) as host, pytest.raises(HostError, match="gone"):
            host.hear(b"never sent")
        end_s = time.monotonic() + 10
        while not Path(port).exists() and time.monotonic() < end_s:
            time.sleep(0.02)
        with Host(port, 115_200) as host:
            host.hear(b"boot=2,cause=power", ask=command("identify"))
    assert read_outcome(tmp_path).event_times("switch open")


@pytest.mark.parametrize("host_baud", [57_600, 230_400])
def test_host_at_another_rate_hears_garbage(tmp_path: Path, host_baud: int) -> None:
    """The pty carries the rate that the host has set; another than the board's makes no line."""
    with live_bench(sketch(), Script(), tmp_path) as port, Host(port, host_baud) as host:
        heard = host.hear(b"", bytes_wanted=80)
    assert b"hello" not in heard
