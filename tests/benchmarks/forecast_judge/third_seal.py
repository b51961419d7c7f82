"""Third sealed set of rundowns. Whoever works on the forecast does not read on, nor runs it.

    python -m tests.benchmarks.forecast_judge.third_seal SEED [EACH]

prints the table by group and what each misses, `EACH` rundowns a group (default 6), asked through
the usual adapter; progress goes to standard error. Every rundown has a seed of its own (SEED,
group, number): with more of them the first ones stay.
"""

import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TextIO

import numpy as np
from numpy.random import Generator

from .rivals import RIVALS
from .rundown import Floats, Rundown
from .score import (
    ERRORS_AT,
    Figure,
    Forecaster,
    GroupScore,
    Judged,
    judge,
    percent,
    scores,
    short_of,
)
from .second_cells import held_s
from .third_cells import Run, run
from .third_groups import GROUPS, MOST_MA, Wish
from .third_loads import Plan, plan

Groups = Mapping[str, Callable[[Generator], Wish]]

TRIES = 60
SHORTEST_S = 7200.0
LATEST_SETTLED = 0.45
STEPS_V = (0.001, 0.004)


def recorded(rng: Generator, pack_v: Floats, current_ma: Floats) -> tuple[Floats, Floats]:
    """Steps of 1 or 4 mV, noise of half to one and a half mV; current in 11 bits, gain off 0.5 %."""
    step_v, step_ma = float(rng.choice(STEPS_V)), max(float(np.max(current_ma)) / 2000, 0.01)
    volts = pack_v + rng.normal(0, rng.uniform(0.0005, 0.0015), len(pack_v)) * (pack_v > 0.01)
    amps = current_ma * rng.normal(1, 0.005)
    amps = amps + rng.normal(0, 0.5 * step_ma, len(amps)) * (current_ma > 0)
    return np.round(volts / step_v) * step_v, np.maximum(np.round(amps / step_ma) * step_ma, 0.0)


def _held_and_after(
    cutoff_v: float, hold_s: float, more_s: float
) -> Callable[[float, float], bool]:
    """Whether the voltage has stayed below the cutoff for the hold and `more_s`, row by row."""
    since: float | None = None

    def over(time_s: float, pack_v: float) -> bool:
        nonlocal since
        if pack_v >= cutoff_v:
            since = None
        elif since is None:
            since = time_s
        return since is not None and time_s - since >= hold_s + more_s

    return over


def _with_empty_holder(made: Run, planned: Plan) -> tuple[Floats, Floats, Floats, Floats]:
    """Time, current, voltage, air; where the recorder goes on while the pack is away, with zeros."""
    air_c = planned.load.temperature_c[: len(made.time_s)]
    recharge, step_s = planned.load.recharge, planned.load.step_s
    if recharge is None or not planned.goes_on or len(made.time_s) <= recharge.row + 1:
        return made.time_s, made.current_ma, made.pack_v, air_c
    at, until_s = recharge.row + 1, float(made.time_s[recharge.row + 1])
    away_s = np.arange(made.time_s[recharge.row] + step_s, until_s - step_s / 2, step_s)
    zeros, same = np.zeros(len(away_s)), np.full(len(away_s), air_c[at])
    return (
        np.concatenate((made.time_s[:at], away_s, made.time_s[at:])),
        np.concatenate((made.current_ma[:at], zeros, made.current_ma[at:])),
        np.concatenate((made.pack_v[:at], zeros, made.pack_v[at:])),
        np.concatenate((air_c[:at], same, air_c[at:])),
    )


def _settled_s(planned: Plan, made: Run) -> float:
    """From when on there is nothing more that nobody could foresee."""
    recharge = planned.load.recharge
    if recharge is None:
        return planned.settled_s
    return float(made.time_s[min(recharge.row + 1, len(made.time_s) - 1)])


def _until(made: Run, time_s: float) -> Run:
    rows = slice(0, int(np.searchsorted(made.time_s, time_s, side="right")))
    return Run(made.time_s[rows], made.current_ma[rows], made.pack_v[rows], made.depth[rows])


def _regulated_half(wish: Wish, made: Run, end_s: float) -> bool:
    """Whether a regulator, where there is one, holds its voltage for half of the time at least."""
    if wish.regulator is None:
        return True
    held = made.pack_v[made.time_s < end_s] >= wish.regulator.set_v
    return bool(np.mean(held) >= 0.5)


