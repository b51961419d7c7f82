"""Which sensor the board says it found, how it knows, and what an INA228 says of its own counting."""

from dataclasses import replace
from itertools import pairwise

import pytest

from firmware_probe.line_format import command
from firmware_probe.twin.eeprom import Eeprom
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import (
    INA219,
    INA226,
    INA228,
    NO_ERRORS,
    CurrentSensor,
    PlantedErrors,
    SensorKind,
)
from firmware_probe.twin.simulated_board import SimulatedBoard
from tests.support.board_output import bodies, windows

SECOND_US = 1_000_000
CLONE = "0000.0000"


def board_with(
    kind: SensorKind = INA228,
    *,
    ids: str = "",
    eeprom: Eeprom | None = None,
    script: str = "",
    errors: PlantedErrors = NO_ERRORS,
) -> SimulatedBoard:
    return SimulatedBoard(
        IdealPack(5.0),
        constant_load(ConstantCurrent(0.5)),
        CurrentSensor(kind, errors=errors, ids=ids),
        window_us=SECOND_US,
        eeprom=eeprom,
        faults=FaultPlayer(parse_script(script)),
    )


def ask(board: SimulatedBoard, *words: str) -> list[str]:
    board.advance(SECOND_US)
    board.receive(command(*words))
    return bodies(board.advance(0))


def sensor_keys(said: list[str]) -> tuple[str, ...]:
    """Kind and address of the hello, identity and numbers of the line before it."""
    known, hello = said[-2:]
    keys = dict(field.split("=", 1) for field in hello.split(",")[1:])
    kind, *how = known.split(",")
    assert kind == "sensor"
    return (keys["sensor"], keys["address"], *how)


@pytest.mark.parametrize(
    ("kind", "ids", "said"),
    [
        (INA219, "", ("INA219", "40", "behaviour", "0000.0000")),
        (INA226, "", ("INA226", "40", "number", "5449.2260")),
        (INA228, "", ("INA228", "40", "number", "5449.2281")),
        (INA226, CLONE, ("INA226", "40", "behaviour", CLONE)),
        (INA226, "1234.5678", ("INA226", "40", "behaviour", "1234.5678")),
        # Another chip of the same maker is known to be another.
        (INA226, "5449.2381", ("none", "40", "-", "5449.2381")),
        (INA228, CLONE, ("none", "40", "-", CLONE)),
    ],
)
def test_hello_says_how_the_sensor_was_recognised(
    kind: SensorKind, ids: str, said: tuple[str, ...]
) -> None:
    assert sensor_keys(ask(board_with(kind, ids=ids), "identify")) == said


def test_told_sensor_is_taken_and_kept_over_a_reset() -> None:
    eeprom = Eeprom(board="12345678")
    board = board_with(ids=CLONE, eeprom=eeprom)
    answer, *said = ask(board, "sensor", "INA228")
    assert answer == "ok,sensor"
    assert sensor_keys(said) == ("INA228", "40", "told", CLONE)
    board.reset()
    board.receive(b"")
    assert bodies(board.advance(SECOND_US))[0] == f"sensor,told,{CLONE}"
    assert sensor_keys(ask(board, "sensor", "auto"))[0] == "none"


def test_sensor_told_wrongly_gives_no_readings() -> None:
    board = board_with(INA219, eeprom=Eeprom(board="12345678", sensor_told="INA226"))
    board.receive(command("start"))
    assert not windows(board.advance(5 * SECOND_US))


def test_told_address_is_the_only_one_looked_at() -> None:
    board = board_with()
    assert sensor_keys(ask(board, "address", "45")) == ("none", "00", "-", "0000.0000")
    assert sensor_keys(ask(board, "address", "40"))[0] == "INA228"


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("sensor",), "field"),
        (("sensor", "INA999"), "field"),
        (("sensor", "ina226"), "field"),
        (("address",), "field"),
        (("address", "4a"), "field"),
        (("address", "400"), "field"),
        (("address", "50"), "range"),
        (("address", "3F"), "range"),
    ],
)
def test_what_is_no_sensor_or_address_is_refused(words: tuple[str, ...], reason: str) -> None:
    assert ask(board_with(), *words) == [f"no,{words[0]},{reason}"]


def test_sensor_is_not_changed_while_windows_are_sent() -> None:
    board = board_with()
    board.receive(command("start"))
    assert ask(board, "sensor", "auto") == ["no,sensor,busy"]
    assert ask(board, "address", "auto") == ["no,address,busy"]


def own_lines(output: bytes) -> list[list[int]]:
    return [
        [int(part) for part in body.split(",")[1:]]
        for body in bodies(output)
        if body.startswith("own,")
    ]


def seconds(rows: list[dict[str, int]], first: list[int], last: list[int]) -> float:
    """Board time from one line to the other, by their windows."""
    at = {row["sequence"]: row["time_us"] for row in rows}
    return (at[last[0]] - at[first[0]]) * 1e-6


def test_own_counting_agrees_with_the_windows() -> None:
    board = board_with()
    board.receive(command("start"))
    output = board.advance(65 * SECOND_US)
    rows, own = windows(output), own_lines(output)
    # With the first window, then with the first that ends 10 s later or more.
    assert own[0][0] == 0
    assert all(b[0] - a[0] in (10, 11) for a, b in pairwise(own))
    first, last = own[0], own[-1]
    assert {line[1] for line in own} == {1}
    # 0.5 A over 0.1 ohm: 160000 counts of 312.5 nV; 5 V less the drop on the load's side.
    span_s = seconds(rows, first, last)
    assert last[2] - first[2] == pytest.approx(160_000 * span_s, rel=1e-4)
    watt_s = (last[3] - first[3]) * 16 * 3.2 * 312.5e-9 / 0.1
    assert watt_s == pytest.approx(0.5 * 4.95 * span_s, rel=1e-4)


def test_own_counting_goes_on_while_the_board_does_not_read() -> None:
    board = board_with(script="20:hang=15")
    board.receive(command("start"))
    output = board.advance(60 * SECOND_US)
    own = own_lines(output)
    span_s = seconds(windows(output), own[0], own[-1])
    assert own[-1][2] - own[0][2] == pytest.approx(160_000 * span_s, rel=1e-4)


def test_its_oscillator_is_off_as_planted() -> None:
    board = board_with(errors=replace(NO_ERRORS, clock=1.008))
    board.receive(command("start"))
    output = board.advance(60 * SECOND_US)
    own = own_lines(output)
    span_s = seconds(windows(output), own[0], own[-1])
    assert own[-1][2] - own[0][2] == pytest.approx(160_000 * span_s / 1.008, rel=1e-4)


def test_swapped_sensor_is_named_and_its_counts_are_not_mixed() -> None:
    board = board_with(INA219, script="30.5:swap=ina226")
    board.receive(command("start"))
    output = board.advance(60 * SECOND_US)
    told = [body.split(",")[2:] for body in bodies(output) if body.startswith("fault,")]
    assert told == [["sensor", ""], ["swap", "INA226@40"]]
    greeted = [body for body in bodies(output) if body.startswith(("sensor,", "hello,"))]
    assert sensor_keys(greeted)[0] == "INA226"
    rows = windows(output)
    hours = rows[-1]["time_us"] / 3.6e9
    assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(500 * hours, rel=1e-4)
    assert all(row["current_ma"] == pytest.approx(5_000_000, abs=1000) for row in rows)
