"""Is the wrong figure of a budget named first, is nothing cleared that is off, is no pack offered that kills the piece?

``python -m pytest tests/benchmarks/test_budget_culprit.py -s`` prints a row per budget; CULPRIT_BOARDS sets
how many boards measure each (1 by default), CULPRIT_DRAWN how many more are drawn, from CULPRIT_SEED.
"""

import os
from pathlib import Path

import pytest

from tests.benchmarks import budget_adapter
from tests.support.drawn_budgets import drawn_budgets
from tests.support.known_budgets import known_budgets, sound_budgets
from tests.support.limited_pieces import LimitedPiece, fresh_v, limited_pieces

BOARDS = int(os.environ.get("CULPRIT_BOARDS", "1"))
FIRST_LEAST = 0.8
OFF_MOST = 0.15
BLAMED_MOST = 0.1
DRAWN = int(os.environ.get("CULPRIT_DRAWN", "30"))
SEED = int(os.environ.get("CULPRIT_SEED", "0"))


@pytest.mark.timeout(1200)
def test_the_culprit_is_named_first_and_nothing_off_is_cleared(tmp_path: Path) -> None:
    first, asked, cleared = 0, 0, []
    print("\n\n| budget | fault | off | named first | |\n|---|---|---|---|---|")
    for known in known_budgets():
        for seed in range(BOARDS):
            said = budget_adapter.ask(known, tmp_path, seed)
            asked += 1
            is_right = bool(said.named) and said.named[0] in known.culprits
            first += is_right
            if said.clear and abs(known.off) > OFF_MOST:
                cleared.append(f"{known.name} ({100 * known.off:+.0f} %): {said.words}")
            note = ("right" if is_right else "WRONG") + (", all clear" if said.clear else "")
            named = said.named[0] if said.named else "-"
            print(f"| {known.name} | {known.kind} | {100 * known.off:+.0f} % | {named} | {note} |")
    print(f"\n{first} of {asked} named first")
    assert not cleared, "\n".join(cleared)
    assert first >= FIRST_LEAST * asked


@pytest.mark.timeout(600)
def test_no_culprit_is_named_in_a_sound_budget(tmp_path: Path) -> None:
    blamed = [
        f"{known.name}: {said.named}"
        for known in sound_budgets()
        for seed in range(BOARDS)
        if (said := budget_adapter.ask(known, tmp_path, seed)).blames
    ]
    assert not blamed, "\n".join(blamed)


@pytest.mark.timeout(1200)
def test_budgets_drawn_at_random(tmp_path: Path) -> None:
    """Faults that the run can show, named first four times in five; nobody blamed, nine times in ten, where there is none."""
    right, blamed, cleared = [], [], []
    print("\n\n| budget | fault | off | named | right answers |\n|---|---|---|---|---|")
    for known in drawn_budgets(DRAWN, SEED):
        said = budget_adapter.ask(known, tmp_path, SEED)
        if known.culprits:
            right.append(bool(said.named) and said.named[0] in known.culprits)
        else:
            blamed.append(said.blames)
        if said.clear and abs(known.off) > OFF_MOST:
            cleared.append(f"{known.name} ({100 * known.off:+.0f} %): {said.words}")
        named, wanted = ", ".join(said.named) or "-", ", ".join(sorted(known.culprits)) or "nothing"
        is_right = right[-1] if known.culprits else not blamed[-1]
        mark = "" if is_right else " WRONG"
        off = f"{100 * known.off:+.0f} %"
        print(f"| {known.name} | {known.kind} | {off} | {named}{mark} | {wanted} |")
    print(
        f"\n{sum(right)} of {len(right)} named first, {sum(blamed)} of {len(blamed)} blamed without reason"
    )
    assert not cleared, "\n".join(cleared)
    assert sum(right) >= FIRST_LEAST * len(right)
    assert sum(blamed) <= BLAMED_MOST * len(blamed)


@pytest.mark.parametrize("piece", limited_pieces(), ids=lambda piece: piece.name)
def test_no_pack_is_offered_whose_fresh_voltage_breaks_a_limit(
    piece: LimitedPiece, tmp_path: Path
) -> None:
    offered = budget_adapter.packs_offered(piece, tmp_path)
    broken = [f"{name}: {fresh_v(name):.2f} V" for name in offered if fresh_v(name) > piece.most_v]
    assert not broken, f"{piece.most_v:g} V at most, but offered {broken}"


def test_packs_that_keep_the_limits_are_offered_all_the_same(tmp_path: Path) -> None:
    """A table that offers nothing breaks no limit either."""
    offered = {
        piece.name: budget_adapter.packs_offered(piece, tmp_path) for piece in limited_pieces()
    }
    assert "2x AA alkaline" in offered["3 V circuit, 2x AA"]
    assert "3x AA alkaline" in offered["boost of 5 V"]
    assert any("li-ion" in name for name in offered["linear of 6 V, one pouch"])
