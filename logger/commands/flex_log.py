"""``drawbench flex log``: drive or count the rig and record every cycle of every specimen."""

import contextlib
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import click

from logger.base.command_options import baud_option
from logger.base.errors import BenchError, spoken
from logger.base.measures import count_of_bends, plain_number, whole_number
from logger.base.next_step import next_words
from logger.base.typed.suggest import Choice
from logger.board.port import Candidate, Link, ask_all, find_boards, one_board, open_link
from logger.board.stream import Hello
from logger.flex.criterion import BY_KIND, CRITERIA, Criterion
from logger.flex.recording import (
    FlexRecording,
    end_words,
    mounted_specimens,
    record_flex,
    resumed_watches,
)
from logger.flex.store import (
    FlexDescription,
    FlexWriter,
    MountedJoint,
    read_flex_description,
    read_flex_rows,
    write_flex_description,
)
from logger.recording.terms import EXIT_ENDED_EARLY
from logger.run.run_folder import RunFolder
from logger.run.store import create_run_folder, refuse_taken_folder

_BEND_LEAST_DEGREES: Final = 5
CAUTION = (
    "Caution: pack out, rig supply only; keep fingers and hair out of a running rig. Do not leave a servo running "
    "unattended on a bench that can burn. Local codes and licensed practice come first."
)
_SEEK_PAUSE_S = 0.5
CYCLES_DEFAULT = 10_000


def _usual_criterion(ctx: click.Context, _: click.Parameter, kind: str | None) -> None:
    """Defaults of the options that say what failed means, by the kind of joint."""
    if kind is not None:
        usual = BY_KIND[kind]
        ctx.default_map = {
            **(ctx.default_map or {}),
            "criterion": usual.name,
            "open_ms": str(usual.open_s * 1000),
            "factor": str(usual.resistance_factor),
            "in_a_row": usual.cycles_in_a_row,
        }


