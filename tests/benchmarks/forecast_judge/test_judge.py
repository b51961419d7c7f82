"""The judge judged: closed forms, and forecasters whose figures are known beforehand.

Run with `python -m pytest tests/benchmarks/forecast_judge/test_judge.py`.
"""

from dataclasses import fields, replace

import numpy as np
import pytest

from . import curves, measured, sealed
from .cell import Course, Make, Use, load_current_ma, run
from .rivals import line_all_s, line_s, line_third_s, rated_s
from .rundown import Fault, Floats, Rundown, Seen, seen_until
from .score import Forecast, Judged, judge, mean_figure, median_figure, score, short_of, table

STRAIGHT = Make("straight", "alkaline", lambda x: 1.5 - 0.6 * x, 1000.0, 1000.0, 100.0, 1.0)


def used(
    kind: str = "current",
    level: float = 100.0,
    factor: Floats | None = None,
    **more: float | tuple[Fault, ...],
) -> Use:
    rows = 8000
    plain = Use(1, kind, level, 10.0, np.ones(rows), np.full(rows, 22.0))
    if factor is not None:
        plain = replace(plain, factor=factor, temperature_c=np.full(len(factor), 22.0))
    return replace(plain, **more)  # type: ignore[arg-type]


def course(make: Make, use: Use, cutoff_v: float, hold_s: float = 30.0) -> Course:
    made = run(make, use, cutoff_v, hold_s)
    assert made is not None
    return made


# Truth.


@pytest.mark.parametrize("start", [0.0, 0.35, 0.7])
def test_straight_fall_at_constant_current_ends_where_computed(start: float) -> None:
    # 1.5 - 0.6 x = 0.99 at x = 0.85; 1000 mAh at 100 mA.
    end_s = course(STRAIGHT, used(start_depth=start), 0.99).end_s
    assert end_s == pytest.approx((0.85 - start) * 36000, rel=1e-9)


def test_straight_fall_with_a_resistance_ends_earlier_by_its_drop() -> None:
    # 100 mA through 0.6 ohm: 0.06 V, 0.1 of the depth.
    end_s = course(replace(STRAIGHT, r_ohm=0.6), used(), 0.99).end_s
    assert end_s == pytest.approx(0.75 * 36000, rel=1e-9)


def test_straight_fall_through_a_resistor_is_exponential() -> None:
    # dV/dt = -(0.6 V / 1 Ah) V / R: t = R / 0.6 ln(1.5 / Vc) hours.
    end_s = course(STRAIGHT, used("resistor", 10.0), 0.99).end_s
    assert end_s == pytest.approx(10 / 0.6 * np.log(1.5 / 0.99) * 3600, rel=1e-3)


def test_straight_fall_at_constant_power_gives_its_energy() -> None:
    # Energy to x: 1.5 x - 0.3 x^2 Wh at 1 Ah.
    end_s = course(STRAIGHT, used("power", 120.0), 0.99).end_s
    energy_mwh = 1000 * (1.5 * 0.85 - 0.3 * 0.85**2)
    assert end_s == pytest.approx(energy_mwh / 120 * 3600, rel=1e-3)


def test_steps_and_pauses_keep_to_the_charge() -> None:
    factor = np.ones(8000)
    factor[500:700] = 0.0
    factor[1500:] = 2.0
    # 850 mAh: 1300 rows of 10 s at 100 mA (361.1 mAh), 2000 s of pause, the rest at 200 mA.
    rest_s = (850 - 1300 * 10 * 100 / 3600) / 200 * 3600
    assert course(STRAIGHT, used(factor=factor), 0.99).end_s == pytest.approx(15000 + rest_s)


@pytest.mark.parametrize("long_s", [10.0, 90.0, 600.0])
def test_an_open_contact_shifts_the_end_by_its_length_and_is_no_end(long_s: float) -> None:
    fault = Fault(9000.0, 9000.0 + long_s, open=True)
    made = course(STRAIGHT, used(faults=(fault,)), 0.99)
    assert made.end_s == pytest.approx(0.85 * 36000 + long_s)
    inside = (made.time_s > fault.start_s) & (made.time_s <= fault.end_s)
    assert np.all(made.pack_v[inside] == 0)
    assert np.all(made.current_ma[inside] == 0)


