"""``drawbench simulate``: a board without hardware, for trying the rest in a second terminal."""

import contextlib
import functools
import secrets
import signal
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from firmware_probe.interpreter.board import InterpreterBoard
from firmware_probe.twin.bench_text import (
    joints_from_text,
    load_from_text,
    pack_from_text,
    sensor_from_text,
)
from firmware_probe.twin.eeprom import load_eeprom, save_eeprom
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.links import Link, TcpLink, best_link
from firmware_probe.twin.load import LoadProgramme
from firmware_probe.twin.pack import PackModel
from firmware_probe.twin.sensor import CurrentSensor
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard

_T = TypeVar("_T")
_LOOK_S = 0.2


def _asked(option: str, make: Callable[[], _T]) -> _T:
    """A value made of what the user wrote, or a message that names the option."""
    try:
        return make()
    except (ValueError, OSError) as error:
        raise click.BadParameter(str(error), param_hint=option) from error


@click.command()
@click.option(
    "--pack",
    default="3x AA alkaline",
    show_default=True,
    help="Also: 2x AA nimh, li-ion, usb-bank.",
)
@click.option(
    "--capacity",
    "capacity_mah",
    type=click.FloatRange(1.0),
    help="mAh of one cell, or on a power bank's label.",
)
@click.option("--load", default="vest", show_default=True, help="Also: 200mA, 22ohm, 0.5W.")
@click.option(
    "--sensor",
    type=click.Choice(["ina219", "ina226", "ina228", "ina226-clone", "ina228-clone"]),
    default="ina219",
    show_default=True,
    help="A clone does not say what it is.",
)
@click.option(
    "--shunt",
    "shunt_ohm",
    type=click.FloatRange(0.001, 100.0),
    default=0.1,
    show_default=True,
    help="ohm.",
)
@click.option("--perfect", is_flag=True, help="A sensor without errors and noise.")
@click.option(
    "--time-factor",
    type=click.FloatRange(0.0),
    default=1.0,
    show_default=True,
    help="Board seconds per second; 0: as fast as it can be read.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    help="Same seed, same board and same run; without it a new one is drawn and shown.",
)
@click.option(
    "--faults",
    default="",
    metavar="SCRIPT",
    help='Such as "600:reset=watchdog,1200:unplug=30,1800:drop=5" (board seconds).',
)
@click.option(
    "--joints",
    default="",
    metavar="KINDS",
    help="On the flex rig: solid, stranded, stranded-relief, bad-relief; up to four, commas between.",
)
@click.option(
    "--firmware",
    type=click.Choice(["model", "micropython"]),
    default="model",
    show_default=True,
    help="A model of the board, or the firmware in Python itself on this computer's MicroPython.",
)
@click.option("--no-switch", is_flag=True, help="No load switch fitted.")
@click.option(
    "--reset-on-open", is_flag=True, help="Opening the port resets the board, as many real ones do."
)
@click.option(
    "--link",
    type=click.Path(path_type=Path),
    help="A name for the port that stays the same over unplugging.",
)
@click.option(
    "--tcp",
    "tcp_port",
    type=click.IntRange(0, 65535),
    help="Serve on socket://127.0.0.1:PORT instead (0: any free one).",
)
@click.option(
    "--memory",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for what the board remembers, so that its next start counts as another boot.",
)
def simulate(
    pack: str,
    capacity_mah: float | None,
    load: str,
    sensor: str,
    shunt_ohm: float,
    perfect: bool,
    time_factor: float,
    seed: int | None,
    faults: str,
    joints: str,
    firmware: str,
    no_switch: bool,
    reset_on_open: bool,
    link: Path | None,
    tcp_port: int | None,
    memory: Path | None,
) -> None:
    """Play a probe board on a serial port of its own, until Ctrl-C.

    Pack, load and sensor are a model: for learning and for tests, not a measurement of anything.
    Log it from a second terminal.
    """
    chance = seed = secrets.randbelow(1_000_000) if seed is None else seed
    bench = (
        _asked("--pack", lambda: pack_from_text(pack, capacity_mah)),
        _asked("--load", lambda: load_from_text(load, chance)),
        sensor_from_text(sensor, shunt_ohm, seed, perfect=perfect),
    )
    serve = functools.partial(
        _serve, link=link, tcp_port=tcp_port, time_factor=time_factor, reset_on_open=reset_on_open
    )
    if firmware == "micropython":
        # Its bench's time stands still while the firmware looks whether a clone converts in time.
        clone = sensor == "ina226-clone"
        _refuse_what_only_the_model_plays(faults=faults, joints=joints, memory=memory, sensor=clone)
        _play_interpreter(bench, seed, not no_switch, serve)
        return
    eeprom = _asked("--memory", lambda: load_eeprom(memory)) if memory else None
    board = SimulatedBoard(
        *bench,
        seed=seed,
        eeprom=eeprom,
        faults=FaultPlayer(_asked("--faults", lambda: parse_script(faults)), seed=seed),
        joints=_asked("--joints", lambda: joints_from_text(joints, chance)),
        switch_fitted=not no_switch,
    )
    if memory:
        _asked("--memory", lambda: save_eeprom(memory, board.eeprom))
    serve(board, seed)
    if memory:
        _asked("--memory", lambda: save_eeprom(memory, board.eeprom))
    _tell_truth(board)


