"""What ``drawbench import`` shows: how the file was read, events, first rows; as text and as JSON."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import click

from logger.base.next_step import next_words
from logger.base.pack import cutoff_to_try
from logger.base.said_tonight import caution_words
from logger.base.sensor_limits import sensor_limits
from logger.run.format import COLUMN_BY_NAME
from logger.text.read import Imported
from logger.text.run import REJECTED_NAME, About, summary_lines

_PREVIEW_ROWS: Final = 8
_EVENTS_SHOWN: Final = 8


def tell(imported: Imported, about: About) -> None:
    for line in summary_lines(imported):
        click.echo(line)
    for line in _event_lines(imported):
        click.echo(line)
    for warning in imported.warnings:
        click.echo(f"Warning: {warning}")
    if about.pack is not None:
        click.echo(caution_words("import", str(about.pack), about.pack.caution))
    click.echo("")
    for line in _preview(imported):
        click.echo(line)
    click.echo("")


def tell_accuracy(imported: Imported, about: About) -> None:
    """What the intervals will go by, or that there will be none."""
    if imported.meter is not None:
        guessed = "".join(f"; {text}" for text in imported.meter_words)
        click.echo(f"Accuracy: {imported.meter.text}{guessed}.")
    elif sensor_limits(about.sensor) is None:
        click.echo(
            "How accurate the meter is was not said, so results get no interval; "
            'say it with --accuracy "0.5% + 3 digits", from its manual.'
        )


def tell_written(imported: Imported, about: About, run: Path) -> None:
    click.echo(f"Written: {run}")
    if imported.left_out:
        click.echo(f"Lines that are not in it, with reasons: {run / REJECTED_NAME}")
    click.echo()
    if {"pack_v", "bus_v"} & set(imported.samples):
        what = "How long it lasted, with your circuit's cutoff"
        click.echo(next_words((what, ["rundown", run, "--cutoff", cutoff_to_try(about.pack)])))
    else:
        click.echo(next_words(("What it drew", ["rundown", run])))


def _event_lines(imported: Imported) -> list[str]:
    lines = [
        f"  at {event.time_s:.1f} s: {event.kind}: {event.text}"
        for event in imported.events[:_EVENTS_SHOWN]
    ]
    if not lines:
        return []
    more = len(imported.events) - len(lines)
    return ["Events:", *lines, *([f"  and {more} more, in the description"] if more > 0 else [])]


def _preview(imported: Imported) -> list[str]:
    """First and last rows as they are read, with the line they came from."""
    samples = imported.samples
    count = len(samples)
    shown = list(range(min(_PREVIEW_ROWS, count)))
    if count > _PREVIEW_ROWS + 1:
        shown += [-1]
    table = [["line", *samples.columns]]
    decimals = [
        _decimals(
            [float(value) for value in samples[name].iloc[shown]], COLUMN_BY_NAME[name].decimals
        )
        for name in samples.columns
    ]
    for place in shown:
        values = [
            "-" if value != value else f"{value:.{digits}f}"
            for digits, value in zip(decimals, samples.iloc[place].tolist(), strict=True)
        ]
        if place == -1:
            table.append(["..."] * len(table[0]))
        table.append([str(int(imported.line_numbers[place])), *values])
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in table
    ]


def _decimals(values: Sequence[float], most: int) -> int:
    """Fewest decimals that show these values in full, at most four: the file knew no more."""
    most = min(most, 4)
    texts = [f"{value:.{most}f}".rstrip("0") for value in values if value == value]
    return max((len(text.partition(".")[2]) for text in texts), default=0)


def as_json(imported: Imported, run: Path | None) -> dict[str, Any]:
    def count(value: float, unit: str = "1") -> dict[str, Any]:
        return {"value": value, "unit": unit, "lower": None, "upper": None, "coverage": None}

    step_s = imported.usual_step_s
    return {
        "run": None if run is None else str(run),
        "file": str(imported.path),
        "sha256": imported.sha256,
        "rows_read": count(imported.rows_read),
        "rows_kept": count(len(imported.samples)),
        "rows_rejected": count(len(imported.rejected)),
        "rejected_by_reason": imported.reasons,
        "duration": count(float(imported.samples["time_s"].iloc[-1]), "s"),
        "usual_step": {**count(0.0, "s"), "value": None if math.isnan(step_s) else step_s},
        "read_as": {"time_s": imported.plan.time.how}
        | {column.target: column.how for column in imported.plan.columns},
        "unused_columns": list(imported.plan.unused),
        "guesses": list(imported.layout.guesses),
        "events": [
            {"time_s": event.time_s, "kind": event.kind, "text": event.text, "lost": event.lost}
            for event in imported.events
        ],
        "warnings": list(imported.warnings),
        "accuracy": None if imported.meter is None else asdict(imported.meter),
    }
