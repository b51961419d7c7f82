"""The third sealed kinds against closed forms; detectors that always say one thing must fail.

Run with ``python -m pytest tests/benchmarks/lifetime_judge/test_third_seal.py``; some seconds.
"""

from dataclasses import replace
from functools import partial
from math import isnan, nan

import numpy as np
import pytest

from tests.benchmarks.lifetime_judge import held_out, pieces, second_seal, third_seal
from tests.benchmarks.lifetime_judge.engine import run
from tests.benchmarks.lifetime_judge.loads import Resistor
from tests.benchmarks.lifetime_judge.packs import ALKALINE_3, COIN, NIMH_3, PACKS, Pack
from tests.benchmarks.lifetime_judge.score import Said, table_of, unmet
from tests.benchmarks.lifetime_judge.second_parts import (
    ALL_WELL,
    FIRM_RIGHT,
    FIRM_WRONG,
    HEDGED,
    Made,
    Moments,
    outcome,
)
from tests.benchmarks.lifetime_judge.third_parts import (
    THIRD_PACKS,
    ChargePump,
    FanMotor,
    StallLatch,
    WeakCellPack,
    chatted,
    lit_share,
)
from tests.benchmarks.lifetime_judge.truth import (
    CUTOFF,
    REBOOTS,
    STILL_RUNNING,
    SWITCHED_OFF,
    UNSURE,
    WENT_DARK,
    PieceRun,
)


@pytest.fixture(scope="module")
def made() -> dict[str, list[Made]]:
    """Every kind on every pack it goes with, as often as the command draws it."""
    rng = np.random.default_rng(505)
    return {
        what: [third_seal.make(what, p, rng) for p in packs * third_seal.TIMES.get(what, 1)]
        for what, (_, packs) in third_seal.KINDS.items()
    }


def decided(made: dict[str, list[Made]]) -> list[PieceRun]:
    return [f for w, rs in made.items() if w not in third_seal.AMBIGUOUS for f, _ in rs]


def test_kinds_are_new() -> None:
    known = set(pieces.KINDS) | set(held_out.KINDS) | set(second_seal.KINDS)
    assert not set(third_seal.KINDS) & known
    assert (len(third_seal.ENDINGS), len(third_seal.HARMLESS)) == (7, 6)
    assert all("Source:" in (build.__doc__ or "") for build, _ in third_seal.KINDS.values())
    assert len(THIRD_PACKS) == 6
    assert len({p.name for p in THIRD_PACKS} - {p.name for p in PACKS}) == 3


def test_a_regulating_pump_draws_ratio_times_output() -> None:
    pump = ChargePump(gain=2.0, out_a=0.05, knee_v=2.8, zero_v=2.0)
    assert pump.draw_a(4.0, 1.0) == pump.draw_a(2.8, 1.0) == pytest.approx(0.1 * 1.004)
    assert pump.draw_a(2.4, 1.0) == pytest.approx(0.1 * 0.504)
    assert pump.draw_a(1.5, 1.0) == pytest.approx(0.0004)


def test_the_fan_takes_the_square_of_the_speed() -> None:
    fan = FanMotor(0.2, 0.4, 3.0)
    assert fan.draw_a(3.0, 1.0) == pytest.approx(0.2)
    assert fan.draw_a(1.5, 1.0) == pytest.approx(0.2 * (0.4 + 0.6 / 4))
    assert FanMotor(0.2, 0.4, 3.0, 0.01).draw_a(1.5, 0.0) == 0.01


@pytest.mark.parametrize(("period_s", "duty"), [(0.7, 0.3), (4.0, 0.5), (37.0, 0.65)])
def test_rows_of_a_square_wave(period_s: float, duty: float) -> None:
    shares = lit_share(4000, 2.0, period_s, duty, 1.3)
    fine = (np.arange(4000 * 200) + 0.5) / 100 + 1.3
    counted = (fine % period_s < duty * period_s).reshape(4000, 200).mean(axis=1)
    assert shares == pytest.approx(counted, abs=0.03)
    assert shares.mean() == pytest.approx(duty, abs=0.01)


def test_a_stalled_motor_draws_its_stall_and_is_latched() -> None:
    guard = StallLatch("motor", 3.5, off_a=0.002, stall=3.0, stall_s=4.0)
    pack = Pack(ALKALINE_3, 0.6, np.random.default_rng(3))
    trace = run(pack, Resistor(20), guard, np.ones(30000), 1.0)
    assert len(guard.off_times_s) == 1
    assert guard.off_times_s[0] - guard.stalled_s == pytest.approx(4.0, abs=0.3)
    start = int(guard.stalled_s)
    ohms = trace.v_v / trace.current_a
    assert ohms[start - 100 : start - 1] == pytest.approx(20, rel=0.01)
    assert ohms[start + 2] == pytest.approx(20 / 3, rel=0.02)
    assert trace.current_a[start + 6 :] == pytest.approx(0.002)
    assert not guard.on_times_s


