"""The fifth sealed set is what its groups are called, keeps to its sheets, and holds new kinds.

Run with ``python -m pytest tests/benchmarks/forecast_judge/test_fifth_seal.py``; some seconds.
"""

import csv
from collections import Counter, defaultdict
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from . import curves, fifth_seal, fifth_sheets, fourth_groups, sealed, second_groups, third_groups
from .fifth_cells import Demand, run
from .fifth_groups import GROUPS
from .known_ends import knows_nine_in_ten
from .rundown import Floats, Rundown, Seen
from .score import Forecast, judge, scores
from .third_cells import Cell, Part, Sheet

EACH = 5
# Volts of one cell: the highest of the first rows, the middle row, the cutoff; widened by what makes,
# part-used starts and loads change. SOURCES.md B3, B4, B8, B10, B24, B41.
SHEETS = {
    "sodium-ion 18650": ((2.7, 4.2), (2.6, 4.1), (1.8, 2.9)),
    "manganese iron phosphate": ((3.7, 4.25), (3.2, 4.0), (2.6, 3.2)),
    "carbon monofluoride": ((2.2, 3.1), (2.2, 2.8), (1.8, 2.25)),
    "NiCd that remembers": ((1.2, 1.42), (1.1, 1.27), (0.9, 1.1)),
    "alkaline D from a drawer": ((1.1, 1.65), (0.9, 1.35), (0.8, 1.1)),
    "alkaline AAAA or N, breathing": ((1.2, 1.65), (1.0, 1.4), (0.8, 1.1)),
    "two pouches, protection": ((3.6, 4.22), (3.5, 3.9), (2.6, 3.0)),
    "1.5 V lithium, converter inside": ((1.45, 1.58), (1.4, 1.58), (0.9, 1.42)),
    "coins with a capacitor": ((2.6, 3.3), (2.3, 3.0), (1.9, 2.4)),
    "alkaline, evenings before": ((1.25, 1.65), (1.0, 1.4), (0.8, 1.1)),
    "spinel, brightness changed": ((3.7, 4.22), (3.6, 3.95), (2.8, 3.3)),
    "rechargeable alkaline, doors": ((1.3, 1.64), (1.0, 1.4), (0.85, 1.1)),
    "NiMH, body-warmed": ((1.2, 1.44), (1.1, 1.3), (0.9, 1.1)),
    "before a boost converter": ((1.2, 1.65), (1.0, 1.4), (0.75, 1.05)),
    "panel or plug for a while": ((3.6, 4.22), (3.5, 3.9), (3.0, 3.4)),
    "draw past the sensor": ((1.2, 1.65), (1.0, 1.4), (0.8, 1.1)),
    "one of two packs drops off": ((3.6, 4.22), (3.5, 3.9), (3.0, 3.4)),
    "taken for another kind": ((1.15, 1.65), (1.0, 1.4), (0.9, 1.1)),
}
WARM = 298.0 - 273.15


@pytest.fixture(scope="module")
def drawn() -> dict[str, list[Rundown]]:
    groups: dict[str, list[Rundown]] = defaultdict(list)
    for rundown in fifth_seal.draw(31, EACH):
        groups[rundown.group].append(rundown)
    return groups


def every(drawn: dict[str, list[Rundown]]) -> list[Rundown]:
    return [r for rs in drawn.values() for r in rs]


def dipped(r: Rundown) -> Floats:
    """1 where a contact fault is in the row."""
    rows = np.zeros(len(r.time_s))
    for fault in r.faults:
        rows[(r.time_s >= fault.start_s) & (r.time_s < fault.end_s)] = 1
    return rows


# The set.


def test_groups_are_new_and_there(drawn: dict[str, list[Rundown]]) -> None:
    assert list(drawn) == list(GROUPS) == list(SHEETS)
    known = {
        *sealed.GROUPS, *curves.GROUPS, *second_groups.GROUPS, *third_groups.GROUPS, *fourth_groups.GROUPS
    }  # fmt: skip
    assert not set(drawn) & known
    runs = every(drawn)
    assert {r.load for r in runs} == {"current", "power", "resistor"}
    assert {r.pattern for r in runs} == {"steady", "breathing", "bursts", "sleep", "motion"}
    assert {r.said_fresh for r in runs} == {None, True, False}
    for r in runs:
        assert r.settled_s <= (0.79 if r.group == "alkaline, evenings before" else 0.45) * r.end_s
        assert 7200 < r.end_s < 100 * 3600
        assert 600 < len(r.time_s) < 20000


