"""Harmless behaviour of the third sealed set. The author of a detector does not read on."""

import numpy as np

from tests.benchmarks.lifetime_judge.bench import basic, log_uniform, uniform
from tests.benchmarks.lifetime_judge.packs import PackKind
from tests.benchmarks.lifetime_judge.second_parts import NOTHING, RNG, Made, recorded, times
from tests.benchmarks.lifetime_judge.truth import SWITCHED_OFF


def tilt_switch(kind: PackKind, rng: RNG) -> Made:
    """Tilt switch: laid down the piece is off, for 1 to 20 min; often in the first hour, and later.

    Source: ball tilt switches in series with the supply (makers' sheets). A hand did it each time,
    so "switched off" is right as well.
    """
    plan = basic(kind, rng, False, share=0.7, least_h=4.0)
    t = uniform(rng, 120, 500)
    while t < plan.end_s:
        first = t < 3600
        down_s = log_uniform(rng, 60, 600 if first else 1200)
        plan.level[int(t / plan.row_s) : int((t + down_s) / plan.row_s)] = 0.0
        t += down_s + (uniform(rng, 120, 480) if first else log_uniform(rng, 300, 3000))
    plan.also_ok = (SWITCHED_OFF,)
    return recorded("tilt_switch", plan, rng), NOTHING


def twinkle(kind: PackKind, rng: RNG) -> Made:
    """Random twinkle: sparks at a Poisson process' times that fade; now and then none for minutes.

    Source: gaps of a Poisson process are exponential; the longest of N is about ln N means.
    """
    plan = basic(kind, rng, False, "converter", 2.0, flat=True, share=0.35)
    gap_s, fade_s = log_uniform(rng, 4, 40), uniform(rng, 0.5, 4)
    n, row_s = plan.level.size, plan.row_s
    sparks = rng.gamma(4 * rng.poisson(row_s / gap_s, n).astype(float), 0.25)
    fade = np.exp(-np.arange(0, 6 * fade_s + row_s, row_s) / fade_s)
    sparks = np.convolve(sparks, fade)[:n]
    floor = log_uniform(rng, 0.005, 0.05)
    plan.level = np.minimum(floor + 0.3 * sparks / float(sparks.mean()), 3.0)
    return recorded("twinkle", plan, rng), NOTHING


def dawn_dim(kind: PackKind, rng: RNG) -> Made:
    """Light sensor: at dawn the piece goes slowly to a fifth to a half of its night brightness.

    Source: daylight grows about exponentially in twilight, so a sensor on a logarithmic law gives a
    smooth step within the hour (handbooks of illumination); clouds on top. It stays lit, and the
    voltage rises as the draw falls; half the draw is not judged.
    """
    plan = basic(kind, rng, False, "converter", least_h=5.0)
    t, day = times(plan), uniform(rng, 0.2, 0.5)
    width_s = uniform(rng, 300, 900)
    at_s = max(uniform(rng, 0.45, 0.75) * plan.end_s, 3600 + 5 * width_s)
    light = 1 / (1 + np.exp(-(t - at_s) / width_s))
    knots_s = np.arange(0, plan.end_s + 600, 600)
    cloud = np.interp(t, knots_s, rng.uniform(0, 0.15, knots_s.size))
    plan.level *= 1 - (1 - day) * light * (1 - cloud)
    plan.half_draw_judged = False
    return recorded("dawn_dim", plan, rng), NOTHING


def audio_light(kind: PackKind, rng: RNG) -> Made:
    """Light that follows music: songs, seconds between them, pauses between sets from the first hour.

    Source: common practice of dance floors (songs 2.5 to 5.5 min, sets of half an hour to an hour),
    no source. Songs are unlike each other; half the draw is not judged.
    """
    plan = basic(kind, rng, False, "converter", 2.0, flat=True, share=0.8)
    n, row_s, floor = plan.level.size, plan.row_s, log_uniform(rng, 0.01, 0.08)
    level = np.full(n, floor)
    t, pause_s = 0.0, uniform(rng, 900, 2400)
    while t < plan.end_s:
        song_s = uniform(rng, 150, 330)
        a, b = int(t / row_s), min(int((t + song_s) / row_s), n)
        level[a:b] = uniform(rng, 0.5, 1.2) * np.minimum(rng.lognormal(0, 0.4, b - a), 2.5)
        t += song_s + uniform(rng, 2, 15)
        if t > pause_s:
            t += log_uniform(rng, 300, 1200 if t < 3600 else 1800)
            pause_s = t + uniform(rng, 1800, 4500)
    plan.level = np.maximum(level, floor)
    plan.half_draw_judged = False
    return recorded("audio_light", plan, rng), NOTHING


def saver_marked(kind: PackKind, rng: RNG) -> Made:
    """The person turns on a battery-saver mode and marks it: an eighth to a third of the draw.

    Source: common practice of lamp firmware, no source. It stays lit; half is not judged.
    """
    plan = basic(kind, rng, False, least_h=4.0)
    at_s = uniform(rng, 0.3, 0.85) * plan.end_s
    plan.level[int(at_s / plan.row_s) :] *= uniform(rng, 0.12, 0.35)
    text = str(rng.choice(["battery saver on", "saver mode", "set it to low power", "eco mode"]))
    plan.marks.append((round(at_s + uniform(rng, -60, 60), 1), text))
    plan.half_draw_judged = False
    return recorded("saver_marked", plan, rng), NOTHING


def heated_glove(kind: PackKind, rng: RNG) -> Made:
    """Heating glove: warms up, then cycles by its thermostat from the start; long off when indoors.

    Source: two-point control of a first-order thermal mass: on and off times follow the cold, off
    far longer in a warm room (control textbooks). The first time indoors is in the first hour.
    """
    plan = basic(kind, rng, False, "resistor", flat=True, share=0.6)
    n, row_s = plan.level.size, plan.row_s
    level, leak = np.full(n, 1.0), log_uniform(rng, 0.002, 0.02)
    on_s, off_s = log_uniform(rng, 15, 180), log_uniform(rng, 15, 180)
    t, indoors_s = uniform(rng, 240, 600), uniform(rng, 1200, 2700)
    longest_s = uniform(rng, 300, 900)
    while t < plan.end_s:
        rest_s = off_s * uniform(rng, 0.7, 1.4)
        if t > indoors_s:
            rest_s = longest_s * uniform(rng, 0.8, 1.2)
            indoors_s = t + log_uniform(rng, 2400, 9000)
        level[int(t / row_s) : int((t + rest_s) / row_s)] = leak
        t += rest_s + on_s * uniform(rng, 0.7, 1.4)
    plan.level *= level
    return recorded("heated_glove", plan, rng), NOTHING
