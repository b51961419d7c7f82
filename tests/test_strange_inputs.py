"""A pipe, a device, a socket or a folder in place of a file: refused in words at once, by every command that reads."""

import os
import shlex
from pathlib import Path
from typing import Final

import pytest

from tests.support.hostile_runs import STRANGE, sound_run
from tests.support.places import VEST_BUDGET
from tests.support.planting import ended_of, from_command

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="plants pipes, sockets and devices"),
]
# ``X``: what is strange.
COMMANDS: Final = (
    "check X",
    "rundown X",
    "rundown run --before-wash X",
    "forecast run --budget X",
    "forecast X",
    "compare run X",
    "report X",
    "report run --budget X",
    "sheet X",
    "pictures X",
    "list X",
    "budget X",
    "budget vest.toml X",
    "budget vest.toml --pack-run X",
    "flex life X",
    "flex wash X",
    "import X made",
    "import X --dry-run",
    "import meter.txt made --mapping X",
    "import meter.txt made --accuracy X",
    "calibrate --attach run --from X",
    "watch X",
)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path / "config"))
    sound_run(tmp_path / "run")
    (tmp_path / "vest.toml").write_text(VEST_BUDGET.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "meter.txt").write_text("t (s);Voltage (V)\n0;4.5\n1;4.4\n2;4.3\n")
    return tmp_path


@pytest.mark.parametrize("command", COMMANDS)
def test_strange_input_is_refused_in_words(bench: Path, command: str) -> None:
    for kind, plant in STRANGE.items():
        plant(bench / kind)
        words = shlex.split(command.replace("X", kind))
        ended, said = ended_of(from_command(*words))
        assert ended == "refused", (kind, ended, said)
        assert kind in said, "its name is said, so it was not refused for something else"
        assert "Usage" not in said or f"'{kind}' is a directory" in said
        assert "fault of the program" not in said
        assert not (bench / "made").exists()
