"""``drawbench forecast``: when will the pack reach the cutoff, and how sure is that?"""

import contextlib
import json
import os
import sys
import textwrap
import threading
from pathlib import Path
from typing import Any

import click

from analysis.budget.file import Budget, read_budget
from analysis.commands.rundown import asked_again, cutoff_option, hold_option
from analysis.commands.screen import (
    TEXT_WIDTH,
    details_option,
    echo_caution,
    echo_next,
    echo_warnings,
    echo_warnings_in_short,
)
from analysis.door.forecast import Asked, asked_forecast, forecast
from analysis.forecast import live as live_forecast
from analysis.forecast.discharge import discharge
from analysis.forecast.forecast import Forecast
from analysis.forecast.verdict_words import live_verdict
from analysis.forecast.words import forecast_json, forecast_line
from analysis.report.digest import description_of
from analysis.report.same_piece import earlier_runs, usual_of
from analysis.run.pack_faults import Fault
from analysis.run.rundown import is_simulated
from analysis.run.verdict import Answer, Usual
from analysis.say.words import plain_text
from logger.base.command_options import Duration, Need, PackText, fresh_option, given_again
from logger.base.errors import BenchError
from logger.base.measures import MAH_ABOVE_0
from logger.base.pack import SAFETY_CLOSING, USED_HELP


@click.command("forecast")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@cutoff_option
@hold_option
@click.option(
    "--until",
    "until_s",
    type=Duration(),
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
    type=PackText(),
    help='Pack, where the run does not say it or says it wrongly, e.g. "3x AA alkaline".',
)
@click.option(
    "--capacity", "capacity_mah", type=MAH_ABOVE_0, metavar="MAH", help="Stated capacity, mAh."
)
@click.option("--used", is_flag=True, help=USED_HELP)
@fresh_option
@click.option(
    "--follow",
    is_flag=True,
    help="Say it anew while the run is being recorded, and name faults as they show.",
)
@click.option(
    "--budget",
    "budget_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The piece's budget: how long it lasts by that while it is too early to say, and its modes.",
)
@details_option
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
    fresh: bool | None,
    follow: bool,
    budget_file: Path | None,
    details: bool,
    as_json: bool,
) -> None:
    """Will it last? Time to the cutoff of an unfinished run, with how sure that is."""
    budget = None if budget_file is None else read_budget(budget_file)
    if follow:
        _refuse_unheeded()
        _follow(run_folder, as_json, need_s, budget)
        return
    if as_json:
        asked = asked_forecast(
            run_folder, cutoff_v, hold_s, load_text, pack_text, capacity_mah, used, fresh
        )
        result = _json(asked, until_s, need_s, budget)
        click.echo(json.dumps(result, ensure_ascii=False, indent=1, allow_nan=False))
        return
    found = forecast(
        run_folder, cutoff_v, hold_s, until_s=until_s, need_s=need_s, load=load_text,
        pack=pack_text, capacity_mah=capacity_mah, used=used, fresh=fresh, budget=budget,
    )  # fmt: skip
    run = found.run
    warnings = run.first_things_first((*found.warnings, *run.problems))
    if is_simulated(run):
        click.echo("SIMULATED: no hardware was there.\n")
    usual, _ = _told_by(budget)
    earlier = "" if usual is None else usual.words
    for paragraph in found.sentences(earlier) if details else found.short_sentences(earlier):
        click.echo(textwrap.fill(paragraph, TEXT_WIDTH))
    said = [plain_text(warning) for warning in warnings]
    if details:
        echo_warnings(said)
    else:
        echo_warnings_in_short(said)
        click.echo("\nWhat that rests on: --details.")
    pack = run.description.pack
    if pack is None:
        click.echo(f"\n{SAFETY_CLOSING}")
    elif not any(pack.caution in warning for warning in warnings):
        echo_caution("forecast", str(pack), pack.caution)
    echo_next(("Once it is over", ["rundown", run_folder, *asked_again(cutoff_v, hold_s, need_s)]))


def _refuse_unheeded() -> None:
    """A forecast that follows goes by what the recording was told; what else is asked for would be dropped."""
    unheeded = given_again(("follow", "as_json", "need_s", "budget_file", "details"))
    if unheeded:
        raise BenchError(
            "A forecast that follows a recording goes by what the recording was told.",
            evidence=f"given: {' '.join(unheeded)}",
            next_step="leave that away, or ask without --follow.",
        )


def _json(
    asked: Asked, until_s: float | None, need_s: float | None, budget: Budget | None
) -> dict[str, Any]:
    """Every result as a plain object."""
    run = asked.run
    _, modes_ma = _told_by(budget)
    whole = discharge(
        run, asked.cutoff_v, asked.hold_s, until_s, asked.programme, modes_ma=modes_ma
    )
    wanted_s = run.description.need_s if need_s is None else need_s
    found = {
        "forecast": forecast_json(whole.forecast, wanted_s),
        **whole.as_json(),
        "simulated": is_simulated(run),
        "warnings": run.first_things_first((*whole.forecast.warnings, *run.problems)),
    }
    piece = None if until_s is not None else asked.together(need_s)
    return found if piece is None else {**found, "same_piece": piece.as_json()}


def _told_by(budget: Budget | None) -> tuple[Usual | None, tuple[float, ...]]:
    """How long the piece lasts by its budget, and the draws of its modes, mA."""
    if budget is None:
        return None, ()
    from analysis.budget.expected import modes_of, usual_by  # heavy, and seldom asked for

    return usual_by(budget), modes_of(budget)


def _follow(
    folder: Path, as_json: bool, need_s: float | None = None, budget: Budget | None = None
) -> None:
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

    by_budget, modes_ma = _told_by(budget)
    usual = usual_of(earlier_runs(folder, description_of(folder))) or by_budget

    def say(found: Forecast) -> None:
        description = description_of(folder)
        answer = live_verdict(found, description, need_s, "" if usual is None else usual.words)
        if not as_json:
            asked = answer is not None and (
                answer.need_s is not None or answer.answer is Answer.EARLY
            )
            click.echo(answer.words if answer is not None and asked else forecast_line(found))
            return
        line = live_forecast.foreseen(found, answer, usual)
        if line is not None:
            click.echo(json.dumps(line, allow_nan=False))
            sys.stdout.flush()

    def warn(fault: Fault) -> None:
        if not as_json:
            click.echo(f"! {plain_text(fault.text)}")
            return
        click.echo(json.dumps({"warning": fault.code, "text": fault.text}))
        sys.stdout.flush()

    live_forecast.follow(folder, say, over.is_set, over.wait, warn, modes_ma)
    if not as_json:
        echo_next(("What the run says", ["rundown", folder, *asked_again(None, None, need_s)]))
