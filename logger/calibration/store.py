"""Where calibrations are kept: one plain JSON file per board in the user's configuration folder."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from logger.base.config_folder import FOLDER_VARIABLE, config_folder
from logger.base.errors import BenchError, spoken
from logger.base.safe_files import json_bytes, read_json, replace_file
from logger.run.calibration import Calibration, calibration_from_json, misfits, newest

_NAME: Final = re.compile(r"[A-Za-z0-9_-]{1,64}")
_KEPT_PER_BOARD: Final = 200


def calibration_folder() -> Path:
    """Folder of the calibration files: as the system has it for configuration."""
    return config_folder() / "calibration"


def load(folder: Path, board: str) -> tuple[list[Calibration], list[str]]:
    """All calibrations of a board, and in words what in its file could not be used."""
    return load_file(_path(folder, board))


def load_file(path: Path) -> tuple[list[Calibration], list[str]]:
    """The same of a file anywhere; a file that is not there holds none."""
    try:
        parts = read_json(path)["calibrations"]
    except (FileNotFoundError, NotADirectoryError):
        return [], []
    except OSError as error:
        return [], [f"the calibration file {path} cannot be read: {spoken(error)}"]
    except (ValueError, KeyError, TypeError):
        return [], [f"the calibration file {path} is damaged; its calibrations are not used"]
    if not isinstance(parts, list):
        return [], [f"the calibration file {path} is damaged; its calibrations are not used"]
    found = [calibration_from_json(part) for part in parts]
    bad = found.count(None)
    problems = [f"{bad} calibrations in {path} are not usable"] if bad else []
    return [item for item in found if item is not None], problems


def add(folder: Path, calibration: Calibration) -> Path:
    """Keep a calibration beside the earlier ones; gives the file. Raises BenchError."""
    path = _path(folder, calibration.board)
    earlier, problems = load(folder, calibration.board)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if problems:
            # What cannot be read is not thrown away.
            path.replace(path.with_suffix(".damaged.json"))
        kept = [*earlier, calibration][-_KEPT_PER_BOARD:]
        document = {"format": 1, "calibrations": [item.as_json() for item in kept]}
        replace_file(path, json_bytes(document))
    except OSError as error:
        raise BenchError(
            f"The calibration cannot be kept in {folder}.",
            evidence=spoken(error),
            next_step=f"make that folder writable, or set {FOLDER_VARIABLE} to another one.",
        ) from error
    return path


def choose(
    calibrations: Sequence[Calibration],
    *,
    board: str,
    usb_serial: str,
    sensor: str,
    shunt_ohm: float | None,
    range_ma: float | None,
) -> tuple[Calibration | None, str]:
    """The newest calibration that fits, and if there are only others, in words why none does."""
    reasons = {
        index: misfits(
            item,
            board=board,
            usb_serial=usb_serial,
            sensor=sensor,
            shunt_ohm=shunt_ohm,
            range_ma=range_ma,
        )
        for index, item in enumerate(calibrations)
    }
    best = newest([calibrations[index] for index, told in reasons.items() if not told])
    if best is not None or not calibrations:
        return best, ""
    latest = newest(calibrations)
    assert latest is not None
    told = reasons[list(calibrations).index(latest)]
    return None, f"The calibration of {latest.name} is not used: {'; '.join(told)}."


def _path(folder: Path, board: str) -> Path:
    """File of a board; its name comes from a wire, so it must not lead elsewhere."""
    if not _NAME.fullmatch(board):
        raise BenchError(
            f"The board's name {board!r} is not usable for a file.",
            next_step="load the probe sketch again; it gives the board a name of eight hex digits.",
        )
    return folder / f"{board}.json"
