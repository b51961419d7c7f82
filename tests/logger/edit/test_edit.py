"""An edit changes the description alone, as one step, and the run's history says so."""

import hashlib
import json
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.base.clock import Moment
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.edit import edit as editing
from logger.edit.changes import Changes
from logger.edit.edit import description_now, edit_run, undo
from logger.edit.words import corrected_words, history_words
from logger.run.description import Description, Stop, from_document
from logger.run.edited.statements import Cutoff, Trim
from logger.run.format import DESCRIPTION_NAME, RUN_KEY, SAMPLES_NAME
from logger.run.writer import SampleWriter
from tests.support.page_bench import make_run

PACK = Pack("alkaline", 3, "AA")
MOMENT = Moment(0.0, 0.0, 1_795_000_000.0)  # 2026-11-18


def now() -> Moment:
    return MOMENT


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return make_run(
        tmp_path / "run", rows=100, state="ended", title="vest", pack=PACK, notes="one\ntwo",
        stop=Stop(cutoff_v=2.7, hold_s=10.0), end_reason="cutoff", marks=("lights on",),
    )  # fmt: skip


def document(run: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((run / DESCRIPTION_NAME).read_text(encoding="utf-8"))
    return found


def described(run: Path) -> Description:
    found, problems = from_document(document(run))
    assert not problems
    return found


def test_what_is_asked_for_changes_and_nothing_else(run: Path) -> None:
    samples = hashlib.sha256((run / SAMPLES_NAME).read_bytes()).hexdigest()
    stamp = (run / SAMPLES_NAME).stat().st_mtime_ns
    raw = document(run)
    raw["of another program"] = raw[RUN_KEY]["of a newer one"] = {"kept": [1, 2]}
    (run / DESCRIPTION_NAME).write_text(json.dumps(raw))
    done = edit_run(
        run, Changes(title="  Vest \n two ", pack="2x AA nimh 2000 mAh, used", need_s=3600.0, fresh=True, temperature_c=21), clock=now
    )  # fmt: skip
    found = document(run)
    wanted = raw[RUN_KEY] | {
        "title": "Vest two",
        "pack": {"chemistry": "nimh", "cells": 2, "size": "AA", "capacity_mah": 2000.0, "used": True},
        "need_s": 3600.0, "fresh": True, "temperature_c": 21.0,
    }  # fmt: skip
    assert {key: value for key, value in found[RUN_KEY].items() if key != "history"} == {
        key: value for key, value in wanted.items() if key != "history"
    }
    assert found["dc:title"] == "Vest two"
    assert found["of another program"] == raw["of another program"]
    (entry,) = found[RUN_KEY]["history"]
    assert entry["utc"] == MOMENT.utc
    assert entry["changed"]["title"] == ["vest", "Vest two"]
    assert set(entry["changed"]) == {"title", "pack", "need_s", "fresh", "temperature_c"}
    assert done.description == described(run)
    assert done.changed[0] == 'title: "vest" -> "Vest two"'
    assert hashlib.sha256((run / SAMPLES_NAME).read_bytes()).hexdigest() == samples
    assert (run / SAMPLES_NAME).stat().st_mtime_ns == stamp


def test_the_recordings_own_cutoff_stays_beside_the_new_one(run: Path) -> None:
    edit_run(run, Changes(cutoff_v=2.9))
    found = described(run)
    assert found.stop == Stop(cutoff_v=2.7, hold_s=10.0)
    assert found.cutoff == Cutoff(2.9, 10.0)
    assert (found.asked.cutoff_v, found.asked.hold_s) == (2.9, 10.0)
    edit_run(run, Changes(hold_s=0.0))
    assert described(run).asked.hold_s == 0.0
    edit_run(run, Changes(cutoff_v=None))
    assert described(run).cutoff is None
    assert described(run).asked == described(run).stop


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        (Changes(pack="3x AA paper"), "not understood"),
        (Changes(pack="3x AA alkaline + nimh"), "not understood|mixes"),
        (Changes(cutoff_v=27.0), "above a full pack"),
        (Changes(cutoff_v=1.0), "below the floor"),
        (Changes(pack="1x AA alkaline"), "above a full pack"),
        (Changes(cutoff_v=-1.0), "not possible"),
        (Changes(cutoff_v=float("nan")), "not possible"),
        (Changes(need_s=1e9), "not possible"),
        (Changes(need_s=0.0), "not possible"),
        (Changes(temperature_c=200.0), "not possible"),
        (Changes(title="x" * 201), "too long"),
        (Changes(trim=("8s", "2s")), "leave nothing"),
        (Changes(trim=("2h", None)), "leave nothing"),
        (Changes(trim=("noon", None)), "not understood"),
        (Changes(cutoff_v=None, hold_s=5.0), "hold without a cutoff"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_nothing_changed(
    run: Path, changes: Changes, says: str
) -> None:
    before = (run / DESCRIPTION_NAME).read_bytes()
    with pytest.raises(BenchError, match=says):
        edit_run(run, changes)
    assert (run / DESCRIPTION_NAME).read_bytes() == before


def test_a_cutoff_below_the_floor_is_taken_where_it_is_meant(run: Path) -> None:
    edit_run(run, Changes(cutoff_v=1.0, below_floor=True))
    assert described(run).asked.cutoff_v == 1.0


def test_nothing_is_written_where_all_stands_there_already(run: Path) -> None:
    before = (run / DESCRIPTION_NAME).stat()
    assert (
        edit_run(run, Changes(title="vest", pack="3x AA alkaline", notes="one\ntwo")).changed == ()
    )
    assert (run / DESCRIPTION_NAME).stat().st_mtime_ns == before.st_mtime_ns


def test_undo_goes_back_step_by_step_and_the_history_only_grows(run: Path) -> None:
    first = document(run)[RUN_KEY]
    edit_run(run, Changes(title="two", need_s=60.0))
    edit_run(run, Changes(title="three", trim=("2s", "8s")))
    assert described(run).trim == Trim(2.0, 8.0, 10.0)
    assert undo(run).description.title == "two"
    assert described(run).trim is None
    edit_run(run, Changes(author="me"))
    assert undo(run).description.author == ""
    assert undo(run).description.title == "vest"
    last = document(run)[RUN_KEY]
    assert {k: v for k, v in last.items() if k != "history"} == {
        k: v for k, v in first.items() if k != "history"
    }
    with pytest.raises(BenchError, match="nothing to take back"):
        undo(run)
    told = history_words(described(run).history)
    assert len(told) == 6
    assert "took back 2" in told[2]
    assert [change.undoes for change in described(run).history] == [None, None, 1, None, 3, 0]


def test_what_stands_there_says_when_it_was_corrected_and_what_it_was(run: Path) -> None:
    edit_run(run, Changes(pack="2x AA alkaline", cutoff_v=2.0), clock=now)
    assert corrected_words(described(run), "pack") == "corrected on 2026-11-18, was 3x AA alkaline"
    assert corrected_words(described(run), "title") == ""
    undo(run)
    assert corrected_words(described(run), "pack") == ""


@pytest.mark.slow
def test_what_is_being_recorded_is_left_alone(tmp_path: Path) -> None:
    run = tmp_path / "run"
    run.mkdir()
    make_run(tmp_path / "other", state="recording")
    writer = SampleWriter(run)
    try:
        (run / DESCRIPTION_NAME).write_bytes((tmp_path / "other" / DESCRIPTION_NAME).read_bytes())
        with pytest.raises(BenchError, match="is being recorded") as caught:
            edit_run(run, Changes(title="x"))
        assert "mark" in caught.value.next_step
    finally:
        writer.close()
    # Cut off by a crash: nobody holds it any more.
    assert edit_run(run, Changes(title="x")).description.title == "x"


@pytest.mark.slow
def test_two_edits_at_once_both_count(run: Path) -> None:
    failed: list[BaseException] = []

    def work(name: str) -> None:
        try:
            for number in range(3):
                edit_run(run, replace(Changes(), **{name: f"{name} {number}"}))  # type: ignore[arg-type]
        except BaseException as error:  # noqa: BLE001
            failed.append(error)

    threads = [threading.Thread(target=work, args=(name,)) for name in ("title", "author", "load")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert not failed
    found = described(run)
    assert (found.title, found.author, found.load) == ("title 2", "author 2", "load 2")
    assert len(found.history) == 9


@pytest.mark.parametrize(
    "data", [b"", b"{", b"[]", b"null", b'{"x": 1}', b'{"urn:drawbench:run": 3}']
)
def test_a_damaged_description_is_not_written_over(run: Path, data: bytes) -> None:
    (run / DESCRIPTION_NAME).write_bytes(data)
    for act in (lambda: edit_run(run, Changes(title="x")), lambda: undo(run), lambda: description_now(run)):  # fmt: skip
        with pytest.raises(BenchError, match="damaged"):
            act()
    assert (run / DESCRIPTION_NAME).read_bytes() == data


def test_no_description_is_no_run_to_correct(run: Path) -> None:
    (run / DESCRIPTION_NAME).unlink()
    with pytest.raises(BenchError, match="no description") as caught:
        edit_run(run, Changes(title="x"))
    assert "import" in caught.value.next_step
    assert not (run / DESCRIPTION_NAME).exists()


HOSTILE: list[Any] = [
    None, 5, "x", [1, None, "x", {}], [{"utc": "2026", "changed": {"title": ["a"]}}],
    [{"utc": "2026", "changed": {"title": [[], {}]}}], [{"utc": "2026", "changed": {"pack": ["x", None]}}],
    [{"utc": "2026", "changed": {"need_s": [float("nan"), 1]}}], [{"utc": "2026", "changed": {"trim": [{"begin_s": 5, "end_s": 1, "of_s": 9}, None]}}],
    [{"utc": "2026", "changed": {"photos": [[{"file": "../../x"}], []]}}], [{"utc": "2026", "changed": {"stop": [{}, {}], "events": [[], []]}}],
    [{"utc": "2026", "changed": {}, "undoes": 10**30}] * 3, [{"utc": "2026", "changed": {"notes": ["\u202e\x1b[2J", ""]}}],
    [{"utc": "x" * 1000, "changed": {"x" * 1000: [["y" * 10000] * 3, 10**400]}}],
]  # fmt: skip


@pytest.mark.parametrize("history", HOSTILE, ids=lambda item: repr(item)[:40])
def test_a_strangers_history_breaks_nothing(run: Path, history: Any) -> None:
    raw = document(run)
    raw[RUN_KEY]["history"] = history
    (run / DESCRIPTION_NAME).write_text(json.dumps(raw))
    found = from_document(document(run))[0]
    assert all(len(line) < 2000 for line in history_words(found.history))
    before = document(run)[RUN_KEY]
    try:
        undo(run)
    except BenchError:
        assert document(run)[RUN_KEY] == before or "NaN" in json.dumps(before)
    after = document(run)[RUN_KEY]
    for name in ("stop", "events", "state", "started_utc", "sensor"):
        assert after[name] == before[name]
    assert edit_run(run, Changes(title="mine")).description.title == "mine"


@pytest.mark.slow
def test_a_history_without_end_is_cut_on_reading_and_refused_on_writing(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = document(run)
    raw[RUN_KEY]["history"] = [{"utc": "2026-01-01", "changed": {}, "undoes": None}] * 6000
    (run / DESCRIPTION_NAME).write_text(json.dumps(raw))
    assert len(from_document(document(run))[0].history) == 5000
    monkeypatch.setattr(editing, "_DOCUMENT_MOST", 100_000)
    before = (run / DESCRIPTION_NAME).read_bytes()
    with pytest.raises(BenchError, match="too long"):
        edit_run(run, Changes(title="x"))
    assert (run / DESCRIPTION_NAME).read_bytes() == before


def test_a_disk_that_refuses_leaves_the_old_one(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = (run / DESCRIPTION_NAME).read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(editing, "replace_document", full)
    with pytest.raises(BenchError, match="cannot be replaced; nothing was changed"):
        edit_run(run, Changes(title="x"))
    assert (run / DESCRIPTION_NAME).read_bytes() == before


@pytest.mark.parametrize("kind", ["link", "folder"])
def test_what_cannot_be_tidied_up_does_not_deny_the_change(run: Path, kind: str) -> None:
    photos = run / "photos"
    if kind == "link":
        photos.symlink_to(run.parent, target_is_directory=True)
    else:
        (photos / "photo-0123456789abcdef.jpg").mkdir(parents=True)
    assert edit_run(run, Changes(title="mine")).description.title == "mine"
    assert document(run)[RUN_KEY]["title"] == "mine"


@pytest.mark.parametrize("old", [float("nan"), float("inf")])
def test_what_is_no_json_is_no_change_that_can_be_taken_back(run: Path, old: float) -> None:
    raw = document(run)
    raw[RUN_KEY]["history"] = [{"utc": "2026-01-01", "changed": {"need_s": [old, 1.0]}}]
    (run / DESCRIPTION_NAME).write_text(json.dumps(raw))
    found, problems = from_document(document(run))
    assert not any(change.utc for change in found.history)
    assert problems == ["1 changes in the description's history are not usable"]


def test_what_was_no_number_goes_into_the_history_as_not_stated(run: Path) -> None:
    raw = document(run)
    raw[RUN_KEY]["need_s"] = float("nan")
    (run / DESCRIPTION_NAME).write_text(json.dumps(raw))
    assert edit_run(run, Changes(need_s=60.0)).description.history[-1].changed == {"need_s": [None, 60.0]}  # fmt: skip
    assert undo(run).description.need_s is None


def test_the_run_may_be_given_by_its_samples(run: Path) -> None:
    assert edit_run(run / SAMPLES_NAME, Changes(title="x")).folder == run
    with pytest.raises(BenchError, match="There is no run"):
        edit_run(run.parent / "other", Changes(title="x"))
    with pytest.raises(BenchError, match="is not a run"):
        edit_run(run.parent, Changes(title="x"))
