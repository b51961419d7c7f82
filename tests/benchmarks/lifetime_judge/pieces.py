"""Kinds of runs the detector's author may know: ends, and what must not be called one.

`make(what, pack, rng)` gives one `PieceRun`; `draw_runs` a table of kinds x packs. Thresholds and
draws are random over the ranges of `packs.PackKind`; brown-out levels 1.8/2.7 V and their spread, a
2 s restart, booster lock-outs and protection at 2.4-3.0 V: data sheets, from memory.
"""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.bench import (
    Build,
    Plan,
    basic,
    log_uniform,
    pick_row_s,
    record,
    uniform,
)
from tests.benchmarks.lifetime_judge.engine import Break, Supervisor
from tests.benchmarks.lifetime_judge.loads import Resistor
from tests.benchmarks.lifetime_judge.packs import COIN, LIFEPO4, LITHIUM_POUCH, PACKS, PackKind
from tests.benchmarks.lifetime_judge.truth import LOAD_OFF, LOAD_ON, REBOOTS, SWITCHED_OFF, PieceRun

RNG = np.random.Generator


def _draw_ma(plan: Plan) -> float:
    return 1e3 * plan.load.draw_a(plan.kind.nominal_v, 1.0)


def _tail_s(rng: RNG) -> float:
    return log_uniform(rng, 600, 3 * 3600)


# Ends.


def booster_latch(kind: PackKind, rng: RNG) -> Plan:
    """Booster with under-voltage lockout, dark for good; the pack recovers."""
    plan = basic(kind, rng, True, "converter")
    off_a = _draw_ma(plan) * 1e-3 * log_uniform(rng, 0.0005, 0.02)
    plan.guard = Supervisor("lockout", uniform(rng, *kind.lockout_v), None, off_a=off_a)
    plan.tail_s = _tail_s(rng)
    if rng.random() < 0.08:
        plan.late_mark = str(rng.choice(["gone dark", "found it dark"]))
    return plan


def booster_hiccup(kind: PackKind, rng: RNG) -> Plan:
    """Booster with hysteresis: comes back as the pack recovers (or stays dark, if it does not)."""
    plan = basic(kind, rng, True, "converter")
    off_v = uniform(rng, *kind.lockout_v)
    off_a = _draw_ma(plan) * 1e-3 * log_uniform(rng, 0.0005, 0.02)
    on_v = off_v + kind.nominal_v * uniform(rng, 0.01, 0.06)
    restart_s = float(rng.choice([0.5, 5.0, 60.0]))
    plan.guard = Supervisor("lockout", off_v, on_v, restart_s, off_a, uniform(rng, 1, 1.6), 0.5)
    plan.tail_s = _tail_s(rng)
    return plan


def regulator_dropout(kind: PackKind, rng: RNG) -> Plan:
    """Linear regulator in drop-out: dims slowly."""
    return basic(kind, rng, True, "regulator")


def brownout_reboots(kind: PackKind, rng: RNG) -> Plan:
    """Microcontroller with brown-out reset and a restart of about 2 s, each with its inrush."""
    sort = "addressable" if kind.nominal_v in (3.7, 4.5) and rng.random() < 0.5 else "converter"
    plan = basic(kind, rng, True, sort, most_row_s=2.0 if rng.random() < 0.8 else 10.0)
    off_v = uniform(rng, *kind.brownout_v)
    off_a = _draw_ma(plan) * 1e-3 * uniform(rng, 0.02, 0.2)
    on_v = off_v + uniform(rng, 0.01, 0.08)
    restart_s = uniform(rng, 1.5, 2.6)
    plan.guard = Supervisor("brownout", off_v, on_v, restart_s, off_a, uniform(rng, 1.0, 2.0), 0.5)
    plan.tail_s = _tail_s(rng)
    return plan


def addressable_red(kind: PackKind, rng: RNG) -> Plan:
    """Addressable LEDs that turn red: blue and green lose their headroom first."""
    return basic(kind, rng, True, "addressable")


def led_string(kind: PackKind, rng: RNG) -> Plan:
    """LEDs with resistors straight on the pack."""
    return basic(kind, rng, True, "led", flat=rng.random() < 0.7)


