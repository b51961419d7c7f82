"""How a lifetime ended, on runs made by formulas; the wide table is in tests/benchmarks/test_lifetime.py."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest

from analysis.run.asked import cutoff_of
from analysis.run.lifetime import End, Lifetime, LifetimeWatch
from analysis.run.rundown import rundown
from logger.run.description import Event, Stop
from logger.run.reader import Run
from tests.support.runs_by_formula import VEST, board_run

Floats = npt.NDArray[np.float64]
H = 3600.0
OFF_S = 5 * H + 1234.0


def sinking(time_s: Floats, off: npt.NDArray[np.bool_]) -> Floats:
    """4.6 V falling to 3.1 V at ``OFF_S``, 0.3 V higher where nothing is drawn."""
    return np.asarray(4.6 - 1.5 * np.minimum(time_s / OFF_S, 1.05) + 0.3 * off)


def piece(
    off: "Sequence[tuple[float, float]]",
    hours: float = 6.5,
    events: Sequence[Event] = (),
    *,
    lost: bool = False,
    window_s: float = 2.0,
    cutoff_v: float = 2.4,
) -> Run:
    """A piece of 150 mA that draws nothing in the stretches ``off`` (s)."""

    def dark(time_s: Floats) -> npt.NDArray[np.bool_]:
        found = np.zeros(time_s.shape, dtype=bool)
        for begin_s, end_s in off:
            found |= (time_s >= begin_s) & (time_s < end_s)
        return found

    def volts(time_s: Floats) -> Floats:
        is_dark = dark(time_s)
        return np.where(is_dark & lost, 0.0, sinking(time_s, is_dark))

    run = board_run(
        volts, lambda t: np.where(dark(t), 0.05, 150.0 + 10 * np.sin(t / 7)), hours * H, window_s
    )
    described = replace(run.description, pack=VEST, stop=Stop(cutoff_v, 10.0), events=tuple(events))
    return replace(run, description=described)


def found_in(run: Run) -> Lifetime:
    return rundown(run, *cutoff_of(run, None, None)).lifetime


def test_went_dark_although_the_pack_recovered() -> None:
    """The case that the live view called 97 % and list ranked best."""
    found = found_in(piece([(OFF_S, 9 * H)]))
    assert found.end is End.DARK
    assert found.time.value == pytest.approx(OFF_S, abs=2)
    assert "the pack recovered to 3.3" in found.evidence
    assert found.time.lower is not None
    assert found.time.lower <= OFF_S <= (found.time.upper or 0)


@pytest.mark.slow
def test_a_mark_or_the_load_switch_explains_it() -> None:
    off = [(OFF_S, 9 * H)]
    for event in (
        Event(OFF_S + 20, "mark", "switched it off"),
        Event(OFF_S + 1, "load", "load switch opened (told by this computer)"),
    ):
        found = found_in(piece(off, events=[event]))
        assert found.end is End.OFF
        assert not found.ended
    said = found_in(piece(off, events=[Event(OFF_S + 1800, "mark", "found it dark")]))
    assert said.end is End.DARK
    unclear = found_in(piece(off, events=[Event(OFF_S + 5, "mark", "pattern B")]))
    assert unclear.end is End.UNSURE
    assert [item.end for item in unclear.readings] == [End.DARK, End.OFF]


def test_a_full_pack_does_not_give_up_by_itself() -> None:
    found = found_in(piece([(H, 9 * H)], hours=2))
    assert found.end is End.UNSURE
    assert found.least_s == pytest.approx(H, abs=2)


def test_restarts_are_counted_and_the_first_is_the_end() -> None:
    stops = [(OFF_S + 400 * n, OFF_S + 400 * n + 4.0) for n in range(10)]
    found = found_in(piece(stops))
    assert found.end is End.REBOOTS
    assert found.reboots == 10
    assert found.first_reboot.value == pytest.approx(OFF_S, abs=4)
    assert found.time == found.first_reboot


def test_self_shutdown_that_comes_back() -> None:
    stops = [(OFF_S + 600 * n, OFF_S + 600 * n + 300) for n in range(6)]
    assert found_in(piece(stops)).end is End.BACK


@pytest.mark.parametrize("lost", [False, True])
def test_a_bad_contact_is_no_end_but_is_told(lost: bool) -> None:
    found = found_in(
        piece([(H + 7, H + 22), (2 * H, 2 * H + 200), (3 * H, 3 * H + 1)], 4.5, lost=lost)
    )
    assert found.end is End.RUNNING
    assert "came back" in found.cautions[0]
    assert found.time.value is None


def test_a_mode_of_the_first_hour_is_no_end() -> None:
    parked = [(600 + 3600 * n, 600 + 3600 * n + 900) for n in range(6)]
    assert found_in(piece(parked, hours=5.4)).end is End.RUNNING


def test_what_ends_the_run_is_no_end_of_the_piece() -> None:
    hours = 5.4
    assert found_in(piece([(hours * H - 30, 9 * H)], hours=hours)).end is End.RUNNING


def test_the_cutoff_comes_first() -> None:
    run = piece([(OFF_S, 9 * H)], cutoff_v=3.6)
    result = rundown(run, 3.6, 10.0)
    assert result.lifetime.end is End.CUTOFF
    assert result.lifetime.time == result.cutoff_time


def test_it_dims_long_before() -> None:
    run = board_run(
        lambda t: 4.6 - 1.2 * t / (10 * H), lambda t: 200 * (1 - 0.8 * t / (10 * H)), 10 * H, 5.0
    )
    found = found_in(replace(run, description=replace(run.description, stop=Stop(2.4, 10.0))))
    # Half of the first hour's mean, 200 (1 - 0.8 * 0.05) / 2, closed form.
    assert found.dimmed.value == pytest.approx((1 - 0.48) / 0.8 * 10 * H, rel=0.02)
    assert found.end is End.RUNNING


@pytest.mark.slow
@pytest.mark.parametrize(
    "run",
    [
        piece([(OFF_S, 9 * H)]),
        piece([(OFF_S + 400 * n, OFF_S + 400 * n + 4.0) for n in range(12)]),
        piece([], cutoff_v=3.3),
        piece([(H, H + 100)], lost=True, cutoff_v=3.3),
        piece([(OFF_S, 9 * H)], events=[Event(OFF_S, "mark", "off")], lost=True),
    ],
)
@pytest.mark.parametrize("rows", [1, 37, 5000])
def test_rows_as_they_come_give_the_recorded_answer(run: Run, rows: int) -> None:
    """Whatever the portions, and at every moment up to which the rows are there."""
    description = run.description
    stop = description.stop
    columns = [run.samples[name].to_numpy() for name in ("time_s", "pack_v", "current_ma")]
    watch = LifetimeWatch(description.pack, stop.cutoff_v, stop.hold_s)
    edges = [*range(0, len(columns[0]), rows), len(columns[0])]
    for first, past in pairwise(edges):
        watch.add(*(column[first:past] for column in columns))
    live, whole = watch.now(description.events), found_in(run)
    assert (live.end, live.reboots, live.readings) == (whole.end, whole.reboots, whole.readings)
    if whole.time.value is None:
        assert live.time.value is None
    else:
        assert live.time.value == pytest.approx(whole.time.value, abs=1.0)


@pytest.mark.slow
def test_memory_does_not_grow_with_the_run() -> None:
    watch = LifetimeWatch(VEST, 2.4, 10.0)
    sizes = []
    for hour in range(30):
        time_s = hour * H + np.arange(1.0, H + 1)
        dips = (time_s % 40) < 3
        watch.add(time_s, np.full(len(time_s), 3.2), np.where(dips, 0.0, 100.0))
        group = watch._breaks._late
        sizes.append(
            len(group.breaks) + len(watch._breaks._levels) + watch._breaks._pending.shape[1]
        )
    assert max(sizes[10:]) <= max(sizes[:10]) + 1


def stepped(levels: Sequence[tuple[float, float]], blink_s: float = 0.0) -> Run:
    """150 mA, then from each time (s) on another draw (mA), the voltage there; the last one flashes with ``blink_s``."""

    def current(time_s: Floats) -> Floats:
        found = np.full(time_s.shape, 150.0)
        for from_s, level_ma in levels:
            found[time_s >= from_s] = level_ma
        lit = (time_s % blink_s < blink_s / 4) if blink_s else np.ones(time_s.shape, dtype=bool)
        return np.where((time_s < levels[-1][0]) | lit, found, 0.5) + 0.3 * np.sin(time_s)

    run = board_run(lambda t: np.interp(t, [0, OFF_S], [4.6, 3.1]), current, 8 * H, 2.0)
    return replace(run, description=replace(run.description, pack=VEST, stop=Stop(2.4, 10.0)))


@pytest.mark.parametrize("blink_s", [0.0, 8.0])
def test_a_step_down_that_stays_is_dimmed_and_no_firm_end(blink_s: float) -> None:
    """A lamp driver's low mode, then flashes, on a nearly empty pack: neither all well nor restarts."""
    found = found_in(stepped([(OFF_S - 600, 55.0), (OFF_S + 2400, 24.0)], blink_s))
    assert found.end is End.UNSURE
    assert "dimmed" in found.evidence
    assert found.least_s == pytest.approx(OFF_S - 600, abs=4)
    assert {item.end for item in found.readings} >= {End.REBOOTS, End.RUNNING}


def test_dark_after_a_low_mode_is_dark() -> None:
    found = found_in(stepped([(OFF_S - 600, 55.0), (OFF_S + 2400, 0.4)]))
    assert found.end is End.DARK
    assert found.time.value == pytest.approx(OFF_S + 2400, abs=4)


def test_many_restarts_come_before_what_ended_the_run_later() -> None:
    """Each heavy moment restarts it on a nearly empty pack; hours later it is dark for good."""
    stops = [(OFF_S + 60 * n, OFF_S + 60 * n + 4.0) for n in range(40)]
    found = found_in(piece([*stops, (OFF_S + 7200, 12 * H)], hours=9))
    assert found.end is End.REBOOTS
    assert found.time.value == pytest.approx(OFF_S, abs=4)
