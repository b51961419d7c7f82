"""The third sealed rundowns against sheets; forecasters whose figures are known beforehand.

Run with ``python -m pytest tests/benchmarks/forecast_judge/test_third_seal.py``; some seconds.
"""

from collections import defaultdict
from io import StringIO
from itertools import count

import numpy as np
import pytest

from . import curves, sealed, second_groups, third_seal
from .known_ends import knows_nine_in_ten
from .rundown import Rundown, Seen
from .score import Forecast, judge, scores, short_of
from .third_cells import Load, Part, run
from .third_groups import GROUPS, LEAST_MA, MOST_MA
from .third_loads import plan
from .third_seal import short_table

# Makes.

# Open volts of one cell at half its charge, least and most end per cell, least and most mAh:
# SOURCES.md B10, B20 and B24, widened by what makes differ; capacities from memory.
SHEETS = {
    "CR2 flashes": ((2.8, 3.05), (1.9, 2.4), (700, 950)),
    "alkaline C or D, motor": ((1.25, 1.40), (0.75, 1.1), (6500, 18500)),
    "alkaline AAA in frost": ((1.25, 1.40), (0.8, 1.1), (1000, 1300)),
    "NiMH, weak one in the row": ((1.22, 1.33), (0.8, 1.15), (390, 2100)),
    "sodium-ion": ((2.95, 3.2), (1.5, 3.0), (300, 2500)),
    "lithium titanate": ((2.2, 2.6), (1.5, 2.0), (200, 2500)),
    "thionyl with rests": ((3.55, 3.72), (2.0, 3.0), (1500, 2300)),
    "aged pouch, modes": ((3.68, 3.86), (2.9, 3.4), (180, 1450)),
    "18650 warming": ((3.5, 3.8), (2.5, 3.3), (2200, 3400)),
    "nickel-zinc": ((1.62, 1.75), (1.1, 1.5), (1200, 1700)),
    "draw creeps up": ((1.25, 1.40), (0.8, 1.1), (2200, 3000)),
}


@pytest.mark.parametrize("group", SHEETS)
def test_every_make_looks_like_its_sheet(group: str) -> None:
    half_v, end_v, mah = SHEETS[group]
    rng, z = np.random.default_rng(21), np.linspace(0, 1.3, 400)
    for _ in range(40):
        wish = GROUPS[group](rng)
        assert end_v[0] <= wish.cutoff_v[0] / wish.cells < wish.cutoff_v[1] / wish.cells <= end_v[1]
        for part in wish.parts:
            volts = part.cell.sheet.volts(z)
            assert (np.diff(volts) < 1e-12).all()
            assert half_v[0] < float(np.interp(0.5, z, volts)) < half_v[1]
            assert mah[0] <= part.cell.capacity_mah <= mah[1]
            assert 0 <= part.depth <= 0.8


def test_an_alkaline_cell_gives_what_was_measured_by_rate() -> None:
    """SOURCES.md B3: five makes of AA at 0.5 A to 0.1 V give 1.17 to 1.84 Ah, at 0.1 A 2.1 to 2.2."""
    rng = np.random.default_rng(8)
    given = []
    for _ in range(60):
        cell = GROUPS["draw creeps up"](rng).parts[0].cell
        warm, sound = np.full(30000, 22.0), np.zeros(30000)
        half_a = Load("current", 500.0, np.ones(30000), warm, sound, 5.0)
        made = run([Part(cell, 1)], half_a, lambda time_s, pack_v: pack_v < 0.1)
        given.append(cell.capacity_mah / 1000 * float(made.depth[-1]))
    assert 1.0 < np.median(given) < 2.0


# Rundowns.


@pytest.fixture(scope="module")
def drawn() -> dict[str, list[Rundown]]:
    groups: dict[str, list[Rundown]] = defaultdict(list)
    for rundown in third_seal.draw(77, 8):
        groups[rundown.group].append(rundown)
    return groups


def every(drawn: dict[str, list[Rundown]]) -> list[Rundown]:
    return [r for rs in drawn.values() for r in rs]


