"""The tool asked by the judge of measurements: a board's windows in, its own intervals out.

The one file that knows both; whoever changes the tool's entry points changes it here. How a zero is taken
(``ZERO_WITH_PACK_ON``) follows what ``drawbench calibrate`` asks its user to do.
"""

import os
from dataclasses import replace
from pathlib import Path
from typing import Final, cast

import numpy as np
import pandas as pd
from click.testing import CliRunner

import drawbench
from drawbench import cli
from logger.base.pack import Pack as ToolPack
from logger.base.sensor_limits import burst_means_ma2, sensor_limits
from logger.board.port import Candidate, Found, Link
from logger.board.stream import Hello
from logger.board.wiring_sense import Row
from logger.calibration.steps import Accuracy, Step, calibrate, reading_of, sheet_of
from logger.run.calibration import Calibration
from logger.run.description import Board, Bursts, Description, Event, Sensor
from logger.run.reader import Run
from tests.benchmarks.measurement_judge.cases import HOLD_S, METER_AT_A, Case, bench_rng
from tests.benchmarks.measurement_judge.foreign import MANUAL, ForeignRun
from tests.benchmarks.measurement_judge.oracle import LATENCY_S
from tests.benchmarks.measurement_judge.score import Interval
from tests.benchmarks.recorded_adapter import recorded_run
from tests.support.datasheet_boards.bench import COUNT_V, COUNTS, current_count_ma, reading
from tests.support.datasheet_boards.bursts import burst_lines
from tests.support.datasheet_boards.errors import Boards
from tests.support.datasheet_boards.packs import Chemistry
from tests.support.datasheet_boards.record import Windows

# As drawbench calibrate says it today: "pack on, load unplugged".
ZERO_WITH_PACK_ON: Final = True
# MEASUREMENT_BURSTS=0: boards whose sketch sends no bursts.
BURSTS: Final = os.environ.get("MEASUREMENT_BURSTS", "1") != "0"
NAME: Final = "7F3A91C2"
STARTED: Final = "2026-01-10T18:00:00.000+00:00"
_ANCHOR_S: Final = 60
_NUMBERS: Final = (
    *("pack_v", "pack_min_v", "bus_v", "current_ma", "current_min_ma", "current_max_ma"),
    *("charge_mah", "energy_mwh"),
)


def frame_of(windows: Windows) -> pd.DataFrame:
    """Rows as ``samples.csv`` would have them, decimals and all."""
    return pd.DataFrame(
        {
            "time_s": windows.time_us / 1e6,
            "sequence": np.arange(len(windows.time_us), dtype=np.int64),
            "boot": np.ones(len(windows.time_us), dtype=np.int64),
            "conversions": windows.conversions,
            **{
                name: np.round(getattr(windows, name), 4 if name.startswith("current") else 6)
                for name in _NUMBERS
            },
        }
    )


def anchors(windows: Windows, rng: np.random.Generator) -> tuple[tuple[float, float, str], ...]:
    """The laptop's clock beside the board's, once a minute, each line late by its time on the way."""
    laptop = 1 + float(windows.board.laptop[0])
    every = max(1, round(_ANCHOR_S / windows.window_s))
    chosen = sorted({*range(0, len(windows.time_us), every), len(windows.time_us) - 1})
    start = pd.Timestamp(STARTED)
    made = []
    for index in chosen:
        host_s = windows.end_s[index] * laptop + rng.uniform(0.001, LATENCY_S)
        moment = (start + pd.Timedelta(seconds=host_s)).isoformat(timespec="milliseconds")
        made.append((round(windows.time_us[index] / 1e6, 6), round(host_s, 6), moment))
    return tuple(made)


def description_of(
    windows: Windows,
    chemistry: Chemistry,
    calibration: Calibration | None,
    rng: np.random.Generator,
) -> Description:
    board = windows.board
    return Description(
        title="judge",
        source="board",
        state="ended",
        started_utc=STARTED,
        end_reason="user",
        window_s=windows.window_s,
        pack=ToolPack(chemistry.name, chemistry.cells, chemistry.size),
        sensor=Sensor(board.sheet.kind, board.shunt_ohm, board.range_ma, board.bus_full_v, "40"),
        board=Board(NAME, 1, firmware="1.0.0"),
        calibration=calibration,
        clock=anchors(windows, rng),
        events=overflow_events(windows),
    )


def overflow_events(windows: Windows) -> tuple[Event, ...]:
    """What the logger writes of ``fault,...,overflow`` lines."""
    return tuple(
        Event(
            float(windows.time_us[index]) / 1e6,
            "fault",
            f"current beyond the sensor's range ({windows.beyond[index]} conversions)",
        )
        for index in np.flatnonzero(windows.beyond)[:500]
    )


