"""``drawbench firmware``: what the IDE needs, and nothing of the user's is lost."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.base.errors import BenchError
from logger.commands.firmware import firmware
from logger.commands.sketch_folder import sketch_files, write_sketch


def test_folder_is_what_the_ide_wants(tmp_path: Path) -> None:
    target, names = write_sketch(tmp_path)
    assert target.name == "firmware_probe"
    assert (target / "firmware_probe.ino").read_bytes() == sketch_files()["firmware_probe.ino"]
    # every header that the sketch asks for by "..." lies beside it
    for path in [*target.glob("*.ino"), *target.glob("*.h")]:
        for line in path.read_text("ascii").splitlines():
            if line.startswith('#include "'):
                assert line.split('"')[1] in names, f"{path.name}: {line}"
    # the IDE would compile any other C file beside the sketch
    assert not list(target.rglob("bench.c"))


@pytest.mark.slow
def test_pictures_of_the_readme_come_along(tmp_path: Path) -> None:
    target, _ = write_sketch(tmp_path)
    text = (target / "README.md").read_text("utf-8")
    for stem in ("plain_probe", "load_switch", "load_switch_high", "flex_rig"):
        assert f"pictures/{stem}" in text
        assert (target / "pictures" / f"{stem}.svg").stat().st_size > 1000


def test_never_over_another(tmp_path: Path) -> None:
    target, _ = write_sketch(tmp_path)
    settings = target / "settings.h"
    settings.write_text("#define SHUNT_STEPS 100\n")
    with pytest.raises(BenchError, match="never written over"):
        write_sketch(tmp_path)
    assert settings.read_text() == "#define SHUNT_STEPS 100\n"


def test_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(BenchError, match="cannot be written"):
        write_sketch(tmp_path / "file")


def test_command_says_what_comes_next(tmp_path: Path) -> None:
    result = CliRunner().invoke(firmware, [str(tmp_path)])
    assert result.exit_code == 0, result.output
    assert "settings.h" in result.output
    assert str(tmp_path / "firmware_probe" / "firmware_probe.ino") in result.output
