"""The screen of ``drawbench flex life``: short, whole, ready to paste; and what it keeps beside the table."""

import json
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.commands.flex import flex
from analysis.flex.verdict import MEANING
from logger.base.errors import BenchError
from tests.support.places import SAMPLES

MIXED = """specimen;group;strip;cycles;failed;how;bend_radius_mm
S1;stranded;a;4801;nein;stopped whole;5
S2;stranded;a;4807;nein;taken out, frayed;5
S3;stranded;b;3203;ja;broke at solder joint;5
S4;stranded;b;4409;ja;wire broke beside the joint;5
S5;solid;c;601;ja;wire broke beside the joint;5
S6;solid;c;803;ja;wire broke beside the joint;5
S7;solid;d;1207;ja;broke at joint;5
S8;solid;d;1009;ja;broke at joint;8
"""


def run(*arguments: object) -> str:
    result = CliRunner().invoke(flex, [*map(str, arguments)])
    assert result.exit_code == 0, result.exception
    return result.output.replace("\u00a0", " ")


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    path = tmp_path / "my joints.csv"
    path.write_text(MIXED, encoding="utf-8")
    return path


@pytest.mark.slow
def test_the_answer_fits_a_tired_person(mixed: Path) -> None:
    for table in (SAMPLES / "vest-joints-by-hand.csv", mixed):
        shown = run("life", table, "--wearings", 12, "--at", "elbow")
        assert len(shown.split()) <= 200
        assert max(map(len, shown.splitlines())) <= 80
        assert shown.count("Next: ") == 1
        assert "pack out" in shown


@pytest.mark.slow
def test_the_next_command_can_be_pasted(mixed: Path) -> None:
    shown = run("life", mixed)
    line = next(line.strip() for line in shown.splitlines() if line.startswith("  drawbench"))
    words = shlex.split(line)
    assert words[:3] == ["drawbench", "flex", "life"]
    assert words[3] == str(mixed)
    assert run(*words[2:])


@pytest.mark.slow
def test_one_word_everywhere(mixed: Path) -> None:
    """Terminal, page and JSON say the same word of each group."""
    options = ("life", mixed, "--cycles", 4800)
    document = json.loads(run(*options, "--json"))
    brief, details = run(*options), " ".join(run(*options, "--details").split())
    run(*options, "--report", mixed.parent / "page")
    page = (mixed.parent / "page" / "report.md").read_text(encoding="utf-8")
    for group in document["groups"]:
        assert group["verdict"] in brief
        assert f"With {group['group']}" in details
        assert group["verdict"] in page
    assert set(document["verdicts_mean"]) == set(MEANING)
    for word, meaning in MEANING.items():
        assert word in details
        assert meaning in details


def test_a_look_is_kept_beside_the_table(tmp_path: Path) -> None:
    path = tmp_path / "j.csv"
    head = "specimen,cycles,failed\n"
    rows = [f"S{i},{5001 + i},no\n" for i in range(37)]
    path.write_text(head + "B,401,yes\n" + "".join(rows[:21]), encoding="utf-8")
    assert "not shown" in run("life", path, "--cycles", 4800)
    kept = json.loads((tmp_path / "j.looks.json").read_text(encoding="utf-8"))
    assert [(look["joints"], look["failures"]) for look in kept["looks"]] == [(22, 1)]
    path.write_text(head + "B,401,yes\n" + "".join(rows), encoding="utf-8")
    told = run("life", path, "--cycles", 4800)
    assert "indicated" in told
    assert "no plan was made" in " ".join(told.split())
    assert "indicated" in run("life", path, "--cycles", 4800)  # the same look again changes nothing


@pytest.mark.slow
def test_a_demonstration_leaves_no_looks() -> None:
    table = SAMPLES / "vest-joints-by-hand.csv"
    run("life", table, "--cycles", 400)
    assert not table.with_suffix(".looks.json").exists()


