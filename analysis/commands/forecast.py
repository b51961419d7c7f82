"""``drawbench forecast``: when will the pack reach the cutoff, and how sure is that?"""

import contextlib
import json
import os
import re
import sys
import textwrap
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from analysis.commands.rundown import TEXT_WIDTH, cutoff_option, hold_option
from analysis.forecast import live as live_forecast
from analysis.forecast.discharge import discharge
from analysis.forecast.forecast import Forecast
from analysis.forecast.future_load import Programme
from analysis.forecast.of_run import forecast_run
from analysis.forecast.verdict_words import live_verdict
from analysis.forecast.words import forecast_json, forecast_line, forecast_words
from analysis.report.digest import description_of
from analysis.report.same_piece import earlier_runs, earlier_words
from analysis.run.asked import cutoff_of
from analysis.run.pack_faults import Fault
from analysis.run.rundown import is_simulated
from analysis.say.words import plain_text
from logger.base.command_options import Need
from logger.base.durations import parse_duration_s
from logger.base.errors import BenchError
from logger.base.measures import MAH_ABOVE_0
from logger.base.pack import SAFETY_CLOSING, USED_HELP, as_used, parse_pack
from logger.run.reader import Run, read_run

_CAPACITY_MOST_MAH = 1e6


class SpanType(click.ParamType):  # type: ignore[type-arg]
    """A stretch of time such as ``90s``, ``20min``, ``7.5h``; seconds as float."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        seconds = span_seconds(str(value))
        if seconds is None:
            self.fail(f"{value!r} is not a time; write it like 90s, 20min or 7.5h", param, ctx)
        return seconds


def span_seconds(text: str) -> float | None:
    """Seconds of ``7.5h``, ``20min``, ``90`` (seconds); None if it is not a time."""
    if re.fullmatch(r"\s*\d+(?:\.\d+)?\s*", text):
        return float(text)
    try:
        return parse_duration_s(text)
    except ValueError:
        return None


def parse_programme(text: str) -> Programme:
    """Load to come: ``80mA``, or modes in turn ``20min@180mA,40min@40mA``.

    Raises BenchError if it cannot be understood.
    """
    steps = []
    for part in text.split(","):
        span, _, draw = part.rpartition("@")
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*m[aA]\s*", draw)
        seconds = span_seconds(span) if span else 3600.0
        if match is None or seconds is None or seconds <= 0 or float(match[1]) <= 0:
            raise BenchError(
                f"The load {text!r} is not understood.",
                evidence=f"this part: {part!r}",
                next_step='write "80mA", or modes in turn like "20min@180mA,40min@40mA".',
            )
        steps.append((seconds, float(match[1])))
    return Programme(tuple(steps))


@click.command("forecast")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@cutoff_option
@hold_option
@click.option(
    "--until",
    "until_s",
    type=SpanType(),
    metavar="TIME",
    help="Forecast as of this moment of the run, e.g. 2h; later rows are not looked at.",
)
@click.option(
    "--need",
    "--wanted",
    "need_s",
    type=Need(),
    metavar="TIME",
    help="How long it must last, e.g. 9h [default: what the run was told].",
)
@click.option(
    "--load",
    "load_text",
    metavar="LOAD",
    help='Load to come, if not as it has been: "80mA" or modes in turn "20min@180mA,40min@40mA".',
)
@click.option(
    "--pack",
    "pack_text",
    metavar="PACK",
    help='Pack, where the run does not say it or says it wrongly, e.g. "3x AA alkaline".',
)
@click.option(
    "--capacity", "capacity_mah", type=MAH_ABOVE_0, metavar="MAH", help="Stated capacity, mAh."
)
@click.option("--used", is_flag=True, help=USED_HELP)
@click.option(
    "--follow",
    is_flag=True,
    help="Say it anew while the run is being recorded, and name faults as they show.",
)
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def forecast_command(
    run_folder: Path,
    cutoff_v: float | None,
    hold_s: float | None,
    until_s: float | None,
    need_s: float | None,
    load_text: str | None,
    pack_text: str | None,
    capacity_mah: float | None,
    used: bool,
    follow: bool,
    as_json: bool,
) -> None:
    """Will it last? Time to the cutoff of an unfinished run, with how sure that is."""
    if follow:
        _follow(run_folder, as_json, need_s)
        return
    run = with_pack(read_run(run_folder), pack_text, capacity_mah, used)
    cutoff_v, hold_s = cutoff_of(run, cutoff_v, hold_s)
    if cutoff_v is None:
        raise BenchError(
            "No cutoff was given, and the run has none of its own.",
            evidence=f"run {run_folder}",
            next_step="add --cutoff with the volts at which the circuit gives up, e.g. --cutoff 3.0.",
        )
    need_s = run.description.need_s if need_s is None else need_s
    programme = parse_programme(load_text) if load_text else None
    if as_json:
        whole = discharge(run, cutoff_v, hold_s, until_s, programme)
        result = {
            "forecast": forecast_json(whole.forecast, need_s),
            **whole.as_json(),
            "simulated": is_simulated(run),
            "warnings": [*whole.forecast.warnings, *run.problems],
        }
        click.echo(json.dumps(result, ensure_ascii=False, indent=1, allow_nan=False))
        return
    found = forecast_run(run, cutoff_v, hold_s, until_s, programme)
    warnings = (*found.warnings, *run.problems)
    if is_simulated(run):
        click.echo("SIMULATED: a simulated board recorded this run; no hardware was there.\n")
    answer = live_verdict(found, run.description, need_s)
    if answer is not None and answer.need_s is not None:
        click.echo(textwrap.fill(f"{answer.words.rstrip('.')}.", TEXT_WIDTH))
    for paragraph in forecast_words(found, need_s):
        click.echo(textwrap.fill(paragraph, TEXT_WIDTH))
    for warning in warnings:
        click.echo()
        click.echo(textwrap.fill(f"! {plain_text(warning)}", TEXT_WIDTH, subsequent_indent="  "))
    pack = run.description.pack
    click.echo()
    caution = f"Caution, {plain_text(str(pack))}: {pack.caution}" if pack else SAFETY_CLOSING
    click.echo(textwrap.fill(caution, TEXT_WIDTH))


def _follow(folder: Path, as_json: bool, need_s: float | None = None) -> None:
    """Forecasts of a growing run until it ends; with JSON also until standard input closes.

    The recording starts it with JSON and holds its standard input: should the recording be
    killed, this ends as well.
    """
    if not folder.is_dir():
        raise BenchError(
            f"There is no run folder {folder}.", next_step="give the folder that is being recorded."
        )
    over = threading.Event()
    if as_json:
        with contextlib.suppress(OSError, AttributeError):
            os.nice(10)  # the recording comes first

        def until_closed() -> None:
            sys.stdin.buffer.read()
            over.set()

        threading.Thread(target=until_closed, daemon=True).start()

    earlier = earlier_words(earlier_runs(folder, description_of(folder)))

    def say(found: Forecast) -> None:
        description = description_of(folder)
        answer = live_verdict(found, description, need_s, earlier)
        if not as_json:
            click.echo(
                forecast_line(found) if answer is None or answer.need_s is None else answer.words
            )
            return
        line = live_forecast.foreseen(found, answer)
        if line is not None:
            click.echo(json.dumps(line, allow_nan=False))
            sys.stdout.flush()

    def warn(fault: Fault) -> None:
        if not as_json:
            click.echo(f"! {plain_text(fault.text)}")
            return
        click.echo(json.dumps({"warning": fault.code, "text": fault.text}))
        sys.stdout.flush()

    live_forecast.follow(folder, say, over.is_set, over.wait, warn)


def with_pack(run: Run, pack_text: str | None, capacity_mah: float | None, used: bool) -> Run:
    """The run with its pack, capacity or state of use replaced by what the user states."""
    if capacity_mah is not None and not 1.0 <= capacity_mah <= _CAPACITY_MOST_MAH:
        raise BenchError(
            "That is no capacity of a wearable's pack.",
            evidence=f"--capacity {capacity_mah:g}",
            next_step="give mAh as on the label, of one cell in series, e.g. --capacity 2000.",
        )
    pack = run.description.pack
    if pack_text:
        pack = parse_pack(pack_text, capacity_mah)
    elif capacity_mah is not None and pack is not None:
        pack = replace(pack, capacity_mah=capacity_mah)
    elif capacity_mah is not None:
        raise BenchError(
            "A capacity was stated, but not of which pack.",
            next_step='add --pack, e.g. --pack "3x AA alkaline".',
        )
    if used:
        pack = as_used(pack)
    return replace(run, description=replace(run.description, pack=pack))
