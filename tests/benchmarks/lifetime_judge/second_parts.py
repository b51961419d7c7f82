"""Parts of the second sealed set: what loops, steps down, releases again, or lies in the cold.

All figures from memory of data sheets and handbooks; ranges are drawn wide.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import cos, exp, isnan, pi
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.bench import Plan, log_uniform, uniform
from tests.benchmarks.lifetime_judge.engine import FLOATS, Supervisor, run
from tests.benchmarks.lifetime_judge.packs import Pack, PackKind
from tests.benchmarks.lifetime_judge.score import SLACK_S, Said, judge
from tests.benchmarks.lifetime_judge.sensor import draw_sensor
from tests.benchmarks.lifetime_judge.truth import (
    CUTOFF,
    STILL_RUNNING,
    UNSURE,
    WENT_DARK,
    Accept,
    PieceRun,
    truth_of,
)

RNG = np.random.Generator
REST_C = 22.0


@dataclass
class Looping(Supervisor):
    """Once below `off_v`, `burst_a` for `burst_s` of every `period_s` and `idle_a` between.

    An over-current protection that tries again, or a watchdog that resets what hangs again. A
    step of the engine is `fine_s` long: a shorter burst is spread over it.
    """

    burst_a: float = 0.0
    burst_s: float = 0.01
    period_s: float = 2.0
    idle_a: float = 0.0
    fine_s: float = 0.25

    @property
    def mean_a(self) -> float:
        """Mean draw while it loops, A."""
        return self.idle_a + (self.burst_a - self.idle_a) * self.burst_s / self.period_s

    def settle(self, time_s: float, v_v: float) -> None:
        super().settle(time_s, v_v)
        into_s = (time_s - self.since_s) % self.period_s
        covered_s = min(max(self.burst_s - into_s, 0.0), self.fine_s)
        self.off_a = self.idle_a + (self.burst_a - self.idle_a) * covered_s / self.fine_s

    def restless(self, time_s: float) -> bool:
        return not self.on or super().restless(time_s)


@dataclass
class Modes(Supervisor):
    """Firmware that steps down for good: below each of `steps_v` in turn to the next of `shares`.

    `blink_s` is the period of a last mode that flashes with `blink_duty`; 0: it glows.
    """

    steps_v: tuple[float, ...] = ()
    shares: tuple[float, ...] = ()
    blink_s: float = 0.0
    blink_duty: float = 0.25
    changes_s: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.off_v = self.steps_v[0]

    def settle(self, time_s: float, v_v: float) -> None:
        if v_v < self.off_v and len(self.changes_s) < len(self.steps_v):
            self.changes_s.append(time_s)
            done = len(self.changes_s)
            self.off_v = self.steps_v[done] if done < len(self.steps_v) else -1.0

    def level(self, time_s: float) -> float:
        done = len(self.changes_s)
        if not done:
            return 1.0
        share = self.shares[done - 1]
        if not self.blink_s or done < len(self.steps_v):
            return share
        lit = time_s % self.blink_s < self.blink_duty * self.blink_s
        return share / self.blink_duty if lit else 0.005


@dataclass
class Release(Supervisor):
    """Protection that lets go when the load is taken off, and trips again under it.

    After each trip the person unplugs `away_s` later and plugs in again `back_s` after the trip,
    as often as there are `visits`; unplugged, the terminals read the cell.
    """

    visits: tuple[tuple[float, float], ...] = ()
    remnant_v: float = 0.0

    def settle(self, time_s: float, v_v: float) -> None:
        trips = len(self.off_times_s)
        if self.on:
            if v_v < self.off_v:
                self.dead_v = self.remnant_v
                self.turn_off(time_s)
        elif trips <= len(self.visits):
            away_s, back_s = self.visits[trips - 1]
            if time_s - self.since_s >= away_s:
                self.dead_v = -1.0
            if time_s - self.since_s >= back_s:
                self.turn_on(time_s)

    def restless(self, time_s: float) -> bool:
        if self.on or len(self.off_times_s) > len(self.visits):
            return super().restless(time_s)
        gone_s = time_s - self.since_s
        return any(abs(gone_s - at) < 15 for at in self.visits[len(self.off_times_s) - 1])


class ColdPack(Pack):
    """A pack whose resistances grow in the cold by exp(slope (22 C - T)); T(time) in deg C.

    Two to four times at -10 C for alkaline and lithium (makers' application manuals, from memory).
    """

    def __init__(
        self, kind: PackKind, depth: float, rng: RNG, air_c: Callable[[float], float], slope: float
    ) -> None:
        super().__init__(kind, depth, rng)
        self._air_c, self._slope = air_c, slope
        self._usual = (self._r_fast, self._r_slow)
        self.time_s = 0.0

    def colder(self) -> float:
        """Resistance over that at 22 C."""
        return exp(self._slope * (REST_C - self._air_c(self.time_s)))

    def r0_ohm(self) -> float:
        return super().r0_ohm() * self.colder()

    def advance(self, current_a: float, dt_s: float) -> None:
        self._r_fast, self._r_slow = (r * self.colder() for r in self._usual)
        super().advance(current_a, dt_s)
        self.time_s += dt_s


def night(rng: RNG, end_s: float) -> Callable[[float], float]:
    """Evening at 15 to 22 C, coldest (-12 to 0 C) at 40 to 65 in 100 of the run, morning 8 to 18 C."""
    evening, coldest, morning = uniform(rng, 15, 22), uniform(rng, -12, 0), uniform(rng, 8, 18)
    at_s = uniform(rng, 0.4, 0.65) * end_s

    def air_c(time_s: float) -> float:
        if time_s < at_s:
            return coldest + (evening - coldest) * (1 + cos(pi * time_s / at_s)) / 2
        way = min((time_s - at_s) / (end_s - at_s), 1.0)
        return morning + (coldest - morning) * (1 + cos(pi * way)) / 2

    return air_c


PackMaker = Callable[[PackKind, float, RNG], Pack]


def record(
    name: str, what: str, plan: Plan, rng: RNG, cutoff_v: float, maker: PackMaker = Pack
) -> PieceRun:
    """Solve a plan and record it, as `bench.record` does, with a pack of the maker's."""
    sensor = draw_sensor(plan.kind.shunt_ohm, rng)
    hold_s = float(rng.choice([10.0, 30.0, 60.0]))
    margin_v = 0.3 * sensor.bus_step_v + 2 * sensor.bus_step_v / float(np.sqrt(sensor.readings))
    pack = maker(plan.kind, plan.start_depth, rng)
    info = pack.info()
    trace = run(pack, plan.load, plan.guard, plan.level, plan.row_s, plan.breaks, plan.peak, plan.tail_s)  # fmt: skip
    trace = replace(trace, v_v=trace.v_v * sensor.bus_gain)
    truth = truth_of(
        trace, plan.load, plan.guard, cutoff_v, hold_s, plan.row_s, float(plan.level.mean()), margin_v,
        plan.gaps, plan.switched_off_s, plan.contestable, plan.also_ok, plan.half_draw_judged,
    )  # fmt: skip
    amps, volts = sensor.rows(trace.current_a, trace.v_v, rng)
    end_s = float(trace.time_s[-1])
    marks = tuple(sorted(m for m in plan.marks if m[0] <= end_s))
    return PieceRun(
        name, what, info, trace.time_s, amps, volts, marks, (), cutoff_v, hold_s, (), plan.row_s, truth
    )  # fmt: skip


def also(found: PieceRun, *kinds: str) -> PieceRun:
    """The run with further names for its end as right, in the same window."""
    first = found.truth.accept[0]
    there = {a.kind for a in found.truth.accept}
    more = tuple(Accept(k, first.early_s, first.late_s) for k in kinds if k not in there)
    return replace(found, truth=replace(found.truth, accept=(*found.truth.accept, *more)))


@dataclass(frozen=True)
class Moments:
    """Of a run that its rows cannot decide: when "went dark" is a fair word, and when it dimmed."""

    dark_s: tuple[float, ...] = ()
    dim_s: tuple[float, ...] = ()


HEDGED = "unsure, with the moment"
HEDGED_ELSEWHERE = "unsure, without the moment"
FIRM_RIGHT = "firm, defensible"
DIM_SAID = "running, dimming said"
ALL_WELL = "running, all well"
FIRM_WRONG = "firm and wrong"
OUTCOMES = (HEDGED, DIM_SAID, FIRM_RIGHT, HEDGED_ELSEWHERE, ALL_WELL, FIRM_WRONG)
ERRORS = (ALL_WELL, FIRM_WRONG)


def outcome(found: PieceRun, when: Moments, said: Said, reading_s: tuple[float, ...]) -> str:
    """One of `OUTCOMES`; `reading_s` are the times that an "unsure" gives."""
    slack_s = SLACK_S + 2 * found.row_s + found.hold_s

    def near(at_s: float, of: tuple[float, ...]) -> bool:
        return not isnan(at_s) and any(abs(at_s - t) <= slack_s for t in of)

    if said.kind == UNSURE:
        told = any(near(at, when.dark_s + when.dim_s) for at in (*reading_s, said.half_draw_s))
        return HEDGED if told else HEDGED_ELSEWHERE
    if said.kind == WENT_DARK and near(said.time_s, when.dark_s):
        return FIRM_RIGHT
    if said.kind == CUTOFF and judge(found, said).right:
        return FIRM_RIGHT
    if said.kind == STILL_RUNNING:
        return DIM_SAID if near(said.half_draw_s, when.dim_s) else ALL_WELL
    return FIRM_WRONG


def tail_s(rng: RNG) -> float:
    return log_uniform(rng, 900, 3 * 3600)


def not_yet(time_s: float) -> bool:
    """Whether an end is so early that the first half hour does not show the piece."""
    return not isnan(time_s) and time_s < 1800


Made = tuple[PieceRun, Moments]
NOTHING: Final = Moments()


def amps(plan: Plan) -> float:
    return plan.load.draw_a(plan.kind.nominal_v, 1.0)


def times(plan: Plan) -> FLOATS:
    return np.asarray((np.arange(plan.level.size) + 0.5) * plan.row_s, dtype=np.float64)


def recorded(what: str, plan: Plan, rng: RNG, cutoff_v: float | None = None) -> PieceRun:
    return record(what, what, plan, rng, plan.kind.floor_v if cutoff_v is None else cutoff_v)
