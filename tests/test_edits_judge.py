"""Does the judge of killed edits see what must not be? Folders as no careful edit leaves them."""

import json
from pathlib import Path

import pytest

from tests.benchmarks.faults_judge.edits import (
    DESCRIPTION,
    OURS,
    SAMPLES,
    fault,
    look,
    named_photos_of,
    wrong_with,
)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    (tmp_path / SAMPLES).write_bytes(b"time_s,pack_v\r\n0.5,4.5\r\n")
    describe(tmp_path, title="old")
    return tmp_path


def describe(run: Path, **part: object) -> None:
    (run / DESCRIPTION).write_bytes(json.dumps({OURS: part}).encode())


def test_old_and_new_are_both_right(run: Path) -> None:
    before = look(run)
    intended = json.dumps({OURS: {"title": "new", "history": [{"utc": "22:00"}]}}).encode()
    assert wrong_with(run, before, intended) == ""
    describe(run, title="new", history=[{"utc": "22:01"}])
    assert wrong_with(run, before, intended) == ""


def test_half_a_description_and_one_between_are_seen(run: Path) -> None:
    before = look(run)
    intended = json.dumps({OURS: {"title": "new", "history": [{}]}}).encode()
    describe(run, title="new")
    assert wrong_with(run, before, intended) == "a description neither old nor new"
    whole = (run / DESCRIPTION).read_bytes()
    (run / DESCRIPTION).write_bytes(whole[:-4])
    assert wrong_with(run, before, intended) == "half a description"


def test_a_touched_sample_is_a_loss(run: Path) -> None:
    before = look(run)
    with (run / SAMPLES).open("ab") as samples:
        samples.write(b"1.0,4.5\r\n")
    found = wrong_with(run, before, None)
    assert fault("edits killed", [found, ""], 0, []).lost == 1


def test_photos_of_the_history_need_not_be_there(run: Path) -> None:
    describe(run, photos=[{"file": "photos/b.jpg"}], history=[{"changed": "photos/a.jpg"}])
    assert named_photos_of(run) == {"b.jpg"}
