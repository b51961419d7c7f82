"""Endings of the third sealed set. The author of a detector does not read on."""

from dataclasses import replace

import numpy as np

from tests.benchmarks.lifetime_judge.bench import Plan, basic, log_uniform, uniform
from tests.benchmarks.lifetime_judge.engine import Supervisor
from tests.benchmarks.lifetime_judge.held_out import Timed
from tests.benchmarks.lifetime_judge.packs import Pack, PackKind
from tests.benchmarks.lifetime_judge.second_parts import (
    NOTHING,
    RNG,
    Made,
    Moments,
    amps,
    record,
    recorded,
    tail_s,
    times,
)
from tests.benchmarks.lifetime_judge.third_parts import (
    ChargePump,
    FanMotor,
    StallLatch,
    WeakCellPack,
    below,
    lit_share,
    pump_gain,
)
from tests.benchmarks.lifetime_judge.truth import ALARMS

LINK_TIMEOUT_S = 600.0


def pump_reset_latch(kind: PackKind, rng: RNG) -> Made:
    """Charge pump that drops out of regulation; its microcontroller then latches in reset.

    Source: regulated charge pumps (data sheets: input current is ratio times output current,
    output falls below gain V = V_out + I R_out); a supply that sinks slowly past the level at which
    a controller without brown-out detector still starts its oscillator (makers' application notes).
    """
    plan = basic(kind, rng, True, "converter")
    draw_a, gain = amps(plan), pump_gain(kind)
    reset_v = uniform(rng, *kind.lockout_v)
    knee_v = reset_v * uniform(rng, 1.01, 1.10)
    plan.load = ChargePump(gain, draw_a / gain, knee_v, below(rng, knee_v, 0.2, 0.35))
    plan.guard = Supervisor("reset", reset_v, None, off_a=draw_a * log_uniform(rng, 0.003, 0.06))
    plan.tail_s = tail_s(rng)
    return recorded("pump_reset_latch", plan, rng), NOTHING


def amp_mute(kind: PackKind, rng: RNG) -> Made:
    """Audio amplifier in a costume: its undervoltage mute releases, and mutes again.

    Source: undervoltage lock-out with hysteresis and a soft start of class-D amplifiers (data
    sheets: hysteresis 0.1 to 0.4 V, start-up 0.1 to some seconds, muted draw a tenth of playing).
    One short mute alone has the look of a bad contact: from the first mute to the third is right.
    """
    plan = basic(kind, rng, True, "converter", 2.0, flat=True)
    loud = np.repeat(rng.lognormal(0, 0.25, plan.level.size), max(1, round(4 / plan.row_s)))
    plan.level *= np.clip(loud[: plan.level.size], 0.45, 1.9)
    off_v = uniform(rng, *kind.lockout_v)
    on_v = off_v + kind.nominal_v * uniform(rng, 0.01, 0.05)
    release_s = plan.row_s * uniform(rng, 2, 6)
    plan.guard = Supervisor("mute", off_v, on_v, release_s, amps(plan) * uniform(rng, 0.03, 0.18))
    plan.tail_s = tail_s(rng)
    found = recorded("amp_mute", plan, rng)
    offs = [t for t in plan.guard.off_times_s if t < found.time_s[-1]]
    truth = found.truth
    if plan.guard.on_times_s and len(offs) < 3:
        return replace(found, truth=replace(truth, contestable=True)), NOTHING
    if len(offs) >= 3:
        late_s = offs[2] + 2 * found.row_s
        fair = (replace(a, late_s=late_s) if a.kind in ALARMS else a for a in truth.accept)
        found = replace(found, truth=replace(truth, accept=tuple(fair)))
    return found, NOTHING


def motor_latch(kind: PackKind, rng: RNG) -> Made:
    """Moving wings: the motor no longer has the torque, stalls, and its driver's over-current latch
    needs a power cycle.

    Source: stall torque goes with the voltage, stall current two to four times the running one
    (makers' sheets of small motors); over-current protection of the latched sort (data sheets of
    bridge drivers). It pauses from the start, less than a minute each time, at the latched draw.
    """
    plan = basic(kind, rng, True, "converter", 5.0, flat=True, share=0.5)
    draw_a = amps(plan)
    idle_a = draw_a * log_uniform(rng, 0.01, 0.10)
    plan.load = FanMotor(draw_a - idle_a, uniform(rng, 0.2, 0.5), kind.nominal_v, idle_a)
    run_s, pause_s = log_uniform(rng, 10, 90), log_uniform(rng, 8, 55)
    period_s = run_s + pause_s
    lit = lit_share(plan.level.size, plan.row_s, period_s, run_s / period_s, uniform(rng, 0, run_s))
    plan.level *= lit
    stall_s = max(uniform(rng, 0.5, 4), plan.row_s)
    plan.guard = StallLatch(
        "motor", uniform(rng, *kind.lockout_v), off_a=idle_a,
        stall=uniform(rng, 2, 4), stall_s=stall_s,
    )  # fmt: skip
    plan.tail_s = log_uniform(rng, 1800, 3 * 3600)
    return recorded("motor_latch", plan, rng), NOTHING


