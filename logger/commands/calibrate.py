"""``drawbench calibrate``: guided steps at the bench, one step per command for scripts, or an old run's copy."""

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final

import click
from click.core import ParameterSource

from firmware_probe.line_format import command
from logger.base.command_options import Duration, baud_option
from logger.base.errors import BenchError
from logger.base.measures import CELSIUS_OF_BENCH, OHMS_ABOVE_0, PERCENT_ABOVE_0
from logger.base.next_step import next_words
from logger.base.numbers import digits_text
from logger.base.typed.answers import ask_yes
from logger.base.typed.number import number_text
from logger.board.port import Found, find_boards, one_board
from logger.board.switch_trial import tripped
from logger.calibration import store as calibration_store
from logger.calibration.attach import attach, run_board
from logger.calibration.bench import Bench, age_h
from logger.calibration.steps import (
    METER,
    Step,
    load_steps,
    resistor_accuracy,
    save_steps,
    sheet_of,
)
from logger.run.calibration import Calibration, Line

_POINTS_WANTED: Final = 2
_STEPS_OLD_H: Final = 12.0


@click.command("calibrate")
@click.option("--port", metavar="PORT", help="The board's port [default: found by itself].")
@baud_option
@click.option(
    "--for", "seconds", type=Duration(), default="10s", show_default=True, help="Time per reading."
)
@click.option(
    "--accuracy",
    type=PERCENT_ABOVE_0,
    default=1.0,
    show_default=True,
    metavar="PERCENT",
    help="The meter's on its current range, from its manual.",
)
@click.option(
    "--volt-accuracy",
    type=PERCENT_ABOVE_0,
    default=0.5,
    show_default=True,
    metavar="PERCENT",
    help="The meter's on its voltage range.",
)
@click.option(
    "--resistor",
    type=OHMS_ABOVE_0,
    metavar="OHM",
    help="Compare with a known resistor as load instead of a meter in series.",
)
@click.option(
    "--tolerance",
    type=PERCENT_ABOVE_0,
    default=1.0,
    show_default=True,
    metavar="PERCENT",
    help="Of that resistor.",
)
@click.option("--temperature", type=CELSIUS_OF_BENCH, metavar="C", help="Of the bench.")
@click.option("--zero", "step_zero", is_flag=True, help="Script: the zero step only, no questions.")
@click.option(
    "--at",
    "step_at",
    metavar="MA",
    help="Script: compare with this current now (0 with --resistor).",
)
@click.option("--volts", metavar="V", help="Script: what the meter shows at the pack, with --at.")
@click.option("--finish", is_flag=True, help="Script: fit the steps so far and keep the result.")
@click.option("--show", is_flag=True, help="List the calibrations of this board.")
@click.option(
    "--attach",
    "run_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="RUN",
    help="Give a run recorded earlier the newest calibration kept for its board; no board is needed.",
)
@click.option(
    "--from",
    "from_file",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="With --attach: out of this calibration file.",
)
@click.option(
    "--force", is_flag=True, help="With --attach: also another board's (it was given a new name)."
)
@click.option("--json", "as_json", is_flag=True, help="The calibration as JSON.")
def calibrate_command(
    port: str | None,
    baud: int,
    seconds: float,
    accuracy: float,
    volt_accuracy: float,
    resistor: float | None,
    tolerance: float,
    temperature: float | None,
    step_zero: bool,
    step_at: str | None,
    volts: str | None,
    finish: bool,
    show: bool,
    run_folder: Path | None,
    from_file: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Find out how far off this board reads, and keep it for its runs.

    Asks for a zero (pack on, load unplugged), then for two or more currents beside a meter or a known resistor.
    Readings in the runs stay raw; the analysis applies the calibration and says so.
    """
    if run_folder is not None:
        _attach(run_folder, from_file, force, as_json)
        return
    if from_file is not None or force:
        raise BenchError(
            "--from and --force belong to --attach.",
            next_step="drawbench calibrate --attach RUN, with the folder of the run.",
        )
    found = one_board(find_boards(port, baud))
    try:
        if show:
            _show_kept(found, as_json)
            return
        bench = Bench(
            found,
            seconds,
            accuracy / 100,
            volt_accuracy / 100,
            resistor,
            tolerance / 100,
            say=_silent if as_json else click.echo,
        )
        if found.hello.opened == "cutoff":
            raise tripped(found.hello)
        if found.hello.load == "0":
            found.link.write(command("load", "1"))
            bench.say("The load switch was open; it is closed for the calibration.")
        if step_zero or step_at is not None or finish:
            _scripted(bench, step_zero, step_at, volts, finish, temperature, as_json)
        else:
            _guided(bench, temperature, as_json)
    finally:
        found.link.close()


def _silent(_: str) -> None:
    """With --json nothing else may be said."""


def _is_zero(text: str) -> bool:
    """With a known resistor there is no current to be typed."""
    return not text.strip("0., ")


def _scripted(
    bench: Bench,
    step_zero: bool,
    step_at: str | None,
    volts: str | None,
    finish: bool,
    temperature: float | None,
    as_json: bool,
) -> None:
    """One or more steps, kept in a file until ``--finish``."""
    path = calibration_store.calibration_folder() / f"{bench.found.hello.board}.steps"
    bench.steps = load_steps(path)
    old = [step.taken_utc for step in bench.steps if age_h(step.taken_utc) > _STEPS_OLD_H]
    if old:
        bench.say(
            f"! The kept steps begin on {min(old)[:10]}. Are they still of this bench? Else delete {path}."
        )
    if step_zero:
        bench.zero()
    if step_at is not None:
        bench.point(None if _is_zero(step_at) else step_at, volts)
    if not finish:
        save_steps(path, bench.steps)
        count = len(bench.steps)
        bench.say(f"{count} {'step' if count == 1 else 'steps'} so far; --finish fits them.")
        bench.say("\n" + next_words(*_after_step(bench, count)))
        return
    bench.steps = [_with_limits_said_last(step, bench) for step in bench.steps]
    _finish(bench, temperature, as_json)
    path.unlink(missing_ok=True)


def _after_step(bench: Bench, count: int) -> list[tuple[str, list[str | Path]]]:
    """The next current to compare with; once there are enough, the end."""
    port = bench.found.candidate.port
    at = "0" if bench.resistor_ohm is not None else "100"
    more: list[str | Path] = ["calibrate", "--port", port, "--at", at]
    if bench.resistor_ohm is not None:
        more += ["--resistor", number_text(bench.resistor_ohm)]
    steps = [("One more step, with what the meter shows", more)]
    if count > _POINTS_WANTED:
        steps.append(("Enough: fit them", ["calibrate", "--port", port, "--finish"]))
    return steps


def _with_limits_said_last(step: Step, bench: Bench) -> Step:
    """A kept step, with the references' accuracy as given beside ``--finish``, if it was."""
    context = click.get_current_context()

    def said(name: str) -> bool:
        return context.get_parameter_source(name) is ParameterSource.COMMANDLINE

    limit_ma, limit_v = step.limit_ma, step.limit_v
    if step.true_v is not None and said("volt_accuracy"):
        limit_v = bench.volt_accuracy
    if not step.true_ma:
        return replace(step, limit_v=limit_v)
    if step.against == METER:
        if said("accuracy"):
            limit_ma = bench.accuracy
    elif said("tolerance"):
        sheet, _ = sheet_of(bench.found)
        meter = (limit_v or bench.volt_accuracy) if step.true_v is not None else None
        limit_ma = resistor_accuracy(bench.tolerance, sheet, step.reading.bus_v, meter)
    return replace(step, limit_ma=limit_ma, limit_v=limit_v)


def _guided(bench: Bench, temperature: float | None, as_json: bool) -> None:
    hello = bench.found.hello
    ask = partial(click.prompt, default="", show_default=False, err=as_json)

    def tell(text: str) -> None:  # with --json the answer alone goes to the output
        click.echo(text, err=as_json)

    tell(f"Board {hello.board}, {hello.sensor} with {hello.shunt_ohm:g} Ω.")
    tell("\n1. Zero. Leave the pack on and unplug the load behind the sensor: no current may flow.")
    click.pause("   Press a key when the load is unplugged ...", err=as_json)
    bench.zero()
    tell("\n2. Currents, two or more: one near what the piece draws, one near its greatest.")
    if bench.resistor_ohm is None:
        tell("   Put the meter in series with the pack and a steady load (a resistor).")
    else:
        tell(f"   Put the resistor of {bench.resistor_ohm:g} Ω in as the load.")
    points = 0
    while True:
        more = "" if points < _POINTS_WANTED else " (empty: done)"
        if bench.resistor_ohm is None:
            current = ask(f"   Meter's current in mA{more}")
            if not current.strip():
                break
        else:
            current = ""
            if points and not ask_yes("   Another pack or voltage?", default=False, err=as_json):
                break
        volts = ask("   Meter's voltage at the pack in V (empty: not measured)")
        try:
            bench.point(current.strip() or None, volts.strip() or None)
            points += 1
        except BenchError as error:
            tell(f"   {error}")
    if points < _POINTS_WANTED:
        tell(f"\nOnly {points} compared: the gain is less sure than with two.")
    _finish(bench, temperature, as_json)


def _finish(bench: Bench, temperature: float | None, as_json: bool) -> None:
    calibration, path = bench.finish(temperature)
    doubts = bench.doubts()
    if as_json:
        document = {
            "calibration": calibration.as_json(),
            **_results(calibration),
            "kept_in": str(path),
            "warnings": doubts,
        }
        _echo_json(document)
        return
    click.echo("")
    for text in _words(calibration):
        click.echo(text)
    for text in doubts:
        click.echo(f"! {text}")
    click.echo(f"Kept in {path}. Runs of this board get a copy from now on.\n")
    click.echo(next_words(("The night's run", ["start", "--port", bench.found.candidate.port])))


def _words(calibration: Calibration) -> list[str]:
    told = [f"Calibration of {calibration.name}: {calibration.method}."]
    for name, unit, line in (
        ("Current", "mA", calibration.current),
        ("Voltage", "V", calibration.voltage),
    ):
        if line is not None:
            told.append(_line_words(name, unit, line))
    return told


def _line_words(name: str, unit: str, line: Line) -> str:
    zero = f"{name}: zero reads {'+' if line.zero >= 0 else ''}{digits_text(line.zero, 3)} {unit} (± {digits_text(2 * line.zero_standard, 1)})"
    if not line.points:
        return f"{zero}; the gain was not compared."
    doubt = 2 * (line.factor_standard**2 + line.reference_factor**2) ** 0.5
    return (
        f"{zero}; reads {100 * (1 / line.factor - 1):+.2f} % (± {digits_text(100 * doubt, 2)} %)."
    )


def _attach(folder: Path, from_file: Path | None, force: bool, as_json: bool) -> None:
    if from_file is None:
        place, board = calibration_store.calibration_folder(), run_board(folder).board
        kept, problems = calibration_store.load(place, board)
    else:
        kept, problems = calibration_store.load_file(from_file)
        if not kept:
            raise BenchError(
                f"{from_file} holds no calibration.",
                evidence="; ".join(problems),
                next_step="give the file that drawbench calibrate named when it was done.",
            )
    done = attach(folder, kept, forced=force)
    if as_json:
        document = {
            "calibration": done.calibration.as_json(),
            "kept_aside": str(done.kept_aside),
            "warnings": [*problems, *done.warnings],
        }
        _echo_json(document)
        return
    for text in _words(done.calibration):
        click.echo(text)
    for text in (*problems, *done.warnings):
        click.echo(f"! {text}")
    click.echo(f"It goes with {folder} from now on; the samples stay as they were.")
    click.echo(f"The description before: {done.kept_aside}\n")
    click.echo(next_words(("What the run says with it", ["rundown", folder])))


def _results(calibration: Calibration) -> dict[str, dict[str, object]]:
    """Zero and gain of each line as results, at 95 %."""
    found: dict[str, dict[str, object]] = {}
    for name, unit, line in (
        ("current", "mA", calibration.current),
        ("voltage", "V", calibration.voltage),
    ):
        if line is None:
            continue
        gain = (100 * (1 / line.factor - 1), 200 * math.hypot(line.factor_standard, line.reference_factor))  # fmt: skip
        for what, of, value, half in (
            ("zero", unit, line.zero, 2 * line.zero_standard),
            ("gain_error", "%", *gain),
        ):
            if what == "zero" or line.points:
                found[f"{name}_{what}"] = {
                    "value": value,
                    "unit": of,
                    "lower": value - half,
                    "upper": value + half,
                    "coverage": 0.95,
                }
    return found


def _echo_json(document: Mapping[str, object]) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))


def _show_kept(found: Found, as_json: bool) -> None:
    kept, problems = calibration_store.load(
        calibration_store.calibration_folder(), found.hello.board
    )
    if as_json:
        listed = [{"calibration": item.as_json(), **_results(item)} for item in kept]
        _echo_json({"board": found.hello.board, "calibrations": listed, "warnings": problems})
        return
    for text in problems:
        click.echo(f"! {text}")
    if not kept:
        click.echo(f"Board {found.hello.board} has no calibration.")
    for item in kept:
        for text in _words(item):
            click.echo(text)
    what = "Once more" if kept else "Find out how far off it reads"
    click.echo("\n" + next_words((what, ["calibrate", "--port", found.candidate.port])))
