"""``drawbench log``: record a run, or several side by side."""

import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.base.command_options import (
    PAGE_PORT,
    Duration,
    Need,
    PackText,
    baud_option,
    below_floor_option,
    close_load_option,
    fresh_option,
    mode_draw_option,
    temperature_option,
)
from logger.base.errors import BenchError
from logger.base.measures import MAH_ABOVE_0, MILLIAMPERES_ABOVE_0, VOLTS_ABOVE_0
from logger.base.next_step import next_words
from logger.base.pack import USED_HELP
from logger.base.typed.answers import ask_yes
from logger.board.switch_trial import keep, tests_folder
from logger.recording.follow_up import end_line
from logger.recording.forecast_beside import Forecasts
from logger.recording.plan import Plan, Recorder, prepare
from logger.recording.screen import Screen, choose_screen
from logger.recording.side_by_side import record
from logger.recording.terms import EXIT_CODES_HELP, EXIT_ENDED_EARLY

if TYPE_CHECKING:
    from logger.recording.page_beside import PageProcess


def default_folder() -> Path:
    return Path("runs") / datetime.now().astimezone().strftime("%Y-%m-%d_%H-%M-%S")


@click.command("log", epilog=EXIT_CODES_HELP)
@click.argument("run", required=False, type=click.Path(path_type=Path))
@click.option(
    "--port",
    "ports",
    multiple=True,
    metavar="PORT",
    help="Port, pattern (/dev/ttyUSB*) or URL (socket://host:port); repeat to record several boards. Without it the board is found by itself.",
)
@click.option("--all-boards", is_flag=True, help="Record every board that is found.")
@baud_option
@click.option(
    "--window",
    "window_s",
    type=Duration(),
    help="Average into one row per this time: 10ms to 60s [default: as the board is set].",
)
@click.option(
    "--pack", type=PackText(), help='What feeds it: "3x AA alkaline", "li-ion", "usb-bank".'
)
@click.option(
    "--capacity",
    "capacity_mah",
    type=MAH_ABOVE_0,
    metavar="MAH",
    help="The label's capacity of the pack.",
)
@click.option("--used", is_flag=True, help=USED_HELP)
@fresh_option
@mode_draw_option
@click.option(
    "--cutoff",
    "cutoff_v",
    type=VOLTS_ABOVE_0,
    metavar="VOLT",
    help="End when the pack's voltage is below this.",
)
@click.option(
    "--hold",
    "hold_s",
    type=Duration(),
    default="10s",
    show_default=True,
    help="... without a break for this long.",
)
@click.option("--for", "duration_s", type=Duration(), help="End after this time, e.g. 10h.")
@click.option(
    "--need",
    "need_s",
    type=Need(),
    help="How long the piece must last, e.g. 6h: is answered everywhere.",
)
@click.option(
    "--charge",
    "charge_mah",
    type=MAH_ABOVE_0,
    metavar="MAH",
    help="End when this charge has been drawn.",
)
@click.option(
    "--open-load/--keep-load",
    default=None,
    help="Open the board's load switch at the end asked for, or never [default: open at the cutoff].",
)
@below_floor_option
@click.option("--title", default="", help="What the run is called in reports.")
@click.option("--author", default="", help="Who measures.")
@click.option("--load-note", default="", help="What draws the current, in words.")
@click.option("--notes", default="", help="Anything else worth keeping.")
@temperature_option
@click.option(
    "--board-draw",
    "board_draw_ma",
    type=MILLIAMPERES_ABOVE_0,
    metavar="MA",
    help="The board itself hangs on the pack behind the sensor and takes this much [default: fed by USB].",
)
@click.option(
    "--calibration/--no-calibration",
    default=True,
    help="Give the run a copy of the board's calibration, if there is one that fits [default: yes].",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path),
    metavar="RUN",
    help="Go on in this run instead of starting a new one.",
)
@close_load_option
@click.option(
    "--give-up",
    "give_up_s",
    type=Duration(),
    help="End when the board has been away for this long [default: wait on].",
)
@click.option(
    "--then",
    "then",
    metavar="COMMAND",
    help="Run this at the end; results are in DRAWBENCH_... variables.",
)
@click.option("--plain", is_flag=True, help="Lines of text instead of the live view.")
@click.option(
    "--forecast/--no-forecast",
    default=True,
    show_default=True,
    help="Say when the cutoff will come, and name faults of the pack, with a second program beside this one.",
)
@click.option("--page", is_flag=True, help="Show the run on a page for the browser as well.")
@click.option(
    "--lan", is_flag=True, help="... and let phones in the local network see it, with a key."
)
@click.option("--page-port", type=PAGE_PORT, metavar="PORT", help="... on this very port.")
def log(**options: Any) -> None:
    """Record a run from a probe board into the folder RUN (default: runs/DATE_TIME).

    Ends by itself at --cutoff, --for or --charge, whichever comes first, else at Ctrl-C. What you
    type while it records is noted as a mark. With several boards, RUN holds a run for each.
    """
    if options["run"] and options["resume"]:
        raise click.UsageError("Give either RUN for a new run or --resume RUN, not both.")
    if options["resume"] and (len(options["ports"]) > 1 or options["all_boards"]):
        raise click.UsageError("--resume goes on in one run: give one --port at most.")
    folder = options.pop("run") or default_folder()
    then = options.pop("then")
    plain = options.pop("plain")
    lan, page_port = options.pop("lan"), options.pop("page_port")
    page = options.pop("page") or lan or page_port is not None
    forecast = options.pop("forecast")
    plan = Plan(folder=folder, **options)
    sys.exit(
        run_plan(
            plan,
            plain=plain,
            page=page,
            lan=lan,
            page_port=page_port,
            forecast=forecast,
            then=then,
        )
    )


