"""Every command ends with what to do next, ready to paste: the last line is a command that can be read back."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pytest
from click.testing import CliRunner

import drawbench
from analysis.commands.flex import flex
from firmware_probe.twin import vest
from firmware_probe.twin.joints import JOINT_KINDS, new_joints
from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import BoardServer
from tests.support.next_command import read_back
from tests.support.places import ROOT
from tests.support.word_counts import bench_folder

NIGHT, EVENING, FAULTS = "runs/night-ride-vest", "runs/vest-evening", "runs/vest-with-faults"
# What cannot end with a step, and why.
EXCEPTIONS: Final = {
    "simulate": "a board that plays until Ctrl-C; what to do meanwhile stands under its port",
    "flex plan": "the caution for the fingers stands below its next command",
    "flex life": "the caution for the fingers stands below its next command",
}
# Asked in a folder with runs/ and vest.toml; PORT is a simulated board's.
ASKED: Final[dict[str, tuple[tuple[str, ...], ...]]] = {
    "budget": (("vest.toml",), ("vest.toml", "--details"), ("vest.toml", EVENING), ("new", "mine.toml")),
    "firmware": ((), ("a folder",)),
    "probe": (("--port", "PORT"),),
    "conform": (("PORT",),),
    "start": (("night", "--yes", "--no-page", "--plain", "--cutoff", "4.5", "--port", "PORT"),),
    "calibrate": (("--show", "--port", "PORT"),),
    "log": (("first run", "--for", "20s", "--plain", "--no-forecast", "--port", "PORT"),),
    "import": (("meter.csv", "imported"), ("meter.csv", "--dry-run"), ("milliamps.csv", "drawn")),
    "check": ((NIGHT,), (NIGHT, "--details")),
    "rundown": ((NIGHT,), (NIGHT, "--need", "6h"), (NIGHT, "--details"), (NIGHT, "--doubt"), (EVENING,)),
    "forecast": ((NIGHT,), (NIGHT, "--until", "3h", "--need", "6h"), (NIGHT, "--follow")),
    "compare": ((NIGHT, EVENING, "--cutoff", "2.7"), (NIGHT, EVENING, "--cutoff", "2.7", "--details")),
    "flex": (
        ("new", "bends.csv"),
        ("new", "washing.csv", "--wash"),
        ("wash", "washed.csv"),
        ("log", "rig", "--specimen", "a=solid", "--cycles", "5", "--port", "PORT"),
    ),
    "report": ((NIGHT, "--out", "page"), (NIGHT, "--out", "page"), (NIGHT, "--need", "6h", "--out", "page 2")),
    "list": ((), ("--need", "6h"), ("--best", "1"), ("--csv", "runs.csv"), ("--overview", "all")),
    "edit": ((FAULTS,), (FAULTS, "--history"), (FAULTS, "--title", "vest"), (FAULTS, "--history"), (FAULTS, "--undo")),
    "sheet": ((NIGHT, "--out", "paper"), (NIGHT, "--need", "6h", "--out", "paper 2")),
    "pictures": ((NIGHT, "--format", "svg", "--out", "pictures"),),
}  # fmt: skip
# Takes a quarter of a minute: asked once, in test_screen.
ASKED_THERE: Final = {"demo"}


WASHED: Final = "specimen,resistance_before_ohm,resistance_after_ohm,current_before_ma,current_after_ma\n" + "".join(
    f"S{n},{0.40 + 0.01 * n:.2f},{0.42 + 0.01 * n:.2f},80,80.5\n" for n in range(5)
)  # fmt: skip


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = bench_folder(tmp_path_factory.mktemp("every command"))
    rows = [f"{n},{4.5 - n / 200:.3f},{80 + n % 3}" for n in range(200)]
    (folder / "meter.csv").write_text("\n".join(["seconds,volt_V,current_mA", *rows]) + "\n")
    rows = [f"{n},{80 + n % 3}" for n in range(200)]
    (folder / "milliamps.csv").write_text("\n".join(["seconds,current_mA", *rows]) + "\n")
    (folder / "washed.csv").write_text(WASHED)
    return folder


@pytest.fixture
def port() -> Iterator[Callable[[], str]]:
    """A simulated board that is brought up only where a command asks for one."""
    servers = []

    def brought_up() -> str:
        joints = [new_joints(kind, 1, 5)[0] for kind in list(JOINT_KINDS.values())[:1]]
        board = vest.vest_board(window_us=2_000_000, joints=joints)
        servers.append(BoardServer(board, best_link(), time_factor=0.0))
        return str(servers[-1].__enter__().port)

    yield brought_up
    for server in servers:
        server.__exit__(None, None, None)


def test_no_command_is_left_out() -> None:
    alone = {name for name in EXCEPTIONS if " " not in name}
    assert set(ASKED) | alone | ASKED_THERE | {"watch"} == set(drawbench.COMMANDS)
    assert not set(ASKED) & alone
    asked = {f"flex {arguments[0]}" for arguments in ASKED["flex"]}
    assert asked | set(EXCEPTIONS) - alone == {f"flex {name}" for name in flex.commands}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "arguments"),
    [(name, arguments) for name, asked in ASKED.items() for arguments in asked],
    ids=lambda value: value if isinstance(value, str) else " ".join(value) or "alone",
)
def test_the_last_line_is_the_next_command(
    name: str,
    arguments: tuple[str, ...],
    bench: Path,
    port: Callable[[], str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(bench)
    told = [port() if part == "PORT" else part for part in arguments]
    result = CliRunner().invoke(drawbench.cli, [name, *told], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert read_back(result.stdout.rstrip().splitlines()[-1])


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C to one process needs POSIX signals")
def test_the_page_ends_at_ctrl_c_whatever_its_threads_are_at(bench: Path) -> None:
    """The forecast's thread is busy for an hour; nobody waits for it, and the next command is said."""
    busy = (
        "import sys, threading, time, analysis.commands.watch as w\n"
        "from logger.page.bench import Bench\n"
        "begun = threading.Event()\n"
        "def poll(self):\n"
        "    print('busy', flush=True)\n"
        "    time.sleep(3600)\n"
        "Bench.poll = poll\n"
        "import drawbench\n"
        "sys.argv = ['drawbench', 'watch', 'runs']\n"
        "drawbench.main()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", busy], cwd=bench, stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        seen = [next(process.stdout)]
        while "busy" not in seen[-1]:
            seen.append(next(process.stdout))
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=60)  # against a hang only
    assert process.returncode == 0
    assert read_back(rest.rstrip().splitlines()[-1])[0] == "list"
