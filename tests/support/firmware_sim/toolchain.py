"""Compiles the sketch and the simulated bench once per session; skips, or fails if told to, without a toolchain."""

import functools
import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from tests.support.places import ROOT

SIMULATOR: Final = ROOT / "firmware_probe" / "simulator"
PACKAGES: Final = "gcc make gcc-avr avr-libc arduino-core-avr libsimavr-dev libelf-dev"
_PROGRAMS: Final = ("cc", "make", "avr-gcc", "avr-g++", "avr-size")
_FILES: Final = (
    "/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h",
    "/usr/include/simavr/sim_avr.h",
    "/usr/include/libelf.h",
)


def missing() -> str:
    """What the toolchain lacks and how to get it; empty if it is all there."""
    lacking = [name for name in _PROGRAMS if shutil.which(name) is None]
    lacking += [path for path in _FILES if not Path(path).exists()]
    if not lacking:
        return ""
    return (
        f"firmware toolchain not installed ({', '.join(lacking)}); "
        f"on Debian or Ubuntu: sudo apt-get install {PACKAGES}"
    )


def required() -> bool:
    return os.environ.get("DRAWBENCH_REQUIRE_FIRMWARE") == "1"


# With DRAWBENCH_REQUIRE_FIRMWARE=1 nothing is skipped: the build then fails and says what is missing.
needs_toolchain: Final = pytest.mark.skipif(bool(missing()) and not required(), reason=missing())


@functools.cache
def build_folder() -> Path:
    """One folder for all builds of this session, removed when it ends."""
    holder = tempfile.TemporaryDirectory(prefix="drawbench-firmware-")
    _HOLDERS.append(holder)
    return Path(holder.name)


_HOLDERS: Final[list[tempfile.TemporaryDirectory[str]]] = []


def _made(target: Path, problem: str, *options: str) -> Path:
    """Has make build ``target``, with these options; ``problem``: what is missing for it."""
    if problem:
        pytest.fail(problem)
    command = ["make", "-s", *options, f"BUILD={target.parent}"]
    done = subprocess.run([*command, str(target)], capture_output=True, text=True)
    if done.returncode:
        pytest.fail(f"{' '.join(command)} failed:\n{done.stdout}\n{done.stderr}")
    return target


def _make(target: str, folder: Path, flags: str = "") -> Path:
    return _made(folder / target, missing(), "-C", str(SIMULATOR), f"FIRMWARE_FLAGS={flags}")


@functools.cache
def bench_program() -> Path:
    """The simulated bench."""
    return _make("bench", build_folder())


@functools.cache
def registers_program() -> Path:
    """Prints a virtual sensor's registers for a given input."""
    return _make("registers", build_folder())


@functools.cache
def sketch(*flags: str) -> Path:
    """The sketch's ELF, built with these compiler flags, e.g. ``sketch("-DBAUD=500000")``."""
    folder = build_folder() / (re.sub(r"[^A-Za-z0-9]+", "_", "_".join(flags)) or "plain")
    if flags:  # the board's core is the same for all: compiled once
        shutil.copytree(sketch().parent / "core", folder / "core")
    return _make("firmware.elf", folder, " ".join(flags))


# ---- the RP2040 ----------------------------------------------------------------------------

RP2040: Final = SIMULATOR / "rp2040"
RP2040_PACKAGES: Final = "gcc make gcc-arm-none-eabi nodejs npm"
_RP2040_PROGRAMS: Final = ("cc", "make", "arm-none-eabi-g++", "node")


def rp2040_missing() -> str:
    """What the simulated RP2040 lacks and how to get it; empty if it is all there."""
    lacking = [name for name in _RP2040_PROGRAMS if shutil.which(name) is None]
    if lacking:
        return (
            f"RP2040 toolchain not installed ({', '.join(lacking)}); "
            f"on Debian or Ubuntu: sudo apt-get install {RP2040_PACKAGES}"
        )
    if not (RP2040 / "node_modules" / "rp2040js").exists():
        return f"rp2040js not installed: npm ci --prefix {RP2040.relative_to(ROOT)}"
    return ""


needs_rp2040: Final = pytest.mark.skipif(
    bool(rp2040_missing()) and not required(), reason=rp2040_missing()
)


def _make_rp2040(target: Path, *variables: str) -> Path:
    return _made(target, rp2040_missing(), "-f", str(RP2040 / "firmware.mk"), *variables)


@functools.cache
def rp2040_parts() -> Path:
    """What lies on the bench beside the chip, for Node."""
    return _make_rp2040(build_folder() / "rp2040" / "parts.node")


@functools.cache
def rp2040_sketch(*flags: str, hertz: int = 12_000_000) -> Path:
    """The unchanged sketch for the RP2040, as the image of its flash."""
    name = re.sub(r"[^A-Za-z0-9]+", "_", f"rp2040_{hertz}_{'_'.join(flags)}")
    return _make_rp2040(
        build_folder() / name / "firmware.bin",
        f"RP2040_HERTZ={hertz}",
        f"FIRMWARE_FLAGS={' '.join(flags)}",
    )


@dataclass(frozen=True)
class Size:
    """What the sketch takes on the chip: flash, and RAM of variables with a fixed place (bytes)."""

    flash: int
    ram: int


def size_of(elf: Path, program: str = "avr-size") -> Size:
    """Sizes as ``program`` counts them: initialised data lies in flash and in RAM."""
    done = subprocess.run([program, str(elf)], capture_output=True, text=True, check=True)
    text, data, bss, *_ = (int(item) for item in done.stdout.splitlines()[1].split()[:4])
    return Size(flash=text + data, ram=data + bss)


def rp2040_size_of(image: Path) -> Size:
    """As ``size_of``, for the ELF beside an image."""
    return size_of(image.with_suffix(".elf"), "arm-none-eabi-size")
