"""``drawbench edit`` on a screen: what stands there, what became of it, and every other screen afterwards."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from PIL import Image

import drawbench
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME
from tests.support.hostile_runs import sound_run
from tests.support.word_counts import screen_here


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    sound_run(tmp_path / "run")
    return tmp_path


def asked(bench: Path, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(screen_here(["edit", "run", *words, "--json"], bench))
    return found


@pytest.mark.slow
def test_without_options_what_stands_there_and_what_changes_it(bench: Path) -> None:
    (bench / "run" / DESCRIPTION_NAME).touch()
    before = (bench / "run" / DESCRIPTION_NAME).stat().st_mtime_ns
    told = screen_here(["edit", "run"], bench)
    assert "pack               3x AA alkaline" in told
    assert '--pack "3x AA alkaline"' in told
    assert "cutoff             3 V, held 1" in told
    assert all(len(line) <= 79 for line in told.splitlines())
    assert (bench / "run" / DESCRIPTION_NAME).stat().st_mtime_ns == before


def test_each_option_reaches_its_field(bench: Path) -> None:
    told = asked(
        bench, "--title", "Vest", "--pack", "2x AA lithium-aa 3000 mAh", "--need", "6h", "--cutoff", "2.2V", "--hold", "20s",
        "--load-note", "24 LEDs", "--notes", "cold", "--author", "me", "--part-used", "--temperature", "21C", "--trim", "5s..30s",
    )  # fmt: skip
    now = told["now"]
    assert (now["title"], now["load"], now["notes"], now["author"]) == ("Vest", "24 LEDs", "cold", "me")  # fmt: skip
    assert (now["need_s"], now["fresh"], now["temperature_c"]) == (21600, False, 21)
    assert (now["pack"]["chemistry"], now["pack"]["cells"]) == ("lithium-aa", 2)
    assert now["cutoff"] == {"cutoff_v": 2.2, "hold_s": 20}
    assert told["stopped_by"]["cutoff_v"] == 3.0
    assert now["trim"] == {"begin_s": 5, "end_s": 30, "of_s": 40}
    assert len(told["history"]) == 1
    cleared = asked(bench, *(word for name in ("title", "pack", "need", "cutoff", "load-note", "notes", "author", "fresh", "temperature") for word in ("--clear", name)), "--no-trim")  # fmt: skip
    assert all(value in ("", None, []) for value in cleared["now"].values())
    assert [item["undoes"] for item in asked(bench, "--undo")["history"]] == [None, None, 1]
    assert asked(bench)["now"] == now


@pytest.mark.slow
def test_every_screen_says_that_only_a_part_counts(bench: Path) -> None:
    screen_here(["edit", "run", "--trim", "10s..30s"], bench)
    sound_run(bench / "other")
    for words in (
        ["rundown", "run"], ["check", "run"], ["compare", "run", "other"], ["forecast", "run"],
    ):  # fmt: skip
        told = " ".join(screen_here(words, bench).split())
        assert "rimmed: 10.0 s to 30.0 s of 40.0 s" in told, words
    (line,) = json.loads(screen_here(["list", "run", "--json"], bench))["runs"]
    assert line["warnings"][0].startswith("Trimmed: 10")
    assert "1 trimmed" in screen_here(["list", "run"], bench)
    assert "400 rows used" in screen_here(["check", "run"], bench)
    screen_here(["edit", "run", "--no-trim"], bench)
    assert "rimmed" not in screen_here(["rundown", "run"], bench)


def test_the_next_look_goes_by_what_was_corrected(bench: Path) -> None:
    before = screen_here(["check", "run"], bench)
    assert "lasted 15.1 s" in screen_here(["rundown", "run"], bench)
    screen_here(["edit", "run", "--cutoff", "4.0", "--need", "10s"], bench)
    told = screen_here(["rundown", "run"], bench)
    assert "Needed 10.0 s" in told
    assert "lasted 5.05 s: no" in told
    edited = "Edited 1 time: drawbench edit RUN --history.\n"
    assert screen_here(["check", "run"], bench).replace(edited, "") == before


def test_another_name(bench: Path) -> None:
    told = screen_here(["edit", "run", "--name", "vest-3", "--title", "x"], bench)
    assert "The run is now vest-3." in told
    assert sorted(item.name for item in bench.iterdir()) == ["vest-3"]
    assert 'folder: "run" -> "vest-3"' in screen_here(["edit", "vest-3", "--history"], bench)
    assert "The run is now run." in screen_here(["edit", "vest-3", "--undo"], bench)
    assert "Title" in screen_here(["edit", "run", "--undo"], bench)
    assert sorted(item.name for item in bench.iterdir()) == ["run"]


def test_inside_of_the_run(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "Vest" in screen_here(["edit", ".", "--title", "Vest"], bench / "run")
    assert "rows" not in screen_here(["edit", SAMPLES_NAME, "--name", "moved"], bench / "run")
    assert (bench / "moved" / SAMPLES_NAME).is_file()


def test_photos_with_captions_in_turn(bench: Path) -> None:
    for name in ("a", "b"):
        Image.new("RGB", (8 + ord(name), 8)).save(bench / f"{name}.png")
    told = asked(bench, "--photo", "a.png", "--caption", "front", "--photo", "b.png")
    assert [photo["caption"] for photo in told["now"]["photos"]] == ["front", ""]
    assert "photo 1: front" in screen_here(["edit", "run"], bench)
    assert len(asked(bench, "--no-photo", "1")["now"]["photos"]) == 1


def test_no_way_back_is_offered_from_a_photo_that_is_deleted(bench: Path) -> None:
    Image.new("RGB", (40, 20), "red").save(bench / "one.png")
    assert "--undo" in screen_here(["edit", "run", "--photo", "one.png"], bench)
    assert "--undo" not in screen_here(["edit", "run", "--no-photo", "1"], bench)
    assert "--undo" not in screen_here(["edit", "run", "--history"], bench)


def test_what_stands_there_fits_the_screen(bench: Path) -> None:
    Image.new("RGB", (40, 20), "red").save(bench / "one.png")
    words = ("--pack", "10x AA lithium-aa 2500 mAh", "--trim", "7s..23s", "--photo", "one.png", "--caption", "front " * 12)  # fmt: skip
    screen_here(["edit", "run", *words, "--cutoff", "12.5", "--hold", "1min20s"], bench)
    told = screen_here(["edit", "run"], bench)
    assert "7.00 s to 23.0 s" in told
    assert all(len(line) <= 79 for line in told.splitlines())


def test_what_was_made_of_it_before_is_named(bench: Path) -> None:
    (bench / "run" / "sheet").mkdir()
    told = screen_here(["edit", "run", "--title", "Vest"], bench)
    assert "Its sheet still says the old" in told
    assert "report" not in told
    assert "still says" not in screen_here(["edit", "run", "--title", "Vest"], bench)


def test_hostile_words_are_shown_and_do_nothing(bench: Path) -> None:
    screen_here(["edit", "run", "--title", "\x1b[2J\u202eevil", "--notes", "x" * 9000], bench)
    done = CliRunner().invoke(drawbench.cli, ["edit", str(bench / "run"), "--history"])
    assert done.exit_code == 0
    assert len(done.output) < 1000


def test_nothing_to_do_says_so(bench: Path) -> None:
    assert "Nothing changed" in screen_here(["edit", "run", "--need", "1h"], bench)
    assert "was never edited" in screen_here(["edit", "run", "--history"], bench)
