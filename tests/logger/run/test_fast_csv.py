"""Long files go through another parser: it must give the same, or hand over to the careful one."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import logger.run.fast_csv as fast_csv
import logger.run.reader as run_reader
from logger.run.fast_csv import read_columns
from logger.run.format import COLUMN_BY_NAME, SAMPLES_NAME
from logger.run.reader import read_run
from logger.run.reading.order import MOST
from tests.support.page_bench import make_run


@pytest.fixture(autouse=True)
def short_files_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fast_csv, "WORTH_BYTES", 0)
    monkeypatch.setattr(fast_csv, "BLOCK_BYTES", 1000)
    monkeypatch.setattr(fast_csv, "BLOCK_ROWS", 30)


def careful(folder: Path, monkeypatch: pytest.MonkeyPatch) -> run_reader.Run:
    with monkeypatch.context() as patch:
        patch.setattr(run_reader, "_read_fast", lambda path: None)
        return read_run(folder)


def test_a_sound_file_gives_the_same_both_ways(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_run(tmp_path, rows=500)
    assert read_columns(folder / SAMPLES_NAME, COLUMN_BY_NAME) is not None
    pd.testing.assert_frame_equal(read_run(folder).samples, careful(folder, monkeypatch).samples, check_exact=True)  # fmt: skip


def test_numbers_as_the_logger_writes_them_come_out_to_the_last_bit(tmp_path: Path) -> None:
    """Fixed decimals up to the greatest credible value: fifteen digits at most. Judge: Python's own float."""
    rng = np.random.default_rng(7)
    names = [name for name in MOST if name != "time_s"]
    lines = []
    for n in range(3000):
        sizes = [rng.uniform(-1, 1) * MOST[name] ** rng.uniform(-1, 1) for name in names]
        numbers = zip(names, sizes, strict=True)
        lines.append([str(n), *(f"{x:.{COLUMN_BY_NAME[name].decimals}f}" for name, x in numbers)])
    text = "".join(",".join(line) + "\r\n" for line in [["time_s", *names], *lines])
    (tmp_path / SAMPLES_NAME).write_text(text, newline="")
    found = read_columns(tmp_path / SAMPLES_NAME, COLUMN_BY_NAME)
    assert found is not None
    for place, name in enumerate(names, start=1):
        assert found[name].tolist() == [float(line[place]) for line in lines]


def test_seventeen_digits_keep_fifteen(tmp_path: Path) -> None:
    """Another program's digits beyond what the logger writes: pandas' parser may miss the last ones."""
    rng = np.random.default_rng(7)
    values = rng.normal(size=3000) * 10.0 ** rng.integers(-6, 6, 3000)
    text = "".join(f"{n},{value!r}\n" for n, value in enumerate(values.tolist()))
    (tmp_path / SAMPLES_NAME).write_text("time_s,pack_v\n" + text)
    found = read_columns(tmp_path / SAMPLES_NAME, COLUMN_BY_NAME)
    assert found is not None
    np.testing.assert_allclose(found["pack_v"], values, rtol=1e-15, atol=1e-16)


@pytest.mark.parametrize("more", [",7", ","])
@pytest.mark.parametrize("long_row", [30, 60, 90])
def test_a_row_too_long_is_not_made_up_for_by_one_too_short(
    tmp_path: Path, long_row: int, more: str
) -> None:
    """The first row of a block is cut to the header's length in silence; the commas of the file add up all the same."""
    lines = [f"{n},4.5,80\n" for n in range(200)]
    lines[long_row], lines[150] = f"{long_row},4.5,80{more}\n", "150,4.5\n"
    (tmp_path / SAMPLES_NAME).write_text("time_s,pack_v,current_ma\n" + "".join(lines))
    assert read_columns(tmp_path / SAMPLES_NAME, COLUMN_BY_NAME) is None
    assert read_run(tmp_path).rows_rejected == 2


@pytest.mark.parametrize(
    "damage",
    [
        b"garbage\r\n", b"1,2\r\n", b"1,2,3,4,5,6,7,8,9,10,11,12,13\r\n", b"\0\0\0\r\n", b"nan,1,17,94,4,4,4,1,1,1,1,1\r\n",
        b"1,1,17,94,inf,4,4,1,1,1,1,1\r\n", b'"1",1,17,94,4,4,4,1,1,1,1,1\r\n', b"0x1,1,17,94,4,4,4,1,1,1,1,1\r\n",
        b"\r\n", b"1,1,17,94,4,4,4,1,1,1,1,1e999\r\n", b",1,17,94,4,4,4,1,1,1,1,1\r\n", b"1,1,17,94,,4,4,1,1,1,1,1\r\n",
        b"1;1;17\r\n", b"\xff\xfe\r\n", b"7.5,1,17,94,4.4,4",
    ],
)  # fmt: skip
@pytest.mark.parametrize("place", ["middle", "end"])
def test_damage_ends_as_the_careful_reader_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: bytes, place: str
) -> None:
    path = make_run(tmp_path, rows=200) / SAMPLES_NAME
    data = path.read_bytes()
    middle = data.index(b"\n", len(data) // 2) + 1 if place == "middle" else len(data)
    path.write_bytes(data[:middle] + damage + data[middle:])
    found, wanted = read_run(tmp_path), careful(tmp_path, monkeypatch)
    pd.testing.assert_frame_equal(found.samples, wanted.samples, check_exact=True)
    assert found.problems == wanted.problems
    assert found.rows_rejected == wanted.rows_rejected
