"""Command ``drawbench check``: is a run sound, and what is wrong with it, in words."""

import json
from pathlib import Path

import click
import numpy as np

from logger.run.reader import Run, read_run
from logger.text.time_column import span_words

_EVENTS_SHOWN = 20


@click.command("check")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def check_command(run: Path, as_json: bool) -> None:
    """Say in words whether RUN (its folder, or its samples.csv) is sound.

    Counts rows and gaps, names what is damaged or missing. Nothing is changed.
    """
    read = read_run(run)
    if as_json:
        click.echo(json.dumps(_as_json(read), ensure_ascii=False, indent=1))
        return
    for line in _lines(read):
        click.echo(line)


def _lines(run: Run) -> list[str]:
    samples, description = run.samples, run.description
    title = f" ({description.title})" if description.title else ""
    lines = [
        f"{run.folder}{title}: {len(samples)} rows used, {run.rows_rejected} left out.",
        f"Columns: {', '.join(samples.columns)}.",
        f"Lasts {span_words(_duration_s(run))}, usual step {span_words(_usual_step_s(run))}.",
    ]
    if description.end_reason:
        text = f": {description.end_text}" if description.end_text else ""
        lines.append(f"Ended by {description.end_reason}{text}.")
    for name in samples.columns:
        missing = int(samples[name].isna().sum())
        if missing:
            lines.append(f"Empty in {name}: {missing} rows.")
    if description.events:
        lines.append("Events:")
        lines += [
            f"  at {event.time_s:.1f} s: {event.kind}: {event.text}"
            for event in description.events[:_EVENTS_SHOWN]
        ]
        if len(description.events) > _EVENTS_SHOWN:
            lines.append(f"  and {len(description.events) - _EVENTS_SHOWN} more")
    if run.problems:
        lines.append("Wrong with it:")
        lines += [f"  {problem}" for problem in run.problems]
    else:
        lines.append("Nothing is wrong with its files.")
    return lines


def _duration_s(run: Run) -> float:
    time_s = run.samples["time_s"].to_numpy()
    return float(time_s[-1] - time_s[0])


def _usual_step_s(run: Run) -> float:
    steps = np.diff(run.samples["time_s"].to_numpy())
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0


def _as_json(run: Run) -> dict[str, object]:
    def plain(value: float, unit: str) -> dict[str, object]:
        return {"value": value, "unit": unit, "lower": None, "upper": None, "coverage": None}

    return {
        "run": str(run.folder),
        "rows_used": plain(len(run.samples), "1"),
        "rows_rejected": plain(run.rows_rejected, "1"),
        "duration": plain(_duration_s(run), "s"),
        "usual_step": plain(_usual_step_s(run), "s"),
        "columns": list(run.samples.columns),
        "gaps": plain(sum(event.kind == "gap" for event in run.description.events), "1"),
        "events": len(run.description.events),
        "state": run.description.state,
        "warnings": list(run.problems),
    }
