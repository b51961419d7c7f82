"""A flex run on disk: a row per cycle and specimen, durable, and its description beside it.

The folder holds ``flex.csv`` (RFC 4180, UTF-8) and ``flex.csv-metadata.json`` (W3C CSV on
the Web, our own part under ``FLEX_KEY``). Every batch of rows goes to the operating
system at once and to the disk at least every half second.
"""

import csv
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from io import TextIOWrapper
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import open_to_read, read_json
from logger.board.stream import Flex
from logger.flex.criterion import Criterion, CycleSeen
from logger.run.format import UNIT_KEY
from logger.run.pieces import Pieces, rows_file
from logger.run.run_folder import RunFolder
from logger.run.store import replace_document
from logger.run.writer import SYNC_INTERVAL_S, RowWriter

FLEX_NAME: Final = "flex.csv"
FLEX_DESCRIPTION_NAME: Final = "flex.csv-metadata.json"
FLEX: Final = Pieces(FLEX_NAME)
FLEX_KEY: Final = "urn:drawbench:flex"
FLEX_COLUMNS: Final = {
    "cycle": ("1", "integer", "Full bends and back since this specimen was put in"),
    "time_s": ("s", "decimal", "The board's clock at the end of the cycle, 0 at its boot"),
    "joint": ("1", "integer", "Input of the rig, 1 to 4"),
    "specimen": ("1", "string", "Name of the test piece"),
    "current_min_ma": ("mA", "decimal", "Least current through the joint in the cycle"),
    "current_max_ma": ("mA", "decimal", "Greatest current through the joint in the cycle"),
    "resistance_min_ohm": (
        "Ohm",
        "decimal",
        "Least resistance while not open; empty: open all the cycle",
    ),
    "resistance_max_ohm": (
        "Ohm",
        "decimal",
        "Greatest resistance while not open; empty: open all the cycle",
    ),
    "opens": ("1", "integer", "Times the joint opened in the cycle"),
    "longest_open_s": ("s", "decimal", "Longest open of the cycle"),
}


@dataclass(frozen=True)
class MountedJoint:
    """A specimen on an input of the rig."""

    joint: int
    specimen: str
    group: str = ""
    bend_radius_mm: float | None = None


@dataclass(frozen=True)
class FlexDescription:
    """All that is known of a flex run besides its rows. ``end_reason``: ``done``, ``failed``, ``user``,
    ``open``, ``fault``, ``board-restarted``, ``link-lost``, ``disk-full``; empty while it runs."""

    joints: tuple[MountedJoint, ...]
    drive: str = "servo"
    cycles: int = 0
    period_s: float = 2.0
    angle_a_degrees: int = 0
    angle_b_degrees: int = 180
    criterion: Criterion = field(default_factory=Criterion)
    board: str = ""
    firmware: str = ""
    started_utc: str = ""
    ended_utc: str = ""
    end_reason: str = ""
    cycle_offset: int = 0
    events: tuple[str, ...] = ()

    @property
    def simulated(self) -> bool:
        return self.firmware.startswith("simulated")


class FlexWriter(RowWriter):
    """The one writer of a flex run's rows; ``now_s`` is a clock that never steps.

    A disk that takes none leaves them in memory, as in any other run: the rig flexes on.
    """

    def __init__(self, folder: Path, now_s: Callable[[], float], *, resume: bool = False) -> None:
        self._now_s = now_s
        self._synced_s = now_s()
        is_there = rows_file(folder, FLEX)[0].exists()
        if resume and not is_there:
            raise BenchError(
                f"There is no flex run in {folder}.", next_step="leave --resume away to start one."
            )
        if is_there and not resume:
            raise BenchError(
                f"{folder} already holds a flex run; it is never written over.",
                next_step="give another folder, or --resume to go on with it.",
            )
        super().__init__(folder, FLEX, (",".join(FLEX_COLUMNS) + "\r\n").encode(), resume=resume)

    def append(self, rows: bytes) -> None:
        """Write whole rows, and sync them every half second. Raises BenchError if the memory is full as well."""
        super().append(rows)
        if self._now_s() - self._synced_s >= SYNC_INTERVAL_S:
            self._synced_s = self._now_s()
            self.sync()
        if self.over:
            raise BenchError(
                f"{self.folder.path / FLEX_NAME} cannot be written, and the memory for rows that wait is full.",
                evidence=self.trouble,
                next_step="make room or choose another disk; the rows so far are kept.",
            )