def test_groups_are_new_and_there(drawn: dict[str, list[Rundown]]) -> None:
    assert list(drawn) == list(GROUPS)
    assert 10 <= len(GROUPS) <= 14
    assert not set(drawn) & {*sealed.GROUPS, *curves.GROUPS, *second_groups.GROUPS}
    runs = every(drawn)
    assert {r.load for r in runs} == {"current", "power", "resistor"}
    assert {r.pattern for r in runs} == {"steady", "flashes", "modes", "motor", "rests", "creep"}
    assert all(0 <= r.settled_s <= 0.45 * r.end_s for r in runs)
    assert max(len(r.time_s) for r in runs) < 20000


def test_a_night_at_what_wearables_draw(drawn: dict[str, list[Rundown]]) -> None:
    runs = every(drawn)
    hours = np.array([r.end_s / 3600 for r in runs])
    assert hours.min() >= 2
    assert np.mean((hours > 6) & (hours < 12)) > 0.5
    for r in runs:
        assert r.current_ma.max() <= MOST_MA * 1.03
        on = r.current_ma > 0.1
        assert r.current_ma[on].mean() > LEAST_MA


def test_no_voltage_and_no_charge_that_a_cell_has_not(drawn: dict[str, list[Rundown]]) -> None:
    fresh_v = {"li-ion": 4.25, "alkaline": 1.66, "nimh": 1.46, "li-socl2": 3.72}
    for r in every(drawn):
        rows = r.time_s < r.end_s
        assert r.pack_v.min() >= 0
        if r.chemistry_said in fresh_v and r.group != "nickel-zinc":
            assert r.pack_v.max() / r.cells < fresh_v[r.chemistry_said]
        given = float(np.trapezoid(r.current_ma[rows], r.time_s[rows])) / 3600
        most = 1.6 if r.group == "recharged half-way" else 1.0
        assert 0.05 < given / r.rated_mah < 1.12 * most * (1 - r.start_used / 2)


def test_the_recorded_voltage_is_below_the_cutoff_from_the_end_on(
    drawn: dict[str, list[Rundown]],
) -> None:
    for r in every(drawn):
        after = (r.time_s > r.end_s) & (r.time_s <= r.end_s + r.hold_s)
        assert after.any()
        assert np.median(r.pack_v[after]) <= r.cutoff_v + 0.006
        assert r.time_s[-1] >= r.end_s + r.hold_s
        if r.pattern in ("steady", "creep"):
            assert np.median(r.pack_v[r.time_s < 0.9 * r.end_s]) > r.cutoff_v


def test_it_is_recorded_in_steps_of_1_or_4_mv(drawn: dict[str, list[Rundown]]) -> None:
    found = set()
    for r in every(drawn):
        steps = np.round(np.diff(np.unique(np.round(r.pack_v, 6))) * 1000, 3)
        least = float(steps.min())
        assert least in (1.0, 4.0)
        assert np.allclose(steps / least, np.round(steps / least), atol=1e-3)
        found.add(least)
    assert found == {1.0, 4.0}


def test_groups_are_what_they_are_called(drawn: dict[str, list[Rundown]]) -> None:
    assert all(-3 <= r.temperature_c.min() <= 3 for r in drawn["alkaline AAA in frost"])
    for r in drawn["18650 warming"]:
        warmer = r.temperature_c[r.time_s < r.end_s]
        assert warmer[0] < 9
        assert 8 < warmer[-1] - warmer[0] < 17
    assert all(r.regulated == (r.group == "after a regulator") for r in every(drawn))
    for r in drawn["after a regulator"]:
        first = r.pack_v[r.time_s < r.end_s / 3]
        assert np.ptp(np.percentile(first, [5, 95])) < 0.02 * r.pack_v[0]
    for r in drawn["thionyl with rests"]:
        assert 0.05 < np.mean(r.current_ma == 0) < 0.9
    for r in drawn["draw creeps up"]:
        drawn_now = r.current_ma * (r.pack_v if r.load == "power" else 1.0)
        assert 1.1 < drawn_now[-50:].mean() / drawn_now[:50].mean() < 1.8
    for r in drawn["CR2 flashes"] + drawn["aged pouch, modes"]:
        assert r.current_ma.max() > 1.5 * np.median(r.current_ma[r.current_ma > 0]) or (
            np.ptp(r.current_ma) > 0.2 * r.current_ma.max()
        )


