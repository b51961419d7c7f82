"""Take up a run again: its description, and its last whole row."""

from pathlib import Path
from typing import Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import open_to_read, read_json
from logger.recording.terms import COLUMN_NAMES, LastRow
from logger.run.description import Description, from_document
from logger.run.edited.statements import trim_words
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME

_BLOCK_BYTES: Final = 1 << 20
_NAMES: Final = [name.encode() for name in COLUMN_NAMES]
_PEAK: Final = COLUMN_NAMES.index("current_max_ma")


def read_description(folder: Path) -> Description:
    """Description of the run. Raises BenchError if there is none that can be used."""
    path = folder / DESCRIPTION_NAME
    if not path.exists() and not (folder / SAMPLES_NAME).exists():
        raise BenchError(
            f"There is no run in {folder} to go on with.",
            next_step=f"give the folder of a run, or begin one there: drawbench log {folder}",
        )
    try:
        document = read_json(path)
    except (OSError, ValueError) as error:
        raise BenchError(
            f"The run in {folder} cannot be taken up again: its description cannot be read.",
            evidence=spoken(error),
            next_step="start a new run; what was recorded stays as it is.",
        ) from error
    description, problems = from_document(document if isinstance(document, dict) else {})
    if description.board is None or problems:
        raise BenchError(
            f"The run in {folder} cannot be taken up again.",
            evidence="; ".join(problems) or "no board recorded it (an import?)",
            next_step="start a new run; what was recorded stays as it is.",
        )
    if description.trim is not None:
        raise BenchError(
            f"The run in {folder} was trimmed: rows that came now would not count.",
            evidence=trim_words(description.trim),
            next_step=f"let the whole of it count first: drawbench edit {folder} --no-trim",
        )
    return description


def read_last_row(folder: Path) -> LastRow | None:
    """Last whole row, the count of rows and the greatest current; None if there are no rows yet.

    Goes through the file once, in blocks. Raises BenchError if it is not a run of ours
    or its last row cannot be read.
    """
    path = folder / SAMPLES_NAME
    rows, peak_ma, last, rest = 0, 0.0, b"", b""
    with open_to_read(path) as stream:
        header = stream.readline()
        if header.rstrip().split(b",") != _NAMES:
            raise BenchError(
                f"{path} does not have the columns of a recorded run.",
                evidence=header[:80].decode("utf-8", "replace").strip(),
                next_step="start a new run; this file stays as it is.",
            )
        while block := stream.read(_BLOCK_BYTES):
            *lines, rest = (rest + block).split(b"\n")
            rows += len(lines)
            last = lines[-1] if lines else last
            peak_ma = max(peak_ma, _peak(lines))
    if not last:
        return None
    try:
        values = dict(zip(COLUMN_NAMES, last.decode("ascii").strip().split(","), strict=True))
        return LastRow(
            time_s=float(values["time_s"]),
            sequence=int(values["sequence"]),
            boot=int(values["boot"]),
            charge_mah=float(values["charge_mah"]),
            energy_mwh=float(values["energy_mwh"]),
            peak_ma=peak_ma,
            rows=rows,
        )
    except ValueError as error:
        raise BenchError(
            f"The last row of {path} is damaged.",
            evidence=last[:80].decode("utf-8", "replace"),
            next_step="take that row out with a text editor, then resume.",
        ) from error


def _peak(lines: list[bytes]) -> float:
    peak_ma = 0.0
    for line in lines:
        try:
            peak_ma = max(peak_ma, float(line.split(b",", _PEAK + 1)[_PEAK]))
        except (ValueError, IndexError):  # a damaged row; the reader tells of it
            continue
    return peak_ma
