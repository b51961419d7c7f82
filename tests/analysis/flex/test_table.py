"""Tables of joints as people save them, by the judge's list, and what is said of them."""

from pathlib import Path

import pytest

from analysis.flex.table import flex_table, parse_flex_table, read_flex_table
from logger.base.errors import BenchError
from tests.benchmarks.joints_judge.tables import TABLES, ReadRow, Table, complaints, workbooks


def outcome(path: Path) -> tuple[ReadRow, ...] | str:
    """Rows as understood, or the words of the refusal."""
    try:
        specimens, _ = read_flex_table(path)
    except BenchError as error:
        return str(error)
    return tuple(
        ReadRow(
            item.name,
            item.broken_cycles if item.failed else item.whole_cycles,
            item.failed,
            item.group,
            item.how,
            item.whole_cycles if item.failed and item.whole_cycles < item.broken_cycles else None,
            item.bend_radius_mm,
            item.strip or None,
        )
        for item in specimens
    )


@pytest.mark.parametrize("table", [*TABLES, *workbooks()], ids=lambda table: table.name)
def test_dialects(table: Table, tmp_path: Path) -> None:
    path = tmp_path / f"joints{table.suffix}"
    path.write_bytes(table.content)
    assert complaints(table, outcome(path)) == ()


def test_a_workbook_without_its_library_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    path = tmp_path / "joints.xlsx"
    path.write_bytes(b"PK\x03\x04")
    assert "drawbench[xlsx]" in str(outcome(path))


def test_nothing_is_left_out_in_silence() -> None:
    text = "specimen,cycles,failed,colour\nS1,400,x,red\nS2,900,,blue\nS3,,,\n"
    specimens, notes = parse_flex_table(text, "t.csv")
    assert [item.failed for item in specimens] == [True, False]
    assert notes == (
        "t.csv: not used: column colour.",
        "t.csv: 1 row without cycles left out: not tested yet.",
        "t.csv: 1 row without a cross under failed taken as still whole.",
    )


def test_the_empty_table_comes_back_as_not_tested() -> None:
    with pytest.raises(BenchError, match="no tested specimen"):
        parse_flex_table(flex_table(["solid"], 3), "t.csv")