def _refuse_what_only_the_model_plays(**options: object) -> None:
    for name, value in options.items():
        if value:
            raise click.BadParameter(
                "only the model plays that, not --firmware micropython.", param_hint=f"--{name}"
            )


def _play_interpreter(
    bench: tuple[PackModel, LoadProgramme, CurrentSensor],
    seed: int,
    fitted: bool,
    serve: Callable[[InterpreterBoard, int], None],
) -> None:
    with tempfile.TemporaryDirectory() as memory:
        board = _asked(
            "--firmware",
            lambda: InterpreterBoard(*bench, Path(memory), seed=seed, switch_fitted=fitted),
        )
        with contextlib.closing(board):
            serve(board, seed)
            _tell_truth(board)


def _serve(
    board: SimulatedBoard | InterpreterBoard,
    seed: int,
    *,
    link: Path | None,
    tcp_port: int | None,
    time_factor: float,
    reset_on_open: bool,
) -> None:
    """Until Ctrl-C."""
    way: Link = best_link(link) if tcp_port is None else TcpLink(tcp_port)
    server = _asked(
        "--tcp" if tcp_port is not None else "--link",
        lambda: BoardServer(board, way, time_factor=time_factor, reset_on_open=reset_on_open),
    )
    with server:
        click.echo(f"Seed {seed}.")
        _tell_and_wait(server)


def _tell_and_wait(server: BoardServer) -> None:
    """Say the port, and again when it changes, until Ctrl-C or the server ends."""
    # Ended from outside is as good as Ctrl-C: the port has to go away cleanly.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    told = ""
    never = threading.Event()
    try:
        while server.is_running:
            if server.port != told:
                told = server.port
                click.echo(f"Simulated board on {told}")
                click.echo(f"  in a second terminal:  drawbench log --port {told}")
                click.echo("  Ctrl-C here takes it away.")
                sys.stdout.flush()
            never.wait(_LOOK_S)
    except KeyboardInterrupt:
        click.echo()


def _tell_truth(board: SimulatedBoard | InterpreterBoard) -> None:
    pack, clock_s = board.pack, board.life_us // 1_000_000
    click.echo(
        f"Simulated board gone after {clock_s // 3600}:{clock_s // 60 % 60:02d}:{clock_s % 60:02d} of its time. "
        f"The model's pack gave {pack.charge_out_mah:.2f} mAh and {pack.energy_out_mwh:.1f} mWh."
    )
    played = ", ".join(f"{kind} {count}" for kind, count in sorted(board.faults.counts.items()))
    if played:
        click.echo(f"Faults played: {played}.")