@click.command("log", short_help="Bend joints on the rig and record each cycle.")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--specimen",
    "specimens",
    multiple=True,
    metavar="NAME=GROUP",
    help="What is on input 1, 2 ... (up to four), in that order.",
)
@click.option(
    "--cycles",
    type=count_of_bends(1, 4_294_967_295),
    help=f"Stop after so many full bends and back [default: {CYCLES_DEFAULT}].",
)
@click.option(
    "--drive",
    type=Choice(["servo", "switch"]),
    default="servo",
    show_default=True,
    help="The board moves a servo, or counts a switch that you or a motor close.",
)
@click.option(
    "--period",
    "period_s",
    type=plain_number("2", least=0.1, most=600.0),
    default=2.0,
    show_default=True,
    metavar="S",
    help="One full bend and back.",
)
@click.option(
    "--angles",
    type=(whole_number("180", 0, 180), whole_number("180", 0, 180)),
    default=(0, 180),
    show_default=True,
    metavar="A B",
    help="The servo's two ends, degrees.",
)
@click.option(
    "--bend-radius",
    "bend_radius_mm",
    type=plain_number("5", least=0.1, most=1000.0),
    metavar="MM",
    help="Inner radius of the bend.",
)
@click.option(
    "--joint",
    type=Choice(list(BY_KIND)),
    is_eager=True,
    expose_value=False,
    callback=_usual_criterion,
    help="Kind of joint: sets what failed means to the usual, unless you say it yourself.",
)
@click.option(
    "--criterion",
    type=Choice(CRITERIA),
    default="open",
    show_default=True,
    help="What failed means.",
)
@click.option(
    "--open-ms",
    type=plain_number("10"),
    default=10.0,
    show_default=True,
    help="Least interruption that counts.",
)
@click.option(
    "--factor",
    type=plain_number("2"),
    default=2.0,
    show_default=True,
    help="Resistance over the joint's own first value.",
)
@click.option(
    "--in-a-row",
    type=whole_number("10", 1),
    default=10,
    show_default=True,
    help="... for so many cycles in a row.",
)
@click.option("--go-on", is_flag=True, help="Bend on after every joint has failed.")
@click.option(
    "--resume",
    is_flag=True,
    help="Go on with the run in FOLDER, with the same specimens still in the rig.",
)
@click.option(
    "--port", metavar="PORT", help="Port, pattern or URL; without it the board is found by itself."
)
@baud_option
@click.option(
    "--give-up",
    "give_up_s",
    type=plain_number("600", above=0.0),
    default=600.0,
    show_default=True,
    metavar="S",
    help="End when the board has been away so long.",
)
def flex_log(
    folder: Path | None,
    resume: bool,
    port: str | None,
    baud: int,
    give_up_s: float,
    go_on: bool,
    **o: Any,
) -> None:
    """Bend joints on the rig and record each cycle into FOLDER, until all have failed or the cycles are done.

    Ends early at Ctrl-C. Every row is on the disk at once; a pulled cable costs at most the cycles meanwhile.
    """
    folder = folder or Path("runs") / datetime.now().astimezone().strftime("flex_%Y-%m-%d_%H-%M-%S")
    wanted = _resumed(folder, o) if resume else _description(o)
    if not resume:
        refuse_taken_folder(folder)
    found = one_board(find_boards(port, baud))
    try:
        recording, writer = _begin(folder, wanted, found.hello, go_on, resume)
    except BenchError:
        found.link.close()
        raise
    description = recording.description
    if found.hello.firmware.startswith("simulated"):
        click.echo("SIMULATED: no hardware is there.")
    click.echo(CAUTION)
    click.echo(
        f"Bending {', '.join(item.specimen for item in description.joints)}; failed means {description.criterion}. Ctrl-C stops."
    )
    try:
        with _stop_on_signal() as asked_to_stop:
            record_flex(
                recording,
                found.link,
                writer,
                reopen=lambda: _reopen(found.candidate, baud, found.hello.board),
                now_s=time.monotonic,
                say=lambda text: click.echo(f"  {text}"),
                asked_to_stop=asked_to_stop,
                give_up_s=give_up_s,
                on_start=lambda: _describe(
                    writer.folder, replace(description, cycle_offset=recording.offset)
                ),
            )
    finally:
        writer.close()
        while writer.notices:
            click.echo(f"  {writer.notices[0]}")
            recording.events.append(writer.notices.popleft())
        if writer.over:
            recording.ended = "disk-full"
        _end(writer.folder, recording, description)
    _summary(writer.folder.path, recording)
    if recording.ended in ("link-lost", "board-restarted", "fault"):
        sys.exit(1)
    if writer.rescued or writer.rows_lost:
        sys.exit(EXIT_ENDED_EARLY)


def _begin(
    folder: Path, wanted: FlexDescription, hello: Hello, go_on: bool, resume: bool
) -> tuple[FlexRecording, FlexWriter]:
    """The run of this board, described on the disk and ready to be recorded."""
    description = replace(
        wanted,
        board=hello.board,
        firmware=hello.firmware,
        started_utc=wanted.started_utc or _utc(),
        ended_utc="",
        end_reason="",
    )
    recording = FlexRecording(description, hello.boot, not go_on, attach=resume)
    if resume:
        resumed_watches(recording, read_flex_rows(folder)[0])
    else:
        create_run_folder(folder)
    writer = FlexWriter(folder, time.monotonic, resume=resume)
    try:
        write_flex_description(writer.folder, description)
    except OSError as error:
        writer.close()
        raise BenchError(
            f"The description of the flex run in {folder} cannot be written.",
            evidence=spoken(error),
            next_step="give another folder.",
        ) from error
    return recording, writer


