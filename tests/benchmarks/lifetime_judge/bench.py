"""Making one run: choice of duration, load and animation, solving it, recording it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import nan
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.engine import FLOATS, Break, Supervisor, Trace, run
from tests.benchmarks.lifetime_judge.loads import (
    Addressable,
    Converter,
    LedString,
    Load,
    Regulator,
    Resistor,
)
from tests.benchmarks.lifetime_judge.packs import Pack, PackKind
from tests.benchmarks.lifetime_judge.sensor import draw_sensor
from tests.benchmarks.lifetime_judge.truth import PieceRun, truth_of

MOST_ROWS: Final = 20000
ROWS_S: Final = (0.5, 1.0, 2.0, 5.0, 10.0)
CHAT: Final = (
    "put it on", "rain", "washed my hands", "moved it to the table", "looks fine", "room 19 C",
)  # fmt: skip


@dataclass
class Plan:
    """Everything about a run before it is solved. `level` and `peak` as in `engine.run`."""

    kind: PackKind
    load: Load
    level: FLOATS
    row_s: float
    start_depth: float
    guard: Supervisor = field(default_factory=Supervisor)
    peak: FLOATS | None = None
    breaks: list[Break] = field(default_factory=list)
    marks: list[tuple[float, str]] = field(default_factory=list)
    events: list[tuple[float, str]] = field(default_factory=list)
    gaps: list[tuple[float, float]] = field(default_factory=list)
    tail_s: float = 1e9
    switched_off_s: float = nan
    contestable: bool = False
    also_ok: tuple[str, ...] = ()
    cutoff_v: float | None = None
    switch_at_cutoff: bool = False
    late_mark: str = ""
    half_draw_judged: bool = True
    gap_at_end_s: float = 0.0

    @property
    def end_s(self) -> float:
        return len(self.level) * self.row_s


Build = Callable[[PackKind, np.random.Generator], Plan]


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def duration(
    kind: PackKind, rng: np.random.Generator, ends: bool, share: float = 1.0, least_h: float = 3.0
) -> tuple[float, float, float]:
    """Hours, mean draw (mA) and starting depth so that the pack gets to its end, or does not.

    `share`: mean of the level over the usual one.
    """
    capacity = sum(kind.capacity_mah) / 2 if ends else kind.capacity_mah[0]
    hours = log_uniform(rng, least_h, max(16.0, 1.5 * least_h) if rng.random() < 0.85 else 40.0)
    draw = log_uniform(rng, *kind.draw_ma)
    if ends:
        end_h = hours * uniform(rng, 0.5, 0.85)
        depth = 1 - end_h * draw * share / capacity
        if depth < 0:
            draw = capacity / (end_h * share)
            depth = 0.0
        return hours, draw, max(depth, 0.0)
    depth = uniform(rng, 0.0, 0.3)
    allowed = (0.7 - depth) * 0.8 * capacity
    if hours * draw * share > allowed:
        draw = max(allowed / (hours * share), 0.2)
    return hours, draw, depth


def pick_row_s(hours: float, rng: np.random.Generator, most_s: float = 10.0) -> float:
    """A row interval that keeps the run below `MOST_ROWS`."""
    fit = [r for r in ROWS_S if hours * 3600 / r <= MOST_ROWS]
    fine = [r for r in fit if r <= most_s] or [min(fit)]
    return float(rng.choice(fine))


def animation(n: int, row_s: float, rng: np.random.Generator, flat: bool = False) -> FLOATS:
    """Levels of shape (n,) about 1: steady, breathing, patterns or flashes."""
    style = "steady" if flat else str(rng.choice(["steady", "breathe", "pattern", "flash"]))
    level = 1 + rng.normal(0, log_uniform(rng, 0.001, 0.01), n)
    t = (np.arange(n) + 0.5) * row_s
    if style == "breathe":
        period = uniform(rng, 2, 30)
        swing = uniform(rng, 0.2, 0.5) * float(np.sinc(row_s / period))
        level += swing * np.sin(2 * np.pi * t / period)
    elif style == "pattern":
        hold_s = log_uniform(rng, 2, 60)
        spread = uniform(rng, 0.1, 0.5)
        places = (t // hold_s).astype(int)
        level *= rng.uniform(1 - spread, 1 + spread, places.max() + 1)[places]
    elif style == "flash":
        every = max(3, int(log_uniform(rng, 30, 600) / row_s))
        level[rng.integers(every) :: every] *= uniform(rng, 1.3, 1.9)
    return np.asarray(level, dtype=np.float64)


def make_load(kind: PackKind, draw_ma: float, rng: np.random.Generator, sort: str = "") -> Load:
    """A load that draws about `draw_ma` at the nominal voltage."""
    sort = sort or str(rng.choice(["converter", "resistor", "regulator"]))
    amps, nominal = draw_ma / 1e3, kind.nominal_v
    if sort == "converter":
        return Converter(amps * nominal * 0.9, 4 * amps, nominal)
    if sort == "resistor":
        return Resistor(nominal / amps)
    if sort == "regulator":
        drop = uniform(rng, 0.1, 0.35) if nominal < 6 else uniform(rng, 0.8, 1.5)
        vreg = 5.0 if nominal > 6 else (2.5 if nominal < 3.1 else 3.0)
        return Regulator(amps, vreg, drop, uniform(rng, 1.8, 2.1))
    if sort == "led":
        vf = {True: float(rng.choice([2.0, 4.0, 6.0])), False: 2.0}[nominal > 6]
        if nominal == 4.5 and rng.random() < 0.5:
            vf = uniform(rng, 2.8, 3.1)
        return LedString(vf, (nominal - vf) / amps)
    mix = (1.0, 1.0, 1.0) if rng.random() < 0.5 else tuple(rng.uniform(0.3, 1, 3).tolist())
    each = 1 + 16 * mix[0] + 11 * mix[1] + 15 * mix[2]
    return Addressable(draw_ma / each, (mix[0], mix[1], mix[2]), uniform(rng, 0.5, 0.9))


def basic(
    kind: PackKind,
    rng: np.random.Generator,
    ends: bool,
    sort: str = "",
    most_row_s: float = 10.0,
    flat: bool = False,
    share: float = 1.0,
    least_h: float = 3.0,
) -> Plan:
    """A plain run of a load on a pack."""
    hours, draw, depth = duration(kind, rng, ends, share, least_h)
    row_s = pick_row_s(hours, rng, most_row_s)
    n = int(hours * 3600 / row_s)
    level = animation(n, row_s, rng, flat)
    return Plan(kind, make_load(kind, draw, rng, sort), level, row_s, depth)


def _cutoff_v(plan: Plan, rng: np.random.Generator, low: bool) -> float:
    kind = plan.kind
    if plan.cutoff_v is not None:
        return plan.cutoff_v
    if low or rng.random() < 0.6:
        return kind.floor_v
    return round(uniform(rng, kind.floor_v, kind.lockout_v[1]), 2)


def _chat(plan: Plan, busy_s: list[float], rng: np.random.Generator) -> None:
    if rng.random() < 0.5:
        return
    for at in rng.uniform(60, plan.end_s, rng.integers(1, 4)).tolist():
        if all(abs(at - b) > 900 for b in busy_s):
            plan.marks.append((round(at, 1), str(rng.choice(CHAT))))


def record(name: str, what: str, plan: Plan, rng: np.random.Generator) -> PieceRun:
    """Solve and record a plan."""
    seed = int(rng.integers(2**32))
    sensor = draw_sensor(plan.kind.shunt_ohm, rng)
    calm = plan.guard.label == "none" and not plan.switch_at_cutoff
    cutoff_v = _cutoff_v(plan, rng, low=bool(plan.breaks) and calm)
    hold_s = float(rng.choice([10.0, 30.0, 60.0]))
    margin_v = 0.3 * sensor.bus_step_v + 2 * sensor.bus_step_v / np.sqrt(sensor.readings)

    def solve() -> tuple[Trace, Pack]:
        pack = Pack(plan.kind, plan.start_depth, np.random.default_rng(seed))
        trace = run(pack, plan.load, plan.guard, plan.level, plan.row_s, plan.breaks, plan.peak, plan.tail_s)  # fmt: skip
        return Trace(trace.time_s, trace.current_a, trace.v_v * sensor.bus_gain, trace.off_share, trace.broken), pack  # fmt: skip

    def judge(trace: Trace) -> "PieceRun":
        truth = truth_of(
            trace, plan.load, plan.guard, cutoff_v, hold_s, plan.row_s, float(plan.level.mean()),
            margin_v, plan.gaps, plan.switched_off_s, plan.contestable, plan.also_ok, plan.half_draw_judged,
        )  # fmt: skip
        amps, volts = sensor.rows(trace.current_a, trace.v_v, rng)
        keep = np.ones(trace.time_s.size, dtype=bool)
        for a, b in plan.gaps:
            keep &= (trace.time_s <= a) | (trace.time_s > b)
        return PieceRun(
            name, what, info, trace.time_s[keep], amps[keep], volts[keep], (), (), cutoff_v,
            hold_s, tuple(plan.gaps), plan.row_s, truth,
        )  # fmt: skip

    trace, pack = solve()
    info = pack.info()
    if plan.switch_at_cutoff:
        first = judge(trace).truth
        if first.kind == "cutoff":
            at = first.accept[0].late_s + hold_s + uniform(rng, 0, 2) * plan.row_s
            plan.breaks.append(Break(at, plan.end_s + 1, "open"))
            plan.events.append((round(at, 1), "load off"))
            plan.tail_s, plan.guard = 1e9, Supervisor()
            trace, pack = solve()
    if plan.gap_at_end_s and plan.guard.off_times_s:
        start = plan.guard.off_times_s[0] - uniform(rng, 0.1, 0.9) * plan.gap_at_end_s
        plan.gaps.append((round(start), round(start + plan.gap_at_end_s)))
    found = judge(trace)
    truth = found.truth
    busy = [t for t, _ in plan.events] + [b.start_s for b in plan.breaks]
    if truth.time_s == truth.time_s:
        busy.append(truth.time_s)
    _chat(plan, busy, rng)
    end_s = float(trace.time_s[-1])
    if plan.late_mark and plan.guard.off_times_s:
        at = plan.guard.off_times_s[0] + log_uniform(rng, 60, 1800)
        plan.marks.append((round(at, 1), plan.late_mark))
    marks = tuple(sorted(m for m in plan.marks if m[0] <= end_s))
    events = tuple(sorted(e for e in plan.events if e[0] <= end_s))
    return PieceRun(
        name, what, info, found.time_s, found.current_ma, found.pack_v, marks, events, cutoff_v,
        hold_s, tuple(g for g in plan.gaps if g[0] < end_s), plan.row_s, truth,
    )  # fmt: skip
