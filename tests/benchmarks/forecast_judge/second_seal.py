"""Second sealed set of rundowns. Whoever works on the forecast does not read on, nor runs it.

    python -m tests.benchmarks.forecast_judge.second_seal SEED [EACH]

prints the judge's table and what each group misses, `EACH` rundowns a group (default 6), asked
through the usual adapter. All constants from memory of data sheets, drawn wide; the patterns of the
intermittent tests are like those of IEC 60086-2 (from memory).
"""

import sys
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from .cell import load_level
from .rundown import Floats, Rundown
from .score import judge, scores, short_of, table
from .second_cells import Load, Part, held_s, run
from .second_groups import GROUPS, HOUR_S, Wish, logs

TRIES = 60
ROWS = 4500
KINDS = ("current", "power", "resistor")


def _factor(rng: Generator, wish: Wish, life_s: float) -> tuple[Floats, float, float, str]:
    """Load factor per row, the row's length, when the pattern has shown itself twice, its name."""
    if wish.schedule is not None:
        on_s, period_s = wish.schedule
        step_s = 60.0 if period_s > HOUR_S * 2 else 15.0
        whole_s = life_s * period_s / on_s
        time_s = np.arange(int(1.6 * whole_s / step_s)) * step_s
        return np.where(time_s % period_s < on_s, 1.0, 0.0), step_s, period_s + on_s, "pauses"
    step_s = float(next((s for s in (1, 2, 5, 10, 30, 60) if life_s / s <= ROWS), 120))
    time_s = np.arange(int(2.5 * life_s / step_s) + 200) * step_s
    factor = np.ones(len(time_s))
    if not wish.pulses:
        return factor, step_s, 0.0, "steady"
    period_s = min(max(logs(rng, 100, 1200), 12 * step_s), life_s / 15)
    low = rng.uniform(0.03, 0.4) if rng.random() < 0.6 else 0.0
    factor[time_s % period_s >= rng.uniform(0.35, 0.7) * period_s] = low
    return factor, step_s, 0.0, "pulses"


def _air(rng: Generator, wish: Wish, rows: int, step_s: float, life_s: float) -> tuple[Floats, float]:  # fmt: skip
    """Temperature per row in deg C, and when nine tenths of a warm-up are over, s.

    Brought in: Newton's law of cooling. What drifts through the whole run is never over: 0.
    """
    time_s = np.arange(rows) * step_s
    if wish.air == "room":
        return np.full(rows, 22.0 + rng.uniform(-4, 4)), 0.0
    cold, warm = rng.uniform(-12, 2), rng.uniform(18, 24)
    if wish.air == "slow":
        return cold + (warm - cold) * np.minimum(time_s / (1.2 * life_s), 1.0), 0.0
    at_s, tau_s = rng.uniform(0.03, 0.2) * life_s, logs(rng, 600, 3000)
    gone = np.exp(-np.maximum(time_s - at_s, 0.0) / tau_s)
    return np.asarray(warm + (cold - warm) * gone), at_s + tau_s * float(np.log(10))


def recorded(rng: Generator, pack_v: Floats, current_ma: Floats) -> tuple[Floats, Floats]:
    """Steps of 1, 4 or 10 mV with noise below one step; current of 11 bits, its gain off by 0.3 %."""
    step_v = float(rng.choice([0.001, 0.004, 0.010]))
    step_ma = max(float(np.max(current_ma)) / 2000, 1e-4)
    volts = pack_v + rng.normal(0, rng.uniform(0.2, 0.6) * step_v, len(pack_v))
    amps = current_ma * rng.normal(1, 0.003) + rng.normal(0, 0.4 * step_ma, len(current_ma))
    return np.round(volts / step_v) * step_v, np.maximum(np.round(amps / step_ma) * step_ma, 0.0)


def _parts(rng: Generator, wish: Wish) -> tuple[Part, ...]:
    """The parts as they are when the run begins."""
    low, high, often = wish.used
    if not often:
        return wish.parts
    used = rng.uniform(low, high) if rng.random() < often else 0.0
    return tuple(replace(part, depth=used) for part in wish.parts)


