"""Harmless behaviour of the second sealed set. The author of a detector does not read on."""

import numpy as np

from tests.benchmarks.lifetime_judge.bench import basic, log_uniform, make_load, uniform
from tests.benchmarks.lifetime_judge.engine import Break
from tests.benchmarks.lifetime_judge.packs import COIN, Pack, PackKind
from tests.benchmarks.lifetime_judge.second_parts import (
    NOTHING,
    RNG,
    ColdPack,
    Made,
    amps,
    night,
    record,
    recorded,
    times,
)


def battery_look(kind: PackKind, rng: RNG) -> Made:
    """The person pulls the pack for about three minutes to look at it: once marked, once not.

    Source: common practice, no source.
    """
    plan = basic(kind, rng, False, least_h=4.0)
    starts = [uniform(rng, 0.15, 0.45) * plan.end_s, uniform(rng, 0.5, 0.85) * plan.end_s]
    for at in starts:
        sort = "open" if rng.random() < 0.5 else "lost"
        plan.breaks.append(Break(at, at + uniform(rng, 120, 240), sort))
    text = str(rng.choice(["looked at the battery", "battery out for a look", "checked the pack"]))
    plan.marks.append((round(starts[int(rng.integers(2))] + uniform(rng, -30, 200), 1), text))
    return recorded("battery_look", plan, rng), NOTHING


def breathing(kind: PackKind, rng: RNG) -> Made:
    """Breathing light that is dark far longer than lit, and begins dark.

    Source: indicator firmwares' breathing, here 4 to 15 s of light in half a minute to four.
    """
    plan = basic(kind, rng, False, "converter", 2.0, flat=True, share=0.15)
    lit_s, dark_s = uniform(rng, 4, 15), log_uniform(rng, 30, 240)
    into = times(plan) % (lit_s + dark_s) - dark_s
    floor = log_uniform(rng, 0.003, 0.03)
    plan.level = np.where(into > 0, np.sin(np.pi * into / lit_s) ** 2, 0.0) + floor
    return recorded("breathing", plan, rng), NOTHING


def show_programme(kind: PackKind, rng: RNG) -> Made:
    """Show in acts: ten minutes dark in every half hour from the start, one interval of 45 min.

    Source: common practice of stage work, no source. Acts are unlike each other.
    """
    plan = basic(kind, rng, False, share=0.7, least_h=4.0)
    t = times(plan)
    offset_s = 0.0 if rng.random() < 0.3 else uniform(rng, 600, 1500)
    into = (t + offset_s) % 1800
    act = ((t + offset_s) // 1800).astype(int)
    plan.level *= rng.uniform(0.4, 1.5, act.max() + 1)[act]
    dark = into < 600
    interval = float(uniform(rng, 0.4, 0.6) * plan.end_s // 1800 * 1800) - offset_s
    dark |= (t >= interval) & (t < interval + 2700)
    plan.level[dark] = log_uniform(rng, 0.003, 0.08)
    plan.half_draw_judged = False
    return recorded("show_programme", plan, rng), NOTHING


def mode_button(kind: PackKind, rng: RNG) -> Made:
    """A button that steps through four modes: tried through in the first hour, pressed again later.

    Source: common practice of lamp firmware (high, middle, low, flash), no source.
    """
    plan = basic(kind, rng, False, flat=True, share=0.6)
    shares = (1.0, uniform(rng, 0.4, 0.6), uniform(rng, 0.12, 0.25), uniform(rng, 0.04, 0.1))
    t, n = uniform(rng, 300, 1200), plan.level.size
    presses, mode = [(t + 120.0 * k + uniform(rng, 0, 60)) for k in range(4)], 0
    presses += np.sort(rng.uniform(3600, plan.end_s, int(rng.integers(3, 9)))).tolist()
    noise = plan.level.copy()
    for at in presses:
        mode = (mode + 1) % 4
        start = int(at / plan.row_s)
        plan.level[start:] = noise[start:n] * shares[mode]
    plan.half_draw_judged = False
    return recorded("mode_button", plan, rng), NOTHING


def slower_sensor(kind: PackKind, rng: RNG) -> Made:
    """Sensor that by its firmware sends ever more rarely as the pack empties; the first hour is even.

    Source: duty-cycling by supply voltage in sensor nodes; every 1 min, then 5, 15 and 40. Each
    burst stays what it was, so the rows can tell that it lives; half the draw is not judged.
    """
    plan = basic(kind, rng, False, "converter", 5.0, flat=True, share=0.2, least_h=5.0)
    burst_s, low = uniform(rng, 5, 12), log_uniform(rng, 0.005, 0.03)
    steps = np.sort(rng.uniform(1.2 * 3600, 0.8 * plan.end_s, 3)).tolist()
    level, t = np.full(plan.level.size, low), uniform(rng, 5, 60)
    while t < plan.end_s:
        level[int(t / plan.row_s) : int((t + burst_s) / plan.row_s) + 1] = 1.0
        t += (60.0, 300.0, 900.0, 2400.0)[sum(t > s for s in steps)]
    plan.level *= level
    plan.half_draw_judged = False
    return recorded("slower_sensor", plan, rng), NOTHING


def cold_night(kind: PackKind, rng: RNG) -> Made:
    """Out of doors overnight: the voltage sags with the cold and comes back with the morning.

    Source: resistance of alkaline and lithium cells two- to fourfold at -10 C (makers' manuals).
    """
    plan = basic(kind, rng, False, least_h=8.0)
    draw_ma = 1e3 * amps(plan)
    if rng.random() < 0.4 and kind is not COIN:
        plan.load = make_load(kind, draw_ma, rng, str(rng.choice(["led", "regulator"])))
    air_c, slope = night(rng, plan.end_s), uniform(rng, 0.025, 0.045)

    def maker(of: PackKind, depth: float, own: RNG) -> Pack:
        return ColdPack(of, depth, own, air_c, slope)

    return record("cold_night", "cold_night", plan, rng, kind.floor_v, maker), NOTHING