def _description(o: dict[str, Any]) -> FlexDescription:
    pairs = mounted_specimens(o["specimens"])
    first, second = o["angles"]
    if o["drive"] == "servo" and abs(first - second) < _BEND_LEAST_DEGREES:
        raise BenchError(
            f"Between {first} and {second} degrees the servo bends nothing.",
            next_step="give the two ends of the bend, e.g. --angles 0 180.",
        )
    return FlexDescription(
        tuple(
            MountedJoint(number, name, group, o["bend_radius_mm"])
            for number, (name, group) in enumerate(pairs, 1)
        ),
        o["drive"],
        o["cycles"] or CYCLES_DEFAULT,
        o["period_s"],
        o["angles"][0],
        o["angles"][1],
        Criterion(o["criterion"], o["open_ms"] / 1000, o["factor"], o["in_a_row"]),
    )


def _resumed(folder: Path, o: dict[str, Any]) -> FlexDescription:
    """Description of the run to go on with. Raises BenchError if there is nothing left to bend."""
    description = read_flex_description(folder)
    mounted = [(item.specimen, item.group) for item in description.joints]
    if o["specimens"] and list(mounted_specimens(o["specimens"])) != mounted:
        raise BenchError(
            f"{folder} was begun with other specimens.",
            evidence=", ".join(f"{name}={group}" if group else name for name, group in mounted),
            next_step="leave --specimen away to go on with these, or begin a new run.",
        )
    if o["cycles"] is not None:
        description = replace(description, cycles=o["cycles"])
    rows, _ = read_flex_rows(folder)
    done = max((seen.cycle for cycles in rows.values() for seen in cycles), default=0)
    if done >= description.cycles:
        raise BenchError(
            f"All {description.cycles:,} cycles of {folder} are done.",
            next_step=f"to bend on give more, e.g. --resume --cycles {2 * done}.",
        )
    return description


def _end(folder: RunFolder, recording: FlexRecording, description: FlexDescription) -> None:
    ended = replace(
        description,
        ended_utc=_utc(),
        end_reason=recording.ended or "error",
        cycle_offset=recording.offset,
        events=(*description.events, *recording.events),
    )
    _describe(folder, ended)


def _describe(folder: Path | RunFolder, description: FlexDescription) -> None:
    """While joints bend, a description that cannot be written is told and costs nothing else."""
    try:
        write_flex_description(folder, description)
    except OSError as error:
        click.echo(f"  the description could not be written: {spoken(error)}")


def _summary(folder: Path, recording: FlexRecording) -> None:
    click.echo(f"Ended: {end_words(recording.ended)}.")
    for item in recording.description.joints:
        watch = recording.watches[item.joint]
        watch.close()
        first = watch.first_cycle[recording.description.criterion.name]
        state = (
            f"whole after {watch.cycles_run:,} cycles"
            if first is None
            else f"failed at cycle {first:,}"
        )
        click.echo(f"  {item.specimen}: {state}")
    if recording.lost_cycles:
        click.echo(
            f"  {recording.lost_cycles} cycles have no row: their lines were lost on the way."
        )
    click.echo("\n" + next_words(("What they show", ["flex", "life", folder, "--cycles", "4800"])))


def _reopen(candidate: Candidate, baud: int, board: str) -> tuple[Link, Hello] | None:
    """The same board on the same port, if it is back."""
    time.sleep(_SEEK_PAUSE_S)
    try:
        link = open_link(candidate.port, baud)
    except BenchError:
        return None
    boards, _ = ask_all([(candidate, link)])
    if boards and boards[0].hello.board == board:
        return link, boards[0].hello
    link.close()
    return None


@contextlib.contextmanager
def _stop_on_signal() -> Iterator[Callable[[], bool]]:
    """Ctrl-C (and a polite kill) asks for the end instead of breaking off."""
    asked: list[int] = []

    def note(number: int, _: object) -> None:
        if len(asked) >= 2:  # asked twice already: the board does not answer
            raise KeyboardInterrupt
        asked.append(number)

    numbers = [getattr(signal, name, None) for name in ("SIGINT", "SIGTERM", "SIGBREAK")]
    before = {number: signal.signal(number, note) for number in numbers if number is not None}
    try:
        yield lambda: bool(asked)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
