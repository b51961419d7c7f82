"""The sketch compiles for chips that nothing here runs: against our own declarations of their Arduino cores."""

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.firmware_sim.toolchain import required
from tests.support.places import ROOT

SKETCH = ROOT / "firmware_probe"
CORES = SKETCH / "simulator" / "cores"
# The compilers of the chips' families: an ESP32's own is not in the registries, the lx106's differs in options of the processor.
ARM = ("arm-none-eabi-g++", "-mcpu=cortex-m0plus", "-mthumb", "-std=gnu++11")
XTENSA = ("xtensa-lx106-elf-g++", "-std=gnu++17")
PACKAGES = {ARM[0]: "gcc-arm-none-eabi", XTENSA[0]: "gcc-xtensa-lx106"}

pytestmark = pytest.mark.firmware


def compiled(
    compiler: tuple[str, ...], core: str, arch: str, made: Path, *flags: str
) -> "subprocess.CompletedProcess[str]":
    """Compiles the sketch for a core; skips, or fails if told to, without the compiler."""
    if shutil.which(compiler[0]) is None:
        reason = f"no {compiler[0]}: sudo apt-get install {PACKAGES[compiler[0]]}"
        if required():
            pytest.fail(reason)
        pytest.skip(reason)
    command = [*compiler, "-Os", "-Wall", "-Wextra", "-Werror", "-ffreestanding", "-nostdinc++"]
    command += [f"-I{CORES / core}", f"-I{CORES}", f"-DARDUINO_ARCH_{arch}", "-DARDUINO=10819"]
    command += [*flags, "-x", "c++", "-include", "Arduino.h", "-c"]
    command += [str(SKETCH / "firmware_probe.ino"), "-o", str(made)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("compiler", "core", "arch"),
    [(ARM, "samd21", "SAMD"), (XTENSA, "esp32", "ESP32")],
    ids=["samd21", "esp32"],
)
@pytest.mark.parametrize(
    "flags",
    [
        (),
        ("-DINA219_BITS=9", "-DSHUNT_STEPS=20", "-DWATCHDOG=0", "-DLOAD_SWITCH=0", "-DBAUD=500000"),
    ],
    ids=["plain", "settings"],
)
def test_sketch_compiles_for(
    compiler: tuple[str, ...], core: str, arch: str, flags: tuple[str, ...], tmp_path: Path
) -> None:
    done = compiled(compiler, core, arch, tmp_path / "sketch.o", *flags)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "sketch.o").stat().st_size > 10_000


@pytest.mark.parametrize(("arch", "flags"), [("STM32", ()), ("SAMD", ("-D__SAMD51__",))])
def test_a_chip_without_a_port_is_told_so(
    arch: str, flags: tuple[str, ...], tmp_path: Path
) -> None:
    done = compiled(ARM, "samd21", arch, tmp_path / "sketch.o", *flags)
    assert done.returncode != 0
    assert "There is no port for this chip: write a port_*.h" in done.stderr
