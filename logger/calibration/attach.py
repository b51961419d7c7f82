"""How does a run that was recorded before the calibration get it: its description alone is replaced."""

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError, spoken
from logger.base.fault_words import RANGE_CHANGED
from logger.base.safe_files import Folder, create_file, open_to_read, read_json, read_whole
from logger.calibration.store import choose
from logger.run.calibration import Calibration, cautions
from logger.run.description import Board, Description, Sensor, from_document
from logger.run.format import DESCRIPTION_NAME, RUN_KEY, SAMPLES_NAME
from logger.run.open_file import lock_file
from logger.run.store import replace_document

_KEPT_ASIDE: Final = DESCRIPTION_NAME.removesuffix(".json") + ".before-calibration-{}.json"


@dataclass(frozen=True)
class Attached:
    """``calibration``: the run's copy. ``kept_aside``: the description as it was. ``warnings``: in words."""

    calibration: Calibration
    kept_aside: Path
    warnings: tuple[str, ...]


def run_board(folder: Path) -> Board:
    """The board that recorded a run. Raises BenchError if there is no run, or it does not say."""
    return _board_and_sensor(folder, _description(folder, _document(folder)))[0]


def attach(folder: Path, calibrations: Sequence[Calibration], *, forced: bool = False) -> Attached:
    """Give a run the newest of the calibrations that fits it; its samples are not touched.

    ``forced``: also one of another board, for a board that got a new name; sensor, shunt and range
    must fit all the same, for the correction would be wrong. Raises BenchError if none fits, while
    the run is being recorded, or if the folder cannot be written.
    """
    with _sole_writer(folder):
        document = _document(folder)
        description = _description(folder, document)
        best = _fitting(folder, description, calibrations, forced)
        document[RUN_KEY]["calibration"] = best.as_json()
        try:
            with Folder(folder) as opened:
                kept_aside = folder / opened.free_name(_KEPT_ASIDE)
            create_file(kept_aside, read_whole(folder / DESCRIPTION_NAME))
            replace_document(folder, document)
        except OSError as error:
            raise _not_writable(folder, error) from error
    told = cautions(best, description.started_utc, description.temperature_c)
    return Attached(best, kept_aside, tuple(told))


def _fitting(
    folder: Path, description: Description, calibrations: Sequence[Calibration], forced: bool
) -> Calibration:
    board, sensor = _board_and_sensor(folder, description)
    if any(item.kind == "fault" and RANGE_CHANGED in item.text for item in description.events):
        raise BenchError(
            f"No calibration applies to {folder}: the sensor changed its range during the run.",
            next_step="record again in one range; a zero holds for its own range only.",
        )
    best, why_none = choose(
        [_renamed(item, board) if forced else item for item in calibrations],
        board=board.board,
        usb_serial=board.usb_serial,
        sensor=sensor.kind,
        shunt_ohm=sensor.shunt_ohm,
        range_ma=sensor.range_ma,
    )
    if best is not None:
        return best
    raise BenchError(
        why_none or f"There is no calibration for the board of {folder} ({board.board}).",
        next_step="calibrate that board in that range, or, if the board only got a new name, give --force."
        if calibrations
        else "make one with drawbench calibrate, or name the file of another computer with --from.",
    )


def _renamed(calibration: Calibration, board: Board) -> Calibration:
    """The calibration as if it were of this board; its method keeps whose it was."""
    if calibration.board == board.board and calibration.usb_serial in ("", board.usb_serial):
        return calibration
    method = f"{calibration.method}; made as board {calibration.board}, attached by force"
    return replace(
        calibration, board=board.board, usb_serial=board.usb_serial, method=method.lstrip("; ")
    )


def _document(folder: Path) -> dict[str, Any]:
    path = folder / DESCRIPTION_NAME
    if not (folder / SAMPLES_NAME).is_file():
        raise _no_run(folder)
    try:
        document = read_json(path)
    except (OSError, ValueError) as error:
        raise BenchError(
            f"The description of {folder} cannot be read.",
            evidence=spoken(error),
            next_step=f"mend {path.name}: without it nobody knows which board recorded the run.",
        ) from error
    return document if isinstance(document, dict) else {}


def _description(folder: Path, document: dict[str, Any]) -> Description:
    if not isinstance(document.get(RUN_KEY), dict):
        raise BenchError(
            f"{folder / DESCRIPTION_NAME} is no description of a run.",
            evidence=f"there is no part {RUN_KEY!r} in it",
            next_step="give a run that drawbench recorded.",
        )
    return from_document(document)[0]


def _board_and_sensor(folder: Path, description: Description) -> tuple[Board, Sensor]:
    if description.board is None or description.sensor is None:
        raise BenchError(
            f"The run {folder} does not say which board recorded it.",
            evidence="an import from another meter?" if description.source != "board" else "",
            next_step="a calibration belongs to one board; correct an import with --scale and --offset instead.",
        )
    return description.board, description.sensor


@contextlib.contextmanager
def _sole_writer(folder: Path) -> Iterator[None]:
    """Keep recorders out: one would write its own description over ours at the run's end."""
    path = folder / SAMPLES_NAME
    try:
        stream = open_to_read(path)
    except FileNotFoundError:
        raise _no_run(folder) from None
    except OSError as error:
        raise _not_writable(folder, error) from error
    with stream:
        lock_file(stream.fileno(), path)
        yield


def _not_writable(folder: Path, error: OSError) -> BenchError:
    return BenchError(
        f"The description of {folder} cannot be replaced.",
        evidence=spoken(error),
        next_step="make the folder writable, or copy the run to a place that is.",
    )


def _no_run(folder: Path) -> BenchError:
    return BenchError(
        f"{folder} is not a run: there is no {SAMPLES_NAME} in it.",
        next_step="give the folder of one run.",
    )