def test_a_damaged_file_of_looks_is_told(mixed: Path) -> None:
    mixed.with_suffix(".looks.json").write_text("{", encoding="utf-8")
    result = CliRunner().invoke(flex, ["life", str(mixed)])
    assert isinstance(result.exception, BenchError)
    assert "looks" in str(result.exception)


def test_radius_in_the_table_against_the_option(tmp_path: Path) -> None:
    path = tmp_path / "j.csv"
    path.write_text(
        "specimen,cycles,failed,bend_radius_mm\nS1,401,yes,5\nS2,507,yes,5\n", encoding="utf-8"
    )
    arguments = ["life", str(path), "--cycles", "4800", "--wire", "24 solid", "--worn-radius", "20"]
    result = CliRunner().invoke(flex, [*arguments, "--bench-radius", "8"])
    assert isinstance(result.exception, BenchError)
    assert "5 mm" in str(result.exception)
    assert "8 mm" in str(result.exception)


@pytest.mark.parametrize(("worn_mm", "words"), [(20, "above ten"), (200, "beyond a hundred")])
def test_a_great_acceleration_is_cautioned(tmp_path: Path, worn_mm: float, words: str) -> None:
    """Strain of 0.51 mm at 5 mm and at 20 mm: ratio 3.9, squared 15; at 200 mm 1,450."""
    path = tmp_path / "j.csv"
    lines = "".join(f"S{i},{90_001 + i},no,5\n" for i in range(30))
    path.write_text("specimen,cycles,failed,bend_radius_mm\n" + lines, encoding="utf-8")
    shown = run(
        "life", path, "--cycles", 4800, "--wire", "24 solid", "--worn-radius", worn_mm, "--exponent", 2
    )  # fmt: skip
    assert words in " ".join(shown.split())
    assert ("indicated" in shown) is (worn_mm == 200)


def test_a_median_without_an_upper_end(tmp_path: Path) -> None:
    """Looked at every 200; with a whole one among six nobody saw the upper end of the median."""
    path = tmp_path / "j.csv"
    cells = [(600, "yes"), (800, "yes"), (1000, "yes"), (600, "yes"), (1200, "yes"), (1400, "no")]
    lines = "".join(f"S{i},{cycles},{failed}\n" for i, (cycles, failed) in enumerate(cells))
    path.write_text("specimen,cycles,failed\n" + lines, encoding="utf-8")
    assert "or more)" in run("life", path, "--cycles", 500)


def test_what_gave_up_and_too_early_are_in_the_short_screen(tmp_path: Path) -> None:
    path = tmp_path / "j.csv"
    good = [6203, 6911, 7402, 7707, 8109, 8311, 8613, 9101, 9307, 9909, 10203, 10407]
    lines = "".join(f"S{i},{cycles},yes,joint\n" for i, cycles in enumerate(good))
    path.write_text(
        f"specimen,cycles,failed,how\n{lines}B1,61,yes,wire beside the joint\nB2,90,yes,joint\n",
        encoding="utf-8",
    )
    told = " ".join(run("life", path, "--cycles", 4800).split())
    assert "What gave up: the joint 13; the wire beside the joint 1." in told
    assert "B1 (row 14), B2 (row 15) failed too early" in told
    assert "Look at those joints" in told


def test_beyond_a_hundred_the_next_step_is_a_wider_radius(tmp_path: Path) -> None:
    """Exponent 2: ten worn bends for one at sqrt(10) times the worn strain; 0.511 / (2 R + 0.511)."""
    path = tmp_path / "j.csv"
    lines = "".join(f"S{i},{90_001 + i},no,5\n" for i in range(30))
    path.write_text("specimen,cycles,failed,bend_radius_mm\n" + lines, encoding="utf-8")
    shown = run("life", path, "--cycles", 48000, "--wire", "24 solid", "--worn-radius", 200, "--exponent", 2)  # fmt: skip
    worn = 0.511 / (400 + 0.511)
    radius = 0.511 * (1 / (worn * 10**0.5) - 1) / 2
    assert f"bend round {radius:.2g} mm or wider" in shown
    assert "drawbench flex plan --cycles 4800 " in shown
