"""``drawbench probe`` on the compiled sketch, wired right and wrong."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from analysis.commands.probe import probe_command
from tests.support.firmware_sim.bench import Script, live_bench, read_outcome
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def probe(folder: Path, *bench: str) -> dict[str, Any]:
    script = Script().at(0, "pack-v 4.6", "pack-ohm 0.4", "load-ma 90", "load-noise 4 3", *bench)
    with live_bench(sketch(), script, folder) as port:
        result = CliRunner().invoke(probe_command, ["--port", port, "--json"])
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.output)
    return found


@pytest.mark.parametrize(
    ("bench", "words"),
    [
        ((), ""),
        (("wiring swapped",), "backwards"),
        (("load-ma 0", "load-noise 0 0"), "no current"),
        (("pack-v 0",), "neither voltage nor current"),
        (("sensor-absent",), "finds no sensor"),
        (("load-ma 3500", "pack-ohm 0"), "beyond the sensor's range"),
    ],
)
def test_wiring_in_words(tmp_path: Path, bench: tuple[str, ...], words: str) -> None:
    found = probe(tmp_path, *bench)
    assert found["wiring_right"] is (words == "")
    assert all(words in warning for warning in found["warnings"])
    assert found["sensor"] == ("none" if "absent" in "".join(bench) else "INA219")


def test_values_and_noise(tmp_path: Path) -> None:
    found = probe(tmp_path)
    assert found["windows"] >= 50
    current, scatter = found["current_ma"], found["current_scatter_ma"]
    assert current["lower"] < 90 < current["upper"]
    assert current["value"] == pytest.approx(90, abs=0.5)
    # White noise of +-4 mA, uniform: 4/sqrt(3) mA, over 94 conversions a window. An interval of 95 % misses one time in
    # 20 (how many windows there are depends on the machine): twice as wide it never does, and is not wider than chi-square's.
    wide = 1.96 / (2 * (found["windows"] - 1)) ** 0.5
    assert scatter["upper"] / scatter["value"] - 1 == pytest.approx(wide, rel=0.35)
    assert abs(scatter["value"] / (4 / 3**0.5 / 94**0.5) - 1) < 2 * wide
    assert found["pack_v"]["value"] == pytest.approx(4.6 - 0.09 * 0.4, abs=5e-3)
    board = read_outcome(tmp_path)
    # half a line may be lost while the board restarts at the opening
    assert {line.fields for line in board.of("no")} <= {("?", "crc")}
    assert board.of("ok")[-1].fields == ("window",), "set back as it was"
