"""Second sealed kinds of endings and of harmless behaviour. The author of a detector does not read on.

    python -m tests.benchmarks.lifetime_judge.second_seal SEED [RUNS_A_CELL]

prints the judge's usual table of the kinds whose rows decide them, then of those that are
legitimately ambiguous what was said (`AMBIGUOUS`): there "unsure" with the moment is right, so is
"running" that says the dimming at its moment or "went dark" at a fair moment; "running, all well"
and any other firm statement is an error. Ranges from memory of data sheets, drawn wide.
"""

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from math import nan
from typing import Final

import numpy as np

from tests.benchmarks.lifetime_judge.bench import Plan, basic, log_uniform, make_load, uniform
from tests.benchmarks.lifetime_judge.engine import FLOATS, Break, Supervisor
from tests.benchmarks.lifetime_judge.loads import Converter
from tests.benchmarks.lifetime_judge.packs import (
    COIN,
    LIFEPO4,
    LITHIUM_POUCH,
    PACKS,
    Pack,
    PackKind,
)
from tests.benchmarks.lifetime_judge.score import markdown, table_of
from tests.benchmarks.lifetime_judge.second_parts import (
    ERRORS,
    OUTCOMES,
    ColdPack,
    Looping,
    Modes,
    Moments,
    Release,
    also,
    night,
    not_yet,
    outcome,
    record,
    tail_s,
)
from tests.benchmarks.lifetime_judge.truth import (
    COMES_BACK,
    PROTECTION,
    REBOOTS,
    STILL_RUNNING,
    WENT_DARK,
    Accept,
    PieceRun,
    half_s,
)

RNG = np.random.Generator
Made = tuple[PieceRun, Moments]
NOTHING: Final = Moments()
TRIES: Final = 60


def _amps(plan: Plan) -> float:
    return plan.load.draw_a(plan.kind.nominal_v, 1.0)


def _times(plan: Plan) -> FLOATS:
    return np.asarray((np.arange(plan.level.size) + 0.5) * plan.row_s, dtype=np.float64)


def _recorded(what: str, plan: Plan, rng: RNG, cutoff_v: float | None = None) -> PieceRun:
    return record(what, what, plan, rng, plan.kind.floor_v if cutoff_v is None else cutoff_v)


# Endings.


def hiccup(kind: PackKind, rng: RNG) -> Made:
    """Boost converter in hiccup: over-current stops it after 1 to 100 ms, tried again seconds later.

    Source: a boost's input current is P/V; as the pack sags it meets the switch's limit (data
    sheets of boost converters with hiccup protection: on 1 to 100 ms, off 0.1 to 10 s). It blinks
    for milliseconds: dark to the eye, "comes back" and "reboots" to an engineer.
    """
    plan = basic(kind, rng, True, "converter")
    burst_a = _amps(plan) * uniform(rng, 1.2, 2.5)
    plan.guard = Looping(
        "hiccup", uniform(rng, *kind.lockout_v), burst_a=burst_a, burst_s=log_uniform(rng, 0.001, 0.1),
        period_s=log_uniform(rng, 0.8, 10.0), idle_a=_amps(plan) * log_uniform(rng, 0.0005, 0.01),
    )  # fmt: skip
    plan.tail_s = tail_s(rng)
    return also(_recorded("hiccup", plan, rng), WENT_DARK, COMES_BACK, REBOOTS), NOTHING


def watchdog_loop(kind: PackKind, rng: RNG) -> Made:
    """Microcontroller that hangs in its boot after a brown-out; the watchdog resets it for ever.

    Source: watchdog periods 0.5 to 8 s and active currents of small microcontrollers (data
    sheets); the LEDs stay dark, the pack recovers.
    """
    plan = basic(kind, rng, True, str(rng.choice(["converter", "regulator"])))
    idle_a = _amps(plan) * log_uniform(rng, 0.005, 0.08)
    plan.guard = Looping(
        "watchdog", uniform(rng, *kind.brownout_v), burst_a=idle_a * uniform(rng, 1.5, 4),
        burst_s=uniform(rng, 0.02, 0.3), period_s=float(rng.choice([0.5, 1.0, 2.1, 4.1, 8.0])),
        idle_a=idle_a,
    )  # fmt: skip
    plan.tail_s = tail_s(rng)
    return also(_recorded("watchdog_loop", plan, rng), WENT_DARK, REBOOTS), NOTHING