def _try(rng: Generator, wish: Wish, group: str, name: str) -> Rundown | None:
    """One rundown; None where the cutoff is not reached, or too little of it is foreseeable."""
    planned = plan(rng, wish)
    hold_s = max(float(rng.choice([10.0, 30.0])), 3 * planned.load.step_s)
    cutoff_v = round(float(rng.uniform(*wish.cutoff_v)), 2)
    # The cutoff is the recorder's: its gain is in the truth too.
    gain = rng.normal(1, 0.002)
    over = _held_and_after(cutoff_v / gain, hold_s, 2 * planned.load.step_s)
    made = run(wish.parts, planned.load, over)
    end_s = held_s(made.time_s, made.pack_v * gain, cutoff_v, hold_s)
    if end_s is None or end_s < SHORTEST_S:
        return None
    settled_s = _settled_s(planned, made)
    if settled_s > LATEST_SETTLED * end_s or not _regulated_half(wish, made, end_s):
        return None
    made = _until(made, end_s + hold_s + 2 * planned.load.step_s)
    if np.max(made.current_ma) > MOST_MA:
        return None
    time_s, current_ma, clean_v, air_c = _with_empty_holder(made, planned)
    pack_v, amps = recorded(rng, clean_v * gain, current_ma)
    start = max(part.depth for part in wish.parts)
    return Rundown(
        name=name,
        group=group,
        chemistry_said=wish.said,
        cells=wish.cells,
        time_s=time_s,
        current_ma=amps,
        pack_v=pack_v,
        temperature_c=air_c,
        cutoff_v=cutoff_v,
        hold_s=hold_s,
        rated_mah=wish.rated_mah,
        end_s=end_s,
        regulated=wish.regulator is not None,
        said_fresh=None if rng.random() < 0.7 else start == 0,
        start_used=start,
        settled_s=settled_s,
        load=planned.load.kind,
        pattern=wish.pattern,
        record=name,
    )


def one(
    seed: int, group: str, number: int = 0, groups: Groups = GROUPS, tag: str = "third"
) -> Rundown:
    """One rundown of a make of its own. KeyError for an unknown group."""
    build, place = groups[group], list(groups).index(group)
    rng = np.random.default_rng((seed, place, number))
    name = f"{tag}-{place}-{number}"
    return first_made(lambda: _try(rng, build(rng), group, name), f"{group} {number}")


def first_made(attempt: Callable[[], Rundown | None], what: str) -> Rundown:
    """The first draw that gives a rundown. RuntimeError if none of many does."""
    for _ in range(TRIES):
        made = attempt()
        if made is not None:
            return made
    raise RuntimeError(f"{what}: no rundown in {TRIES} draws")


def draw(seed: int, each: int, groups: Sequence[str] = tuple(GROUPS)) -> Iterator[Rundown]:
    """`each` rundowns of every group."""
    for group in groups:
        for number in range(each):
            yield one(seed, group, number)


def judged_with_progress(
    rundowns: Iterator[Rundown],
    count: int,
    forecaster: Forecaster,
    clock: Callable[[], float],
    to: TextIO,
) -> list[Judged]:
    """Every rundown judged; after each a line over the last with what is done and what is left."""
    judged: list[Judged] = []
    started_s = clock()
    for done, rundown in enumerate(rundowns, 1):
        judged += judge([rundown], forecaster)
        left_s = (clock() - started_s) / done * (count - done)
        to.write(f"\r{done}/{count} rundowns, {left_s:.0f} s left   ")
        to.flush()
    to.write("\n")
    return judged


def _share(figure: Figure) -> str:
    return percent(figure, 0)


def _error_beside_best(row: GroupScore, fraction: float) -> str:
    """Median error, and in brackets the least of the rivals' at that fraction, in %."""
    told = [
        row.rival_error[name][fraction].value for name in RIVALS if row.rival_error[name][fraction].count
    ]  # fmt: skip
    own = row.error[fraction]
    best = f"({100 * min(told):.1f})" if told else "(-)"
    return f"{100 * own.value:.1f} {best}" if own.count else f"- {best}"


def short_table(rows: Sequence[GroupScore]) -> str:
    """Markdown, in %; shares with the larger of their two standard errors; best rival in brackets."""
    head = ["group", "runs", "moments", "90 % holds", "at least held", "at least said"]
    head += [f"error at {f:.0%} (best rival)" for f in ERRORS_AT]
    head += ["mean width", "median width", "refused", "refused late"]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in rows:
        cells = [row.group, str(row.rundowns), str(row.judged), _share(row.holds)]
        cells += [_share(row.at_least_holds), _share(row.at_least_said)]
        cells += [_error_beside_best(row, fraction) for fraction in ERRORS_AT]
        width = f"{100 * row.median_width:.0f}" if row.width.count else "-"
        cells += [_share(row.width), width, _share(row.refused), _share(row.refused_late)]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def print_table(rundowns: Iterator[Rundown], count: int) -> None:
    """Judge these rundowns through the usual adapter and print the table."""
    from tests.support.unseen import forecaster

    judged = judged_with_progress(rundowns, count, forecaster, time.monotonic, sys.stderr)
    rows = scores(judged)
    print(short_table(rows))
    for row in rows:
        for missed in short_of(row):
            print(f"- {row.group}: {missed}")


def main(seed: int, each: int) -> None:
    """Print the table for a seed."""
    print_table(draw(seed, each), each * len(GROUPS))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 6)
