"""The table by group, with the state before beside it (forecast_before.json, made once)."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from tests.benchmarks.forecast_judge.score import GroupScore

# Made once at commit 6d467f3, before the issue: that commit's LiveForecast fed with the rows of the same material
# (seed 1604, EACH 6; its own knowledge of the chemistry not left out), scored by the same judge.
BEFORE: Final = Path(__file__).parent / "forecast_before.json"


def figures(row: GroupScore) -> dict[str, float | None]:
    """What is kept of a group's row, in percent; None where there is no such figure."""
    best = [figure.value for figure in row.rival_half_same.values() if figure.count]
    told = {
        "holds": row.holds.value,
        **{f"error at {f:.0%}": figure.value for f, figure in row.error.items()},
        "alpha-lambda": row.alpha_lambda.value,
        "mean width": row.width.value,
        "median width": row.median_width,
        "refused": row.refused.value,
        "refused late": row.refused_late.value,
        "at least holds": row.at_least_holds.value,
        "best rival at 50%": min(best) if best else float("nan"),
    }
    return {name: None if value != value else round(100 * value, 1) for name, value in told.items()}


def before() -> Mapping[str, Mapping[str, float | None]]:
    found: dict[str, Any] = json.loads(BEFORE.read_text(encoding="utf-8"))
    return found


def beside(rows: Sequence[GroupScore], earlier: Mapping[str, Mapping[str, float | None]]) -> str:
    """A line per group: each figure in percent, "before -> now" where there is a state before."""
    names = list(figures(rows[0]))
    lines = ["| group | moments | " + " | ".join(names) + " |", "|" + "---|" * (len(names) + 2)]
    for row in rows:
        now, was = figures(row), earlier.get(row.group, {})
        cells = []
        for name in names:
            text = "-" if now[name] is None else f"{now[name]:g}"
            old = was.get(name)
            cells.append(text if old is None else f"{old:g} -> {text}")
        lines.append(f"| {row.group} | {row.judged} | " + " | ".join(cells) + " |")
    return "\n".join(lines)
