"""The fuzzer's targets hold on sound files, and say so when a promise is broken."""

from dataclasses import replace
from pathlib import Path

import pytest

from logger.run.reader import Run, read_run
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
    def inventive(folder: Path) -> Run:
        run = read_run(folder)
        time_s = run.samples["time_s"].to_numpy().copy()
        time_s[-1] += 0.25
        return replace(run, samples=run.samples.assign(time_s=time_s))

    monkeypatch.setattr(fuzz_targets, "read_run", inventive)
    sound = seeds("run")[0]
    assert CUT in sound
    with pytest.raises(AssertionError, match="nobody wrote"):
        run_target(sound, tmp_path)


FOUND = {
    "import": [
        # One sign as decimal sign in one column and between thousands in another.
        b"4,512;48,2\r\n-;4,511;48,3\r\n2;42509;51,0\r\n",
    ]
}


@pytest.mark.parametrize(
    ("name", "data"), [(name, data) for name, found in FOUND.items() for data in found]
)
def test_what_the_fuzzer_found_stays_mended(name: str, data: bytes, tmp_path: Path) -> None:
    TARGETS[name](data, tmp_path)