def bursts_of(case: Case) -> Bursts | None:
    """What the logger keeps of the board's bursts; None of a board from before they were."""
    if not BURSTS:
        return None
    sheet = sensor_limits(case.board.sheet.kind)
    assert sheet is not None
    rng = np.random.default_rng([case.seed, 6])
    count_ma2 = (1e3 * case.board.sheet.shunt_step_v / case.board.shunt_ohm) ** 2
    found = Bursts()
    for line in burst_lines(case.world, case.board, case.truth.duration_s, rng):
        seen = burst_means_ma2(sheet, line.bursts, line.within, line.between, count_ma2)
        found = found.with_line(*seen)
    return found


def run_of(case: Case, calibration: Calibration | None) -> Run:
    """The run as the tool would read it from disk."""
    rng = np.random.default_rng([case.seed, 5])
    chemistry = case.world.pack.chemistry
    described = description_of(case.windows, chemistry, calibration, rng)
    return Run(Path("judge"), replace(described, bursts=bursts_of(case)), frame_of(case.windows))


def found_of(board: Boards) -> Found:
    hello = Hello(
        protocol=1,
        firmware="1.0.0",
        board=NAME,
        boot=1,
        time_us=0,
        window_us=1_000_000,
        sensor=board.sheet.kind,
        shunt_ohm=board.shunt_ohm,
        range_ma=board.range_ma,
        bus_range_v=board.bus_full_v,
    )
    return Found(Candidate("judge"), cast(Link, None), hello)


def rows_of(windows: Windows) -> list[Row]:
    columns = [getattr(windows, name) for name in Row._fields]
    return [Row(*map(float, row)) for row in zip(*columns, strict=True)]


def calibration_of(case: Case, state: str) -> Calibration | None:
    """What ``drawbench calibrate`` would have kept of this board; None: as bought."""
    if state == "as bought":
        return None
    rng, board = bench_rng(case), case.bench
    found = found_of(board)
    sheet, shunt_ohm = sheet_of(found)
    pack = case.world.pack
    zero, _ = reading(board, pack if ZERO_WITH_PACK_ON else None, 0.0, rng)
    steps = [Step(reading_of(rows_of(zero), sheet, shunt_ohm), true_ma=0.0)]
    if state == "calibrated":
        for amps in METER_AT_A:
            rows, volts = reading(board, pack, amps, rng)
            steps.append(
                Step(
                    reading_of(rows_of(rows), sheet, shunt_ohm),
                    true_ma=case.meter.shows_ma(1e3 * amps, rng),
                    true_v=case.meter.shows_v(volts, rng),
                    digits_ma=COUNTS * current_count_ma(1e3 * amps),
                    digits_v=COUNTS * COUNT_V,
                    limit_ma=case.meter.current_limit,
                    limit_v=case.meter.voltage_limit,
                )
            )
    return calibrate(
        steps,
        Accuracy(case.meter.current_limit, case.meter.voltage_limit),
        found,
        done_utc=STARTED,
        temperature_c=None,
        method="judge",
    )


def ask(case: Case, state: str) -> dict[str, Interval]:
    """Every quantity that the tool says of this run, by the judge's name."""
    return _said(
        drawbench.rundown(run_of(case, calibration_of(case, state)), case.cutoff_v, HOLD_S)
    )


def ask_beyond(case: Case) -> tuple[dict[str, Interval], str]:
    """The same of a run beyond the board's range, recorded line by line; and all that is said in words."""
    found = drawbench.rundown(recorded_run(case.windows, case.world.pack.chemistry))
    return _said(found), "\n".join([repr(found), *found.warnings])


def ask_foreign(run: ForeignRun, folder: Path) -> dict[str, Interval]:
    """What is said of a meter's file after ``drawbench import --accuracy``, as its user would do it."""
    text = folder / "meter.csv"
    text.write_text(run.text, encoding="utf-8")
    arguments = ["import", str(text), str(folder / "run"), "--accuracy", MANUAL]
    done = CliRunner().invoke(cli, [*arguments, "--pack", run.chemistry])
    assert done.exit_code == 0, done.output
    return _said(drawbench.rundown(drawbench.read_run(folder / "run"), None))


def _said(found: drawbench.Rundown) -> dict[str, Interval]:
    said = {
        "charge": found.charge,
        "energy": found.energy,
        "mean": found.mean_current,
        "peak": found.peak_current,
        "cutoff": found.cutoff_time,
        **{f"p{percent:g}": quantity for percent, quantity in found.current_percentiles},
    }
    return {name: Interval(q.value, q.lower, q.upper) for name, q in said.items()}
