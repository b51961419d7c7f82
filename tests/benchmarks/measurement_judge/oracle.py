"""How wide a 95 % interval must be: for one who knows how the errors are distributed, and no board's own.

Some thousand boards are drawn as the cases' are; of each the error of the raw reading is known in closed
form, and what the bench has shown of it (zero, readings beside the meter, the laptop's clock). What a
straight line through all that cannot predict is the least doubt: its central 95 % is the ideal width. The
product of voltage and current is taken at the true means: pulses add nothing that an oracle would not know.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from tests.benchmarks.measurement_judge.cases import (
    HOLD_S,
    METER_AT_A,
    METER_CURRENT,
    METER_VOLTAGE,
    WINDOW_S,
    Case,
    another_day,
)
from tests.support.datasheet_boards.bench import COUNT_V, COUNTS, current_count_ma
from tests.support.datasheet_boards.errors import Boards, Law, draw_boards, perfect_board
from tests.support.datasheet_boards.record import record
from tests.support.datasheet_boards.truth import truth_of

Floats = npt.NDArray[np.float64]

BOARDS: Final = 3000
TIMES: Final = 4
# A line waits up to so long on its way to the laptop: USB serial chips, no source.
LATENCY_S: Final = 0.016


@dataclass(frozen=True)
class Population:
    """Boards, the same on the bench, and their meters' errors; arrays of shape (BOARDS,)."""

    boards: Boards
    bench: Boards
    meter_current: Floats
    meter_voltage: Floats


def population(chip: str, law: Law) -> Population:
    rng = np.random.default_rng([4711, len(law.value), len(chip), ord(chip[-1])])
    boards = draw_boards(chip, law, rng, BOARDS)
    return Population(
        boards,
        another_day(boards, rng),
        rng.uniform(-METER_CURRENT, METER_CURRENT, BOARDS),
        rng.uniform(-METER_VOLTAGE, METER_VOLTAGE, BOARDS),
    )


def rounded_mean(value: Floats, step: float, noise: Floats) -> Floats:
    """Mean of many conversions rounded down, with normal noise before: a staircase that noise smooths (its Fourier series)."""
    x, s = value / step, noise / step
    wave = sum(
        np.exp(-2 * (np.pi * k * s) ** 2) * np.sin(2 * np.pi * k * x) / (np.pi * k)
        for k in range(1, 6)
    )
    return np.asarray(step * (x - 0.5 + wave))


def read_a(boards: Boards, current_a: float, common_v: float) -> Floats:
    """Mean current that the boards read, in A by the nominal shunt."""
    volts = boards.shunt_reading_v(np.full(BOARDS, current_a), np.full(BOARDS, common_v))
    return rounded_mean(volts, boards.sheet.shunt_step_v, boards.noise_shunt_v) / boards.shunt_ohm


def read_v(boards: Boards, bus_v: float) -> Floats:
    """Mean bus voltage that they read."""
    volts = boards.bus_reading_v(np.full(BOARDS, bus_v))
    return rounded_mean(volts, boards.sheet.bus_step_v, boards.noise_bus_v)


def width(error: Floats, seen: list[Floats]) -> float:
    """Central 95 % of what the seen quantities leave unpredicted."""
    design = np.column_stack([np.ones(BOARDS), *((x - x.mean()) / x.std() for x in seen)])
    rest = error - design @ np.linalg.lstsq(design, error, rcond=None)[0]
    low, high = np.percentile(rest, (2.5, 97.5))
    return float(high - low)


def seen_of(people: Population, case: Case, state: str) -> tuple[list[Floats], list[Floats]]:
    """What the bench has shown of current and of voltage; the clock beside the laptop's always.

    Zero with the pack on and the load unplugged: the better way, whatever the tool asks for.
    """
    rng = np.random.default_rng(12)
    jitter = rng.uniform(-1, 1, BOARDS) * LATENCY_S / case.truth.duration_s
    clock = people.boards.clock - people.boards.laptop + jitter
    if state == "as bought":
        return [clock], []
    pack, voltage = case.world.pack, []
    open_v, ohm = (float(x[0]) for x in (pack.emf_v(np.zeros(1)), pack.ohm_at(np.zeros(1))))
    current = [read_a(people.bench, 0.0, open_v)]
    for amps in METER_AT_A if state == "calibrated" else ():
        volts = open_v - (ohm + pack.slow_ohm) * amps
        count_a = 1e-3 * current_count_ma(1e3 * amps)
        off_a, off_v = COUNTS * rng.uniform(-1, 1, (2, BOARDS))
        shows_a = amps * (1 + people.meter_current) + off_a * count_a
        shows_v = volts * (1 + people.meter_voltage) + off_v * COUNT_V
        current.append(read_a(people.bench, amps, volts) - shows_a)
        voltage.append(read_v(people.bench, volts) - shows_v)
    return [*current, clock], voltage


