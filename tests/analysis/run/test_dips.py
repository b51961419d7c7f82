"""Dips that come back are a contact's fault; the end of a pack, a heavier load and a pause are not."""

import numpy as np
import pytest

from analysis.run.dips import dips
from tests.support.load_bins import bins_of


@pytest.mark.parametrize("long_s", [90.0, 600.0])
def test_a_dip_is_found_where_it_was(long_s: float) -> None:
    time_s = np.arange(10.0, 20001.0, 10.0)
    bad = (time_s > 8000) & (time_s <= 8000 + long_s)
    bins = bins_of(4.5 - time_s / 2e4 - 1.5 * bad, np.full(2000, 100.0))
    places = np.flatnonzero(dips(bins))
    assert (np.diff(places) == 1).all()  # one dip
    begin_s, end_s = (bins.end_s - bins.span_s)[places[0]], bins.end_s[places[-1]]
    width_s = float(np.median(bins.span_s))
    assert begin_s == pytest.approx(8000, abs=2 * width_s)
    assert end_s == pytest.approx(8000 + long_s, abs=2 * width_s)


def test_what_is_no_dip() -> None:
    time_s = np.arange(10.0, 20001.0, 10.0)
    falling = 4.5 - time_s / 2e4
    steady = np.full(2000, 100.0)
    heavy = (time_s > 8000) & (time_s <= 8600)
    off = (time_s > 8000) & (time_s <= 9000)
    late = time_s > 19_000
    for volts, current in (
        (falling, steady),
        (falling - 1.5 * late, steady),
        (falling - 0.6 * heavy, steady + 200 * heavy),
        (falling + 0.4 * off, steady * ~off),
    ):
        assert not dips(bins_of(volts, current)).any()
