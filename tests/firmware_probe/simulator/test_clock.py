"""Both wraps of the board's counters: 71.6 minutes of micros(), 49.7 days of millis()."""

import itertools
from pathlib import Path

import pytest

from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.exact import INA219, check_windows, converted_pairs
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]

TICK_US = 1024  # timer 0: 256 steps of 4 us
CROSSING_S = 2.0


def crossing(folder: Path, *pokes: str, script: Script | None = None) -> Outcome:
    script = (script or Script()).at(0, "pack-v 4.5", "load-ma 100", "load-noise 30 5")
    script.at(0, *(f"poke-main {poke}" for poke in pokes)).host(0.3, "start")
    return run_bench(sketch(), script, folder, 4)


def microseconds_wrap() -> str:
    """Overflow count at which micros(), (count << 8 | timer) x 4, passes 2^32 after the crossing time."""
    return f"timer0_overflow_count 4 {2**24 - round(CROSSING_S * 1e6 / TICK_US)}"


def milliseconds_wrap() -> str:
    return f"timer0_millis 4 {2**32 - round(CROSSING_S * 1e3)}"


@pytest.mark.parametrize(
    "pokes",
    [
        (),
        (microseconds_wrap(),),
        (milliseconds_wrap(),),
        (microseconds_wrap(), milliseconds_wrap()),
    ],
    ids=["none", "micros", "millis", "both"],
)
def test_no_step_in_time_or_charge(tmp_path: Path, pokes: tuple[str, ...]) -> None:
    outcome = crossing(tmp_path, *pokes)
    assert bool(outcome.event_times("main")) == bool(pokes)
    windows = outcome.windows
    times_us = [int(window["time_us"]) for window in windows]
    assert times_us[0] < 1e6, "board time counts from its boot"
    assert times_us[-1] > (CROSSING_S + 1.5) * 1e6
    spans = [b - a for a, b in itertools.pairwise(times_us)]
    assert max(abs(span - 100_000) for span in spans) < 1200
    assert len(windows) == len({window["sequence"] for window in windows}) > 33
    # charge goes on to the last digit, with the spans as printed
    check_windows(converted_pairs(outcome), windows, INA219)
    assert not outcome.of("fault")
    assert len(outcome.hellos) == 1


def test_cutoff_and_flex_cross_the_wrap(tmp_path: Path) -> None:
    """A hold time and a flex cycle that begin before the wrap end after it, when they should."""
    script = Script().at(0, "switch-fitted").host(0.4, "cutoff", "4.000000", 1000)
    script.host(0.5, "load", "1")
    script.host(0.6, "flex-start", "servo", 20, 200, 40, 10, 170, 1, 0).at(1.4, "pack-v 3.5")
    outcome = crossing(tmp_path, microseconds_wrap(), milliseconds_wrap(), script=script)
    opened_us = [at for at in outcome.event_times("switch open") if at > 1e6]
    assert opened_us == [pytest.approx(2.4e6, abs=5e3)]
    cycles = list(outcome.of("flex"))
    assert [int(line.fields[0]) for line in cycles] == list(range(1, len(cycles) + 1))
    spans = [int(b.fields[1]) - int(a.fields[1]) for a, b in itertools.pairwise(cycles)]
    assert len(spans) > 14
    assert max(abs(span - 200_000) for span in spans) < 3000
