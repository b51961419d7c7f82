"""Endings of the second sealed set. The author of a detector does not read on."""

from dataclasses import replace

import numpy as np

from tests.benchmarks.lifetime_judge.bench import Plan, basic, log_uniform, uniform
from tests.benchmarks.lifetime_judge.engine import Supervisor
from tests.benchmarks.lifetime_judge.loads import Converter
from tests.benchmarks.lifetime_judge.packs import PackKind
from tests.benchmarks.lifetime_judge.second_parts import (
    NOTHING,
    RNG,
    Looping,
    Made,
    Modes,
    Moments,
    Release,
    also,
    amps,
    recorded,
    tail_s,
    times,
)
from tests.benchmarks.lifetime_judge.truth import (
    COMES_BACK,
    PROTECTION,
    REBOOTS,
    WENT_DARK,
    Accept,
    half_s,
)


def hiccup(kind: PackKind, rng: RNG) -> Made:
    """Boost converter in hiccup: over-current stops it after 1 to 100 ms, tried again seconds later.

    Source: a boost's input current is P/V; as the pack sags it meets the switch's limit (data
    sheets of boost converters with hiccup protection: on 1 to 100 ms, off 0.1 to 10 s). It blinks
    for milliseconds: dark to the eye, "comes back" and "reboots" to an engineer.
    """
    plan = basic(kind, rng, True, "converter")
    burst_a = amps(plan) * uniform(rng, 1.2, 2.5)
    plan.guard = Looping(
        "hiccup", uniform(rng, *kind.lockout_v), burst_a=burst_a, burst_s=log_uniform(rng, 0.001, 0.1),
        period_s=log_uniform(rng, 0.8, 10.0), idle_a=amps(plan) * log_uniform(rng, 0.0005, 0.01),
    )  # fmt: skip
    plan.tail_s = tail_s(rng)
    return also(recorded("hiccup", plan, rng), WENT_DARK, COMES_BACK, REBOOTS), NOTHING


def watchdog_loop(kind: PackKind, rng: RNG) -> Made:
    """Microcontroller that hangs in its boot after a brown-out; the watchdog resets it for ever.

    Source: watchdog periods 0.5 to 8 s and active currents of small microcontrollers (data
    sheets); the LEDs stay dark, the pack recovers.
    """
    plan = basic(kind, rng, True, str(rng.choice(["converter", "regulator"])))
    idle_a = amps(plan) * log_uniform(rng, 0.005, 0.08)
    plan.guard = Looping(
        "watchdog", uniform(rng, *kind.brownout_v), burst_a=idle_a * uniform(rng, 1.5, 4),
        burst_s=uniform(rng, 0.02, 0.3), period_s=float(rng.choice([0.5, 1.0, 2.1, 4.1, 8.0])),
        idle_a=idle_a,
    )  # fmt: skip
    plan.tail_s = tail_s(rng)
    return also(recorded("watchdog_loop", plan, rng), WENT_DARK, REBOOTS), NOTHING


def _bursts(plan: Plan, rng: RNG, every_s: float, burst_s: float, share: float) -> None:
    """Bursts of `share` on top of a level of one, at a clock's times."""
    into = (times(plan) + uniform(rng, 0, every_s)) % every_s
    plan.level[into < max(burst_s, plan.row_s)] *= share


def radio_bursts(kind: PackKind, rng: RNG) -> Made:
    """Radio module that resets only when it sends, and boots for 2 to 5 s each time.

    Source: transmit current four to eight times the idle one (data sheets of radio modules).
    """
    share = uniform(rng, 4, 8)
    plan = basic(kind, rng, True, "converter", 2.0, flat=True, share=1.3)
    _bursts(plan, rng, log_uniform(rng, 60, 400), uniform(rng, 0.5, 3), share)
    assert isinstance(plan.load, Converter)
    plan.load = replace(plan.load, limit_a=10 * amps(plan))
    off_v = uniform(rng, *kind.brownout_v)
    plan.guard = Supervisor("brownout", off_v, off_v + 0.02, uniform(rng, 2, 5), amps(plan) * uniform(rng, 0.05, 0.35))  # fmt: skip
    plan.tail_s = tail_s(rng)
    return recorded("radio_bursts", plan, rng), NOTHING


def haptic_stall(kind: PackKind, rng: RNG) -> Made:
    """Vibration motor that no longer starts: each buzz draws the stall current and resets the board.

    Source: stall current of small direct-current motors is three to five times the running one
    (makers' sheets); from memory.
    """
    plan = basic(kind, rng, True, "converter", 2.0, flat=True, share=1.6)
    assert isinstance(plan.load, Converter)
    plan.load = replace(plan.load, limit_a=30 * amps(plan))
    every_s, buzz_s, share = uniform(rng, 8, 40), uniform(rng, 1, 3), uniform(rng, 2, 4)
    _bursts(plan, rng, every_s, buzz_s, share)
    at = int(uniform(rng, 0.2, 0.6) * plan.level.size)
    plan.level[at:][plan.level[at:] > 1.5] *= uniform(rng, 3, 5)
    off_v = uniform(rng, *kind.brownout_v)
    plan.guard = Supervisor("brownout", off_v, off_v + 0.02, uniform(rng, 1.8, 3.5), amps(plan) * uniform(rng, 0.03, 0.2))  # fmt: skip
    plan.half_draw_judged = False
    plan.tail_s = tail_s(rng)
    return recorded("haptic_stall", plan, rng), NOTHING