def test_a_bad_contact_dips_below_the_cutoff_and_comes_back_to_the_same_level() -> None:
    fault = Fault(9000.0, 9300.0, open=False)
    made = course(STRAIGHT, used(faults=(fault,), fault_ohm=6.0), 0.99)
    sound = course(STRAIGHT, used(), 0.99)
    assert made.end_s == pytest.approx(sound.end_s)
    assert made.pack_v[920] == pytest.approx(sound.pack_v[920] - 0.6)
    assert made.pack_v[920] < 0.99
    np.testing.assert_allclose(made.pack_v[932:], sound.pack_v[932:])


def test_a_one_second_dip_takes_its_share_of_a_ten_second_row() -> None:
    made = course(STRAIGHT, used(faults=(Fault(9002.0, 9003.0, open=True),)), 0.99)
    assert made.pack_v[901] == pytest.approx(0.9 * made.clean_v[901])
    assert made.current_ma[901] == pytest.approx(90.0)


def test_pulses_shorter_than_the_hold_do_not_end_a_run_and_longer_ones_do() -> None:
    factor = np.ones(20000) * 0.1
    for k in range(3):
        factor[k::30] = 1.0
    make = replace(STRAIGHT, r_ohm=3.0)  # 0.3 V in a pulse, 0.03 V between
    short = course(make, used(factor=factor), 0.99, hold_s=60.0)
    long = course(make, used(factor=factor), 0.99, hold_s=15.0)
    assert short.depth[int(short.end_s // 10)] == pytest.approx(0.80, abs=0.002)
    assert long.depth[int(long.end_s // 10)] == pytest.approx(0.35, abs=0.002)


def test_relaxation_follows_its_time_constant() -> None:
    flat = replace(STRAIGHT, curve=lambda x: 1.5 - 0.0 * x, relax_ohm=1.0, relax_s=200.0)
    made = course(replace(flat, curve=lambda x: 1.5 - 10 * np.maximum(x - 0.5, 0)), used(), 0.99)
    expected = 1.5 - 0.1 * (1 - np.exp(-made.time_s / 200.0))
    np.testing.assert_allclose(made.clean_v[:1000], expected[:1000], atol=1e-9)


def test_a_depleted_surface_recovers_in_a_pause() -> None:
    factor = np.ones(8000)
    factor[1000:1400] = 0.0
    made = course(replace(STRAIGHT, surface=0.2, surface_s=600.0), used(factor=factor), 0.9)
    # Steady depletion 0.2 of depth, 0.12 V, gone after 4000 s but for exp(-6.7).
    assert made.clean_v[1399] - made.clean_v[1000] == pytest.approx(0.12, rel=0.01)


@pytest.mark.parametrize(("kind", "level"), [("power", 500.0), ("resistor", 8.0)])
def test_load_current_balances(kind: str, level: float) -> None:
    amps = load_current_ma(kind, level, 4.0, 0.5) / 1000
    at_load = 4.0 - 0.5 * amps
    says = at_load * amps * 1000 if kind == "power" else at_load / amps
    assert says == pytest.approx(level)


def test_no_end_where_the_cutoff_is_not_reached() -> None:
    assert run(STRAIGHT, used(factor=np.ones(500)), 0.99, 30.0) is None
    assert run(STRAIGHT, used(), 1.6, 30.0) is None


# Material.


@pytest.mark.parametrize(
    ("maker", "groups"),
    [(curves, curves.GROUPS), (sealed, sealed.GROUPS)],
    ids=["curves", "sealed"],
)
def test_every_group_is_drawn_again_alike_from_the_same_seed(
    maker: object, groups: tuple[str, ...]
) -> None:
    draw = curves.draw if maker is curves else sealed.draw
    first = list(draw(np.random.default_rng(3), 2))
    again = list(draw(np.random.default_rng(3), 2))
    other = list(draw(np.random.default_rng(4), 2))
    assert tuple(dict.fromkeys(r.group for r in first)) == groups
    for one, same in zip(first, again, strict=True):
        np.testing.assert_array_equal(one.pack_v, same.pack_v)
        assert one.end_s == same.end_s
    assert all(a.end_s != b.end_s for a, b in zip(first, other, strict=True))


def test_the_generator_holds_what_it_promises() -> None:
    drawn = list(curves.draw(np.random.default_rng(5), 12))
    assert {r.load for r in drawn} == {"current", "power", "resistor"}
    assert {r.pattern for r in drawn} == {"steady", "steps", "pulses", "pauses"}
    starts = [r.start_used for r in drawn]
    assert min(starts) == 0.0
    assert 0.55 < max(starts) < 0.85
    faults = [f for r in drawn for f in r.faults]
    lengths = [f.end_s - f.start_s for f in faults]
    assert {f.open for f in faults} == {True, False}
    assert min(lengths) < 5
    assert 200 < max(lengths) <= 600
    assert any(np.ptp(r.temperature_c) > 5 for r in drawn)
    assert all(0 <= r.settled_s < r.end_s for r in drawn)
    assert all(r.regulated == (r.group == "regulated") for r in drawn)
    steps = {round(float(np.min(np.diff(np.unique(r.pack_v)))), 3) for r in drawn}
    assert {0.004, 0.01} <= steps


def test_a_regulated_output_tells_nothing_before_its_end() -> None:
    for r in curves.draw(np.random.default_rng(6), 6, ("regulated",)):
        in_fault = np.zeros(len(r.time_s), dtype=bool)
        for f in r.faults:
            in_fault |= (r.time_s > f.start_s - 1) & (r.time_s <= f.end_s + 60)
        before = r.pack_v[(r.time_s < r.end_s - 60) & ~in_fault]
        assert np.ptp(before) < 0.05 * np.median(before)
        assert np.median(before) > r.cutoff_v
        assert r.pack_v[-1] < 0.2 * r.cutoff_v


def test_a_family_is_one_make_with_scatter() -> None:
    now, past = curves.family(np.random.default_rng(7), "random knee", 0)
    assert len(past) == 2
    assert {r.record for r in (now, *past)} == {now.record}
    assert all(p.start_used == 0 for p in past)
    ratio = past[0].end_s / past[1].end_s
    assert ratio != 1
    assert 0.5 < ratio < 2


def test_a_forecast_sees_no_truth_and_no_row_after_its_moment() -> None:
    r = curves.one(np.random.default_rng(8), "straight")
    seen = seen_until(r, r.moment_s(0.4))
    assert seen.time_s[-1] <= r.moment_s(0.4) < r.time_s[len(seen.time_s)]
    hidden = {"end_s", "group", "start_used", "faults", "settled_s", "regulated", "record"}
    assert not hidden & {f.name for f in fields(Seen)}
    seen.pack_v[:] = 0.0
    assert r.pack_v[0] > 0


def test_measured_charge_is_what_the_origin_states() -> None:
    # README of the measured rundowns: cell 1 and 2 at 0.13 A to 2.5 V.
    for cell, mah in ((1, 2752), (2, 2748)):
        whole = measured.read(cell, "c20")[0]
        assert np.trapezoid(whole[:, 2], whole[:, 0]) / 3600 == pytest.approx(mah, rel=2e-3)


def test_measured_rundowns_end_at_their_cutoff() -> None:
    drawn = list(measured.rundowns(2))
    assert {r.group for r in drawn} == {"18650 constant", "18650 pulsed", "18650 random"}
    assert max(r.start_used for r in drawn) > 0.5
    for r in drawn:
        stay = (r.time_s > r.end_s) & (r.time_s <= r.end_s + r.hold_s)
        assert np.all(r.pack_v[stay] < r.cutoff_v)
    steady = [r for r in drawn if r.pattern == "steady"]
    assert all(np.all(r.pack_v[r.time_s < r.end_s] >= r.cutoff_v) for r in steady)


def test_a_short_visit_below_the_cutoff_is_no_end_in_a_measured_run() -> None:
    time_s = np.arange(0.0, 110.0, 10.0)
    pack_v = np.array([3.5, 3.4, 2.9, 3.4, 3.2, 2.8, 2.8, 2.8, 2.8, 2.8, 2.8])
    # Crossing of 3.0 V half way from 40 to 50 s; the dip at 20 s is shorter than the hold.
    assert measured.held_end_s(time_s, pack_v, 3.0, 30.0) == pytest.approx(45.0)
    assert measured.held_end_s(time_s, pack_v, 3.0, 60.0) is None


# Rivals.


def straight_rundown(name: str = "line", end_s: float = 1000.0, group: str = "g") -> Rundown:
    time_s = np.arange(0.0, end_s * 1.1, 10.0)
    return Rundown(
        name=name,
        group=group,
        chemistry_said="alkaline",
        cells=1,
        time_s=time_s,
        current_ma=np.full(len(time_s), 100.0),
        pack_v=2.0 - time_s / end_s,
        temperature_c=np.full(len(time_s), 22.0),
        cutoff_v=1.0,
        hold_s=10.0,
        rated_mah=100.0 * end_s / 3600 * 1.2,
        end_s=end_s,
    )


def test_rivals_are_exact_on_a_straight_fall() -> None:
    seen = seen_until(straight_rundown(), 600.0)
    assert line_all_s(seen) == pytest.approx(400.0)
    assert line_third_s(seen) == pytest.approx(400.0)
    assert rated_s(seen) == pytest.approx(1.2 * 1000 - 600)


def test_a_line_that_does_not_fall_says_nothing() -> None:
    time_s = np.arange(5.0)
    assert line_s(time_s, np.full(5, 3.0), 4.0, 2.0) is None
    assert line_s(time_s, 3.0 + time_s, 4.0, 2.0) is None
    assert line_s(time_s[:2], 3.0 - time_s[:2], 1.0, 2.0) is None


def test_the_last_third_is_the_last_third() -> None:
    r = straight_rundown()
    bent = replace(r, pack_v=np.where(r.time_s < 400, 5.0, r.pack_v))
    assert line_third_s(seen_until(bent, 600.0)) == pytest.approx(400.0)
    assert line_all_s(seen_until(bent, 600.0)) != pytest.approx(400.0)


# Figures.


def made(
    forecast: Forecast,
    true_s: float = 1000.0,
    fraction: float = 0.5,
    record: str = "a",
    foreseeable: bool = True,
    regulated: bool = False,
) -> Judged:
    said = {"line over all": 1200.0, "line over the last third": 1100.0, "rated capacity": None}
    return Judged(record, record, "g", fraction, foreseeable, regulated, true_s, forecast, said)


def test_figures_of_four_forecasts_by_hand() -> None:
    row = score(
        [
            made(Forecast(900, 1050, 1200, 800)),  # holds; width 0.3; error 5 %
            made(Forecast(1000, 1400, 2000, 1000)),  # holds at its end; width 1; 40 %
            made(Forecast(1100, 1150, 1200, 1001)),  # misses by 100 s; width 0.1; 15 %
            made(Forecast(at_least_s=500)),  # refused, bound holds
            made(Forecast(0, 0, 0, 0), foreseeable=False),
        ],
        "g",
    )
    assert (row.judged, row.unforeseeable) == (4, 1)
    assert row.holds.value == pytest.approx(2 / 3)
    assert row.holds.se == pytest.approx(np.sqrt(2 / 9 / 3))
    assert row.error[0.5].value == pytest.approx(0.15)
    assert row.error[0.3].count == 0
    assert row.alpha_lambda.value == pytest.approx(1 / 4)
    assert row.width.value == pytest.approx((0.3 + 1.0 + 0.1) / 3)
    assert row.interval_score.value == pytest.approx((0.3 + 1.0 + 0.1 + 20 * 0.1) / 3)
    assert row.refused.value == pytest.approx(1 / 4)
    assert row.at_least_holds.value == pytest.approx(3 / 4)
    assert row.at_least_share == pytest.approx(0.9)
    assert row.rival_error["line over all"][0.5].value == pytest.approx(0.2)
    assert row.rival_alpha_lambda["line over the last third"].value == pytest.approx(1.0)
    assert row.rival_error["rated capacity"][0.5].count == 0


def test_an_endless_interval_is_a_refusal_and_a_bound_of_nothing_is_none() -> None:
    row = score([made(Forecast(0.0, 1000.0, float("inf"), 0.0))], "g")
    assert row.refused.value == 1.0
    assert row.holds.count == 0
    assert row.at_least_holds.count == 0
    assert row.at_least_said.value == 0.0


def test_binomial_error_and_that_of_whole_recordings() -> None:
    once = mean_figure([1.0] * 9 + [0.0], [str(k) for k in range(10)])
    assert once.se == pytest.approx(np.sqrt(0.9 * 0.1 / 10))
    assert once.se_clustered == pytest.approx(np.sqrt(0.9 * 0.1 / 9))
    # Nine copies of each are no more knowledge: the same clustered error, a third of the other.
    nine = mean_figure([1.0] * 81 + [0.0] * 9, [str(k // 9) for k in range(90)])
    assert nine.se_clustered == pytest.approx(once.se_clustered)
    assert nine.se == pytest.approx(once.se / 3)


def test_error_of_a_median_is_about_that_of_the_normal_law() -> None:
    # sd sqrt(pi/2) / sqrt(n) for the median of a normal sample.
    values = np.random.default_rng(9).normal(5, 1, 4000).tolist()
    figure = median_figure(values)
    assert figure.se == pytest.approx(np.sqrt(np.pi / 2 / 4000), rel=0.3)


def gaussian(narrower: float = 1.0, seed: int = 10) -> list[Judged]:
    """Forecasts with a true error of 10 % (sd) and an interval as if it were `narrower` of that."""
    rng = np.random.default_rng(seed)
    judged = []
    for k in range(600):
        median = 1000 * (1 + 0.1 * rng.normal())
        half = 1.6449 * 100 * narrower
        bound = median - 1.2816 * 100 * narrower
        forecast = Forecast(median - half, median, median + half, bound)
        judged.append(made(forecast, record=str(k)))
    return judged


def test_an_honest_forecaster_meets_every_goal() -> None:
    row = score(gaussian(), "g")
    assert abs(row.holds.value - 0.90) < 4 * row.holds.se
    assert abs(row.at_least_holds.value - 0.90) < 4 * row.at_least_holds.se
    # P(|N| < 1) for an error of 10 % against alpha = 10 %.
    assert row.alpha_lambda.value == pytest.approx(0.6827, abs=0.08)
    assert short_of(row) == []


def test_a_lying_forecaster_is_found_out() -> None:
    row = score(gaussian(narrower=0.5), "g")
    # P(|N| < 0.822) = 0.589, P(N < 0.641) = 0.739
    assert row.holds.value == pytest.approx(0.589, abs=0.08)
    assert row.at_least_holds.value == pytest.approx(0.739, abs=0.08)
    assert len(short_of(row)) == 2


def test_a_forecaster_that_widens_everything_is_found_out() -> None:
    row = score(gaussian(narrower=3.0), "g")
    assert any("holds" in words for words in short_of(row))
    assert row.interval_score.value > 1.5 * score(gaussian(), "g").interval_score.value


def test_a_forecaster_that_refuses_the_hard_ones_is_found_out() -> None:
    mixed = [made(Forecast(at_least_s=1.0)) if k % 3 == 0 else j for k, j in enumerate(gaussian())]
    missed = short_of(score(mixed, "g"))
    assert len(missed) == 1
    assert "refuses" in missed[0]
    silent = short_of(score([made(Forecast())], "g"))
    assert len(silent) == 4


def test_a_regulated_output_may_refuse_but_not_lie() -> None:
    assert short_of(score([made(Forecast(at_least_s=500.0), regulated=True)] * 9, "g")) == []
    assert short_of(score([made(Forecast(at_least_s=1500.0), regulated=True)] * 9, "g")) != []
    lie = [made(Forecast(1, 2, 3, 500.0), regulated=True)] * 9
    assert len(short_of(score(lie, "g"))) == 2


def test_a_worse_median_than_the_best_rival_on_the_same_moments_is_found_out() -> None:
    off = [
        replace(j, forecast=replace(j.forecast, median_s=1.5 * (j.forecast.median_s or 0)))
        for j in gaussian()
    ]
    assert any("best rival" in words for words in short_of(score(off, "g")))


def test_the_judge_asks_in_order_of_time_and_hands_over_past_runs() -> None:
    asked: list[Seen] = []

    def forecaster(seen: Seen) -> Forecast:
        asked.append(seen)
        left_s = line_all_s(seen) or 0.0
        return Forecast(0.9 * left_s, left_s, 1.1 * left_s, 0.9 * left_s)

    now, past = straight_rundown("now"), straight_rundown("past")
    judged = judge([now], forecaster, earlier={"now": (past,)})
    assert [s.at_s for s in asked] == sorted(s.at_s for s in asked)
    assert all(s.earlier == (past,) for s in asked)
    row = score(judged, "g")
    assert row.holds.value == 1.0
    assert row.error[0.5].value == pytest.approx(0.0, abs=1e-9)
    assert "| g | 1 | 9 | 100.0" in table([row])