def test_a_recharge_is_a_break_and_then_a_higher_voltage(drawn: dict[str, list[Rundown]]) -> None:
    goes_on = set()
    for r in drawn["recharged half-way"]:
        there = r.pack_v > 0.1
        time_s, pack_v = r.time_s[there], r.pack_v[there]
        at = int(np.argmax(np.diff(time_s)))
        assert time_s[at + 1] - time_s[at] >= 900
        assert r.settled_s == pytest.approx(time_s[at + 1])
        assert pack_v[at + 1] > pack_v[at]
        assert 0.1 < time_s[at] / r.end_s < 0.45
        goes_on.add(not there.all())
        # Nobody holds a missing pack for an empty one.
        assert r.end_s > r.settled_s
    assert goes_on == {True, False}


def test_only_a_bad_holder_gets_worse_and_takes_a_tenth_or_so() -> None:
    rng = np.random.default_rng(4)
    for group, build in GROUPS.items():
        wish = build(rng)
        planned = plan(rng, wish)
        ohm, inside = planned.load.contact_ohm, planned.load.factor > 0.99
        if group != "contact worsens":
            assert np.ptp(ohm) == 0
            assert 0.02 <= ohm[0] <= 0.08
            continue
        life = int(len(ohm) / 2.2)
        level_ma = planned.load.level / (wish.half_v if planned.load.kind == "power" else 1.0)
        lost = ohm[life - 50 : life].mean() * level_ma / 1000 / wish.half_v
        assert inside[0]
        assert ohm[0] < 0.1 * ohm[life]
        assert 0.05 < lost < 0.3


def test_same_seed_same_rundowns(drawn: dict[str, list[Rundown]]) -> None:
    for group in ("sodium-ion", "recharged half-way"):
        again = third_seal.one(77, group, 1)
        np.testing.assert_array_equal(again.pack_v, drawn[group][1].pack_v)
        assert third_seal.one(78, group, 1).end_s != again.end_s
        assert drawn[group][0].end_s != again.end_s
    with pytest.raises(KeyError):
        third_seal.one(1, "no such group")


# The judge.


def test_truth_meets_the_goals_and_silence_does_not(drawn: dict[str, list[Rundown]]) -> None:
    runs = every(drawn)
    told = scores(judge(runs * 3, knows_nine_in_ten(runs)))
    assert np.mean([row.holds.value for row in told]) == pytest.approx(0.9, abs=0.03)
    assert all(row.error[0.5].value == 0 for row in told)
    silent = scores(judge(runs, lambda seen: Forecast()))
    refusing = {row.group for row in silent if any("refuses" in missed for missed in short_of(row))}
    assert refusing == set(GROUPS) - {"after a regulator"}


def test_the_table_tells_what_was_asked_for(drawn: dict[str, list[Rundown]]) -> None:
    runs = drawn["sodium-ion"][:2] + drawn["after a regulator"][:2]
    ends = {r.name: r.end_s for r in runs}

    def half(seen: Seen) -> Forecast:
        left_s = ends[seen.name] - seen.at_s
        if seen.chemistry_said in ("alkaline", "li-ion") and seen.name.startswith("third-7-"):
            return Forecast(at_least_s=0.5 * left_s)
        return Forecast(0.5 * left_s, 1.2 * left_s, 1.5 * left_s, 2 * left_s)

    ticks, told = count(), StringIO()
    judged = third_seal.judged_with_progress(iter(runs), 4, half, lambda: float(next(ticks)), told)
    lines = short_table(scores(judged)).splitlines()
    cells = [line.strip("| ").split(" | ") for line in lines[:1] + lines[2:]]
    assert {len(row) for row in cells} == {len(cells[0])}
    sodium = dict(zip(cells[0], cells[1], strict=True))
    assert sodium["90 % holds"].startswith("100")
    assert sodium["at least held"].startswith("0 ")
    assert sodium["error at 50% (best rival)"].startswith("20.0 (")
    assert sodium["mean width"].startswith("100")
    assert sodium["refused"].startswith("0 ")
    behind = dict(zip(cells[0], cells[2], strict=True))
    assert behind["90 % holds"] == behind["mean width"] == "-"
    assert behind["at least held"].startswith("100")
    assert behind["refused"].startswith("100")
    assert "4/4 rundowns, 0 s left" in told.getvalue()
    assert "1/4 rundowns, 3 s left" in told.getvalue()
