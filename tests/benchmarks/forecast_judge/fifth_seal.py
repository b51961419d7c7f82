"""Fifth sealed set of rundowns. Whoever works on the forecast does not read on, nor runs it.

    python -m tests.benchmarks.forecast_judge.fifth_seal SEED [EACH] [rivals]

prints the table by group (default 6 rundowns each), what each misses, what the forecast raised,
and the time of this process; with `rivals` nobody but the straight line over the last third is asked
(a dry run). Every rundown has a seed of its own (SEED, group, number). A forecast that raises is a
refusal here, and counted.
"""

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.random import Generator

from .fifth_cells import run, run_bucked
from .fifth_groups import GROUPS
from .fifth_loads import MOST_MA, Plan, Wish, dips, plan
from .rivals import line_third_s
from .rundown import Fault, Floats, Rundown, Seen
from .score import Forecast, Forecaster, scores, short_of
from .second_cells import held_s
from .third_cells import Run
from .third_seal import first_made, judged_with_progress, short_table

SHORTEST_S = 7200.0
EARLIEST_OFF = 0.85
# Steps of bus voltage and current over 0.1 ohm, noise, typical offset (SOURCES.md C1, C3, C4, C5);
# noise of about a third of a step is common practice, no source.
INA219 = (0.004, 0.1, 0.0013, 0.15)
INA226 = (0.00125, 0.025, 0.0005, 0.03)


def recorded(
    rng: Generator, pack_v: Floats, current_ma: Floats, gain: float, open_rows: Floats
) -> tuple[Floats, Floats]:
    """As an INA219 or INA226 has it: steps, noise, offset, gain of the current within 1 %."""
    step_v, step_ma, noise_v, offset_ma = INA219 if rng.random() < 0.6 else INA226
    volts = pack_v * gain + rng.normal(0, noise_v, len(pack_v)) * (pack_v > 0.01)
    amps = current_ma * rng.normal(1, 0.004) + rng.normal(0, offset_ma)
    amps = amps + rng.normal(0, step_ma, len(amps)) * (1 - open_rows)
    return (
        np.maximum(np.round(volts / step_v), 0) * step_v,
        np.round(np.round(amps / step_ma) * step_ma, 4),
    )


def _met(fault: Fault, time_s: Floats) -> bool:
    return bool(np.any((time_s >= fault.start_s) & (time_s < fault.end_s)))


def _dipped(
    rng: Generator, made: Run, faults: Sequence[Fault], half_ma: float
) -> tuple[Floats, Floats, Floats]:
    """Voltage and current at the load, the contact open or bad in some rows; 1 where it is open."""
    volts, amps, open_rows = made.pack_v.copy(), made.current_ma.copy(), np.zeros(len(made.time_s))
    for fault in faults:
        rows = (made.time_s >= fault.start_s) & (made.time_s < fault.end_s)
        left = 0.0 if fault.open else 1 - rng.uniform(0.1, 0.6) * np.clip(amps[rows] / half_ma, 0, 1)  # fmt: skip
        volts[rows] *= left
        amps[rows] *= left
        open_rows[rows] = 1.0 if fault.open else open_rows[rows]
    return np.maximum(volts, 0.0), amps, open_rows


def _made(wish: Wish, planned: Plan, over: Callable[[float, float], bool]) -> Run:
    if wish.bucks:
        return run_bucked(wish.parts, wish.bucks, planned.demand, over)
    return run(wish.parts, planned.demand, over)


def _held_and_after(cutoff_v: float, long_s: float) -> Callable[[float, float], bool]:
    """Whether the voltage has stayed below the cutoff for so long, row by row."""
    since: float | None = None

    def over(time_s: float, pack_v: float) -> bool:
        nonlocal since
        if pack_v >= cutoff_v:
            since = None
        elif since is None:
            since = time_s
        return since is not None and time_s - since >= long_s

    return over


def _starved(planned: Plan, made: Run, end_s: float) -> bool:
    """Whether the converter gave up long before the voltage stayed below the cutoff."""
    rows = made.time_s < EARLIEST_OFF * end_s
    wanted = planned.demand.factor[: len(rows)][rows] > 0
    return planned.demand.boost is not None and bool(np.any(wanted & (made.current_ma[rows] == 0)))