@pytest.mark.parametrize("group", SHEETS)
def test_levels_are_those_of_the_sheet(drawn: dict[str, list[Rundown]], group: str) -> None:
    first, middle, cutoff = SHEETS[group]
    for r in drawn[group]:
        sound = (r.time_s < r.end_s) & (dipped(r) == 0)
        assert first[0] < r.pack_v[:20].max() / r.cells < first[1]
        assert middle[0] < np.median(r.pack_v[sound]) / r.cells < middle[1]
        assert cutoff[0] <= r.cutoff_v / r.cells + 0.005
        assert r.cutoff_v / r.cells <= cutoff[1] + 0.005


def test_charge_is_what_the_label_says_or_less(drawn: dict[str, list[Rundown]]) -> None:
    for r in every(drawn):
        rows = r.time_s < r.end_s
        steps = np.diff(r.time_s[rows], append=r.end_s)
        steps[steps > 120] = np.median(steps)
        given = float(np.sum(r.current_ma[rows] * steps)) / 3600 / r.rated_mah
        assert 0.05 < given < 1.12 * (1 - 0.8 * r.start_used), r.group


def test_the_recorded_voltage_is_below_the_cutoff_from_the_end_on(
    drawn: dict[str, list[Rundown]],
) -> None:
    for r in every(drawn):
        after = (r.time_s > r.end_s) & (r.time_s <= r.end_s + r.hold_s)
        assert after.any()
        assert r.pack_v[after].max() <= r.cutoff_v + 0.006
        assert r.time_s[-1] >= r.end_s + r.hold_s
        sound = (r.time_s < 0.8 * r.end_s) & (dipped(r) == 0)
        if r.pattern == "steady":
            assert np.median(r.pack_v[sound]) > r.cutoff_v
        assert all(fault.end_s < r.end_s for fault in r.faults)


def test_it_is_recorded_in_the_steps_of_two_sensors(drawn: dict[str, list[Rundown]]) -> None:
    """SOURCES.md C1 and C4: bus voltage in 4 or 1.25 mV; 10 or 2.5 uV over 0.1 ohm."""
    found = set()
    for r in every(drawn):
        least_v = 0.004 if np.allclose(r.pack_v / 0.004, np.round(r.pack_v / 0.004), atol=1e-6) else 0.00125  # fmt: skip
        least_ma = 0.1 if least_v == 0.004 else 0.025
        for values, least in ((r.pack_v, least_v), (r.current_ma, least_ma)):
            np.testing.assert_allclose(values / least, np.round(values / least), atol=6e-3)
        found.add(least_v)
    assert found == {0.004, 0.00125}


def test_dips_are_there_and_come_back(drawn: dict[str, list[Rundown]]) -> None:
    runs = [r for r in every(drawn) if r.faults]
    assert 0.1 < len(runs) / len(every(drawn)) < 0.6
    assert {fault.open for r in runs for fault in r.faults} == {True, False}
    for r in runs:
        for fault in r.faults:
            rows = (r.time_s >= fault.start_s) & (r.time_s < fault.end_s)
            assert rows.any()
            assert 1 <= fault.end_s - fault.start_s <= 40
            assert not fault.open or r.pack_v[rows].max() < 0.02


# The sheets.


