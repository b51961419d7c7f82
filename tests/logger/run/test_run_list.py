"""Whether a run's description alone is read, or left."""

from pathlib import Path

import pytest

from logger.run.format import DESCRIPTION_NAME, RUN_KEY
from logger.run.run_list import described


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
    assert found is None