def row(flex: Flex, specimen: str, offset: int) -> bytes:
    """One CSV row of a flex line; ``offset``: cycles before the board began to count."""

    def ohm(value: float | None) -> str:
        return "" if value is None else f"{value:.4f}"

    name = '"' + specimen.replace('"', '""') + '"' if any(c in specimen for c in ',"') else specimen
    return (
        f"{flex.cycle + offset},{flex.time_us / 1e6:.6f},{flex.joint},{name},"
        f"{flex.current_min_ma:.4f},{flex.current_max_ma:.4f},"
        f"{ohm(flex.resistance_min_ohm)},{ohm(flex.resistance_max_ohm)},"
        f"{flex.opens},{flex.longest_open_us / 1e6:.6f}\r\n"
    ).encode()


def write_flex_description(folder: Path | RunFolder, description: FlexDescription) -> None:
    """Replace the description as one step. Raises OSError."""
    document = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": FLEX_NAME,
        "tableSchema": {
            "columns": [
                {
                    "name": name,
                    "titles": name,
                    "datatype": datatype,
                    "dc:description": meaning,
                    UNIT_KEY: unit,
                }
                for name, (unit, datatype, meaning) in FLEX_COLUMNS.items()
            ]
        },
        FLEX_KEY: {"format": 1, **asdict(description)},
    }
    replace_document(folder, document, FLEX_DESCRIPTION_NAME)


def read_flex_description(folder: Path) -> FlexDescription:
    """Description of a flex run. Raises BenchError if it is missing or damaged."""
    path = folder / FLEX_DESCRIPTION_NAME
    try:
        own = read_json(path)[FLEX_KEY]
        return _description(own)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BenchError(
            f"{folder} is not a flex run that can be read.",
            evidence=f"{path.name}: {error!r}",
            next_step="give the folder that `drawbench flex log` made, or a hand-test table.",
        ) from error


def _description(own: Mapping[str, Any]) -> FlexDescription:
    joints = tuple(
        MountedJoint(
            int(item["joint"]),
            str(item["specimen"]),
            str(item.get("group", "")),
            None if item.get("bend_radius_mm") is None else float(item["bend_radius_mm"]),
        )
        for item in own["joints"]
    )
    return FlexDescription(
        joints,
        str(own["drive"]),
        int(own["cycles"]),
        float(own["period_s"]),
        int(own["angle_a_degrees"]),
        int(own["angle_b_degrees"]),
        Criterion(**own["criterion"]),
        str(own.get("board", "")),
        str(own.get("firmware", "")),
        str(own.get("started_utc", "")),
        str(own.get("ended_utc", "")),
        str(own.get("end_reason", "")),
        int(own.get("cycle_offset", 0)),
        tuple(map(str, own.get("events", ()))),
    )


def read_flex_rows(folder: Path) -> tuple[dict[int, list[CycleSeen]], int]:
    """Cycles per joint in the order of the file, and how many damaged rows were left out."""
    found: dict[int, list[CycleSeen]] = {}
    damaged = 0
    path, _ = rows_file(folder, FLEX)
    try:
        with TextIOWrapper(open_to_read(path), "utf-8", "replace", newline="") as stream:
            for cells in csv.DictReader(stream):
                try:
                    high = cells["resistance_max_ohm"]
                    seen = CycleSeen(
                        int(cells["cycle"]),
                        float(high) if high else None,
                        int(cells["opens"]),
                        float(cells["longest_open_s"]),
                    )
                    found.setdefault(int(cells["joint"]), []).append(seen)
                except (KeyError, ValueError, TypeError):
                    damaged += 1
    except OSError as error:
        raise BenchError(f"{path} cannot be read.", evidence=spoken(error)) from error
    return found, damaged
