"""What the disk does to a run stands in its events, as far as it cost something."""

import errno
from pathlib import Path

import pytest

from logger.base.clock import Moment
from logger.recording.machine import Recording
from logger.recording.session import Session
from logger.recording.terms import Wishes
from logger.run.description import Description
from logger.run.writer import SampleWriter
from tests.logger.run.test_writer import measured

NOW = Moment(100.0, 100.0, 1_800_000_000.0)


def test_joined_rows_are_told_with_their_cost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that whoever counts the windows knows where they are."""
    writer = SampleWriter(tmp_path, memory_max_bytes=500 * len(measured(1000)))
    recording = Recording(Wishes(), Description(), NOW)
    clock = [NOW]
    session = Session(recording, writer, None, pattern=None, baud=115200, clock=lambda: clock[0])
    monkeypatch.setattr(recording, "run_s", lambda now: now.steady_s)
    session._description_failed(OSError(errno.ENOSPC, "No space left on device"))
    session._note_disk()
    assert recording.disk_trouble.startswith("The description cannot be written")
    clock[0] = Moment(120.0, 120.0, NOW.wall_s + 20.0)

    def refuse(fd: int, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.write", refuse)
    for number in range(1200):
        writer.append(measured(number))
    session._note_disk()
    assert recording.disk_trouble.startswith("The disk is full (No space left on device): make")
    assert not [event for event in recording.events.all() if event.kind == "gap"]
    monkeypatch.undo()
    session._description_trouble = ""
    writer.sync()
    session._note_disk()
    assert recording.disk_trouble == ""
    (gap,) = (event for event in recording.events.all() if event.kind == "gap")
    assert gap.time_s == 120.0, "when the disk began to take no rows"
    rows = (tmp_path / "samples.csv").read_bytes().count(b"\n") - 1
    assert gap.lost == {"rows": 1200 - rows, "charge_mah": 0.0}
    writer.close()
