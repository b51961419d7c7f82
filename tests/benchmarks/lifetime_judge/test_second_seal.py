"""The second sealed kinds against closed forms; detectors that always say one thing must fail.

Run with ``python -m pytest tests/benchmarks/lifetime_judge/test_second_seal.py``; some seconds.
"""

from functools import partial
from math import exp, isnan, nan

import numpy as np
import pytest

from tests.benchmarks.lifetime_judge import held_out, pieces, second_seal
from tests.benchmarks.lifetime_judge.engine import run
from tests.benchmarks.lifetime_judge.loads import Resistor
from tests.benchmarks.lifetime_judge.packs import ALKALINE_3, COIN, LITHIUM_POUCH, PACKS, Pack
from tests.benchmarks.lifetime_judge.score import Said, table_of, unmet
from tests.benchmarks.lifetime_judge.second_parts import (
    ALL_WELL,
    DIM_SAID,
    FIRM_RIGHT,
    FIRM_WRONG,
    HEDGED,
    HEDGED_ELSEWHERE,
    ColdPack,
    Looping,
    Made,
    Modes,
    Release,
    night,
    outcome,
)
from tests.benchmarks.lifetime_judge.truth import (
    CUTOFF,
    REBOOTS,
    STILL_RUNNING,
    UNSURE,
    WENT_DARK,
    PieceRun,
)


@pytest.fixture(scope="module")
def made() -> dict[str, list[Made]]:
    """Every kind on every pack it goes with, once."""
    rng = np.random.default_rng(404)
    return {
        what: [second_seal.make(what, pack, rng) for pack in packs]
        for what, (_, packs) in second_seal.KINDS.items()
    }


def falling_pack(seed: int = 3) -> Pack:
    return Pack(ALKALINE_3, 0.6, np.random.default_rng(seed))


def test_kinds_are_new() -> None:
    assert not set(second_seal.KINDS) & (set(pieces.KINDS) | set(held_out.KINDS))
    assert (len(second_seal.ENDINGS), len(second_seal.HARMLESS)) == (8, 6)
    assert all("Source:" in (build.__doc__ or "") for build, _ in second_seal.KINDS.values())


@pytest.mark.parametrize("burst_s", [0.01, 0.1, 0.5])
def test_looping_draws_its_duty(burst_s: float) -> None:
    # Mean = idle + (burst - idle) on/period: 0.2 A for burst_s of every 2 s on 1 mA.
    guard = Looping("hiccup", 9.0, burst_a=0.2, burst_s=burst_s, period_s=2.0, idle_a=0.001)
    trace = run(falling_pack(), Resistor(20), guard, np.ones(2000), 1.0)
    assert guard.off_times_s == [0.0]
    expected = 0.001 + 0.199 * burst_s / 2
    assert guard.mean_a == pytest.approx(expected)
    assert trace.current_a[10:].mean() == pytest.approx(expected, rel=0.03)


def test_modes_step_once_each_and_keep_to_it() -> None:
    guard = Modes("modes", steps_v=(3.6, 3.4), shares=(0.4, 0.1))
    trace = run(falling_pack(), Resistor(20), guard, np.ones(40000), 1.0)
    assert len(guard.changes_s) == 2
    low, flash = (int(t) for t in guard.changes_s)
    shares = trace.current_a * 20 / trace.v_v
    assert shares[: low - 1] == pytest.approx(1, rel=1e-2)
    assert shares[low + 2 : flash - 1] == pytest.approx(0.4, rel=1e-2)
    assert shares[flash + 2 : -1] == pytest.approx(0.1, rel=1e-2)
    # It stays down though the pack recovers above the threshold.
    assert trace.v_v[low + 60] > 3.6


def test_flashes_keep_the_mean() -> None:
    guard = Modes("modes", steps_v=(9.0,), shares=(0.08,), blink_s=4.0)
    guard.settle(0.0, 3.0)
    times = np.arange(0, 4000, 0.25)
    assert np.mean([guard.level(t) for t in times]) == pytest.approx(0.08 + 0.75 * 0.005, rel=1e-6)


def test_protection_lets_go_once_the_load_is_off_and_trips_again() -> None:
    pack = Pack(LITHIUM_POUCH, 0.97, np.random.default_rng(8))
    guard = Release("protection", 2.9, disconnects=True, visits=((300.0, 400.0),))
    trace = run(pack, Resistor(9), guard, np.ones(6000), 1.0)
    first = guard.off_times_s[0]
    assert guard.on_times_s == pytest.approx([first + 400], abs=1)
    assert len(guard.off_times_s) == 2
    dead = (trace.time_s > first + 5) & (trace.time_s < first + 295)
    unplugged = (trace.time_s > first + 305) & (trace.time_s < first + 395)
    assert trace.v_v[dead].max() == 0
    assert trace.v_v[unplugged].min() > 2.9
    assert trace.current_a[dead | unplugged].max() == 0
    assert trace.v_v[-1] == 0


def test_cold_resistance_is_the_exponential_and_gone_at_rest_temperature() -> None:
    warm = Pack(ALKALINE_3, 0.3, np.random.default_rng(2))
    cold = ColdPack(ALKALINE_3, 0.3, np.random.default_rng(2), lambda _: -3.0, 0.028)
    room = ColdPack(ALKALINE_3, 0.3, np.random.default_rng(2), lambda _: 22.0, 0.028)
    assert cold.r0_ohm() / warm.r0_ohm() == pytest.approx(exp(0.7))
    for _ in range(600):
        for pack in (warm, cold, room):
            pack.advance(0.2, 1.0)
    assert room.source_v() == warm.source_v()
    sag = [p._fast_v + p._slow_v for p in (cold, warm)]
    assert sag[0] / sag[1] == pytest.approx(exp(0.7), rel=1e-6)