def _try(rng: Generator, wish: Wish, group: str, name: str) -> Rundown | None:
    """One rundown; None where the cutoff is not reached, or too little of it is foreseeable."""
    planned = plan(rng, wish)
    step_s = planned.demand.step_s
    hold_s = max(float(rng.choice([10.0, 30.0])), 3 * step_s)
    cutoff_v = round(float(rng.uniform(*wish.cutoff_v)), 2)
    # The cutoff is the recorder's: its gain is in the truth too.
    gain = rng.normal(1, 0.002)
    over = _held_and_after(cutoff_v / gain, hold_s + 2 * step_s)
    made = _made(wish, planned, over)
    end_s = held_s(made.time_s, made.pack_v * gain, cutoff_v, hold_s)
    if end_s is None or end_s < SHORTEST_S or planned.settled_s > wish.latest_settled * end_s:
        return None
    if np.max(made.current_ma) > MOST_MA * 1.25 or _starved(planned, made, end_s):
        return None
    faults = tuple(f for f in dips(rng, end_s) if f.end_s < 0.95 * end_s and _met(f, made.time_s))
    pack_v, amps, open_rows = _dipped(rng, made, faults, float(np.percentile(made.current_ma, 90)))
    pack_v, amps = recorded(rng, pack_v, amps, gain, open_rows)
    start = max(part.depth for part in wish.parts)
    said = wish.fresh if wish.fresh is not None else (None if rng.random() < 0.7 else start == 0)
    return Rundown(
        name=name, group=group, chemistry_said=wish.said, cells=wish.cells, time_s=made.time_s,
        current_ma=amps, pack_v=pack_v, temperature_c=planned.demand.temperature_c[: len(made.time_s)],
        cutoff_v=cutoff_v, hold_s=hold_s, rated_mah=wish.rated_mah, end_s=end_s,
        regulated=bool(wish.bucks), said_fresh=said, start_used=start, settled_s=planned.settled_s,
        faults=faults, load=planned.demand.kind, pattern=wish.pattern, record=name,
    )  # fmt: skip


def one(seed: int, group: str, number: int = 0) -> Rundown:
    """One rundown of a make of its own. KeyError for an unknown group."""
    build, place = GROUPS[group], list(GROUPS).index(group)
    rng = np.random.default_rng((5, seed, place, number))
    name = f"fifth-{place}-{number}"
    return first_made(lambda: _try(rng, build(rng), group, name), f"{group} {number}")


def draw(seed: int, each: int, groups: Sequence[str] = tuple(GROUPS)) -> Iterator[Rundown]:
    """`each` rundowns of every group."""
    for group in groups:
        for number in range(each):
            yield one(seed, group, number)


def surviving(forecaster: Forecaster, raised: Counter[str]) -> Forecaster:
    """As the forecaster; where it raises, a refusal, counted by its kind and the rundown's name."""

    def asked(seen: Seen) -> Forecast:
        try:
            return forecaster(seen)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is the finding
            raised[f"{seen.name}: {type(error).__name__}: {error}"] += 1
            return Forecast()

    return asked


def line_only(seen: Seen) -> Forecast:
    """The straight line over the last third, within a quarter: what a dry run asks."""
    left_s = line_third_s(seen)
    if left_s is None or left_s <= 0:
        return Forecast()
    return Forecast(0.75 * left_s, left_s, 1.25 * left_s, 0.75 * left_s)


def main(seed: int, each: int, rivals_only: bool) -> None:
    """Print the table for a seed."""
    forecaster = line_only
    if not rivals_only:
        from tests.support.unseen import forecaster
    raised: Counter[str] = Counter()
    judged = judged_with_progress(draw(seed, each), each * len(GROUPS), surviving(forecaster, raised), time.monotonic, sys.stderr)  # fmt: skip
    rows = scores(judged)
    print(short_table(rows))
    for row in rows:
        for missed in short_of(row):
            # No moment of half-life there: what comes before is not foreseeable.
            if "nan" not in missed:
                print(f"- {row.group}: {missed}")
    for told, times in raised.most_common():
        print(f"- raised {times} times: {told}")
    print(f"{time.process_time():.0f} s of this process, {time.process_time() / each / len(GROUPS):.2f} s a rundown")  # fmt: skip


if __name__ == "__main__":
    rest = [word for word in sys.argv[2:] if word != "rivals"]
    main(int(sys.argv[1]), int(rest[0]) if rest else 6, "rivals" in sys.argv[2:])