def _sleepy(
    kind: PackKind, rng: RNG, burst_ma: float, burst_s: float, depth: float, most_row_s: float
) -> Plan:
    """20 uA with a burst a minute: row means, the sag of a burst counted whole."""
    hours = log_uniform(rng, 3, 40)
    row_s = pick_row_s(hours, rng, most_row_s)
    n = int(hours * 3600 / row_s)
    share = burst_s * burst_ma / 0.02 / row_s
    every = max(2, round(60 / row_s))
    level, peak = np.ones(n), np.zeros(n)
    level[every // 2 :: every] += share
    peak[every // 2 :: every] = burst_ma / 0.02
    plan = Plan(kind, Resistor(kind.nominal_v / 20e-6), level, row_s, depth)
    plan.peak = peak
    return plan


def sleepy_sensor(kind: PackKind, rng: RNG) -> Plan:
    """Sleepy sensor that goes on sleeping and sending."""
    burst = uniform(rng, 3, 10) if kind is COIN else uniform(rng, 10, 80)
    return _sleepy(kind, rng, burst, uniform(rng, 0.05, 0.25), uniform(rng, 0, 0.7), 10.0)


def protection(kind: PackKind, rng: RNG) -> Plan:
    """A pack whose protection circuit cuts off: the terminals read nothing, or a remnant, or the
    cell itself (sensor on the cell's side)."""
    plan = basic(kind, rng, True)
    assert kind.protection_v is not None
    off_v = uniform(rng, *kind.protection_v)
    dead_v = float(rng.choice([0.0, uniform(rng, 0.02, 0.6), -1.0], p=[0.6, 0.25, 0.15]))
    on_v = off_v + uniform(rng, 0.1, 0.5) if rng.random() < 0.2 else None
    plan.guard = Supervisor("protection", off_v, on_v, 1.0, disconnects=True, dead_v=dead_v)
    first = rng.random() < 0.7
    plan.cutoff_v = round(uniform(rng, 0.8 * off_v, off_v - 0.02) if first else kind.floor_v, 2)
    plan.tail_s = _tail_s(rng)
    return plan


def resistor(kind: PackKind, rng: RNG) -> Plan:
    """Constant resistor."""
    return basic(kind, rng, True, "resistor", flat=True)


def load_switch_at_cutoff(kind: PackKind, rng: RNG) -> Plan:
    """The bench's load switch opens when the cutoff has been held: the draw falls, V recovers."""
    plan = basic(kind, rng, True)
    plan.switch_at_cutoff = True
    return plan


# What must not be called dark.


def plain(kind: PackKind, rng: RNG) -> Plan:
    """Nothing happens; the recording ends."""
    return basic(kind, rng, False)


def switched_off_marked(kind: PackKind, rng: RNG) -> Plan:
    """A person switches off for good and marks it, up to a minute before or after."""
    plan = basic(kind, rng, False)
    at = uniform(rng, 0.3, 0.9) * plan.end_s
    plan.breaks.append(Break(at, plan.end_s + 1, "open" if rng.random() < 0.7 else "lost"))
    text = str(rng.choice(["switched it off", "off", "battery out", "going to bed, off"]))
    plan.marks.append((round(max(0.0, at + uniform(rng, -60, 60)), 1), text))
    plan.switched_off_s = at
    return plan


def switched_off_load_switch(kind: PackKind, rng: RNG) -> Plan:
    """The load switch opens, sometimes closes again later."""
    plan = basic(kind, rng, False)
    at = uniform(rng, 0.2, 0.8) * plan.end_s
    back = uniform(rng, at, plan.end_s) if rng.random() < 0.4 else plan.end_s + 1
    plan.breaks.append(Break(at, back, "open"))
    plan.events.append((round(at, 1), LOAD_OFF))
    if back < plan.end_s:
        plan.events.append((round(back, 1), LOAD_ON))
        plan.also_ok = (SWITCHED_OFF,)
    else:
        plan.switched_off_s = at
    return plan


def off_and_on_unmarked(kind: PackKind, rng: RNG) -> Plan:
    """Switched off without a mark, on again the same evening, then run on to a lower voltage."""
    plan = basic(kind, rng, False, least_h=5.0)
    at = uniform(rng, 0.1, 0.45) * plan.end_s
    back = at + min(log_uniform(rng, 900, 4 * 3600), 0.25 * plan.end_s)
    plan.breaks.append(Break(at, back, "open" if rng.random() < 0.7 else "lost"))
    plan.also_ok = (SWITCHED_OFF,)
    return plan


def off_for_good_unmarked(kind: PackKind, rng: RNG) -> Plan:
    """Switched off without a mark or return: the recording alone cannot decide it."""
    plan = basic(kind, rng, False)
    at = uniform(rng, 0.3, 0.9) * plan.end_s
    plan.breaks.append(Break(at, plan.end_s + 1, "open"))
    plan.switched_off_s, plan.contestable = at, True
    return plan


def _parked(plan: Plan, rng: RNG, low: float, high: float) -> None:
    """Ride and park in turn, the first park within the first hour."""
    n, row_s = plan.level.size, plan.row_s
    t, share = uniform(rng, 300, 1800), log_uniform(rng, low, high)
    while t < n * row_s:
        park = log_uniform(rng, 300, 3600) if rng.random() < 0.9 else log_uniform(rng, 3600, 4 * 3600)  # fmt: skip
        park = min(park, 1500.0) if t < 1800 else park
        plan.level[int(t / row_s) : int((t + park) / row_s)] = share
        t += park + uniform(rng, 600, 2400)


def known_mode(kind: PackKind, rng: RNG) -> Plan:
    """Ride and park cycle, parked at a far smaller draw; may end parked."""
    plan = basic(kind, rng, False, share=0.6)
    _parked(plan, rng, 0.001, 0.1)
    return plan


def bad_contact(kind: PackKind, rng: RNG) -> Plan:
    """Breaks of 1 s to 10 min that return to the same level; the voltage vanishes or not."""
    plan = basic(kind, rng, False)
    sort = "open" if rng.random() < 0.5 else "lost"
    boots = rng.random() < 0.5
    for at in np.sort(rng.uniform(600, plan.end_s - 1500, rng.integers(1, 7))).tolist():
        if plan.breaks and at < plan.breaks[-1].end_s + 60:
            continue
        until = at + log_uniform(rng, 1, 600)
        plan.breaks.append(Break(at, until, sort))
        if boots and plan.row_s <= 2:
            plan.level[int(until / plan.row_s) : int((until + 2) / plan.row_s)] *= 0.1
    return plan


def dark_pauses(kind: PackKind, rng: RNG) -> Plan:
    """Scheduled animation with dark pauses, the first within the first hour."""
    plan = basic(kind, rng, False, share=0.7)
    on_s, off_s = log_uniform(rng, 120, 3000), log_uniform(rng, 20, 1200)
    t = (np.arange(plan.level.size) + 0.5) * plan.row_s
    plan.level[t % (on_s + off_s) > on_s] = log_uniform(rng, 0.001, 0.05)
    return plan


def timer(kind: PackKind, rng: RNG) -> Plan:
    """Timer: off after 4 h (or 6 h), on again later, once or more within the recording."""
    plan = basic(kind, rng, False, share=0.5, least_h=14.0)
    on_s = float(rng.choice([4, 6])) * 3600
    off_s = uniform(rng, 2, 0.55 * plan.end_s / 3600 - on_s / 3600 + 2) * 3600
    t = (np.arange(plan.level.size) + 0.5) * plan.row_s
    pause = t % (on_s + off_s) > on_s
    whole = np.floor(t / (on_s + off_s)) < np.floor(plan.end_s / (on_s + off_s))
    plan.level[pause & whole] = log_uniform(rng, 0.0005, 0.01)
    keep = int((np.floor(plan.end_s / (on_s + off_s)) * (on_s + off_s) + on_s) / plan.row_s)
    plan.level = plan.level[: max(keep, 100)]
    plan.also_ok = (SWITCHED_OFF,)
    return plan


def probe_gap(kind: PackKind, rng: RNG) -> Plan:
    """The probe was unplugged for a while; the piece went on."""
    plan = basic(kind, rng, False)
    for at in rng.uniform(0.1, 0.8, rng.integers(1, 3)).tolist():
        start = at * plan.end_s
        plan.gaps.append((round(start), round(start + log_uniform(rng, 30, 0.15 * plan.end_s))))
    return plan


def load_changed(kind: PackKind, rng: RNG) -> Plan:
    """Brightness raised or lowered by hand (0.35 to 1.8 times), marked or not."""
    plan = basic(kind, rng, False, share=1.3)
    plan.half_draw_judged = False
    for at in np.sort(rng.uniform(0.05, 0.9, rng.integers(1, 4))).tolist():
        rest = plan.level[int(at * plan.level.size) :]
        rest *= uniform(rng, 0.35, 1.8) / float(np.median(rest))
        if rng.random() < 0.5:
            plan.marks.append((round(at * plan.end_s, 1), "changed the brightness"))
    return plan


# Both.


def mode_then_dark(kind: PackKind, rng: RNG) -> Plan:
    """Ride and park, then the booster locks out while riding; dark draws less than parked."""
    plan = basic(kind, rng, True, "converter", share=0.6)
    _parked(plan, rng, 0.03, 0.1)
    off_a = _draw_ma(plan) * 1e-3 * 0.002
    plan.guard = Supervisor("lockout", uniform(rng, *kind.lockout_v), None, off_a=off_a)
    plan.tail_s = log_uniform(rng, 1800, 4 * 3600)
    return plan


def contact_then_dark(kind: PackKind, rng: RNG) -> Plan:
    """Bad contacts early in the run; the booster locks out at the end."""
    plan = booster_latch(kind, rng)
    for at in np.sort(rng.uniform(0.05, 0.4, rng.integers(1, 4))).tolist():
        start = at * plan.end_s
        if not plan.breaks or start > plan.breaks[-1].end_s + 60:
            plan.breaks.append(Break(start, start + log_uniform(rng, 1, 300), "open"))
    return plan


def sleepy_reboots(kind: PackKind, rng: RNG) -> Plan:
    """Sleepy sensor on a tired coin: a burst pulls it into reset, the restart draws for 2 s.

    Contestable: rows alone do not tell a restart from a longer burst.

    `make` draws again until the first reset comes after the first hour.
    """
    plan = _sleepy(kind, rng, uniform(rng, 8, 15), 0.8, uniform(rng, 0.88, 0.94), 2.0)
    off_a, off_v = uniform(rng, 2, 5) * 1e-3, uniform(rng, *kind.brownout_v)
    plan.contestable = True
    plan.guard = Supervisor("brownout", off_v, off_v + 0.03, 2.0, off_a)
    plan.tail_s = _tail_s(rng)
    return plan


_THREE_V: Final = tuple(p for p in PACKS if p.nominal_v in (3.6, 3.7, 4.5))
_NO_COIN: Final = tuple(p for p in PACKS if p is not COIN)

KINDS: Final[dict[str, tuple[Build, tuple[PackKind, ...]]]] = {
    "booster_latch": (booster_latch, PACKS),
    "booster_hiccup": (booster_hiccup, PACKS),
    "regulator_dropout": (regulator_dropout, PACKS),
    "brownout_reboots": (brownout_reboots, PACKS),
    "addressable_red": (addressable_red, _THREE_V),
    "led_string": (led_string, _NO_COIN),
    "sleepy_sensor": (sleepy_sensor, PACKS),
    "protection": (protection, (LITHIUM_POUCH, LIFEPO4)),
    "resistor": (resistor, PACKS),
    "load_switch_at_cutoff": (load_switch_at_cutoff, PACKS),
    "plain": (plain, PACKS),
    "switched_off_marked": (switched_off_marked, PACKS),
    "switched_off_load_switch": (switched_off_load_switch, PACKS),
    "off_and_on_unmarked": (off_and_on_unmarked, PACKS),
    "off_for_good_unmarked": (off_for_good_unmarked, PACKS),
    "known_mode": (known_mode, PACKS),
    "bad_contact": (bad_contact, PACKS),
    "dark_pauses": (dark_pauses, PACKS),
    "timer": (timer, PACKS),
    "probe_gap": (probe_gap, PACKS),
    "load_changed": (load_changed, PACKS),
    "mode_then_dark": (mode_then_dark, PACKS),
    "contact_then_dark": (contact_then_dark, PACKS),
    "sleepy_reboots": (sleepy_reboots, (COIN,)),
}


def make(what: str, pack: PackKind, rng: RNG, name: str = "") -> PieceRun:
    """One run of kind `what` on `pack`, its end not in the first half hour.

    KeyError when there is no such kind.
    """
    build = KINDS[what][0]
    found = record(name or f"{what} {pack.name}", what, build(pack, rng), rng)
    for _ in range(30):
        early = found.truth.time_s < 1800
        if not early and (what != "sleepy_reboots" or found.truth.kind == REBOOTS):
            break
        found = record(found.name, what, build(pack, rng), rng)
    return found


def draw_runs(
    rng: RNG, per_cell: int, kinds: Sequence[str] = tuple(KINDS), packs: Sequence[PackKind] = PACKS
) -> Iterator[PieceRun]:
    """`per_cell` runs of every kind on every pack it goes with."""
    for what in kinds:
        for pack in KINDS[what][1]:
            if pack in packs:
                for k in range(per_cell):
                    yield make(what, pack, rng, f"{what} {pack.name} {k}")
