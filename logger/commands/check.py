"""Command ``drawbench check``: is a run sound, and what is wrong with it, in words."""

import json
import textwrap
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from logger.base.next_step import next_words
from logger.run.cross_check import CrossCheck, cross_check
from logger.run.edited.statements import trim_words
from logger.run.own_check import own_check
from logger.run.reader import Run, read_run
from logger.text.spans import span_words

_EVENTS_SHOWN = 20
_ROWS_LISTED = 100
_WIDTH = 79


@click.command("check")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--details", is_flag=True, help="Columns, empty fields and events as well.")
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def check_command(run: Path, details: bool, as_json: bool) -> None:
    """Say in words whether RUN (its folder, or its samples.csv) is sound.

    Counts rows and gaps, names what is damaged or missing. Nothing is changed.
    """
    read = read_run(run, whole=True)
    trimmed = trim_words(read.description.trim)
    read = replace(read, description=replace(read.description, trim=None))
    crossed = cross_check(read)
    if as_json:
        document = _as_json(read, crossed) | {"trimmed": trimmed}
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        return
    for line in [
        *_answer(read, crossed),
        *_edited(read, trimmed),
        *(_details(read) if details else ()),
    ]:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        click.echo(
            textwrap.fill(
                line, _WIDTH, subsequent_indent=indent,
                break_long_words=False, break_on_hyphens=False,
            )
        )  # fmt: skip
    steps: list[tuple[str, list[str | Path]]] = [("What it says", ["rundown", run])]
    if not details and (read.description.events or _empty(read)):
        count = len(read.description.events)
        what = f"Details, {count} event{'s' * (count != 1)}"
        steps.insert(0, (what, ["check", run, "--details"]))
    click.echo()
    click.echo(next_words(*steps))


def _answer(run: Run, crossed: CrossCheck) -> list[str]:
    """Is it sound; how much of it there is."""
    description = run.description
    title = f" ({description.title})" if description.title else ""
    wrong = run.problems or crossed.contradictions
    sound = "Wrong with it:" if wrong else "Nothing is wrong with its files."
    end = (
        f" Ended by {description.end_reason}{f': {description.end_text}' if description.end_text else ''}"
        if description.end_reason
        else ""
    )
    return [
        f"{run.folder}{title}: {sound}",
        *(f"  {problem}" for problem in run.problems),
        *_contradictions(crossed),
        *(f"  {note}" for note in crossed.notes),
        *_counted_apart(run),
        *([f"  {run.description.switch_alarm}"] if run.description.switch_alarm else []),
        *([f"  {run.description.unknown_words}"] if run.description.unknown_words else []),
        f"{len(run.samples)} rows used, {run.rows_rejected} left out; {span_words(_duration_s(run))}, "
        f"usual step {span_words(_usual_step_s(run))}.{end.rstrip('.') + '.' if end else ''}",
    ]


def _edited(run: Run, trimmed: str) -> list[str]:
    """What was said of the run later; the rows here are all that were recorded."""
    count = sum(bool(change.utc) for change in run.description.history)
    times = f"Edited {count} time{'s' * (count != 1)}: drawbench edit RUN --history."
    return [*([trimmed] if trimmed else []), *([times] if count else [])]


def _contradictions(crossed: CrossCheck) -> list[str]:
    """What contradicts what, and in which rows."""
    if not crossed.contradictions:
        return []
    return [
        "  The file was changed after the recording, or is damaged; these contradict each other:",
        *(f"    {line}" for line in crossed.lines),
    ]


def _counted_apart(run: Run) -> list[str]:
    """What the sensor counted itself, where it does not go with the board's counters."""
    own = own_check(run.description.own)
    return [] if own is None or own.agrees else [f"  {own.text}"]


def _empty(run: Run) -> bool:
    return bool(run.samples.isna().to_numpy().any())


def _details(run: Run) -> list[str]:
    samples, description = run.samples, run.description
    lines = [f"Columns: {', '.join(samples.columns)}."]
    for name in samples.columns:
        missing = int(samples[name].isna().sum())
        if missing:
            lines.append(f"Empty in {name}: {missing} rows.")
    own = own_check(description.own)
    if own is not None:
        lines.append(own.text)
    if description.events:
        lines.append("Events:")
        lines += [
            f"  at {span_words(event.time_s)}: {event.kind}: {event.text}"
            for event in description.events[:_EVENTS_SHOWN]
        ]
        if len(description.events) > _EVENTS_SHOWN:
            lines.append(f"  and {len(description.events) - _EVENTS_SHOWN} more")
    return lines


def _duration_s(run: Run) -> float:
    time_s = run.samples["time_s"].to_numpy()
    return float(time_s[-1] - time_s[0])


def _usual_step_s(run: Run) -> float:
    steps = np.diff(run.samples["time_s"].to_numpy())
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0


def _own_json(run: Run) -> dict[str, object] | None:
    """The sensor's own counters beside the board's, as shares; None: it has none."""
    own = own_check(run.description.own)
    if own is None:
        return None
    return {
        "agree": own.agrees,
        "charge_apart": own.charge,
        "charge_allowed": own.charge_allowed,
        "energy_apart": own.energy,
        "energy_allowed": own.energy_allowed,
    }


def _as_json(run: Run, crossed: CrossCheck) -> dict[str, object]:
    def plain(value: float, unit: str) -> dict[str, object]:
        return {"value": value, "unit": unit, "lower": None, "upper": None, "coverage": None}

    return {
        "run": str(run.folder),
        "rows_used": plain(len(run.samples), "1"),
        "rows_rejected": plain(run.rows_rejected, "1"),
        "duration": plain(_duration_s(run), "s")
        | ({"bound": "at_least"} if run.description.unknown_pauses else {}),
        "unknown_pauses": len(run.description.unknown_pauses),
        "usual_step": plain(_usual_step_s(run), "s"),
        "columns": list(run.samples.columns),
        "gaps": plain(sum(event.kind == "gap" for event in run.description.events), "1"),
        "events": len(run.description.events),
        "state": run.description.state,
        "own_counters": _own_json(run),
        "contradictions": [
            {"what": item.what, "rows": list(item.rows[:_ROWS_LISTED]), "of": len(item.rows)}
            for item in crossed.contradictions
        ],
        "warnings": [*run.problems, *filter(None, [crossed.text]), *crossed.notes],
    }
