"""Clock times of a run's moments; zones from the IANA data base (zoneinfo), changes of 2026 from EU directive 2000/84/EC:
last Sundays of March and October, 01:00 UTC."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from logger.base.wall_clock import WallClock, wall_clock

H = 3600.0
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("started", "hours", "shown"),
    [
        (datetime(2026, 1, 10, 17, 0, tzinfo=UTC), 3, "21:00"),  # winter, UTC+1
        (datetime(2026, 7, 10, 17, 0, tzinfo=UTC), 3, "22:00"),  # summer, UTC+2
        (datetime(2026, 1, 10, 19, 30, tzinfo=UTC), 9, "05:30"),  # past midnight
        (datetime(2026, 3, 28, 20, 0, tzinfo=UTC), 10, "08:00"),  # the night that lacks an hour
        (datetime(2026, 10, 24, 19, 0, tzinfo=UTC), 10, "06:00"),  # the night with one more
        (datetime(2026, 10, 24, 19, 0, tzinfo=UTC), 5.5, "02:30 CEST"),
        (datetime(2026, 10, 24, 19, 0, tzinfo=UTC), 6.5, "02:30 CET"),
        (datetime(2026, 1, 10, 17, 0, tzinfo=UTC), 50, "Mon 20:00"),
    ],
)
def test_clock_times_keep_to_the_zone(started: datetime, hours: float, shown: str) -> None:
    assert WallClock(started, BERLIN).at(hours * H) == shown


def test_a_run_without_a_beginning_or_with_hours_of_its_own_has_no_clock() -> None:
    assert wall_clock("") is None
    assert wall_clock("yesterday") is None
    assert wall_clock("2026-01-10T18:00:00Z", simulated=True) is None
    found = wall_clock("2026-01-10T18:00:00Z")
    assert found is not None
    assert found.started == datetime(2026, 1, 10, 18, tzinfo=UTC)


def test_this_computers_own_zone_serves_without_being_named() -> None:
    started = datetime(2026, 1, 10, 17, 0, tzinfo=UTC)
    assert WallClock(started).at(0.0) == f"{started.astimezone():%H:%M}"