def protection_releases(kind: PackKind, rng: RNG) -> Made:
    """Pouch protection that lets go when the person unplugs, and trips again once plugged in.

    Source: protection circuits whose over-discharge state ends with the load taken off (data
    sheets: trip 2.4 to 3.0 V, release by load removal).
    """
    plan = basic(kind, rng, True)
    assert kind.protection_v is not None
    visits = []
    for _ in range(int(rng.integers(1, 4))):
        away_s = log_uniform(rng, 120, 2400)
        visits.append((away_s, away_s + log_uniform(rng, 20, 900)))
    off_v = uniform(rng, *kind.protection_v)
    remnant = float(rng.choice([0.0, uniform(rng, 0.02, 0.6)]))
    plan.guard = Release("protection", off_v, disconnects=True, remnant_v=remnant, visits=tuple(visits))  # fmt: skip
    plan.tail_s = visits[0][1] + log_uniform(rng, 1200, 3 * 3600)
    cutoff_v = round(uniform(rng, 0.8 * off_v, off_v - 0.02), 2)
    found = also(recorded("protection_releases", plan, rng, cutoff_v), COMES_BACK, PROTECTION)
    if plan.guard.on_times_s and rng.random() < 0.5:
        at = round(plan.guard.on_times_s[0] + uniform(rng, 5, 60), 1)
        if at < found.time_s[-1]:
            found = replace(found, marks=(*found.marks, (at, "plugged in again")))
    return found, NOTHING


def foldback_glow(kind: PackKind, rng: RNG) -> Made:
    """Buck-boost that folds back once and stays so: a glow of 10 to 25 % until power is removed.

    Source: foldback limits that latch under a constant-current load, whose line meets the folded
    limit (power supply textbooks). Ambiguous: it glows, so it runs; nobody calls it lit.
    """
    plan = basic(kind, rng, True, "converter")
    modes = Modes("foldback", steps_v=(uniform(rng, *kind.lockout_v),), shares=(uniform(rng, 0.10, 0.25),))  # fmt: skip
    plan.guard = modes
    found = recorded("foldback_glow", plan, rng)
    at = tuple(modes.changes_s)
    return found, Moments(dark_s=at, dim_s=at)


def low_then_flash(kind: PackKind, rng: RNG) -> Made:
    """LED driver that goes to a low mode at one voltage and to flashes at a lower one.

    Source: battery-saving steps of headlamp and bicycle-lamp drivers. Ambiguous: it was built to
    do so; at the first step it dims, at the second it is good for being seen and no more.
    """
    plan = basic(kind, rng, True, "converter", flat=True)
    first = uniform(rng, *kind.lockout_v)
    blink_s = uniform(rng, 2, 6) * plan.row_s if plan.row_s <= 1 else 0.0
    modes = Modes(
        "modes", steps_v=(first, first * uniform(rng, 0.92, 0.98)),
        shares=(uniform(rng, 0.25, 0.45), uniform(rng, 0.04, 0.10)), blink_s=blink_s,
    )  # fmt: skip
    plan.guard = modes
    found = recorded("low_then_flash", plan, rng)
    return found, Moments(dark_s=tuple(modes.changes_s[1:]), dim_s=tuple(modes.changes_s))


def segments(kind: PackKind, rng: RNG) -> Made:
    """Vest whose four to eight segments go out one after the other, until none is left.

    Source: contact resistance that grows with its own heat (connector makers' notes on thermal
    run-away). Each flickers before it stays out. Ambiguous: the pack is good, the last step could
    be a hand; the half is not.
    """
    plan = basic(kind, rng, False, "converter", flat=True)
    count = int(rng.integers(4, 9))
    n, row_s = plan.level.size, plan.row_s
    out = np.cumsum(rng.exponential(1, count) + 0.15)
    first, last = uniform(rng, 0.25, 0.45), uniform(rng, 0.6, 0.9)
    out = (first + (last - first) * (out - out[0]) / (out[-1] - out[0])) * n * row_s
    t = times(plan)
    lit = np.zeros(n)
    for at in out.tolist():
        on = t < at
        for back in rng.uniform(max(at - 600, 1800), at, 4).tolist():
            on &= ~((t >= back) & (t < back + log_uniform(rng, 1, 20)))
        lit += on / count
    plan.level *= np.maximum(lit, log_uniform(rng, 0.005, 0.03))
    plan.half_draw_judged = False
    found = recorded("segments", plan, rng)
    end_s, half = float(out[-1]), half_s(t, lit, 0.5)
    faint_s = min((at for k, at in enumerate(out.tolist(), 1) if count - k <= 0.2 * count), default=end_s)  # fmt: skip
    ends = (Accept(WENT_DARK, faint_s, end_s + 2 * row_s),)
    truth = replace(
        found.truth, kind=WENT_DARK, time_s=end_s, accept=ends, half_draw_s=half,
        half_draw_band_s=(half_s(t, lit, 0.58), half_s(t, lit, 0.42)), half_draw_judged=True,
    )  # fmt: skip
    return replace(found, truth=truth), Moments(dark_s=(faint_s, end_s), dim_s=(half,))