def cell_reverses(kind: PackKind, rng: RNG) -> Made:
    """NiMH pack whose weakest cell is driven backwards; a booster locks out, or the cutoff is held.

    Source: cell reversal in series packs (NiMH handbooks): the pack loses about 1.5 V within
    minutes while the others are good.
    """
    sort = "converter" if rng.random() < 0.75 else "resistor"
    plan = basic(kind, rng, True, sort)
    if sort == "converter":
        off_a = amps(plan) * log_uniform(rng, 0.001, 0.03)
        plan.guard = Supervisor("lockout", uniform(rng, *kind.lockout_v), None, off_a=off_a)
    plan.tail_s = tail_s(rng)
    share = uniform(rng, 0.7, 0.92)
    cutoff_v = kind.floor_v if rng.random() < 0.4 else round(kind.cells * uniform(rng, 0.8, 1), 2)

    def maker(of: PackKind, depth: float, own: RNG) -> Pack:
        return WeakCellPack(of, depth, own, share)

    return record("cell_reverses", "cell_reverses", plan, rng, cutoff_v, maker), NOTHING


def flash_cutoff(kind: PackKind, rng: RNG) -> Made:
    """Flashing light that gets to its ordinary cutoff: the voltage bounces about it with each flash.

    Source: Ohm's law on the pack's resistance; flash periods and duties of bicycle and safety
    lights, common practice, no source. The cutoff is held when it stays below in the dark as well.
    """
    low = kind.nominal_v <= 3.1
    sorts = ["converter", "resistor"] if low else ["converter", "resistor", "regulator", "led"]
    plan = basic(kind, rng, True, str(rng.choice(sorts)), flat=True)
    period_s, duty = log_uniform(rng, 1, 40), uniform(rng, 0.3, 0.7)
    lit = lit_share(plan.level.size, plan.row_s, period_s, duty, uniform(rng, 0, period_s))
    floor = log_uniform(rng, 0.01, 0.2)
    plan.level *= floor + (1 - floor) * lit / duty
    cutoff_v = kind.floor_v
    if rng.random() < 0.45:
        cutoff_v = round(uniform(rng, kind.floor_v, kind.lockout_v[1]), 2)
    return recorded("flash_cutoff", plan, rng, cutoff_v), NOTHING


def thermal_latch(kind: PackKind, rng: RNG) -> Made:
    """LED string on a buck driver that folds back as it warms, then shuts down latched.

    Source: thermal fold-back by a thermistor and latched over-temperature shutdown of LED drivers
    (data sheets). Ambiguous: the pack is good, so the last step could be a hand.
    """
    plan = basic(kind, rng, False, "converter", flat=True, least_h=4.0)
    at_s = uniform(rng, 0.4, 0.8) * plan.end_s
    ramp_s, least = uniform(rng, 600, 2400), uniform(rng, 0.35, 0.7)
    way = np.clip((times(plan) - at_s + ramp_s) / ramp_s, 0, 1)
    plan.level *= 1 - (1 - least) * way
    off_a = min(log_uniform(rng, 5e-5, 2e-3), 0.02 * amps(plan))
    plan.guard = Timed("thermal latch", off_a=off_a, turns=(at_s,))
    half_s = at_s - ramp_s + ramp_s * 0.5 / (1 - least) if least < 0.5 else at_s
    return recorded("thermal_latch", plan, rng), Moments(dark_s=(at_s,), dim_s=(half_s, at_s))


def _frozen(plan: Plan, at_s: float) -> None:
    """The animation stands still from this time on."""
    at = int(at_s / plan.row_s)
    plan.level[at:] = plan.level[at]


def link_timeout(kind: PackKind, rng: RNG) -> Made:
    """Wireless light that loses its link: it holds the last look for 10 min, then turns its LEDs off
    and goes on listening.

    Source: receive current of radio modules against the LEDs' (data sheets); hold-last-look and a
    timeout are common practice of wireless stage light, no source. Ambiguous: the pack is good, and
    a person's "off" on the remote looks the same.
    """
    plan = basic(kind, rng, False, "converter", least_h=4.0)
    lost_s = uniform(rng, 0.3, 0.75) * plan.end_s
    _frozen(plan, lost_s)
    at_s = lost_s + LINK_TIMEOUT_S
    plan.guard = Timed("link", off_a=amps(plan) * uniform(rng, 0.03, 0.15), turns=(at_s,))
    return recorded("link_timeout", plan, rng), Moments(dark_s=(at_s,), dim_s=(at_s,))
