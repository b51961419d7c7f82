"""A flex run on the simulated board without ports: the board's bytes through the decoder into a folder."""

import csv
from collections.abc import Sequence
from io import StringIO
from pathlib import Path

from analysis.flex.failure import read_flex_run
from analysis.life.data import Specimen
from firmware_probe.line_format import command
from firmware_probe.twin import vest
from firmware_probe.twin.joints import Joint, JointKind, new_joints
from logger.board.stream import Hello, LineDecoder
from logger.flex.criterion import Criterion
from logger.flex.recording import FlexRecording
from logger.flex.store import FlexDescription, FlexWriter, MountedJoint, write_flex_description
from logger.run.store import create_run_folder

STEP_US = 20_000_000


def record_simulated(
    folder: Path,
    joints: Sequence[Joint],
    group: str,
    *,
    cycles: int = 20_000,
    criterion: Criterion | None = None,
    stop_when_all_failed: bool = True,
    first_name: int = 1,
) -> FlexRecording:
    """Bend these joints until all have failed or the cycles are done; time is simulated."""
    board = vest.vest_board(joints=tuple(joints))
    decoder = LineDecoder()
    board.receive(command("identify"))
    hello = next(item for item in decoder.feed(board.advance(1_000_000)) if isinstance(item, Hello))
    description = FlexDescription(
        tuple(
            MountedJoint(n, f"{group[:12]}-{first_name + n - 1}", group)
            for n in range(1, len(joints) + 1)
        ),
        cycles=cycles,
        criterion=criterion or Criterion(),
        firmware=hello.firmware,
    )
    recording = FlexRecording(description, hello.boot, stop_when_all_failed)
    create_run_folder(folder)
    write_flex_description(folder, description)
    writer = FlexWriter(folder, lambda: 0.0)
    recording.start()
    while not recording.ended:
        for line in recording.take_commands():
            board.receive(line)
        for item in decoder.feed(board.advance(STEP_US)):
            recording.feed(item)
        writer.append(recording.take_rows())
    writer.close()
    return recording


def simulated_group(
    folder: Path, kind: JointKind, count: int, seed: int, cycles: int = 20_000
) -> list[Specimen]:
    """Lives of a group, recorded four at a time and judged by an open of 10 ms."""
    found: list[Specimen] = []
    joints = new_joints(kind, count, seed)
    for start in range(0, count, 4):
        part = folder / f"{kind.name.replace(' ', '-').replace(',', '')}-{start}"
        record_simulated(
            part, joints[start : start + 4], kind.name, cycles=cycles, first_name=start + 1
        )
        _, verdicts, _ = read_flex_run(part, None)
        found += [verdict.life("open") for verdict in verdicts]
    return found


def as_table(specimens: Sequence[Specimen]) -> str:
    """The specimens as a hand-test table."""
    stream = StringIO()
    writer = csv.writer(stream)
    writer.writerow(("specimen", "group", "cycles", "failed", "how"))
    for item in specimens:
        cycles = item.broken_cycles if item.failed else item.whole_cycles
        writer.writerow(
            (item.name, item.group, f"{cycles:.0f}", "yes" if item.failed else "no", "")
        )
    return stream.getvalue()