def test_a_weak_cell_of_full_share_is_no_weak_cell() -> None:
    plain = Pack(NIMH_3, 0.3, np.random.default_rng(2))
    weak = WeakCellPack(NIMH_3, 0.3, np.random.default_rng(2), 1.0)
    for _ in range(500):
        for pack in (plain, weak):
            pack.advance(0.3, 10.0)
    # The maker's scatter of one cell's voltage is left out of the weak one.
    assert weak.source_v() == pytest.approx(plain.source_v(), abs=0.03)


def test_a_cell_reverses_under_load_and_comes_back_at_rest() -> None:
    pack = WeakCellPack(NIMH_3, 0.7, np.random.default_rng(2), 0.8)
    before = pack.source_v()
    while pack.depth < 0.88:
        pack.advance(0.3, 10.0)
    assert -0.45 <= pack.weak_v < -0.15
    # One cell's 1.2 V and its reversed voltage are gone, the two others' are not.
    assert 1.3 < before - pack.source_v() < 1.9
    for _ in range(200):
        pack.advance(0.0, 10.0)
    assert pack.weak_v == pytest.approx(1.1, abs=0.01)


def test_runs_show_what_their_kind_is_for(made: dict[str, list[Made]]) -> None:
    for what, runs in made.items():
        for found, when in runs:
            n = found.time_s.size
            assert found.current_ma.shape == found.pack_v.shape == (n,)
            assert 10 < n <= 20001
            assert np.isfinite(found.current_ma).all()
            assert np.isfinite(found.pack_v).all()
            assert found.truth.contestable == (what in third_seal.AMBIGUOUS)
            assert found.truth.accept[0].kind == found.truth.kind
            assert bool(when.dark_s) == (what in third_seal.AMBIGUOUS)
            if what in third_seal.HARMLESS:
                assert {a.kind for a in found.truth.accept} <= {STILL_RUNNING, SWITCHED_OFF}
            assert not found.truth.time_s < 1800


def test_cutoffs_are_common_enough_to_be_missed(made: dict[str, list[Made]]) -> None:
    runs = decided(made)
    assert sum(f.truth.kind == CUTOFF for f in runs) >= 0.15 * len(runs)


def test_recorded_flashes_stay_below_the_cutoff_when_truth_says_so(
    made: dict[str, list[Made]],
) -> None:
    for found, _ in made["flash_cutoff"]:
        since, held_s = nan, nan
        for at, volts in zip(found.time_s.tolist(), found.pack_v.tolist(), strict=True):
            if volts >= found.cutoff_v:
                since = nan
            elif isnan(since):
                since = at
            if isnan(held_s) and at - since >= found.hold_s:
                held_s = since
        end = next(a for a in found.truth.accept if a.kind == CUTOFF)
        assert end.early_s - 120 <= held_s <= end.late_s + 120


@pytest.mark.parametrize("what", ["pump_reset_latch", "motor_latch"])
def test_the_draw_falls_and_the_pack_recovers(what: str, made: dict[str, list[Made]]) -> None:
    for found, _ in made[what]:
        at = found.truth.time_s
        before = (found.time_s < at) & (found.time_s > at - 600)
        after = found.time_s > at + 3 * found.row_s
        assert found.current_ma[after].mean() < 0.3 * found.current_ma[before].mean()
        assert np.median(found.pack_v[after]) > np.quantile(found.pack_v[before], 0.05)


def test_the_latched_motor_draws_what_it_drew_in_a_pause(
    made: dict[str, list[Made]],
) -> None:
    for found, _ in made["motor_latch"]:
        early = found.current_ma[found.time_s < 1800]
        dark = float(np.median(found.current_ma[found.time_s > found.truth.time_s + 60]))
        assert dark < 0.15 * early.max()
        # Rows of 5 s may hold no whole pause.
        if found.row_s <= 2:
            assert early.min() == pytest.approx(dark, rel=0.05, abs=0.5)