def _load(rng: Generator, wish: Wish, parts: tuple[Part, ...]) -> tuple[Load, float, str]:
    """The load of a rundown, when it has shown what it does, s, and the pattern's name."""
    life_s = wish.hours * HOUR_S * (1 - min(part.depth for part in parts))
    factor, step_s, shown_s, pattern = _factor(rng, wish, life_s)
    air_c, warm_s = _air(rng, wish, len(factor), step_s, life_s)
    middle_v = sum(p.count * float(p.cell.curve.volts(np.array([0.5]))[0]) for p in parts)
    kind = str(rng.choice(KINDS))
    level = load_level(kind, parts[-1].cell.capacity_mah / wish.hours, middle_v)
    return Load(kind, level, factor, air_c, step_s), max(shown_s, warm_s), pattern


def _longer(values: Floats, rows: int) -> Floats:
    """The array with its last value as often as needed, or cut."""
    more = np.full(max(rows - len(values), 0), values[-1])
    return np.asarray(np.concatenate((values, more))[:rows])


def _try(rng: Generator, wish: Wish, group: str, name: str) -> Rundown | None:
    """One rundown; None where the pack outlasts the rows or too little of it is foreseeable."""
    parts = _parts(rng, wish)
    load, settled_s, pattern = _load(rng, wish, parts)
    cells = sum(part.count for part in parts)
    made = run(parts, load, wish.dead_v * cells)
    if made.pack_v[-1] >= wish.dead_v * cells:
        return None
    at = int(np.searchsorted(made.given_mah, rng.uniform(*wish.end) * made.given_mah[-1]))
    at += int(np.argmax(load.factor[at : len(made.time_s)] > 0.99))
    hold_s = max(float(rng.choice([10.0, 30.0])), 3 * load.step_s)
    # The last voltage stays: what follows in a dead pack is not of interest.
    rows = len(made.time_s) + int(hold_s / load.step_s) + 3
    time_s = np.asarray(np.arange(rows) * load.step_s, dtype=np.float64)
    # The cutoff is the recorder's: its gain is in the truth too.
    clean_v = _longer(made.pack_v, rows) * rng.normal(1, 0.002)
    cutoff_v = round(float(clean_v[at]), 2)
    end_s = held_s(time_s, clean_v, cutoff_v, hold_s)
    if end_s is None or end_s < 1800 or end_s < 2 * settled_s:
        return None
    kept = int(np.searchsorted(time_s, end_s + hold_s + 2 * load.step_s, side="right"))
    pack_v, current_ma = recorded(rng, clean_v[:kept], _longer(made.current_ma, kept))
    start = max(part.depth for part in parts)
    return Rundown(
        name=name,
        group=group,
        chemistry_said=wish.said,
        cells=cells,
        time_s=time_s[:kept],
        current_ma=current_ma,
        pack_v=pack_v,
        temperature_c=_longer(load.temperature_c, kept),
        cutoff_v=cutoff_v,
        hold_s=hold_s,
        rated_mah=wish.rated_mah,
        end_s=end_s,
        said_fresh=None if rng.random() < 0.7 else start == 0,
        start_used=start,
        settled_s=settled_s,
        load=load.kind,
        pattern=pattern,
        record=name,
    )


def one(rng: Generator, group: str, number: int = 0) -> Rundown:
    """One rundown of a make of its own. KeyError for an unknown group."""
    build = GROUPS[group]
    name = f"second-{list(GROUPS).index(group)}-{number}"
    for _ in range(TRIES):
        made = _try(rng, build(rng), group, name)
        if made is not None:
            return made
    raise RuntimeError(f"{name}: no rundown in {TRIES} draws")


def draw(rng: Generator, each: int, groups: tuple[str, ...] = tuple(GROUPS)) -> Iterator[Rundown]:
    """`each` rundowns of every group."""
    for group in groups:
        for number in range(each):
            yield one(rng, group, number)


def main(seed: int, each: int) -> None:
    """Print the table for a seed."""
    from tests.support.unseen import forecaster

    rows = scores(judge(draw(np.random.default_rng(seed), each), forecaster))
    print(table(rows))
    for row in rows:
        for missed in short_of(row):
            print(f"- {row.group}: {missed}")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 6)
