"""The judge itself against closed forms; a detector that always or never alarms must fail."""

from math import exp, isnan, nan

import numpy as np
import pytest

from tests.benchmarks.lifetime_judge import held_out, pieces
from tests.benchmarks.lifetime_judge.engine import Break, Supervisor, run
from tests.benchmarks.lifetime_judge.loads import Addressable, Converter, LedString, Resistor, meet
from tests.benchmarks.lifetime_judge.packs import ALKALINE_3, COIN, LITHIUM_POUCH, PACKS, Pack
from tests.benchmarks.lifetime_judge.score import Said, Share, judge, markdown, table_of, unmet
from tests.benchmarks.lifetime_judge.truth import (
    ALARMS,
    CUTOFF,
    REBOOTS,
    STILL_RUNNING,
    UNSURE,
    WENT_DARK,
    PieceRun,
    half_s,
    held_below_s,
    visible_reboots,
)

FEW = ("booster_latch", "brownout_reboots", "plain", "bad_contact", "known_mode", "resistor")


@pytest.fixture(scope="module")
def runs() -> list[PieceRun]:
    return list(pieces.draw_runs(np.random.default_rng(15), 1, FEW, PACKS[:4]))


def by_truth(run: PieceRun) -> Said:
    t = run.truth
    time_s = t.accept[0].early_s if t.kind == CUTOFF else t.time_s
    return Said(t.kind, time_s, t.reboots_visible, t.first_reboot_s, t.half_draw_s)


def test_meeting_of_load_and_source_is_the_closed_form() -> None:
    # Resistor: I = E/(r+R). LED string: I = (E-vf)/(r+R). Converter: V = (E + sqrt(E^2 - 4 r P))/2.
    assert meet(Resistor(20), 4.5, 0.6, 1, 0.1) == pytest.approx(4.5 / 20.6, rel=1e-4)
    assert meet(LedString(2, 10), 4.5, 0.6, 1, 0.1) == pytest.approx(2.5 / 10.6, rel=1e-4)
    power = 0.45 / 0.9
    volts = (4.5 + np.sqrt(4.5**2 - 4 * 0.6 * power)) / 2
    found = meet(Converter(0.45, 9, 3.0), 4.5, 0.6, 1, 0.05)
    assert found == pytest.approx(power / volts, rel=2e-3)


def test_pixel_draws_43_ma_white_and_red_alone_when_low() -> None:
    # 16 + 11 + 15 + 1 mA: an open LED library's measured power model.
    pixel = Addressable(1, (1, 1, 1), 0.6)
    assert pixel.draw_a(5.0, 1) == pytest.approx(0.043)
    assert pixel.draw_a(2.8, 1) == pytest.approx(0.017)


def test_pack_recovers_by_its_own_exponentials() -> None:
    pack = Pack(ALKALINE_3, 0.5, np.random.default_rng(1))
    rested = pack.source_v()
    for _ in range(3600):
        pack.advance(0.1, 1.0)
    pack._ocv = [rested] * len(pack._ocv)
    fast, slow, tau_f, tau_s = pack._fast_v, pack._slow_v, pack._tau_fast, pack._tau_slow
    for _ in range(300):
        pack.advance(0.0, 1.0)
    left = fast * exp(-300 / tau_f) + slow * exp(-300 / tau_s)
    assert rested - pack._fast_v - pack._slow_v == pytest.approx(rested - left, abs=1e-9)
    assert fast + slow > 0.02


def test_alkaline_at_100_ma_looks_like_a_makers_sheet() -> None:
    # Digitised maker's sheet (shape only): hours, volts per cell.
    sheet = (
        (0.875, 1.4829),
        (2.1299, 1.4138),
        (3.9493, 1.3624),
        (5.0513, 1.3390),
        (7.2560, 1.3006),
    )
    wanted = {round(h * 200) for h, _ in sheet}
    curves = []
    for seed in range(12):
        pack, found = Pack(ALKALINE_3, 0.0, np.random.default_rng(seed)), []
        pack._charge_as = 2250 * 3.6
        for k in range(1, 1460):
            pack.advance(0.1, 18.0)
            if k in wanted:
                found.append((pack.source_v() - 0.1 * pack.r0_ohm()) / 3)
        curves.append(found)
    assert np.mean(curves, axis=0) == pytest.approx([v for _, v in sheet], abs=0.04)


def test_restart_after_two_seconds_is_counted_and_seen() -> None:
    pack = Pack(LITHIUM_POUCH, 0.5, np.random.default_rng(2))
    level = np.ones(600)
    level[100::100] = 10.0
    load = Converter(0.3, 3.0, 3.7)
    sag_v = pack.source_v() - 0.6 * pack.r0_ohm()
    guard = Supervisor("brownout", sag_v, sag_v + 0.01, 2.0, 0.005)
    trace = run(pack, load, guard, level, 1.0)
    assert len(guard.off_times_s) == len(guard.on_times_s) == 5
    assert visible_reboots(trace.off_share) == 5
    assert np.allclose(np.subtract(guard.on_times_s, guard.off_times_s), 2.0)
    assert guard.off_times_s == pytest.approx([100, 200, 300, 400, 500])


