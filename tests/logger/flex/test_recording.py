"""Flex runs: criteria cycle by cycle, storage, link lost and found, a board that starts again."""

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from analysis.commands.flex import flex
from analysis.flex.failure import judge, read_flex_run
from firmware_probe.line_format import frame
from firmware_probe.twin import vest
from firmware_probe.twin.joints import JOINT_KINDS, SOLID, new_joints
from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import BoardServer
from logger.base.errors import BenchError
from logger.board.port import Link, LinkLostError
from logger.board.stream import Answer, Flex, Hello
from logger.flex.criterion import Criterion, CycleSeen, JointWatch
from logger.flex.recording import (
    FlexRecording,
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
from logger.run.store import create_run_folder
from tests.support.flex_rig_cases import record_simulated


def watch(cycles: list[CycleSeen], criterion: Criterion | None = None) -> JointWatch:
    followed = JointWatch(criterion or Criterion(baseline_cycles=3, cycles_in_a_row=3))
    for seen in cycles:
        followed.feed(seen)
    followed.close()
    return followed


def conducting(first: int, last: int, ohm: float = 0.15) -> list[CycleSeen]:
    return [CycleSeen(cycle, ohm, 0, 0.0) for cycle in range(first, last + 1)]


def dark(first: int, last: int, open_s: float = 2.0) -> list[CycleSeen]:
    return [CycleSeen(cycle, None, 0, open_s) for cycle in range(first, last + 1)]


def test_each_criterion_has_its_own_first_cycle() -> None:
    cycles = [
        *conducting(1, 10),
        CycleSeen(11, 0.16, 1, 0.004),  # too short to count, heals
        CycleSeen(12, 0.40, 1, 0.012),  # an open that counts; high once only
        *conducting(13, 14),
        *conducting(15, 20, 0.31),  # above twice 0.15 in a row
        *dark(21, 30),
    ]
    followed = watch(cycles)
    assert followed.first_cycle == {"open": 12, "resistance": 15, "break": 21}
    assert [seen.cycle for seen in followed.healed] == [11, 12]
    assert followed.baseline_ohm == pytest.approx(0.15)


def test_open_that_lasts_over_cycles_adds_up() -> None:
    """Each whole open cycle counts its part, as the protocol says."""
    cycles = [*conducting(1, 5), *dark(6, 8, 0.004), *conducting(9, 12)]
    assert watch(cycles).first_cycle["open"] == 8
    assert [seen.cycle for seen in watch(cycles).healed] == [6, 7, 8]


def test_healed_break_is_no_break() -> None:
    followed = watch([*conducting(1, 5), *dark(6, 9), *conducting(10, 20)])
    assert followed.first_cycle["break"] is None


def test_open_from_the_first_cycle() -> None:
    followed = watch(dark(1, 5))
    assert followed.first_cycle == {"open": 1, "resistance": 1, "break": 1}
    assert followed.baseline_ohm is None


@pytest.mark.parametrize(
    "values", [{"open_s": 0.0}, {"resistance_factor": 1.0}, {"cycles_in_a_row": 0}]
)
def test_useless_criterion_is_refused(values: dict[str, Any]) -> None:
    with pytest.raises(BenchError, match="criterion cannot be used"):
        Criterion(**values)


@pytest.mark.slow
def test_planted_lives_come_back(tmp_path: Path) -> None:
    """What the simulated rig planted: broken at the joint's own life, interruptions before it."""
    joints = new_joints(SOLID, 4, seed=8)
    criterion = Criterion("break")
    record_simulated(tmp_path / "run", joints, "solid", criterion=criterion)
    _, verdicts, notes = read_flex_run(tmp_path / "run", None)
    for verdict, joint in zip(verdicts, joints, strict=True):
        broke = verdict.first_cycle["break"]
        assert broke is not None
        # In the cycle of its life the joint still conducts for a part; the next one is dark.
        assert broke == pytest.approx(joint.life_cycles, abs=2.5)
        first_open = verdict.first_cycle["open"]
        assert first_open is not None
        assert 0.8 * joint.life_cycles < first_open <= broke
        assert verdict.rows_missing == 0
    assert any(note.startswith("SIMULATED") for note in notes)


@pytest.mark.slow
def test_stops_by_itself_when_all_have_failed(tmp_path: Path) -> None:
    recording = record_simulated(tmp_path / "run", new_joints(SOLID, 2, seed=3), "solid")
    assert recording.ended == "failed"
    assert max(w.cycles_run for w in recording.watches.values()) < 3000


def test_stops_at_the_cycles_asked_for(tmp_path: Path) -> None:
    joints = new_joints(JOINT_KINDS["stranded-relief"], 2, seed=1)
    recording = record_simulated(tmp_path / "run", joints, "relief", cycles=50)
    assert recording.ended == "done"
    rows, damaged = read_flex_rows(tmp_path / "run")
    assert (len(rows[1]), len(rows[2]), damaged) == (50, 50, 0)


def test_torn_and_damaged_rows_are_left_out_and_told(tmp_path: Path) -> None:
    record_simulated(tmp_path / "run", new_joints(SOLID, 1, seed=2), "solid", cycles=40)
    path = tmp_path / "run" / "flex.csv"
    lines = path.read_bytes().split(b"\r\n")
    lines[10] = b"ten,garbage"
    path.write_bytes(b"\r\n".join(lines)[:-30])
    _, verdicts, notes = read_flex_run(tmp_path / "run", None)
    assert verdicts[0].rows_missing >= 1
    assert any("damaged" in note for note in notes)
    assert any("have no row" in note for note in notes)


def test_never_over_another_run(tmp_path: Path) -> None:
    record_simulated(tmp_path / "run", new_joints(SOLID, 1, seed=2), "solid", cycles=5)
    with pytest.raises(BenchError, match="never written over"):
        FlexWriter(tmp_path / "run", lambda: 0.0)


def test_description_comes_back_whole(tmp_path: Path) -> None:
    description = FlexDescription(
        (MountedJoint(1, 'S"1, x', "stranded", 5.0),),
        criterion=Criterion("resistance", 0.02, 3.0, 7),
        events=("fault sensor",),
        end_reason="user",
    )
    write_flex_description(tmp_path, description)
    assert read_flex_description(tmp_path) == description
    (tmp_path / "flex.csv-metadata.json").write_text("{", encoding="utf-8")
    with pytest.raises(BenchError, match="not a flex run"):
        read_flex_description(tmp_path)


class ScriptedLink(Link):
    """Plays chunks of bytes; None is a pulled cable."""

    def __init__(self, chunks: list[bytes | None]) -> None:
        self.port = "scripted"
        self.chunks = chunks
        self.sent: list[bytes] = []

    def read(self, wait_s: float) -> bytes:
        if not self.chunks:
            return b""
        chunk = self.chunks.pop(0)
        if chunk is None:
            raise LinkLostError("cable pulled")
        return chunk

    def write(self, data: bytes) -> None:
        self.sent.append(data)

    def close(self) -> None:
        return


def flex_line(cycle: int, ohm: str = "0.1500") -> bytes:
    return frame(f"flex,{cycle},{cycle * 2_000_000},1,10.0000,10.1000,{ohm},{ohm},0,0")


HELLO = (
    "hello,protocol=1,firmware=1.0.0,board=7F3A91C2,boot={},cause=power,time_us=1,window_us=1000"
)


def run_scripted(
    folder: Path, links: Iterator[ScriptedLink], hello: Hello, *, seconds: Iterator[float]
) -> tuple[FlexRecording, list[str]]:
    create_run_folder(folder)
    description = FlexDescription((MountedJoint(1, "S1", "g"),), cycles=100)
    recording = FlexRecording(description, boot=17)
    said: list[str] = []
    writer = FlexWriter(folder, lambda: 0.0)
    record_flex(
        recording,
        next(links),
        writer,
        reopen=lambda: next(((link, hello) for link in links), None),
        now_s=lambda: next(seconds),
        say=said.append,
        asked_to_stop=lambda: False,
        give_up_s=600,
    )
    writer.close()
    write_flex_description(folder, description)
    return recording, said


def hello_of(boot: int) -> Hello:
    return Hello(1, "1.0.0", "7F3A91C2", boot, 1, 1000)


def test_pulled_cable_costs_only_the_cycles_meanwhile(tmp_path: Path) -> None:
    links = iter(
        [
            ScriptedLink([frame("ok,flex-start"), flex_line(1), flex_line(2), None]),
            ScriptedLink([flex_line(7), flex_line(8), frame("flex-end,8,16000000,done")]),
        ]
    )
    recording, said = run_scripted(
        tmp_path / "run", links, hello_of(17), seconds=iter(float(i) / 10 for i in range(1000))
    )
    assert recording.ended == "done"
    assert recording.lost_cycles == 4
    assert any("flexes on by itself" in text for text in said)
    _, verdicts, _ = read_flex_run(tmp_path / "run", None)
    assert (verdicts[0].cycles_run, verdicts[0].rows_missing) == (8, 4)


def test_board_that_started_again_ends_the_run(tmp_path: Path) -> None:
    links = iter([ScriptedLink([frame("ok,flex-start"), flex_line(1), None]), ScriptedLink([])])
    recording, _ = run_scripted(
        tmp_path / "run", links, hello_of(18), seconds=iter(float(i) / 10 for i in range(1000))
    )
    assert recording.ended == "board-restarted"


def test_board_that_stays_away(tmp_path: Path) -> None:
    links = iter([ScriptedLink([frame("ok,flex-start"), flex_line(1), None])])
    recording, _ = run_scripted(
        tmp_path / "run", links, hello_of(17), seconds=iter(float(i * 60) for i in range(1000))
    )
    assert recording.ended == "link-lost"
    assert (tmp_path / "run" / "flex.csv").read_bytes().count(b"\n") == 2


@pytest.mark.parametrize(
    ("reason", "words"),
    [("fitted", "no flex rig"), ("busy", "already flexing"), ("range", "settings")],
)
def test_refusals_in_words(tmp_path: Path, reason: str, words: str) -> None:
    links = iter([ScriptedLink([frame(f"no,flex-start,{reason}")])])
    with pytest.raises(BenchError, match=words):
        run_scripted(tmp_path / "run", links, hello_of(17), seconds=iter(map(float, range(9))))


def test_names_of_specimens() -> None:
    assert mounted_specimens(["S1=stranded, relief", "S2"]) == [
        ("S1", "stranded, relief"),
        ("S2", ""),
    ]
    for wrong in ([], ["a", "a"], ["a", "b", "c", "d", "e"], ["=x"]):
        with pytest.raises(BenchError, match="one to four specimens"):
            mounted_specimens(wrong)


@pytest.mark.slow
def test_log_command_on_a_served_board(tmp_path: Path) -> None:
    """Through the port, and again with --resume after it was stopped by its cycles."""
    board = vest.vest_board(joints=new_joints(SOLID, 2, seed=5))
    folder = tmp_path / "run"
    names = ["--specimen", "S1=solid", "--specimen", "S2=solid"]
    with BoardServer(board, best_link(), time_factor=0.0) as server:
        common = [str(folder), "--port", server.port]
        first = CliRunner().invoke(flex, ["log", *common, *names, "--cycles", "60"])
        assert first.exit_code == 0, first.output
        assert "SIMULATED" in first.output
        assert "all cycles asked for are done" in first.output
        again = CliRunner().invoke(flex, ["log", *common, *names])
        assert isinstance(again.exception, BenchError)
        assert "not empty" in str(again.exception)
        other = CliRunner().invoke(flex, ["log", *common, "--resume", "--specimen", "S9=solid"])
        assert "begun with other specimens" in str(other.exception)
        still = CliRunner().invoke(
            flex, ["log", str(tmp_path / "still"), *names, "--angles", "90", "92"]
        )
        assert "bends nothing" in str(still.exception)
        assert not (tmp_path / "still").exists()
        done = CliRunner().invoke(flex, ["log", *common, "--resume"])
        assert "are done" in str(done.exception)
        more = CliRunner().invoke(flex, ["log", *common, "--resume", "--cycles", "90"])
        assert more.exit_code == 0, more.output
    rows, _ = read_flex_rows(folder)
    assert [seen.cycle for seen in rows[1]] == list(range(1, 91))
    assert read_flex_description(folder).cycle_offset == 60
    description = read_flex_description(folder)
    assert (description.end_reason, description.simulated) == ("done", True)


def test_resume_goes_on_counting(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    record_simulated(folder, new_joints(SOLID, 1, seed=5), "solid", cycles=30)
    description = read_flex_description(folder)
    recording = FlexRecording(description, boot=1, attach=True)
    for cycles in read_flex_rows(folder)[0].values():
        for seen in cycles:
            recording.watches[1].feed(seen)
    recording.feed(Answer("flex-start", True))
    recording.feed(Flex(1, 1, 1, 10.0, 10.1, 0.15, 0.15, 0, 0))
    assert recording.take_rows().startswith(b"31,")


def test_resume_joins_a_rig_that_is_still_flexing(tmp_path: Path) -> None:
    """The logger died, the board did not: its count goes on, what was missed is told."""
    folder = tmp_path / "run"
    record_simulated(folder, new_joints(SOLID, 1, seed=5), "solid", cycles=30)
    recording = FlexRecording(read_flex_description(folder), boot=1, attach=True)
    resumed_watches(recording, read_flex_rows(folder)[0])
    recording.feed(Answer("flex-start", False, "busy"))
    recording.feed(Flex(41, 1, 1, 10.0, 10.1, 0.15, 0.15, 0, 0))
    assert recording.take_rows().startswith(b"41,")
    assert any("still flexing" in text for text in recording.events)


def test_judge_without_cycles() -> None:
    with pytest.raises(BenchError, match="no flex cycle"):
        judge([], Criterion(), "S1")


def test_a_full_disk_and_a_moved_folder_cost_no_cycle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rig flexes on: rows wait in memory, and what befell the run stands in its events."""
    folder = tmp_path / "run"
    create_run_folder(folder)
    description = FlexDescription((MountedJoint(1, "S1", "g"),), cycles=100)
    recording = FlexRecording(description, boot=17)
    seconds = iter(float(each) for each in range(1000))
    writer = FlexWriter(folder, lambda: next(seconds))
    real_write = os.write

    def refuse(fd: int, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    turns = iter(range(1000))

    def upset() -> bool:
        turn = next(turns)
        if turn == 10:
            monkeypatch.setattr("os.write", refuse)
            folder.rename(tmp_path / "bench two")
        elif turn == 25:
            monkeypatch.setattr("os.write", real_write)
        return False

    said: list[str] = []
    lines = [frame("ok,flex-start"), *(flex_line(each) for each in range(1, 40))]
    record_flex(
        recording,
        ScriptedLink([*lines, frame("flex-end,39,78000000,done")]),
        writer,
        reopen=lambda: None,
        now_s=lambda: next(seconds),
        say=said.append,
        asked_to_stop=upset,
        give_up_s=600,
    )
    writer.close()
    assert any("was moved while recording" in text for text in said)
    assert any("No space left on device): rows are kept in memory" in text for text in said)
    rows, damaged = read_flex_rows(tmp_path / "bench two")
    assert [seen.cycle for seen in rows[1]] == list(range(1, 40))
    assert damaged == 0
    assert sorted(item.name for item in (tmp_path / "bench two").iterdir()) == ["flex.csv"]
