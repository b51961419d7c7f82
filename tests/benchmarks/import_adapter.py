"""The tool asked by the judge of import: a file in, exit code, words and the run's own text out."""

import csv
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner

import drawbench
from logger.base.errors import BenchError
from tests.benchmarks.import_judge.case import Case, Reading, Row


def read_case(case: Case, folder: Path, *options: str) -> Reading:
    """``drawbench import`` of one file, in this process; ``folder`` is emptied first."""
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    path, run = folder / "meter.csv", folder / "run"
    path.write_bytes(case.data)
    result = CliRunner().invoke(
        drawbench.cli, ["import", str(path), str(run), *options], standalone_mode=False
    )
    output, error = result.output, result.exception
    code = 0
    if isinstance(error, BenchError):
        code, output = 2, f"{output}\n{error}"
    elif isinstance(error, click.ClickException):
        code, output = 2, f"{output}\n{error.format_message()}"
    elif isinstance(error, SystemExit):
        code = error.code if isinstance(error.code, int) else 2
    elif error is not None:
        return Reading(1, output, run.exists(), error=f"{type(error).__name__}: {error}")
    if path.read_bytes() != case.data:
        return Reading(code, output, run.exists(), error="the file was changed")
    if not (run / "samples.csv").exists():
        return Reading(code, output, run.exists())
    return Reading(code, output, True, _rows(run), _dropped(run), _unused(run), _starts(run))


def _rows(run: Path) -> tuple[Row, ...]:
    with (run / "samples.csv").open(encoding="utf-8", newline="") as file:
        return tuple(
            Row(
                float(row["time_s"]),
                float(row["pack_v"]) if row.get("pack_v") else None,
                float(row["current_ma"]) if row.get("current_ma") else None,
                part=int(float(row.get("boot") or 0)),
            )
            for row in csv.DictReader(file)
        )


def _dropped(run: Path) -> int:
    path = run / "rejected.txt"
    if not path.exists():
        return 0
    return sum(not line.startswith("#") for line in path.read_text("utf-8").splitlines())


def _described(run: Path) -> dict[str, Any]:
    text = (run / "samples.csv-metadata.json").read_text(encoding="utf-8")
    described = json.loads(text)["urn:drawbench:run"]
    assert isinstance(described, dict)
    return described


def _unused(run: Path) -> tuple[str, ...]:
    return tuple(map(str, _described(run)["imported"]["unused_columns"]))


def _starts(run: Path) -> tuple[datetime, ...]:
    """When the run says it began, in its own words; as written, without a zone."""
    described = _described(run)
    stated = [described["started_utc"], described["imported"]["started_local"]]
    found = [datetime.fromisoformat(words.replace("Z", "+00:00")) for words in stated if words]
    return tuple(
        (moment.astimezone(UTC) if moment.tzinfo else moment).replace(tzinfo=None)
        for moment in found
    )