def run_plan(
    plan: Plan,
    *,
    plain: bool = False,
    page: bool = False,
    lan: bool = False,
    page_port: int | None = None,
    forecast: bool = True,
    then: str | None = None,
) -> int:
    """Record what was planned, with screen and page; gives the exit code."""
    screen = choose_screen(plain)
    if not page:
        return _record(plan, screen, None, forecast, then)
    from logger.recording.page_beside import PageProcess

    shown = PageProcess(page_port, lan)
    try:
        code = _record(plan, screen, shown, forecast, then)
        if sys.stdout.isatty():
            shown.stay(screen.say)
    finally:
        shown.close()
    return code


def _record(
    plan: Plan, screen: Screen, page: "PageProcess | None", forecast: bool, then: str | None
) -> int:
    """Record to the end; gives the exit code."""
    recorders = prepare(plan, screen.say, _sure if sys.stdin.isatty() else None)
    forecasts = Forecasts(recorders if forecast else (), lambda: page is not None and page.serves)
    if page is not None:
        page.show(recorders, forecast)

    def turn() -> None:
        forecasts.turn(screen.say)
        if page is not None:
            page.turn(screen.say)

    try:
        record(recorders, screen, on_turn=turn)
    finally:
        forecasts.close()
    code = max(recorder.exit_code for recorder in recorders)
    for recorder in recorders:
        screen.say(end_line(recorder.folder, recorder.recording.status()))
        _keep_seen(recorder, screen.say)
    if then:
        code = max(code, *(recorder.follow_up(then) for recorder in recorders))
    screen.say("\n" + next_words(*_next_steps(recorders)))
    return code


def _keep_seen(recorder: Recorder, say: Callable[[str], None]) -> None:
    """What a run saw of the load switch is the board's newest test of it, where it told something."""
    seen = recorder.recording.switch.seen
    if seen is None or not (seen.opened or seen.stuck):
        return
    try:
        keep(tests_folder(), seen)
    except BenchError as error:
        if seen.stuck:
            say(str(error))


def _sure(question: str) -> bool:
    return ask_yes(question, default=False, clear=True)


def _next_steps(recorders: Sequence[Recorder]) -> list[tuple[str, list[str | Path]]]:
    """What a run that has just ended says; several side by side; how to go on in one that ended early."""
    folders = [recorder.folder for recorder in recorders]
    if len(folders) > 1:
        return [("How long each lasted", ["list", folders[0].parent])]
    status = recorders[0].recording.status()
    at = ["--port", status.port] if "://" in status.port else []  # else found by itself
    if not status.rows:
        return [("No row came: look at the wiring", ["probe", *at])]
    if status.alarm:
        return [("Mended: see it open before the next run", ["probe", "--test-switch", *at])]
    said: tuple[str, list[str | Path]] = ("How long it lasted", ["rundown", folders[0]])
    if recorders[0].exit_code == EXIT_ENDED_EARLY:
        return [said, ("Mended: go on in it", ["log", "--resume", folders[0]])]
    return [said]
