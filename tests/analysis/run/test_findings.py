"""What counts for every result is said first."""

import shutil
from pathlib import Path

from analysis.run.ending.ends import End
from analysis.run.rundown import rundown
from logger.run.format import DESCRIPTION_NAME
from logger.run.reader import read_run
from tests.support.places import ROOT


def test_what_a_torn_description_had_explained_is_not_held_against_the_piece(
    tmp_path: Path,
) -> None:
    """The night's vest limps at its end; without marks, pack and modes nobody can say that no hand did it."""
    run = shutil.copytree(ROOT / "sample_runs" / "night-ride-vest", tmp_path / "run")
    sound = rundown(read_run(run), 2.7).lifetime
    assert sound.ended
    described = run / DESCRIPTION_NAME
    described.write_bytes(described.read_bytes()[:700])
    read = read_run(run)
    result = rundown(read, None)
    assert read.description.lost
    assert result.lifetime.end is End.UNSURE
    assert not result.lifetime.ended
    assert result.lifetime.time.value is None
    assert result.lifetime.time.lower == result.lifetime.readings[0].time_s
    assert result.warnings[0].startswith(f"the description {DESCRIPTION_NAME} cannot be read")
