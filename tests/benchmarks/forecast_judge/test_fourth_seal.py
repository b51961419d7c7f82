"""The fourth sealed set is what its groups are called, and none of the sets before it holds its kinds."""

from collections import defaultdict

import numpy as np
import pytest

from . import curves, fourth_seal, sealed, second_groups, third_groups
from .fourth_groups import CAPACITOR, GROUPS
from .rundown import Rundown

# Makers' sheets of cells not yet drawn on, just off the charger; from memory.
FRESH_V = {
    "lead gel": (1.95, 2.2),
    "iron phosphate, cool": (3.1, 3.6),
    "alkaline 9 V": (1.3, 1.66),
    "zinc-air button": (1.15, 1.45),
    "alkaline button": (1.2, 1.66),
    "silicon 18650, cold": (3.3, 4.25),
    "lithium-sulphur": (2.0, 2.55),
    "NiMH, lower shelf": (1.15, 1.46),
    "alkaline cooling": (1.3, 1.66),
}


@pytest.fixture(scope="module")
def drawn() -> dict[str, list[Rundown]]:
    groups: dict[str, list[Rundown]] = defaultdict(list)
    for rundown in fourth_seal.draw(5, 4):
        groups[rundown.group].append(rundown)
    return groups


def test_groups_are_new_and_there(drawn: dict[str, list[Rundown]]) -> None:
    assert list(drawn) == list(GROUPS)
    known = {*sealed.GROUPS, *curves.GROUPS, *second_groups.GROUPS, *third_groups.GROUPS}
    assert not set(drawn) & known


def test_levels_are_those_of_the_kind(drawn: dict[str, list[Rundown]]) -> None:
    for group, (least_v, most_v) in FRESH_V.items():
        for r in drawn[group]:
            assert least_v < r.pack_v[:20].max() / r.cells < most_v, group


def test_a_capacitor_falls_with_its_charge(drawn: dict[str, list[Rundown]]) -> None:
    # Q = C V: charge given over rated is the fall of voltage over 2.7 V a piece.
    for r in drawn["double-layer capacitor"]:
        rows = r.time_s < r.end_s
        given = float(np.trapezoid(r.current_ma[rows], r.time_s[rows])) / 3600
        fall = (r.pack_v[0] - r.cutoff_v) / (r.cells * CAPACITOR[0][1])
        assert given / r.rated_mah == pytest.approx(fall, rel=0.15)


def test_what_was_stored_is_half_full_and_what_cools_cools(drawn: dict[str, list[Rundown]]) -> None:
    assert all(0.38 <= r.start_used <= 0.6 for r in drawn["pouches from storage"])
    for r in drawn["alkaline cooling"]:
        air = r.temperature_c[r.time_s < r.end_s]
        assert 8 < air[0] - air[-1] < 22
    assert all(r.temperature_c.max() < 6 for r in drawn["silicon 18650, cold"])


def test_same_seed_same_rundowns(drawn: dict[str, list[Rundown]]) -> None:
    again = next(iter(fourth_seal.draw(5, 1)))
    np.testing.assert_array_equal(again.pack_v, drawn["lead gel"][0].pack_v)
    assert next(iter(fourth_seal.draw(6, 1))).end_s != again.end_s