def test_mutes_are_seen_in_the_rows(made: dict[str, list[Made]]) -> None:
    for found, _ in made["amp_mute"]:
        playing = float(np.median(found.current_ma[found.time_s < found.truth.time_s]))
        muted = found.current_ma < 0.25 * playing
        assert not muted[found.time_s < found.truth.time_s - 2 * found.row_s].any()
        end = found.truth.accept[0].late_s
        window = (found.time_s >= found.truth.time_s) & (found.time_s <= end + 60)
        assert muted[window].any()


def test_dawn_leaves_a_light(made: dict[str, list[Made]]) -> None:
    for found, _ in made["dawn_dim"]:
        power = found.current_ma * found.pack_v
        night, day = power[found.time_s < 3600].mean(), power[-200:].mean()
        assert 0.18 < day / night < 0.65


def test_the_tilt_switch_works_in_the_first_hour(made: dict[str, list[Made]]) -> None:
    for found, _ in made["tilt_switch"]:
        off = found.current_ma < 0.1 * np.percentile(found.current_ma, 90)
        falls = found.time_s[1:][off[1:] & ~off[:-1]]
        assert np.count_nonzero(falls < 3600) >= 3
        assert np.count_nonzero(falls > 3600) >= 2


def test_notes_beside_the_point_are_far_from_what_happens(made: dict[str, list[Made]]) -> None:
    for found, when in (m for w, rs in made.items() if w != "saver_marked" for m in rs):
        for at, _ in found.marks:
            assert all(abs(at - b) >= 899 for b in (*when.dark_s, *when.dim_s))
            assert not abs(at - found.truth.time_s) < 899


def test_one_run_of_three_has_notes(made: dict[str, list[Made]]) -> None:
    found = replace(made["twinkle"][0][0], marks=())
    rng = np.random.default_rng(6)
    noted = [bool(chatted(found, Moments(), rng).marks) for _ in range(6000)]
    assert np.mean(noted) == pytest.approx(1 / 3, abs=0.02)


def always(kind: str, found: PieceRun) -> Said:
    return Said(kind, float(found.time_s[-1]))


def test_truth_itself_meets_the_goals_and_one_answer_for_all_does_not(
    made: dict[str, list[Made]],
) -> None:
    runs = decided(made)
    right = table_of(
        runs,
        lambda r: Said(
            r.truth.kind,
            r.truth.time_s,
            r.truth.reboots_visible,
            half_draw_s=r.truth.half_draw_s,
        ),
    )
    assert unmet(right) == []
    fails = (
        (WENT_DARK, "false alarms"),
        (STILL_RUNNING, "misses"),
        (STILL_RUNNING, "missed cutoffs"),
        (CUTOFF, "false cutoffs"),
        (UNSURE, "unsure"),
    )
    for kind, goal in fails:
        assert goal in unmet(table_of(runs, partial(always, kind)))


@pytest.mark.parametrize("what", sorted(third_seal.AMBIGUOUS))
def test_outcomes_of_an_ambiguous_run(what: str, made: dict[str, list[Made]]) -> None:
    for found, when in made[what]:
        dark_s = when.dark_s[0]
        assert found.truth.time_s == pytest.approx(dark_s, abs=2 * found.row_s)
        assert outcome(found, when, Said(UNSURE), (dark_s,)) == HEDGED
        assert outcome(found, when, Said(WENT_DARK, dark_s), ()) == FIRM_RIGHT
        assert outcome(found, when, Said(STILL_RUNNING), ()) == ALL_WELL
        assert outcome(found, when, Said(REBOOTS, dark_s), ()) == FIRM_WRONG


def test_the_link_is_lost_ten_minutes_before(made: dict[str, list[Made]]) -> None:
    for found, when in made["link_timeout"]:
        at = when.dark_s[0]
        power = found.current_ma * found.pack_v
        held = power[(found.time_s > at - 590) & (found.time_s < at - 2 * found.row_s)]
        assert held.std() < 0.05 * held.mean() + 0.3
        assert power[found.time_s > at + 2 * found.row_s].mean() < 0.3 * held.mean()


def test_same_seed_same_runs() -> None:
    for what in ("amp_mute", "flash_cutoff", "twinkle"):
        pack = THIRD_PACKS[0]
        a, b, c = (third_seal.make(what, pack, np.random.default_rng(s))[0] for s in (9, 9, 10))
        assert np.array_equal(a.pack_v, b.pack_v)
        assert (a.truth.kind, a.truth.accept) == (b.truth.kind, b.truth.accept)
        assert not np.array_equal(a.pack_v, c.pack_v)
    with pytest.raises(KeyError):
        third_seal.make("no such kind", COIN, np.random.default_rng(1))
