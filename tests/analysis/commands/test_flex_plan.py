"""``drawbench flex plan`` in evenings, with the chance of passing and staged looks."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.commands.flex import flex
from logger.base.errors import BenchError


def run(*arguments: object) -> str:
    result = CliRunner().invoke(flex, ["plan", *map(str, arguments)])
    assert result.exit_code == 0, result.exception
    return " ".join(result.output.replace("\u00a0", " ").split())


def test_evenings_and_the_chance_of_passing() -> None:
    """22 x 4800 bends at 1 s: 29.3 h; six loads of four at 1.5 s: 12 h; 0.97^22 = 0.512."""
    told = run("--wearings", 12, "--at", "elbow", "--rig-s", 1.5)
    assert "none may fail 22 29 h 12 h 51 of 100" in told
    assert "shows 81 %, none may fail 11 15 h 6 h 72 of 100" in told  # 0.1^(1/11) = 0.811
    found = json.loads(
        CliRunner().invoke(flex, ["plan", "--cycles", "4800", "--looks", "3", "--json"]).output
    )
    assert found["plans"][0]["passes_if_good"] == pytest.approx(0.97**22)
    assert found["staged"]["joints"] == [18, 36, 53]
    assert found["staged"]["failures_allowed"] == [-1, 0, 2]


@pytest.mark.slow
def test_a_plan_is_made_before_the_first_bend(tmp_path: Path) -> None:
    table = tmp_path / "j.csv"
    told = run("--cycles", 4800, "--looks", 3, "--for", table)
    assert "36 joints none failed 33 of 100" in told
    assert "O'Brien-Fleming" in told
    table.write_text(
        "specimen,cycles,failed\n" + "".join(f"S{i},{5001 + i},no\n" for i in range(36)),
        encoding="utf-8",
    )
    shown = CliRunner().invoke(flex, ["life", str(table), "--cycles", "4800"]).output
    assert "shown by counting" in " ".join(shown.split())
    again = CliRunner().invoke(
        flex, ["plan", "--cycles", "4800", "--looks", "2", "--for", str(table)]
    )
    assert isinstance(again.exception, BenchError)
    assert "judged before" in str(again.exception)
    alone = CliRunner().invoke(flex, ["plan", "--cycles", "4800", "--for", str(table)])
    assert isinstance(alone.exception, BenchError)
