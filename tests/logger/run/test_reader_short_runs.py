"""Short runs go through a cheaper parser: it must give the same as the careful one, or hand over to it."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import logger.run.reader as run_reader
from logger.base.errors import BenchError
from logger.run.format import COLUMNS, SAMPLES_NAME
from logger.run.reader import Run, read_run
from logger.run.reading.parse import plain_columns

KNOWN = [column.name for column in COLUMNS]
HEADER = ["time_s", "sequence", "pack_v", "current_ma"]


def both_ways(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Run | str, Run | str]:
    def outcome() -> Run | str:
        try:
            return read_run(folder)
        except BenchError as error:
            return str(error)

    found = outcome()
    with monkeypatch.context() as patch:
        patch.setattr(run_reader, "plain_columns", lambda body, header: None)
        return found, outcome()


def assert_same(found: Run | str, wanted: Run | str) -> None:
    if isinstance(found, str) or isinstance(wanted, str):
        assert found == wanted
        return
    # The other parser may be off by the last bit (pandas: "fast" is not round-trip).
    pd.testing.assert_frame_equal(found.samples, wanted.samples, rtol=1e-15, atol=0)
    assert found.problems == wanted.problems
    assert found.rows_rejected == wanted.rows_rejected


number = st.one_of(
    st.decimals(-1000, 9000, places=6).map(str), st.integers(0, 10**12).map(str),
    st.sampled_from(["-0", "+1", "-.5", "7.", "00012.50", "123456789012345678901234567890.5"]),
)  # fmt: skip
odd = st.sampled_from(
    [
        "",
        " ",
        "nan",
        "inf",
        "-",
        ".",
        "--1",
        "1-2",
        "1.2.3",
        "1e3",
        "1e999",
        "0x1f",
        "1_0",
        "x",
        '"4"',
        "\0",
        "#",
        "\r",
        "1,2",
        "½",
    ]
)
cell = st.one_of(*[number] * 30, odd)
line = st.one_of(
    *[st.lists(cell, min_size=4, max_size=4)] * 12, st.lists(number, min_size=1, max_size=6)
)


@pytest.mark.slow
@settings(
    deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    lines=st.lists(line, max_size=12),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    last=st.booleans(),
    ordered=st.booleans(),
)
# What is left after the torn last row: a line end alone.
@example(lines=[["\r", *["0.000000"] * 3]], end="\n", last=False, ordered=False)
@example(lines=[[""]], end="\r\n", last=True, ordered=False)
def test_any_file_comes_out_as_from_the_careful_parser(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lines: list[list[str]], end: str, last: bool, ordered: bool
) -> None:  # fmt: skip
    rows = [[f"{n}.500000", *cells[1:]] if ordered else cells for n, cells in enumerate(lines)]
    text = end.join([",".join(HEADER), *(",".join(cells) for cells in rows)]) + (
        end if last else ""
    )
    (tmp_path / SAMPLES_NAME).write_bytes(text.encode())
    assert_same(*both_ways(tmp_path, monkeypatch))


def test_plain_numbers_take_the_short_way_and_come_out_to_the_last_bit(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    values = np.round(rng.normal(size=(500, 3)) * 10.0 ** rng.integers(-3, 4, (500, 3)), 6)
    lines = [",".join(f"{value:.6f}" for value in row) for row in values.tolist()]
    columns = plain_columns("\n".join(lines).encode(), ["pack_v", "mine", "bus_v"])
    assert columns is not None
    assert list(columns) == ["pack_v", "bus_v"]
    assert columns["pack_v"].tolist() == [float(line.split(",")[0]) for line in lines]
    assert columns["bus_v"].tolist() == [float(line.split(",")[2]) for line in lines]


def test_a_column_that_is_there_twice_is_taken_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / SAMPLES_NAME).write_text("time_s,pack_v,pack_v,odd\n1.0,4.5,9,7\n2.0,4.4,9,7\n")
    found, wanted = both_ways(tmp_path, monkeypatch)
    assert_same(found, wanted)
    assert isinstance(found, Run)
    assert found.samples["pack_v"].tolist() == [4.5, 4.4]
