"""Whether a run's description alone is read, or left."""

import json
from pathlib import Path

import numpy as np
import pytest

from logger.run import run_list
from logger.run.format import DESCRIPTION_NAME, RUN_KEY
from logger.run.run_list import described
from tests.support.runs_by_formula import sampled_run, stored


@pytest.mark.parametrize("depths", [range(900, 1010), (100_000,)])
@pytest.mark.parametrize(("opened", "closed"), [("[", "]"), ('{"a":', "}")])
def test_a_description_of_any_depth_is_read_or_left(
    tmp_path: Path, depths: range, opened: str, closed: str
) -> None:
    for depth in depths:
        nested = f"{opened * depth}1{closed * depth}"
        (tmp_path / DESCRIPTION_NAME).write_text(f'{{"{RUN_KEY}": {{"pack": {nested}}}}}')
        found = described(tmp_path)
        assert found is None or found.pack is None
        # How deep an interpreter goes differs: 3.13 reads 1009 levels, 3.11 does not.
        assert found is None or depth < 100_000


def test_a_description_is_read_once_as_long_as_it_stays_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = stored(tmp_path, sampled_run(np.arange(3.0), np.full(3, 4.0), title="owl"))
    read: list[Path] = []

    def reading(file: Path) -> object:
        read.append(file)
        return json.loads(file.read_text(encoding="utf-8"))

    monkeypatch.setattr(run_list, "read_json", reading)
    first, again = described(path), described(path)
    assert first is not None
    assert (first.title, again) == ("owl", first)
    assert len(read) == 1
    file = path / DESCRIPTION_NAME
    file.write_text(file.read_text(encoding="utf-8").replace("owl", "moth"), encoding="utf-8")
    changed = described(path)
    assert changed is not None
    assert changed.title == "moth"
    file.unlink()
    assert described(path) is None
