"""Sealed kinds. The author of a detector does not read on.

Same dataclass, same `make`; random over ranges from memory of data sheets.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.bench import Build, Plan, basic, log_uniform, record, uniform
from tests.benchmarks.lifetime_judge.engine import Break, Supervisor
from tests.benchmarks.lifetime_judge.loads import Converter, Load
from tests.benchmarks.lifetime_judge.packs import COIN, PACKS, PackKind
from tests.benchmarks.lifetime_judge.truth import WENT_DARK, PieceRun

RNG = np.random.Generator


@dataclass
class Timed(Supervisor):
    """Turns off and on at given times, whatever the voltage."""

    turns: tuple[float, ...] = ()

    def settle(self, time_s: float, v_v: float) -> None:
        due = sum(t <= time_s for t in self.turns)
        if due % 2 == 1 and self.on:
            self.turn_off(time_s)
        elif due % 2 == 0 and not self.on:
            self.turn_on(time_s)

    def restless(self, time_s: float) -> bool:
        return any(abs(t - time_s) < 15 for t in self.turns)


@dataclass(frozen=True)
class Foldback:
    """Converter whose input limit falls with the input voltage below `knee_v`."""

    inner: Converter
    knee_v: float
    slope: float

    def share(self, v_v: float) -> float:
        return min(1.0, max(0.02, 1 - self.slope * (self.knee_v - v_v) / self.knee_v))

    def draw_a(self, v_v: float, level: float) -> float:
        return self.inner.draw_a(v_v, level) * self.share(v_v)

    def light(self, v_v: float) -> float:
        return self.share(v_v)


def _amps(load: Load, kind: PackKind) -> float:
    return load.draw_a(kind.nominal_v, 1.0)


def foldback(kind: PackKind, rng: RNG) -> Plan:
    """Buck-boost with current limit foldback: dims, then locks out or not."""
    plan = basic(kind, rng, True, "converter")
    assert isinstance(plan.load, Converter)
    high = kind.lockout_v[1]
    plan.load = Foldback(plan.load, high * uniform(rng, 1.0, 1.08), uniform(rng, 2, 5))
    if rng.random() < 0.6:
        off_v = kind.lockout_v[0] * uniform(rng, 0.97, 1.05)
        plan.guard = Supervisor("lockout", off_v, None, off_a=1e-5)
    plan.tail_s = log_uniform(rng, 900, 3 * 3600)
    return plan


def buffered(kind: PackKind, rng: RNG) -> Plan:
    """Supercapacitor buffer: the pack is drawn on in pulses, then the charger locks out."""
    plan = basic(kind, rng, True, "converter", flat=True, most_row_s=5.0)
    period, duty = uniform(rng, 20, 200), uniform(rng, 0.3, 0.7)
    t = (np.arange(plan.level.size) + 0.5) * plan.row_s
    plan.level *= np.where(t % period < duty * period, 1 / duty, 0.01)
    off_v, latched = uniform(rng, *kind.lockout_v), rng.random() < 0.6
    on_v = None if latched else off_v + 0.05 * kind.nominal_v
    plan.guard = Supervisor("lockout", off_v, on_v, 60.0, 0.002 * _amps(plan.load, kind))
    plan.tail_s = log_uniform(rng, 900, 3 * 3600)
    return plan


def latch_off_switch(kind: PackKind, rng: RNG) -> Plan:
    """Latching power switch that loses its hold in a dip, at any state of charge."""
    plan = basic(kind, rng, False, least_h=4.0)
    plan.guard = Timed("latch", turns=(uniform(rng, 0.3, 0.85) * plan.end_s,))
    # The pack is still good and nothing tells it from a hand on the switch.
    plan.contestable = True
    return plan


def light_load_sleep(kind: PackKind, rng: RNG) -> Plan:
    """Power module that turns itself off when the animation asks for too little for 30 s."""
    plan = basic(kind, rng, False, "converter")
    at = uniform(rng, 0.3, 0.85) * plan.end_s
    start = int((at - 30) / plan.row_s)
    plan.level[start:] *= uniform(rng, 0.1, 0.2)
    plan.guard = Timed("light load", off_a=uniform(rng, 1e-5, 8e-5), turns=(at,))
    plan.contestable = True
    return plan


def thermal(kind: PackKind, rng: RNG) -> Plan:
    """Thermal shutdown that comes and goes once it is warm, at any voltage."""
    plan = basic(kind, rng, False, "converter")
    t = uniform(rng, 0.3, 0.6) * plan.end_s
    off_s, on_s = log_uniform(rng, 15, 180), log_uniform(rng, 40, 600)
    turns: list[float] = []
    while t < plan.end_s - 60 and len(turns) < 160:
        gone = off_s * uniform(rng, 0.85, 1.15)
        turns += [t, t + gone]
        t += gone + on_s * uniform(rng, 0.85, 1.15)
    plan.guard = Timed("thermal", off_a=0.01 * _amps(plan.load, kind), turns=tuple(turns))
    return plan


def one_of_two_boards(kind: PackKind, rng: RNG) -> Plan:
    """Two boards, one dies: the draw falls to 35-70 % for good; the rest stays lit."""
    plan = basic(kind, rng, False, "converter")
    plan.level[int(uniform(rng, 0.3, 0.8) * plan.level.size) :] *= uniform(rng, 0.35, 0.7)
    plan.half_draw_judged = False
    return plan


def branch_drops_out(kind: PackKind, rng: RNG) -> Plan:
    """E-textile whose one branch of three to six flickers, then stays out: still running."""
    plan = basic(kind, rng, False)
    n, branches = plan.level.size, int(rng.integers(3, 7))
    start, stop = np.sort(rng.uniform(0.2, 0.9, 2)) * n
    lost = np.zeros(n, dtype=bool)
    lost[int(stop) :] = True
    for at in rng.uniform(start, stop, 20).astype(int).tolist():
        lost[at : at + max(1, int(log_uniform(rng, 1, 60) / plan.row_s))] = True
    plan.level[lost] *= 1 - 1 / branches
    return plan


def polyfuse(kind: PackKind, rng: RNG) -> Plan:
    """Polyfuse trips: only its holding current is left until the power is removed."""
    plan = basic(kind, rng, False, "converter")
    hold_a = _amps(plan.load, kind) * uniform(rng, 0.05, 0.2)
    at = uniform(rng, 0.3, 0.85) * plan.end_s
    plan.guard = Timed("polyfuse", off_a=hold_a, turns=(at,))
    plan.level[int((at - 20) / plan.row_s) : int(at / plan.row_s) + 1] *= uniform(rng, 1.3, 2.0)
    return plan


def dark_in_gap(kind: PackKind, rng: RNG) -> Plan:
    """The probe was unplugged while the booster locked out: dark when it came back."""
    plan = basic(kind, rng, True, "converter")
    off_v = uniform(rng, *kind.lockout_v)
    plan.guard = Supervisor("lockout", off_v, None, off_a=0.003 * _amps(plan.load, kind))
    plan.tail_s = log_uniform(rng, 3600, 3 * 3600)
    plan.gap_at_end_s = log_uniform(rng, 60, 1500)
    return plan


def flicker_at_switch(kind: PackKind, rng: RNG) -> Plan:
    """A person swaps garments: off for minutes several times an evening, no marks."""
    plan = basic(kind, rng, False, least_h=5.0)
    for at in np.sort(rng.uniform(0.05, 0.6, rng.integers(2, 5))).tolist():
        start = at * plan.end_s
        if not plan.breaks or start > plan.breaks[-1].end_s + 600:
            plan.breaks.append(Break(start, start + log_uniform(rng, 60, 1800), "open"))
    plan.also_ok = ("switched off",)
    return plan


KINDS: Final[dict[str, tuple[Build, tuple[PackKind, ...]]]] = {
    "foldback": (foldback, PACKS),
    "buffered": (buffered, PACKS),
    "latch_off_switch": (latch_off_switch, PACKS),
    "light_load_sleep": (light_load_sleep, PACKS),
    "thermal": (thermal, tuple(p for p in PACKS if p is not COIN)),
    "one_of_two_boards": (one_of_two_boards, PACKS),
    "branch_drops_out": (branch_drops_out, PACKS),
    "polyfuse": (polyfuse, tuple(p for p in PACKS if p is not COIN)),
    "dark_in_gap": (dark_in_gap, PACKS),
    "flicker_at_switch": (flicker_at_switch, PACKS),
}


def make(what: str, pack: PackKind, rng: RNG, name: str = "") -> PieceRun:
    """One sealed run, its end not in the first half hour."""
    build = KINDS[what][0]
    for _ in range(30):
        found = record(name or f"{what} {pack.name}", what, build(pack, rng), rng)
        if what == "dark_in_gap" and found.truth.kind != WENT_DARK:
            continue
        if not found.truth.time_s < 1800:
            break
    return found


def draw_runs(rng: RNG, per_cell: int) -> Iterator[PieceRun]:
    """`per_cell` runs of every sealed kind on every pack it goes with."""
    for what, (_, packs) in KINDS.items():
        for pack in packs:
            for k in range(per_cell):
                yield make(what, pack, rng, f"{what} {pack.name} {k}")
