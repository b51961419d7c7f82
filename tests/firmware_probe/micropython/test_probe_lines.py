"""The firmware in Python sends, for the conversions that the compiled sketch read, the sketch's lines byte for byte."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from tests.support.board_output import bodies
from tests.support.firmware_sim.bench import READ, Outcome, Script, run_bench
from tests.support.firmware_sim.exact import REG_BUS, REG_SHUNT
from tests.support.firmware_sim.symbols import symbol
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch
from tests.support.interpreter_bench import kinds, needs_interpreter, play, started

pytestmark = [pytest.mark.firmware, needs_interpreter]

WINDOW_US = 40_000
SECONDS = 12.5
Ints = npt.NDArray[np.int64]


def lively(folder: Path, unit_ma: float, *more: str) -> Script:
    """Steps within 20 ms, noise, a part that flows back into the pack."""
    table = folder / "load.csv"
    steps = ((0, 48), (3000, 310.5), (7000, 12.25), (13000, -7), (15500, 96))
    table.write_text("".join(f"{at},{ma * unit_ma}\n" for at, ma in steps), "ascii")
    return Script().at(
        0, "pack-v 4.5", "pack-ohm 0.4", f"load-table 19777 {table}", f"load-noise {9 * unit_ma} 11", *more
    )  # fmt: skip


def of_the_sketch(folder: Path, script: Script, *flags: str, window_us: int = WINDOW_US) -> Outcome:
    """Lines of all windows from the first: the sketch is told to send before it begins."""
    elf = sketch("-DBAUD=500000", *flags)
    script.at(0, f"poke-main {symbol(elf, 'running')} 1 1")
    script.at(0, f"poke-main {symbol(elf, 'next_window_us')} 4 {window_us}")
    return run_bench(elf, script, folder, SECONDS)


def read_registers(outcome: Outcome, kind: str) -> tuple[Ints, Ints, Ints]:
    """(time in us, shunt, bus) of each pair that the sketch fetched."""
    shunt_register, bus_register = (4, 5) if kind == "INA228" else (REG_SHUNT, REG_BUS)
    reads = outcome.records[
        np.isin(outcome.records["reg"], (shunt_register, bus_register))
        & (outcome.records["kind"] == READ)
    ]
    reads = reads[np.argsort(reads["cycle"], kind="stable")]
    at = np.flatnonzero(reads["reg"] == shunt_register)
    other = at - 1 if kind == "INA219" else at + 1
    at, other = at[other < len(reads)], other[other < len(reads)]
    assert (reads["reg"][other] == bus_register).all()
    shunt, bus = (reads["value"][one].astype(np.int64) for one in (at, other))
    if kind == "INA228":
        # 20 of 24 bits (TI SBOSA20)
        shunt, bus = (shunt >> 4) - (shunt >> 23 << 20), bus >> 4
    else:
        shunt = shunt.astype(np.uint16).astype(np.int16).astype(np.int64)
    return reads["cycle"][at].astype(np.int64) // 16, shunt, bus >> 3 if kind == "INA219" else bus


def board_times(outcome: Outcome, seen_us: Ints, lost: Ints, window_us: int = WINDOW_US) -> Ints:
    """When the sketch took each pair, by its own clock: exact for the last of each window.

    ``lost``: which pairs were beyond the range, (n,) of 0 and 1; they are in no window.
    """
    ends_us = [int(window["time_us"]) for window in outcome.windows]
    counted = np.cumsum(1 - lost)
    last = [
        int(np.searchsorted(counted, total))
        for total in np.cumsum([int(window["conversions"]) for window in outcome.windows])
    ]
    offset_us = min(end_us - seen_us[at] for end_us, at in zip(ends_us, last, strict=True))
    times_us = seen_us + offset_us
    begin = 0
    for end_us, at in zip(ends_us, last, strict=True):
        # One beyond the range may have been the last of the window, too.
        while lost[at + 1] and times_us[at + 1] <= end_us:
            at += 1
        # Read before the nominal end, and looked at before it: else it would have been the last.
        nominal_us = end_us // window_us * window_us
        if end_us - nominal_us > window_us // 2:  # it ended early
            nominal_us = end_us
        times_us[begin:at] = np.minimum(times_us[begin:at], nominal_us - 1)
        times_us[at] = end_us
        begin = at + 1
    return np.asarray(times_us[:begin])


@needs_toolchain
@pytest.mark.parametrize(
    ("name", "flags", "bench", "unit_ma"),
    [
        ("ina219", (), (), 1.0),
        ("ina219-shunt", ("-DSHUNT_STEPS=100",), ("shunt-ohm 0.01", "wiring swapped"), 1.0),
        ("ina219-odd-shunt", ("-DSHUNT_STEPS=1237",), ("shunt-ohm 0.1237",), 1.0),
        ("ina219-beyond", ("-DINA219_GAIN=8",), (), 11.0),
        ("ina226", (), ("sensor ina226 45",), 1.0),
        ("ina228", (), ("sensor ina228 45",), 1.0),
        (
            "ina228-odd-shunt",
            ("-DSHUNT_STEPS=1237",),
            ("sensor ina228 45", "shunt-ohm 0.1237"),
            1.0,
        ),
        ("ina228-beyond", (), ("sensor ina228 45",), 11.0),
        ("ina228-ends", (), ("sensor ina228 45", "sensor-force -521600 409600"), 1.0),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_windows_are_the_sketchs_to_the_byte(
    tmp_path: Path, name: str, flags: tuple[str, ...], bench: tuple[str, ...], unit_ma: float
) -> None:
    kind = name.upper()[:6]
    # Beside its first `own` or `overflow` lines the sketch has no time for windows as short as the others'.
    window_us = 60_000 if kind == "INA228" or unit_ma > 1.0 else WINDOW_US
    script = lively(tmp_path, unit_ma, *bench)
    outcome = of_the_sketch(tmp_path, script, *flags, window_us=window_us)
    wanted = [",".join(("w", *line.fields)) for line in outcome.of("w")]
    seen_us, shunt, bus = read_registers(outcome, kind)
    beyond = np.abs(shunt) >= {"INA219": 32_000, "INA226": 32_767, "INA228": 524_287}[kind]
    times_us = board_times(outcome, seen_us, beyond.astype(np.int64), window_us)
    with started(tmp_path / "python") as board:
        board.chip(kind, 0x40 if kind == "INA219" else 0x45)
        for flag in flags:
            if flag.startswith("-DSHUNT_STEPS="):
                board.setting("settings", "SHUNT_STEPS", int(flag.partition("=")[2]))
        board.setting("windows", "WINDOW_US", window_us)
        board.setting("settings", "AVERAGES", 1)
        board.order("early")
        board.set("fitted", 0)
        board.boot(ticks=2**30 - 5_000_000)  # over the wrap of the interpreter's clock
        count = len(times_us)
        sent = play(board, times_us, shunt[:count], bus[:count])
        found = bodies(sent + board.run(int(times_us[-1]) + 1_200_000).sent)
    assert len(wanted) > 0.97 * SECONDS * 1e6 / window_us - 5
    assert [line.split(",")[1] for line in wanted] == [str(at) for at in range(len(wanted))]
    assert kinds(found, "w") == wanted
    told = [body.split(",") for body in kinds(found, "fault")]
    # As many beyond the range in all, though told at other moments.
    assert sum(int(fields[3]) for fields in told if fields[2] == "overflow") == beyond[:count].sum()
    assert beyond[:count].any() == (unit_ma > 1.0)
    assert {fields[2] for fields in told} <= {"overflow", "missed", "sensor"}


@needs_toolchain
def test_windows_end_where_the_sketchs_sums_are_full(tmp_path: Path) -> None:
    """An INA228 at the end of its range fills 32 bits of counts in 4.7 s of a window of six."""
    window_us = 6_000_000
    script = Script().at(0, "sensor ina228 40", "sensor-force 521600 409600")
    outcome = of_the_sketch(tmp_path, script, window_us=window_us)
    wanted = [",".join(("w", *line.fields)) for line in outcome.of("w")]
    assert [int(line.split(",")[3]) for line in wanted][:2] == [4117, 4117]
    seen_us, shunt, bus = read_registers(outcome, "INA228")
    times_us = board_times(outcome, seen_us, np.zeros(len(shunt), dtype=np.int64), window_us)
    with started(tmp_path / "python") as board:
        board.chip("INA228")
        board.setting("windows", "WINDOW_US", window_us)
        board.setting("settings", "AVERAGES", 1)
        board.order("early")
        board.set("fitted", 0)
        board.boot()
        count = len(times_us)
        sent = play(board, times_us, shunt[:count], bus[:count])
        found = bodies(sent + board.run(int(times_us[-1]) + 100_000).sent)
    assert kinds(found, "w") == wanted