def test_the_sodium_curve_is_the_published_one() -> None:
    """SOURCES.md B40: worked out anew from the electrodes' measured potentials."""
    spec = find_spec("pybamm")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("needs the published measurements that come with pybamm")
    folder = Path(spec.submodule_search_locations[0]) / "input/parameters/sodium_ion/data"

    def measured(name: str) -> tuple[list[float], list[float]]:
        with (folder / name).open() as file:
            rows = [(float(x), float(u)) for x, u in list(csv.reader(file))[1:]]
        return [x for x, _ in rows], [u for _, u in rows]

    # Sodium per area in mol/m2: thickness, share of active material, most in it.
    anode, cathode = 64e-6 * 0.489 * 14540, 68e-6 * 0.55 * 15320
    # Until the anode's sodium is out, as far as it was measured.
    moved = np.linspace(0, (13520 / 14540 - 0.00144) * anode, 4000)
    high = np.interp(3320 / 15320 + moved / cathode, *measured("U_p.csv"))
    low = np.interp(13520 / 14540 - moved / anode, *measured("U_n.csv"))
    # 3 mAh nominal on 2.54 cm2.
    assert moved[-1] * 26.80 * 2.54e-4 * 1000 == pytest.approx(3.0, rel=0.06)
    for share, volts in fifth_sheets.FLUOROPHOSPHATE:
        if 0 < share < 1:
            assert volts == pytest.approx(np.interp(share, moved / moved[-1], high - low), abs=0.02)


def wanted(kind: str, level: float, hours: float, step_s: float) -> Demand:
    rows = int(hours * 3600 / step_s)
    return Demand(kind, level, np.ones(rows), np.full(rows, WARM), np.full(rows, 1e-3), np.zeros(rows), step_s)  # fmt: skip


def given_mah(cell: Cell, by: Demand, until_v: float) -> float:
    made = run([Part(cell, 1)], by, lambda time_s, pack_v: pack_v < until_v)
    assert made.pack_v[-1] < until_v
    return cell.capacity_mah * float(made.depth[-1])


def test_a_coin_gives_its_sheets_charge_at_its_sheets_load() -> None:
    """SOURCES.md B8: 225 mAh into 15 kohm to 2.0 V."""
    rng, given = np.random.default_rng(3), []
    for _ in range(12):
        cell = GROUPS["coins with a capacitor"](rng).parts[0].cell
        if cell.capacity_mah < 300:
            given.append(given_mah(cell, wanted("resistor", 15000.0, 2000, 1800), 2.0))
    assert len(given) > 3
    assert np.median(given) == pytest.approx(220, rel=0.07)


def test_nicd_and_monofluoride_give_their_labels_at_their_sheets_rates() -> None:
    """SOURCES.md B41: NiCd at 0.2 It to 1.0 V (IEC 61951-1), BR at some mA to 2.0 V."""
    rng = np.random.default_rng(4)
    for group, hours, until_v in (("NiCd that remembers", 5, 1.0), ("carbon monofluoride", 400, 2.0)):  # fmt: skip
        shares = []
        for _ in range(8):
            cell = GROUPS[group](rng).parts[0].cell
            by = wanted("current", cell.capacity_mah / hours, 1.3 * hours, hours * 6)
            shares.append(given_mah(cell, by, until_v) / cell.capacity_mah)
        assert 0.9 < np.median(shares) <= 1.01, group


def test_the_two_steps_lie_where_the_manganese_ends() -> None:
    for share in (0.5, 0.6, 0.7):
        x = np.linspace(0, 1, 1001)
        volts = Sheet(fifth_sheets.manganese_iron(share)).volts(x)
        assert (np.diff(volts) < 1e-12).all()
        assert np.mean(volts > 3.7) == pytest.approx(share, abs=0.04)
        assert 3.3 < np.median(volts[(x > share + 0.1) & (x < 0.95)]) < 3.45


def test_a_memory_is_lower_from_its_depth_on_and_gives_the_same_charge() -> None:
    x = np.linspace(0, 1, 501)
    for at in (0.35, 0.5, 0.7):
        sound = Sheet(fifth_sheets.CADMIUM).volts(x)
        volts = Sheet(fifth_sheets.remembered(fifth_sheets.CADMIUM, at, 0.07)).volts(x)
        assert (np.diff(volts) < 1e-12).all()
        np.testing.assert_allclose(volts[x < at - 0.2], sound[x < at - 0.2], atol=0.004)
        late = (x > at + 0.1) & (x < 0.95)
        np.testing.assert_allclose(sound[late] - volts[late], 0.07, atol=0.004)