def test_a_night_is_coldest_in_its_middle() -> None:
    for seed in range(20):
        air_c = night(np.random.default_rng(seed), 40000.0)
        course = [air_c(t) for t in np.linspace(0, 40000, 400)]
        assert 0.38 < int(np.argmin(course)) / 400 < 0.67
        assert min(course) < 0.01
        assert min(course[0], course[-1]) >= 8


def test_runs_show_what_their_kind_is_for(made: dict[str, list[Made]]) -> None:
    for what, runs in made.items():
        for found, when in runs:
            n = found.time_s.size
            assert found.current_ma.shape == found.pack_v.shape == (n,)
            assert 10 < n <= 20001
            assert np.isfinite(found.current_ma).all()
            assert np.isfinite(found.pack_v).all()
            assert found.truth.contestable == (what in second_seal.AMBIGUOUS)
            assert found.truth.accept[0].kind == found.truth.kind
            assert bool(when.dark_s) == (what in second_seal.AMBIGUOUS)
            if what in second_seal.HARMLESS:
                assert [a.kind for a in found.truth.accept] == [STILL_RUNNING]
            assert not found.truth.time_s < 1800


@pytest.mark.parametrize("what", ["hiccup", "watchdog_loop"])
def test_the_draw_falls_and_the_pack_recovers(what: str, made: dict[str, list[Made]]) -> None:
    for found, _ in made[what]:
        at = found.truth.time_s
        before = (found.time_s < at) & (found.time_s > at - 600)
        after = found.time_s > at + 3 * found.row_s
        assert found.current_ma[after].mean() < 0.2 * found.current_ma[before].mean()
        # A LiFePO4 cell in its knee has next to nothing to recover.
        if found.pack.chemistry != "lifepo4":
            assert np.median(found.pack_v[after]) > np.median(found.pack_v[before][-5:])


def test_segments_lose_their_share(made: dict[str, list[Made]]) -> None:
    for found, when in made["segments"]:
        faint_s, end_s = when.dark_s
        first = np.median(found.current_ma[found.time_s < 1500])
        late = found.current_ma[found.time_s > end_s + 20]
        assert np.median(late) < 0.1 * first
        around = found.time_s > when.dim_s[0]
        assert np.median(found.current_ma[around & (found.time_s < end_s)]) < 0.6 * first
        assert when.dim_s[0] <= faint_s <= end_s


def test_the_sensor_sends_ever_more_rarely_at_the_same_height(made: dict[str, list[Made]]) -> None:
    for found, _ in made["slower_sensor"]:
        power = found.current_ma * found.pack_v
        high = power > 0.5 * np.percentile(power, 99.5)
        starts = found.time_s[1:][high[1:] & ~high[:-1]]
        gaps = np.diff(starts)
        assert np.median(gaps[:20]) == pytest.approx(60, abs=2 * found.row_s)
        assert gaps.max() > 250


def test_a_cold_night_sags_and_comes_back(made: dict[str, list[Made]]) -> None:
    sags = []
    for found, _ in made["cold_night"]:
        hours = np.array_split(found.pack_v, 12)
        middle = min(np.median(h) for h in hours[3:9])
        sags.append(np.median(hours[-1]) - middle)
    assert sum(s > 0.01 for s in sags) >= 2


def always(kind: str, found: PieceRun) -> Said:
    return Said(kind, float(found.time_s[-1]))


def test_truth_itself_meets_the_goals_and_one_answer_for_all_does_not(
    made: dict[str, list[Made]],
) -> None:
    runs = [f for w, rs in made.items() if w not in second_seal.AMBIGUOUS for f, _ in rs]
    right = table_of(
        runs,
        lambda r: Said(
            r.truth.kind,
            r.truth.time_s,
            r.truth.reboots_visible,
            half_draw_s=r.truth.half_draw_s,
        ),
    )
    # There is no cutoff in this set, so nothing to miss.
    assert unmet(right) == ["missed cutoffs"]
    for kind, goal in ((WENT_DARK, "false alarms"), (STILL_RUNNING, "misses"), (UNSURE, "unsure")):
        assert goal in unmet(table_of(runs, partial(always, kind)))


def test_outcomes_of_an_ambiguous_run(made: dict[str, list[Made]]) -> None:
    found, when = made["low_then_flash"][0]
    dim, flash = when.dim_s[0], when.dark_s[0]
    assert outcome(found, when, Said(UNSURE), (flash + 60,)) == HEDGED
    assert outcome(found, when, Said(UNSURE), ()) == HEDGED_ELSEWHERE
    assert outcome(found, when, Said(STILL_RUNNING, half_draw_s=dim), ()) == DIM_SAID
    assert outcome(found, when, Said(STILL_RUNNING), ()) == ALL_WELL
    assert outcome(found, when, Said(WENT_DARK, flash), ()) == FIRM_RIGHT
    assert outcome(found, when, Said(WENT_DARK, 900.0), ()) == FIRM_WRONG
    assert outcome(found, when, Said(CUTOFF, nan), ()) == FIRM_WRONG
    assert outcome(found, when, Said(REBOOTS, flash), ()) == FIRM_WRONG


def test_same_seed_same_runs() -> None:
    for what in ("hiccup", "segments", "cold_night"):
        pack = PACKS[0]
        a, b, c = (second_seal.make(what, pack, np.random.default_rng(s))[0] for s in (9, 9, 10))
        assert np.array_equal(a.pack_v, b.pack_v)
        assert a.truth.kind == b.truth.kind
        assert isnan(a.truth.time_s) == isnan(b.truth.time_s)
        assert not np.array_equal(a.pack_v, c.pack_v)
    with pytest.raises(KeyError):
        second_seal.make("no such kind", COIN, np.random.default_rng(1))