def _bursts(plan: Plan, rng: RNG, every_s: float, burst_s: float, share: float) -> None:
    """Bursts of `share` on top of a level of one, at a clock's times."""
    into = (_times(plan) + uniform(rng, 0, every_s)) % every_s
    plan.level[into < max(burst_s, plan.row_s)] *= share


def radio_bursts(kind: PackKind, rng: RNG) -> Made:
    """Radio module that resets only when it sends, and boots for 2 to 5 s each time.

    Source: transmit current four to eight times the idle one (data sheets of radio modules).
    """
    share = uniform(rng, 4, 8)
    plan = basic(kind, rng, True, "converter", 2.0, flat=True, share=1.3)
    _bursts(plan, rng, log_uniform(rng, 60, 400), uniform(rng, 0.5, 3), share)
    assert isinstance(plan.load, Converter)
    plan.load = replace(plan.load, limit_a=10 * _amps(plan))
    off_v = uniform(rng, *kind.brownout_v)
    plan.guard = Supervisor("brownout", off_v, off_v + 0.02, uniform(rng, 2, 5), _amps(plan) * uniform(rng, 0.05, 0.35))  # fmt: skip
    plan.tail_s = tail_s(rng)
    return _recorded("radio_bursts", plan, rng), NOTHING


def haptic_stall(kind: PackKind, rng: RNG) -> Made:
    """Vibration motor that no longer starts: each buzz draws the stall current and resets the board.

    Source: stall current of small direct-current motors is three to five times the running one
    (makers' sheets); from memory.
    """
    plan = basic(kind, rng, True, "converter", 2.0, flat=True, share=1.6)
    assert isinstance(plan.load, Converter)
    plan.load = replace(plan.load, limit_a=30 * _amps(plan))
    every_s, buzz_s, share = uniform(rng, 8, 40), uniform(rng, 1, 3), uniform(rng, 2, 4)
    _bursts(plan, rng, every_s, buzz_s, share)
    at = int(uniform(rng, 0.2, 0.6) * plan.level.size)
    plan.level[at:][plan.level[at:] > 1.5] *= uniform(rng, 3, 5)
    off_v = uniform(rng, *kind.brownout_v)
    plan.guard = Supervisor("brownout", off_v, off_v + 0.02, uniform(rng, 1.8, 3.5), _amps(plan) * uniform(rng, 0.03, 0.2))  # fmt: skip
    plan.half_draw_judged = False
    plan.tail_s = tail_s(rng)
    return _recorded("haptic_stall", plan, rng), NOTHING


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
    found = also(_recorded("protection_releases", plan, rng, cutoff_v), COMES_BACK, PROTECTION)
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
    found = _recorded("foldback_glow", plan, rng)
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
    found = _recorded("low_then_flash", plan, rng)
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
    t = _times(plan)
    lit = np.zeros(n)
    for at in out.tolist():
        on = t < at
        for back in rng.uniform(max(at - 600, 1800), at, 4).tolist():
            on &= ~((t >= back) & (t < back + log_uniform(rng, 1, 20)))
        lit += on / count
    plan.level *= np.maximum(lit, log_uniform(rng, 0.005, 0.03))
    plan.half_draw_judged = False
    found = _recorded("segments", plan, rng)
    end_s, half = float(out[-1]), half_s(t, lit, 0.5)
    faint_s = min((at for k, at in enumerate(out.tolist(), 1) if count - k <= 0.2 * count), default=end_s)  # fmt: skip
    ends = (Accept(WENT_DARK, faint_s, end_s + 2 * row_s),)
    truth = replace(
        found.truth, kind=WENT_DARK, time_s=end_s, accept=ends, half_draw_s=half,
        half_draw_band_s=(half_s(t, lit, 0.58), half_s(t, lit, 0.42)), half_draw_judged=True,
    )  # fmt: skip
    return replace(found, truth=truth), Moments(dark_s=(faint_s, end_s), dim_s=(half,))


