"""The command ``drawbench probe``: which board is it, what can it see, is it wired right?"""

import json
import math
import sys
import textwrap
from dataclasses import asdict
from typing import Any

import click
import scipy

from analysis.commands.screen import TEXT_WIDTH, echo_next
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import COVERAGE, Limits, budget, interval, limits_of
from logger.base.clean_text import ring
from logger.base.clock import read_clocks
from logger.base.command_options import baud_option
from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.base.sensor_identity import identity_words
from logger.base.typed.suggest import Choice
from logger.board.port import LinkLostError, find_boards, one_board
from logger.board.probe_check import INPUT_MAX_V, Heard, Seen, Verdict, judge, listen
from logger.board.sensor_setting import SENSOR_KINDS, address_of, set_sensor
from logger.board.stream import Hello, LineDecoder
from logger.board.switch_trial import keep, last_test, tests_folder, try_switch
from logger.recording.sensor_watch import sensor_of
from logger.recording.terms import EXIT_LOAD_UNCONFIRMED
from logger.run.description import Description
from logger.run.switch_test import SwitchTest


class SensorAddress(click.ParamType[str]):
    """An I2C address of such a sensor, or ``auto``."""

    name = "HEX"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return address_of(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


@click.command("probe")
@click.option("--port", metavar="PORT", help="The board's port [default: found by itself].")
@baud_option
@click.option(
    "--sensor",
    type=Choice(SENSOR_KINDS, case_sensitive=False),
    help="Tell the board which sensor it has; it keeps that. auto: it looks again by itself.",
)
@click.option(
    "--address",
    type=SensorAddress(),
    help="The only address where the board looks for it, 40 to 4F; auto: at all.",
)
@click.option(
    "--test-switch",
    is_flag=True,
    help="Open the load switch for a second and look whether the current goes; the piece must be on.",
)
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def probe_command(
    port: str | None,
    baud: int,
    sensor: str | None,
    address: str | None,
    test_switch: bool,
    as_json: bool,
) -> None:
    """Say whether it is wired right, whether its load switch opens, who the board is, what it can see.

    Listens for five seconds. Load switch and cutoff stay as they are; with --test-switch they are put back
    afterwards. Exit code 4: the load switch is open or was told to open, and current still flowed.
    """
    found = one_board(find_boards(port, baud))
    hello = found.hello
    switch_test = last_test(tests_folder(), hello.board)
    try:
        if sensor is not None or address is not None:
            hello = set_sensor(found.link, LineDecoder().feed, hello, sensor, address)
        heard = listen(found.link, LineDecoder().feed, hello)
        if test_switch:
            switch_test = try_switch(found.link, LineDecoder().feed, hello)
            keep(tests_folder(), switch_test)
    except LinkLostError as error:
        raise BenchError(
            f"The board on {found.candidate.port} went away while it was listened to.",
            evidence=str(error),
            next_step="check the USB cable, then try again.",
        ) from error
    finally:
        found.link.close()
    limits = limits_of(Description(sensor=sensor_of(hello)))
    verdict = judge(hello, heard, limits.current_offset_ma if limits else 0.0)
    results = _results(heard.seen, limits) if heard.seen else {}
    failed = test_switch and switch_test is not None and switch_test.stuck
    if as_json:
        click.echo(json.dumps(_as_json(hello, heard, results, verdict, switch_test), indent=1))
        sys.exit(EXIT_LOAD_UNCONFIRMED if failed or verdict.stuck else 0)
    if _simulated(hello):
        click.echo("SIMULATED: no hardware is there.")
    answer = _answer(
        verdict, None if hello.load == "-" else _switch_text(switch_test, hello), failed
    )
    for name, text in answer + _rows(found.candidate.port, hello, heard, limits, results):
        click.echo(
            textwrap.fill(text, TEXT_WIDTH, initial_indent=f"{name:<9}", subsequent_indent=" " * 9)
        )
    at = [] if port is None else ["--port", port]
    if failed:
        echo_next(("Then test it again", ["probe", "--test-switch", *at]))
        sys.exit(EXIT_LOAD_UNCONFIRMED)
    if verdict.good:
        fresh = ["--close-load"] if hello.opened == "cutoff" else []
        echo_next(("The night's run", ["start", *at, *fresh]))
    else:
        echo_next(("Then look again", ["probe", *at]))
    if verdict.stuck:
        sys.exit(EXIT_LOAD_UNCONFIRMED)


def _simulated(hello: Hello) -> bool:
    return hello.firmware.startswith("simulated")


def _results(seen: Seen, limits: Limits | None) -> dict[str, Quantity]:
    """Means with what the sensor's limits leave open; scatter of the windows with its own doubt."""
    freedom = max(1, seen.windows - 1)
    root = math.sqrt(seen.windows)

    def mean(value: float, unit: str, scatter: float, per_v: float, per_ma: float) -> Quantity:
        if limits is None:
            return interval(value, unit, None)
        noise = scatter / root
        parts = budget(limits, value, per_v=per_v, per_ma=per_ma, noise=noise, noise_dof=freedom)
        return interval(value, unit, parts)

    return {
        "pack_v": mean(seen.pack_v, "V", seen.pack_scatter_v, 1.0, 0.0),
        "current_ma": mean(seen.current_ma, "mA", seen.current_scatter_ma, 0.0, 1.0),
        "pack_scatter_v": _scatter(seen.pack_scatter_v, "V", seen.windows),
        "current_scatter_ma": _scatter(seen.current_scatter_ma, "mA", seen.windows),
    }


def _scatter(value: float, unit: str, count: int) -> Quantity:
    """Standard deviation with its interval (chi-square; NIST/SEMATECH e-Handbook 7.2.3.1)."""
    if count < 3 or value == 0.0:
        return Quantity(value, unit, note="standard deviation; too few or too equal to bound it")
    freedom = count - 1
    low, high = (
        value * math.sqrt(freedom / float(scipy.stats.chi2.ppf(at, freedom)))
        for at in ((1 + COVERAGE) / 2, (1 - COVERAGE) / 2)
    )
    return Quantity(value, unit, low, high, COVERAGE, "standard deviation of the windows' means")


def _answer(verdict: Verdict, switch: str | None, failed: bool) -> list[tuple[str, str]]:
    """What was asked, first: is it wired right, does the switch open. A switch that does not comes before all."""
    rows = [("Wiring", verdict.words)]
    if verdict.next_step and not (failed and verdict.stuck):
        rows.append(("", f"Next: {verdict.next_step}"))
    if switch is None or (not failed and verdict.stuck):
        return rows
    return [("Switch", switch), *rows] if failed else [*rows, ("Switch", switch)]


def _rows(
    port: str, hello: Hello, heard: Heard, limits: Limits | None, results: dict[str, Quantity]
) -> list[tuple[str, str]]:
    rows = [
        (
            "Board",
            f"{hello.board} on {port}, sketch {hello.firmware}, start number {hello.boot} ({hello.cause})",
        )
    ]
    if hello.sensor != "none":
        shunt = f", shunt {hello.shunt_ohm:g} Ω" if hello.shunt_ohm else ""
        rows.append(("Sensor", f"{hello.sensor} at {hello.address}h{shunt}"))
        unsure = identity_words(hello.sensor, hello.identity, hello.ids)
        if unsure:
            rows.append(("", unsure))
        rows.append(("Range", _range_text(hello)))
    if limits:
        rows.append(
            (
                "",
                f"steps of {digits_text(limits.current_step_ma, 2)} mA and {digits_text(1e3 * limits.voltage_step_v, 2)} mV; "
                f"below {digits_text(limits.current_offset_ma, 2)} mA it cannot be told from nothing",
            )
        )
    rows.append(("Load", _load_text(hello)))
    if seen := heard.seen:
        rows.append(("Reads", f"{results['pack_v']}"))
        rows.append(("", f"{results['current_ma']}"))
        rows.append(
            ("", f"single readings from {seen.current_min_ma:.1f} to {seen.current_max_ma:.1f} mA")
        )
        current, volt = results["current_scatter_ma"].value, results["pack_scatter_v"].value
        rows.append(
            (
                "Noise",
                f"about {digits_text(current or 0.0, 1)} mA and {digits_text(1e3 * (volt or 0.0), 1)} mV "
                "between readings of 0.1 s",
            )
        )
    if heard.faults:
        rows.append(("Faults", ", ".join(heard.faults)))
    return rows


def _range_text(hello: Hello) -> str:
    parts = []
    if hello.bus_range_v:
        # What the chip could count is more than what its inputs stand.
        stands_v = INPUT_MAX_V.get(hello.sensor, hello.bus_range_v)
        parts.append(f"0 to {min(hello.bus_range_v, stands_v):g} V")
    if hello.range_ma:
        parts.append(f"\N{MINUS SIGN}{hello.range_ma:g} to +{hello.range_ma:g} mA")
    return ", ".join(parts) or "not told"


def _load_text(hello: Hello) -> str:
    state = {"1": "switch closed", "0": "switch open"}.get(hello.load, "no switch fitted")
    if hello.cutoff_v > 0:
        state += (
            f"; the board opens it below {hello.cutoff_v:g} V held for {hello.hold_ms / 1000:g} s"
        )
    return state


def _switch_text(test: SwitchTest | None, hello: Hello) -> str:
    """Whether it was seen to open, and when."""
    if test is None and hello.opened == "cutoff":
        return "Nobody has seen it open; it can be tested once a run has closed it."
    if test is None:
        return (
            "Nobody has seen it open: add --test-switch (the piece on; it goes dark for a second)."
        )
    if test.stuck:
        ring()
        return test.sentence
    when = "" if test.stands(read_clocks().utc) else f" (seen {test.tested_utc[:10]}; test it anew)"
    return f"{test.sentence.removesuffix('.')}{when}."


def _as_json(
    hello: Hello,
    heard: Heard,
    results: dict[str, Quantity],
    verdict: Verdict,
    test: SwitchTest | None,
) -> dict[str, Any]:
    keys = ["board", "boot", "cause", "firmware", "sensor", "address", "shunt_ohm", "range_ma"]
    keys += ["bus_range_v", "load", "opened", "cutoff_v", "hold_ms", "identity", "ids"]
    return {
        **{key: getattr(hello, key) for key in keys},
        "simulated": _simulated(hello),
        **{name: quantity.as_json() for name, quantity in results.items()},
        "windows": heard.seen.windows if heard.seen else 0,
        "faults": list(heard.faults),
        "switch_test": test and {**asdict(test), "opened": test.opened, "stuck": test.stuck},
        "wiring_right": verdict.good,
        "warnings": [] if verdict.good else [f"{verdict.words} Next: {verdict.next_step}"],
    }
