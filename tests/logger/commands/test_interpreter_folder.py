"""``drawbench firmware --board``: all that one kind of board needs, and nothing of another."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.commands.firmware import firmware
from logger.commands.interpreter_folder import BOARDS, board_files


@pytest.mark.parametrize("name", BOARDS)
def test_every_import_lies_beside_it(name: str) -> None:
    content = board_files(BOARDS[name])
    assert BOARDS[name].start in content
    assert f"probe/{BOARDS[name].port}.py" in content
    for path, data in content.items():
        for module in re.findall(r"^\s*from \.(\w+) import", data.decode(), re.MULTILINE):
            assert f"probe/{module}.py" in content, f"{path} wants {module}"
    assert "probe/contract.py" not in content
    ports = [path for path in content if "/port_" in path]
    assert len(ports) == (1 if name == "circuitpython" else 2)


@pytest.mark.parametrize("name", BOARDS)
def test_command_writes_them_and_says_what_comes_next(tmp_path: Path, name: str) -> None:
    result = CliRunner().invoke(firmware, [str(tmp_path), "--board", name])
    assert result.exit_code == 0, result.output
    target = tmp_path / f"firmware_probe_{name}"
    for path, data in board_files(BOARDS[name]).items():
        assert (target / path).read_bytes() == data
    assert "3.3 V" in result.output
    assert "no real board yet" in result.output
    # What the text points to is there.
    text = (target / "README.md").read_text("utf-8")
    for link in re.findall(r"\]\(([^)]+)\)", text):
        assert (target / link).exists(), link


def test_never_over_another(tmp_path: Path) -> None:
    name = next(iter(BOARDS))
    assert CliRunner().invoke(firmware, [str(tmp_path), "--board", name]).exit_code == 0
    settings = tmp_path / f"firmware_probe_{name}" / "probe" / "settings.py"
    settings.write_text("SHUNT_STEPS = 100\n")
    result = CliRunner().invoke(firmware, [str(tmp_path), "--board", name])
    assert result.exit_code != 0
    assert settings.read_text() == "SHUNT_STEPS = 100\n"
