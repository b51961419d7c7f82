"""The sketch compiles for AVR boards other than the Uno and Nano, and with its settings changed."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.places import ROOT

MAKEFILE = ROOT / "firmware_probe" / "simulator" / "firmware.mk"
CORE = Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")
NEEDED = "no AVR toolchain: sudo apt-get install make gcc-avr avr-libc arduino-core-avr"

pytestmark = [
    pytest.mark.firmware,
    pytest.mark.skipif(
        not (shutil.which("avr-g++") and shutil.which("make") and CORE.exists())
        and os.environ.get("DRAWBENCH_REQUIRE_FIRMWARE") != "1",
        reason=NEEDED,
    ),
]

# Flash and RAM as in the boards' own upload limits.
MEGA = (
    "FIRMWARE_MCU=atmega2560",
    "FIRMWARE_VARIANT=mega",
    "FIRMWARE_BOARD=AVR_MEGA2560",
    "FIRMWARE_FLASH_MAX=253952",
    "FIRMWARE_RAM_MAX=8192",
)
LEONARDO = (
    "FIRMWARE_MCU=atmega32u4",
    "FIRMWARE_VARIANT=leonardo",
    "FIRMWARE_BOARD=AVR_LEONARDO",
    "FIRMWARE_CORE_FLAGS=-DUSB_VID=0x2341 -DUSB_PID=0x8036",
    "FIRMWARE_FLASH_MAX=28672",
    "FIRMWARE_RAM_MAX=2560",
)
SETTINGS = (
    "FIRMWARE_FLAGS=-DINA219_GAIN=1 -DSHUNT_STEPS=20 -DLOAD_SWITCH=0 -DWATCHDOG=0 -DBAUD=1000000",
)


def make_firmware(folder: Path, *variables: str) -> str:
    command = ["make", "-s", "-f", str(MAKEFILE), f"BUILD={folder}", *variables, "firmware"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{NEEDED}\n{done.stdout}{done.stderr}"
    assert (folder / "firmware.elf").exists()
    return done.stdout


@pytest.mark.parametrize("board", [MEGA, LEONARDO, SETTINGS], ids=["mega", "leonardo", "settings"])
def test_sketch_compiles_for(board: tuple[str, ...], tmp_path: Path) -> None:
    assert "flash" in make_firmware(tmp_path, *board)


def test_build_fails_when_the_sketch_is_too_big(tmp_path: Path) -> None:
    command = ["make", "-s", "-f", str(MAKEFILE), f"BUILD={tmp_path}", "FIRMWARE_FLASH_MAX=20000"]
    done = subprocess.run([*command, "firmware"], capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "of 20000 bytes" in done.stdout
    assert not (tmp_path / "firmware.elf").exists()