def ideal_widths(
    case: Case, people: Population, state: str, spread: Mapping[str, float]
) -> dict[str, float]:
    """Ideal width of each quantity of the case, by name; none of a peak that no conversion can hold.

    ``spread``: of ``sampling_spread``, the same in every state.
    """
    truth, boards = case.truth, people.boards
    seconds = truth.duration_s
    mean_a, power_w = truth.mean_ma / 1e3, 3.6 * truth.energy_mwh / seconds
    common_v = power_w / mean_a
    current, voltage = seen_of(people, case, state)

    def off_a(amps: float) -> Floats:
        return read_a(boards, amps, common_v) - amps

    mean_off = off_a(mean_a)
    volt_off = read_v(boards, common_v) - common_v
    errors = {
        "charge": (mean_off / mean_a + boards.clock) * truth.charge_mah,
        "energy": (mean_off / mean_a + volt_off / common_v + boards.clock) * truth.energy_mwh,
        "mean": 1e3 * mean_off,
        **{f"p{percent:g}": 1e3 * off_a(ma / 1e3) for percent, ma in truth.percentiles_ma.items()},
    }
    normal = np.random.default_rng(16).standard_normal(BOARDS)
    found = {
        name: width(
            error + spread.get(name, 0.0) * normal,
            current + voltage if name == "energy" else current,
        )
        for name, error in errors.items()
    }
    held = conversions_in_peak(case)
    if held:
        found["peak"] = width(
            1e3 * (off_a(truth.peak_ma / 1e3) + _most_noise(boards, held)), current
        )
    if truth.cutoff_s is not None and case.cutoff_v is not None:
        late_s = (read_v(boards, case.cutoff_v) - case.cutoff_v) / slope_v_per_s(case)
        # It stays under only from one round of the modes to the next.
        late_s += case.world.load.round_s * np.random.default_rng(14).uniform(-0.5, 0.5, BOARDS)
        found["cutoff"] = width(late_s + boards.clock * truth.cutoff_s, current + voltage)
    return found


def sampling_spread(case: Case) -> dict[str, float]:
    """Standard deviation of what pulses between the conversions do to each quantity, by a perfect board at other times.

    Their mean effect is known to an oracle, who knows the load; which conversions meet which pulse is not.
    """
    if all(mode.pulse_a == 0 for mode in case.world.load.modes):
        return {}
    told: dict[str, list[float]] = {}
    rng = np.random.default_rng([case.seed, 15])
    for _ in range(TIMES):
        own = rng.uniform(-1, 1) * case.board.sheet.clock
        board = perfect_board(case.chip, conversion=own, noise_steps=0.7)
        seen = record(case.world, board, WINDOW_S, rng)
        truth = truth_of(case.world, seen)
        span_h = seen.end_s[-1] / 3600
        values = {
            "charge": seen.charge_mah[-1] - truth.charge_mah,
            "energy": seen.energy_mwh[-1] - truth.energy_mwh,
            "mean": seen.charge_mah[-1] / span_h - truth.mean_ma,
        }
        for percent, true in truth.percentiles_ma.items():
            values[f"p{percent:g}"] = float(np.percentile(seen.current_ma, percent)) - true
        for name, value in values.items():
            told.setdefault(name, []).append(float(value))
    return {name: float(np.std(values, ddof=1)) for name, values in told.items()}


def conversions_in_peak(case: Case) -> int:
    """Whole conversions of the shunt that lie in the highest level, over the run; 0: none ever does."""
    half_s = case.board.sheet.settings_s[0] * (1 + float(case.board.conversion[0]))
    load = case.world.load
    top = max(load.modes, key=lambda mode: mode.base_a + (mode.pulse_a if mode.duty > 0 else 0.0))
    share = top.seconds / load.round_s * (top.duty if top.pulse_a else 1.0)
    long_s = top.duty / top.hertz if top.pulse_a else top.seconds
    if long_s < 3 * half_s:  # shorter, and no pair need lie within
        return 0
    return max(1, int(share * case.truth.duration_s / (2 * half_s) * (1 - half_s / long_s)))


def _most_noise(boards: Boards, conversions: int) -> Floats:
    """Greatest of so many conversions' noise, drawn, with a step's rounding; A."""
    rng = np.random.default_rng(13)
    uniform = rng.uniform(size=BOARDS) ** (1.0 / conversions)
    most = boards.noise_shunt_v * norm.ppf(np.minimum(uniform, 1 - 1e-12))
    return np.asarray(
        (most + rng.uniform(-1, 0, BOARDS) * boards.sheet.shunt_step_v) / boards.shunt_ohm
    )


def slope_v_per_s(case: Case) -> float:
    """How fast the mean voltage rises (it falls: less than 0) around the cutoff, over the hold's length and more."""
    assert case.truth.cutoff_s is not None
    half_s = max(3 * HOLD_S, 2 * case.world.load.round_s)
    ends = np.clip(
        case.truth.cutoff_s + half_s * np.array([-1.0, 0.0, 1.0]), 0.0, case.world.seconds
    )
    total = case.world.volt_seconds(ends)
    before, after = np.diff(total) / np.diff(ends)
    return float((after - before) / ((ends[2] - ends[0]) / 2))