def test_break_takes_the_current_and_with_it_the_voltage_or_not() -> None:
    load = Resistor(20)
    for sort, seen in (("open", True), ("lost", False)):
        pack = Pack(ALKALINE_3, 0.1, np.random.default_rng(3))
        trace = run(pack, load, Supervisor(), np.ones(50), 1.0, [Break(10, 20, sort)])
        assert trace.current_a[10:20].max() == 0
        assert (trace.v_v[10:20].min() > trace.v_v[9]) == seen
        assert trace.v_v[25] == pytest.approx(trace.v_v[9], abs=0.03)


def test_held_cutoff_needs_its_hold() -> None:
    t = np.arange(1.0, 101.0)
    v = np.full(100, 3.0)
    v[10:15] = 2.0
    v[50:90] = 2.0
    all_rows = np.ones(100, dtype=bool)
    assert held_below_s(t, v, 2.4, 30, all_rows) == 51
    assert held_below_s(t, v, 2.4, 3, all_rows) == 11
    assert isnan(held_below_s(t, v, 2.4, 60, all_rows))


def test_half_of_a_straight_fall() -> None:
    # 1 - t/20 h, reference = median of the first hour (0.975): half at 10.25 h.
    t = np.arange(10.0, 15 * 3600, 10)
    assert half_s(t, 1 - t / 72000, 0.5) == pytest.approx(10.25 * 3600, abs=90)


def test_truth_itself_scores_full_marks(runs: list[PieceRun]) -> None:
    table = table_of(runs, by_truth)
    assert table.false_alarms.hits == table.misses.hits == 0
    assert table.right.share == 1
    assert unmet(table) == []


@pytest.mark.parametrize(
    ("kind", "goal"),
    [
        (WENT_DARK, "false alarms"),
        (STILL_RUNNING, "misses"),
        (CUTOFF, "false cutoffs"),
        (UNSURE, "unsure"),
    ],
)
def test_one_answer_for_all_fails(runs: list[PieceRun], kind: str, goal: str) -> None:
    table = table_of(runs, lambda r: Said(kind, float(r.time_s[-1]), candidates=tuple(ALARMS)))
    assert goal in unmet(table)
    assert goal in markdown(table)


def test_wrong_time_is_not_right(runs: list[PieceRun]) -> None:
    dark = next(r for r in runs if r.truth.kind == WENT_DARK)
    at = dark.truth.time_s
    assert judge(dark, Said(WENT_DARK, at)).exact
    early = judge(dark, Said(WENT_DARK, at - 1500))
    assert early.false_alarm
    assert not early.right
    assert judge(dark, Said(WENT_DARK, at + 3600)).miss
    assert judge(dark, Said(REBOOTS, at)).miss is False
    assert judge(dark, Said(STILL_RUNNING)).miss
    assert judge(dark, Said(UNSURE, nan, candidates=(WENT_DARK,))).miss is False
    with pytest.raises(ValueError, match="unknown kind"):
        judge(dark, Said("dead"))


def test_dark_means_dark_and_recovered(runs: list[PieceRun]) -> None:
    for r in (r for r in runs if r.kind == "booster_latch" and r.truth.kind == WENT_DARK):
        after = r.time_s > r.truth.time_s + 3 * r.row_s
        before = (r.time_s < r.truth.time_s) & (r.time_s > r.truth.time_s - 300)
        assert r.current_ma[after].mean() < 0.1 * r.current_ma[before].mean()
        assert r.pack_v[-1] > np.median(r.pack_v[before][-5:])


def test_every_kind_runs_on_every_pack_with_finite_rows() -> None:
    rng = np.random.default_rng(4)
    for module in (pieces, held_out):
        for what, (_, packs) in module.KINDS.items():
            found = module.make(what, packs[int(rng.integers(len(packs)))], rng)
            n = found.time_s.size
            assert found.current_ma.shape == found.pack_v.shape == (n,)
            assert 10 < n <= 20001
            assert np.isfinite(found.current_ma).all()
            assert np.isfinite(found.pack_v).all()
            assert (np.diff(found.time_s) > 0).all()
            assert found.truth.accept[0].kind == found.truth.kind


def test_same_seed_same_run() -> None:
    a, b = (pieces.make("booster_hiccup", COIN, np.random.default_rng(9)) for _ in range(2))
    assert np.array_equal(a.pack_v, b.pack_v)
    assert repr(a.truth) == repr(b.truth)


def test_share_of_none_has_an_error_of_one() -> None:
    assert Share(0, 100).error == pytest.approx(np.sqrt(0.01 * 0.99 / 100))
    assert isnan(Share(0, 0).share)