# Harmless.


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
    return _recorded("battery_look", plan, rng), NOTHING


def breathing(kind: PackKind, rng: RNG) -> Made:
    """Breathing light that is dark far longer than lit, and begins dark.

    Source: indicator firmwares' breathing, here 4 to 15 s of light in half a minute to four.
    """
    plan = basic(kind, rng, False, "converter", 2.0, flat=True, share=0.15)
    lit_s, dark_s = uniform(rng, 4, 15), log_uniform(rng, 30, 240)
    into = _times(plan) % (lit_s + dark_s) - dark_s
    floor = log_uniform(rng, 0.003, 0.03)
    plan.level = np.where(into > 0, np.sin(np.pi * into / lit_s) ** 2, 0.0) + floor
    return _recorded("breathing", plan, rng), NOTHING


def show_programme(kind: PackKind, rng: RNG) -> Made:
    """Show in acts: ten minutes dark in every half hour from the start, one interval of 45 min.

    Source: common practice of stage work, no source. Acts are unlike each other.
    """
    plan = basic(kind, rng, False, share=0.7, least_h=4.0)
    t = _times(plan)
    offset_s = 0.0 if rng.random() < 0.3 else uniform(rng, 600, 1500)
    into = (t + offset_s) % 1800
    act = ((t + offset_s) // 1800).astype(int)
    plan.level *= rng.uniform(0.4, 1.5, act.max() + 1)[act]
    dark = into < 600
    interval = float(uniform(rng, 0.4, 0.6) * plan.end_s // 1800 * 1800) - offset_s
    dark |= (t >= interval) & (t < interval + 2700)
    plan.level[dark] = log_uniform(rng, 0.003, 0.08)
    plan.half_draw_judged = False
    return _recorded("show_programme", plan, rng), NOTHING


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
    return _recorded("mode_button", plan, rng), NOTHING


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
    return _recorded("slower_sensor", plan, rng), NOTHING


def cold_night(kind: PackKind, rng: RNG) -> Made:
    """Out of doors overnight: the voltage sags with the cold and comes back with the morning.

    Source: resistance of alkaline and lithium cells two- to fourfold at -10 C (makers' manuals).
    """
    plan = basic(kind, rng, False, least_h=8.0)
    draw_ma = 1e3 * _amps(plan)
    if rng.random() < 0.4 and kind is not COIN:
        plan.load = make_load(kind, draw_ma, rng, str(rng.choice(["led", "regulator"])))
    air_c, slope = night(rng, plan.end_s), uniform(rng, 0.025, 0.045)

    def maker(of: PackKind, depth: float, own: RNG) -> Pack:
        return ColdPack(of, depth, own, air_c, slope)

    return record("cold_night", "cold_night", plan, rng, kind.floor_v, maker), NOTHING


_POUCHES: Final = (LITHIUM_POUCH, LIFEPO4)
_NO_COIN: Final = tuple(p for p in PACKS if p is not COIN)
Builder = Callable[[PackKind, RNG], Made]

ENDINGS: Final[dict[str, tuple[Builder, tuple[PackKind, ...]]]] = {
    "hiccup": (hiccup, PACKS),
    "watchdog_loop": (watchdog_loop, PACKS),
    "radio_bursts": (radio_bursts, _NO_COIN),
    "haptic_stall": (haptic_stall, _NO_COIN),
    "protection_releases": (protection_releases, _POUCHES),
    "foldback_glow": (foldback_glow, PACKS),
    "low_then_flash": (low_then_flash, PACKS),
    "segments": (segments, _NO_COIN),
}
HARMLESS: Final[dict[str, tuple[Builder, tuple[PackKind, ...]]]] = {
    "battery_look": (battery_look, PACKS),
    "breathing": (breathing, PACKS),
    "show_programme": (show_programme, PACKS),
    "mode_button": (mode_button, PACKS),
    "slower_sensor": (slower_sensor, PACKS),
    "cold_night": (cold_night, PACKS),
}
KINDS: Final = {**ENDINGS, **HARMLESS}
# The rows cannot decide these; judged by `outcome`, left out of the goals.
AMBIGUOUS: Final = frozenset({"foldback_glow", "low_then_flash", "segments"})
# What happens within seconds: rows of 2 s at most.
SECONDS: Final = frozenset({"radio_bursts", "haptic_stall"})
WANTED: Final = {
    "hiccup": {WENT_DARK, COMES_BACK},
    "watchdog_loop": {WENT_DARK},
    "radio_bursts": {REBOOTS},
    "haptic_stall": {REBOOTS},
    "protection_releases": {COMES_BACK, PROTECTION},
}


def _as_wanted(what: str, made: Made) -> bool:
    """Whether the run shows what its kind is for, after its first half hour."""
    found, when = made
    truth = found.truth
    if not_yet(truth.time_s) or any(not_yet(t) for t in when.dim_s):
        return False
    if what in HARMLESS:
        return truth.kind == STILL_RUNNING and len(truth.accept) == 1
    if what in AMBIGUOUS:
        cut_s = truth.time_s if what != "segments" else nan
        return len(when.dark_s) > 0 and not cut_s < when.dark_s[-1] + 1200
    fine = what not in SECONDS or found.row_s <= 2
    return truth.kind in WANTED[what] and not truth.contestable and fine


def make(what: str, pack: PackKind, rng: RNG, name: str = "") -> Made:
    """One run of this kind. KeyError for an unknown one; RuntimeError where none comes out."""
    build = KINDS[what][0]
    for _ in range(TRIES):
        found, when = build(pack, rng)
        if not _as_wanted(what, (found, when)):
            continue
        if what in AMBIGUOUS:
            found = replace(found, truth=replace(found.truth, contestable=True))
        return replace(found, name=name or f"{what} {pack.name}"), when
    raise RuntimeError(f"{what} on {pack.name}: nothing as wanted in {TRIES} draws")


def draw_runs(rng: RNG, per_cell: int, ambiguous: bool) -> Iterator[Made]:
    """`per_cell` runs of every kind that is (not) ambiguous, on every pack it goes with."""
    for what, (_, packs) in KINDS.items():
        if (what in AMBIGUOUS) == ambiguous:
            for pack in packs:
                for k in range(per_cell):
                    yield make(what, pack, rng, f"{what} {pack.name} {k}")


def ambiguous_table(counts: Counter[tuple[str, str]]) -> str:
    """Kinds against outcomes, and the share of errors."""
    lines = ["| ambiguous | " + " | ".join(OUTCOMES) + " | errors |", "|---" * 8 + "|"]
    for what in sorted(AMBIGUOUS):
        row = [counts[what, word] for word in OUTCOMES]
        wrong = sum(counts[what, word] for word in ERRORS)
        share = f"{wrong}/{sum(row)}"
        lines.append(f"| {what} | " + " | ".join(map(str, row)) + f" | {share} |")
    return "\n".join(lines)


def main(seed: int, per_cell: int) -> None:
    """Print both tables."""
    from tests.benchmarks.lifetime_detector import found_in, said_of

    decided = draw_runs(np.random.default_rng([seed, 0]), per_cell, False)
    print(markdown(table_of((found for found, _ in decided), said_of)))
    counts: Counter[tuple[str, str]] = Counter()
    for found, when in draw_runs(np.random.default_rng([seed, 1]), per_cell, True):
        times = tuple(r.time_s for r in found_in(found).readings if r.time_s is not None)
        counts[found.kind, outcome(found, when, said_of(found), times)] += 1
    print("\n" + ambiguous_table(counts))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 2)
