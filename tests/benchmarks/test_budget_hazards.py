"""Is every violated limit of a budget named, and none where all is sound?

``python -m pytest tests/benchmarks/test_budget_hazards.py -s`` prints a row per kind; HAZARD_SEED, HAZARD_EACH.
"""

import os
import re
from pathlib import Path
from typing import Final

import pytest
from click.testing import CliRunner

from analysis.budget.file import parse_budget
from analysis.budget.story import tell_budget
from analysis.commands.budget import budget_command
from tests.support.hazard_pieces import KINDS, HazardPiece, dangerous_pieces, safe_pieces

SEED: Final = int(os.environ.get("HAZARD_SEED", "0"))
EACH: Final = int(os.environ.get("HAZARD_EACH", "3"))
FALSE_MOST: Final = 0.05
# What the tool says of each; a boost's rating is that of what the current passes through.
SAID: Final = {
    "wire": "wire 'feed' .* over its limit",
    "thread": "thread 'line' turns",
    "pouch": "peak of .* such cells give in pulses",
    "pouch mode": 'mean in "lit" of .* such cells give for long',
    "coin": "peak of .* such cells give in pulses",
    "holder": "battery holder carries",
    "switch": "switch carries",
    "regulator": "linear regulator turns",
    "boost": "the (?:pack|battery holder|switch) carries",
    "voltage": "Do not connect",
}
ANY: Final = re.compile("|".join(f"(?:{said})" for said in SAID.values()))
# A number, a limit and where it comes from.
SOURCES: Final = re.compile(
    "from memory|own estimate|the budget states|makers' sheets|that the piece stands"
)


def warnings_of(piece: HazardPiece) -> list[str]:
    story = tell_budget(parse_budget(piece.toml))
    return [text for text in story.warnings if ANY.search(text)]


@pytest.mark.timeout(600)
def test_every_violated_limit_is_named_with_its_source_and_on_the_first_screen(
    tmp_path: Path,
) -> None:
    silent, other, unseen, bare = [], [], [], []
    rows = dict.fromkeys(KINDS, 0)
    for piece in dangerous_pieces(SEED, EACH):
        told = warnings_of(piece)
        right = [text for text in told if re.search(SAID[piece.kind], text)]
        rows[piece.kind] += bool(right)
        if not right:
            silent.append(f"{piece.name} (x{piece.over:.2f}): {told}")
        other += [f"{piece.name}: {text}" for text in told if text not in right]
        bare += [f"{piece.name}: {text}" for text in right if not SOURCES.search(text)]
        path = tmp_path / f"{piece.name}.toml"
        path.write_text(piece.toml, encoding="utf-8")
        screen = CliRunner().invoke(budget_command, [str(path)])
        assert screen.exit_code == 0, screen.output
        words = " ".join(screen.output.split())
        if not re.search(SAID[piece.kind], words):
            unseen.append(f"{piece.name}: {words}")
        assert "Local codes and licensed practice" in words
    print("\n\n| limit | named |\n|---|---|")
    for kind, count in rows.items():
        print(f"| {kind} | {count} of {EACH} |")
    assert not silent, "\n".join(silent)
    assert not unseen, "\n".join(unseen)
    assert not bare, "\n".join(bare)
    assert len(other) <= FALSE_MOST * EACH * len(KINDS), "\n".join(other)


@pytest.mark.timeout(600)
def test_sound_budgets_raise_no_alarm() -> None:
    pieces = safe_pieces(SEED, EACH)
    false = [f"{piece.name}: {told}" for piece in pieces if (told := warnings_of(piece))]
    print(f"\n\n{len(false)} false alarms in {len(pieces)} sound budgets")
    assert len(false) <= FALSE_MOST * len(pieces), "\n".join(false)
