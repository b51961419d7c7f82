"""The fuzzer's targets hold on sound files, and say so when a promise is broken."""

from pathlib import Path

import pytest

from tests.support import fuzz_targets
from tests.support.fuzz_targets import CUT, TARGETS, run_target, seeds


@pytest.mark.parametrize("name", TARGETS)
def test_sound_and_cut_files_keep_the_promises(name: str, tmp_path: Path) -> None:
    for data in seeds(name):
        for piece in (
            data,
            data[: len(data) // 2],
            data[len(data) // 3 :],
            data.replace(b".", b","),
        ):
            TARGETS[name](piece, tmp_path)


def test_an_invented_row_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def inventive(folder: Path) -> object:
        run = read(folder)
        run.samples.loc[len(run.samples) - 1, "time_s"] += 0.25
        return run

    read = fuzz_targets.read_run
    monkeypatch.setattr(fuzz_targets, "read_run", inventive)
    sound = seeds("run")[0]
    assert CUT in sound
    with pytest.raises(AssertionError, match="nobody wrote"):
        run_target(sound, tmp_path)