def test_small_and_old_alkaline_cells_give_less_by_rate() -> None:
    """SOURCES.md B3: AA at 0.1 A 2.1 to 2.2 Ah, at 0.5 A 1.2 to 1.8 Ah to 0.1 V; so AAAA at 22 and 110 mA."""
    rng, shares = np.random.default_rng(6), defaultdict(list)
    for _ in range(10):
        cell = GROUPS["alkaline AAAA or N, breathing"](rng).parts[0].cell
        for hours in (25, 5):
            by = wanted("current", cell.capacity_mah / hours, 1.2 * hours, 6.0 * hours)
            shares[hours].append(given_mah(cell, by, 0.1) / cell.capacity_mah)
    assert 0.75 < np.median(shares[25]) < 1.0
    assert np.median(shares[5]) < 0.9 * np.median(shares[25])


# Troubles.


def test_a_converter_inside_is_flat_to_its_signal(drawn: dict[str, list[Rundown]]) -> None:
    signals = 0
    for r in drawn["1.5 V lithium, converter inside"]:
        assert r.regulated
        sound = (r.time_s < 0.75 * r.end_s) & (dipped(r) == 0)
        # But for what falls over shunt, contact and the converter's own resistance.
        slope, _ = np.polyfit(r.current_ma[sound], r.pack_v[sound], 1) if np.ptp(r.current_ma[sound]) > 20 else (0.0, 0.0)  # fmt: skip
        level = r.pack_v[sound] - slope * r.current_ma[sound]
        assert -0.0006 < slope <= 0
        assert np.ptp(np.percentile(level, [1, 99])) < 0.015 * r.cells
        signals += int(r.cutoff_v / r.cells < 1.05)
        near = (r.time_s > 0.8 * r.end_s) & (r.time_s < r.end_s - 60) & (dipped(r) == 0)
        assert (r.pack_v[near].min() < r.pack_v[0] - 0.3) == (r.cutoff_v / r.cells < 1.05)
    assert 0 < signals < EACH
    assert not any(r.regulated for r in every(drawn) if r.group != "1.5 V lithium, converter inside")  # fmt: skip


def test_a_protection_opens_above_the_cutoff(drawn: dict[str, list[Rundown]]) -> None:
    opened = 0
    for r in drawn["two pouches, protection"]:
        last = int(np.searchsorted(r.time_s, r.end_s)) - 1
        opened += int(r.pack_v[last] > r.cutoff_v + 0.2 and r.pack_v[-1] < 0.02)
    assert opened >= EACH - 2


def test_a_converter_before_it_draws_more_the_lower_it_gets(
    drawn: dict[str, list[Rundown]],
) -> None:
    for r in drawn["before a boost converter"]:
        sound = (r.time_s < r.end_s) & (dipped(r) == 0) & (r.current_ma > 1)
        power = r.pack_v[sound] * r.current_ma[sound]
        late, early = r.time_s[sound] > 0.8 * r.end_s, r.time_s[sound] < 0.2 * r.end_s
        # Like power at the load costs more of the pack; on the mean, with what a pattern scatters.
        assert r.load == "power"
        if r.pattern in ("steady", "breathing"):
            assert 1.01 < np.median(power[late]) / np.median(power[early]) < 1.6
        before = (r.time_s < 0.84 * r.end_s) & (dipped(r) == 0)
        assert r.current_ma[before].min() > 0.2


def test_monofluoride_rises_before_it_falls(drawn: dict[str, list[Rundown]]) -> None:
    for r in drawn["carbon monofluoride"]:
        sound = dipped(r) == 0
        begun = np.median(r.pack_v[sound & (r.time_s < 0.06 * r.end_s)])
        third = np.median(r.pack_v[sound & (r.time_s > 0.2 * r.end_s) & (r.time_s < 0.4 * r.end_s)])
        assert third > begun or r.start_used > 0.3


