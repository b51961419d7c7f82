"""What is believed of a pack's start: what was said, and the first voltage as far as the chemistry is trusted."""

import numpy as np
import pytest

from analysis.forecast.chemistry_prior import capacity_prior, families, known_families, left_out
from analysis.forecast.start_state import DEPTHS, start_belief, start_prior
from logger.base.pack import Pack

PACK = Pack("li-ion", 1, "18650", 2600.0)
PRIOR = capacity_prior(PACK, 260.0)


@pytest.mark.parametrize(("fresh", "share"), [(None, 0.5), (True, 0.93), (False, 0.05)])
def test_part_used_packs_have_real_weight(fresh: bool | None, share: float) -> None:
    prior = start_prior(fresh)
    assert prior.sum() == pytest.approx(1.0)
    assert prior[DEPTHS <= 0.05].sum() == pytest.approx(share)


def test_said_to_be_fresh_is_checked_against_the_first_voltage() -> None:
    full = start_belief(PACK, PRIOR, 4.1, 260.0, True)
    half_empty = start_belief(PACK, PRIOR, 3.6, 260.0, True)
    assert full @ DEPTHS < 0.1
    assert half_empty @ DEPTHS > 0.3 > 5 * (start_prior(True) @ DEPTHS)


def test_a_chemistry_that_is_not_trusted_tells_nothing_by_its_voltage() -> None:
    assert start_belief(PACK, PRIOR, 3.6, 260.0, None, 0.0) == pytest.approx(start_prior(None))


def test_left_out_is_left_out_everywhere_and_only_within() -> None:
    before = len(known_families())
    with left_out("li-ion"):
        assert families("li-ion") == ()
        assert not any(item.chemistry == "li-ion" for item in known_families())
        assert capacity_prior(PACK, 260.0).log_sd > PRIOR.log_sd
    with left_out("Ecker2015"):
        assert len(known_families()) == before - 1
    assert len(known_families()) == before
    assert np.all(capacity_prior(PACK, 260.0).log_sd == PRIOR.log_sd)