def test_temperatures_are_those_of_the_wearer(drawn: dict[str, list[Rundown]]) -> None:
    for r in drawn["NiMH, body-warmed"]:
        assert 8 <= r.temperature_c[0] <= 12
        assert 26 < r.temperature_c[-1] < 33
    for r in drawn["rechargeable alkaline, doors"]:
        assert 6 < np.ptp(r.temperature_c) < 18.5
        turns = np.diff(np.sign(np.diff(np.round(r.temperature_c[:: len(r.time_s) // 200], 1))))
        assert np.count_nonzero(turns) >= 2


def test_what_happens_once_is_over_when_it_is_settled(drawn: dict[str, list[Rundown]]) -> None:
    for r in drawn["alkaline, evenings before"]:
        gaps = np.flatnonzero(np.diff(r.time_s) > 3600)
        assert 1 <= len(gaps) <= 2
        assert r.time_s[gaps[-1] + 1] == pytest.approx(r.settled_s, abs=60)
        assert (np.diff(r.time_s)[gaps] > 16 * 3600).all()
        assert r.pack_v[gaps[-1] + 1] > np.median(r.pack_v[gaps[-1] - 20 : gaps[-1]])
    for r in drawn["panel or plug for a while"]:
        early, late = r.time_s < r.settled_s, (r.time_s > r.settled_s) & (dipped(r) == 0)
        assert r.current_ma[early].min() < r.current_ma[late].min() - 1
        assert r.current_ma[late].min() > -1
        assert r.pack_v.max() < 4.24
    for r in drawn["spinel, brightness changed"]:
        span_s = 0.3 * r.settled_s
        before = (r.time_s > r.settled_s - span_s) & (r.time_s < r.settled_s)
        after = (r.time_s > r.settled_s) & (r.time_s < r.settled_s + span_s)
        change = r.current_ma[after].mean() / r.current_ma[before].mean()
        assert r.pattern == "sleep" or change < 0.85 or change > 1.15


def test_a_strap_leaves_a_step_down_and_half_the_charge(drawn: dict[str, list[Rundown]]) -> None:
    for r in drawn["one of two packs drops off"]:
        assert 0.1 < r.settled_s / r.end_s <= 0.45
        rows = (r.time_s < r.end_s) & (r.time_s > r.settled_s)
        after = float(np.trapezoid(r.current_ma[rows], r.time_s[rows])) / 3600
        assert after < 0.55 * r.rated_mah


def test_the_wrong_kind_is_said_and_the_level_tells(drawn: dict[str, list[Rundown]]) -> None:
    said = Counter(r.chemistry_said for r in drawn["taken for another kind"])
    assert set(said) == {"alkaline", "nimh"}
    for r in drawn["taken for another kind"]:
        # Half-way alkaline still falls, NiMH is flat (SOURCES.md B19, B16).
        half = [np.median(r.pack_v[abs(r.time_s / r.end_s - at) < 0.08]) / r.cells for at in (0.35, 0.65)]  # fmt: skip
        falls_v = (half[0] - half[1]) / (1 - r.start_used)
        assert (falls_v < 0.06) == (r.chemistry_said == "alkaline")


def test_old_ones_are_said_to_be_fresh_and_are_not(drawn: dict[str, list[Rundown]]) -> None:
    old = drawn["alkaline D from a drawer"]
    assert all(r.start_used >= 0.05 for r in old)
    assert any(r.said_fresh for r in old)
    others = [r for r in every(drawn) if r.group != "alkaline D from a drawer"]
    assert all(r.said_fresh in (None, r.start_used == 0) for r in others)


def test_same_seed_same_rundowns(drawn: dict[str, list[Rundown]]) -> None:
    for group in ("sodium-ion 18650", "panel or plug for a while"):
        again = fifth_seal.one(31, group, 1)
        np.testing.assert_array_equal(again.pack_v, drawn[group][1].pack_v)
        assert fifth_seal.one(32, group, 1).end_s != again.end_s
    with pytest.raises(KeyError):
        fifth_seal.one(1, "no such group")


# The judge.


def test_truth_meets_the_goals_and_what_raises_is_counted(drawn: dict[str, list[Rundown]]) -> None:
    runs = every(drawn)
    told = scores(judge(runs, knows_nine_in_ten(runs)))
    assert np.mean([row.holds.value for row in told]) == pytest.approx(0.9, abs=0.04)
    raised: Counter[str] = Counter()

    def falls_over(seen: Seen) -> Forecast:
        raise ZeroDivisionError("a test's")

    silent = scores(judge(runs[:2], fifth_seal.surviving(falls_over, raised)))
    assert silent[0].refused.value == 1
    assert sum(raised.values()) == 18
    assert all("ZeroDivisionError" in word for word in raised)
