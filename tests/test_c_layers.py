"""The C of the simulated bench and of the sketch has no circle: each file uses only what is below it."""

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

import firmware_probe
from tests.support.firmware_sim.toolchain import needs_toolchain

SKETCH = Path(firmware_probe.__file__).parent
SIMULATOR = SKETCH / "simulator"
ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")

# From the bottom up: a unit (chip.h and chip.c) may include, call and name only units before it.
SIMULATOR_ORDER = (
    "cycles", "baud", "sensor_state", "sensor_wide", "sensor", "circuit", "part_commands", "link", "link_baud",
    "chip", "script", "parts", "script_commands", "bench", "registers",
)  # fmt: skip
SKETCH_ORDER = (
    "crc16", "division", "flash_text", "settings", "pins", "board_clock", "burst", "sensor_units",
    "accumulators", "window_stats", "cutoff", "switch_watch", "command_parser", "flex_cycle", "line_writer",
    "record_ring", "board_name", "flash_memory", "output_ring", "restart_cause",
    "port_avr", "port_32_bit", "port_rp2040", "port_samd21", "port_esp32", "port",
    "register_bus", "sensor_identity", "sensor_kinds", "sensor", "rig", "probe", "lines", "commands", "firmware_probe",
)  # fmt: skip
# The other chips' ports have compilers of their own (test_ports.py).
AVR_HEADERS = [
    f"{stem}.h"
    for stem in SKETCH_ORDER[:-1]
    if stem not in {"port_32_bit", "port_rp2040", "port_samd21", "port_esp32"}
]
FOLDERS = [
    pytest.param(SIMULATOR, SIMULATOR_ORDER, id="simulator"),
    pytest.param(SKETCH, SKETCH_ORDER, id="sketch"),
]

_NOT_CODE = re.compile(
    r"__attribute__\s*\(\(.*?\)\)+|//[^\n]*|/\*.*?\*/|\"(?:\\.|[^\"\\\n])*\"|'(?:\\.|[^'\\\n])*'",
    re.DOTALL,
)
_INCLUDE = re.compile(r'^\s*#\s*include\s+"([^"]+)"', re.MULTILINE)
# Definitions begin at the margin. Group 1: what is before the name, to find "static".
_FUNCTION = re.compile(r"^(\w[\w \t*&:<>]*?[\s*&])(\w+)\([^;{}]*\)\s*\{", re.MULTILINE)
_VARIABLE = re.compile(r"^(\w[\w \t*]*?[\s*])(\w+)(?:\[[^\]]*\])?\s*(?:=|;)", re.MULTILINE)
_TYPE = re.compile(r"^(?:struct|enum|union|class)\s+(\w+)[^;{()]*\{", re.MULTILINE)
_NOT_VARIABLE = re.compile(r"(?:extern|typedef)\b|(?:struct|enum|union|class)\s+$")
_DECLARATION = re.compile(r"^\w[^\n{}=]*;", re.MULTILINE)
# A name that is no member of something; group 1 before a tag.
_NAME = re.compile(r"(?<![\w.])(?<!->)(?<!::)((?:struct|enum|union|class)\s+)?([A-Za-z_]\w*)")


def _c_files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.suffix in {".c", ".h", ".ino"})


def _code(path: Path) -> str:
    """The text without comments and strings, line numbers kept."""
    return _NOT_CODE.sub(lambda found: "\n" * found[0].count("\n") or " ", path.read_text("utf-8"))


def _functions_and_variables(path: Path) -> set[str]:
    """Names that another file could use by a declaration of its own, without an include."""
    code = _code(path)
    found = _FUNCTION.findall(code)
    found += [item for item in _VARIABLE.findall(code) if not _NOT_VARIABLE.match(item[0])]
    # "static" in a .c is for that file alone; in a header, for all that include it
    return {
        name for before, name in found if path.suffix != ".c" or "static" not in before.split()
    } - {"main"}


def _names_used(path: Path) -> Iterator[tuple[int, bool, str]]:
    """Line, whether it is a tag, and name. The sketch is one translation unit, where a name from
    above has to be declared first: there, only declarations without a body."""
    code = _code(path)
    parts = [(0, code)]
    if any(path.parent.glob("*.ino")):
        parts = [(found.start(), found[0]) for found in _DECLARATION.finditer(code)]
    for begin, part in parts:
        for found in _NAME.finditer(part):
            line = code.count("\n", 0, begin + found.start(2)) + 1
            yield line, found[1] is not None, found[2]


def _uses(folder: Path) -> Iterator[tuple[str, str, str]]:
    """File, file that it uses, and where and how: every include, call and name of another's."""
    files = _c_files(folder)
    homes = {name: path for path in files for name in _functions_and_variables(path)}
    tags = {name: path for path in files for name in _TYPE.findall(_code(path))}
    for path in files:
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            if found := _INCLUDE.match(line):
                yield path.name, found[1], f'{path.name}:{number} includes "{found[1]}"'
        own = {name for _, name in _FUNCTION.findall(_code(path))}
        for number, is_tag, name in _names_used(path):
            home = tags.get(name) if is_tag else homes.get(name)
            if home and home != path and (is_tag or name not in own):
                yield path.name, home.name, f"{path.name}:{number} uses {name} of {home.name}"


def upward(folder: Path, order: tuple[str, ...]) -> list[str]:
    """Every use of a file above the user's own, in words."""
    place = {unit: at for at, unit in enumerate(order)}
    return sorted(
        {
            f"{told}, which is above it"
            for user, used, told in _uses(folder)
            if place.get(Path(used).stem, len(order)) > place.get(Path(user).stem, -1)
        }
    )


@pytest.mark.parametrize(("folder", "order"), FOLDERS)
def test_every_c_file_has_its_place_in_the_order(folder: Path, order: tuple[str, ...]) -> None:
    assert {path.stem for path in _c_files(folder)} == set(order)
    assert len(order) == len(set(order))


@pytest.mark.parametrize(("folder", "order"), FOLDERS)
def test_c_files_use_only_what_is_below_them(folder: Path, order: tuple[str, ...]) -> None:
    assert upward(folder, order) == []


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("low.h", '#include "high.h"\n', 'low.h:1 includes "high.h", which is above it'),
        # without an include, by declarations of its own: how two files call each other
        (
            "low.c",
            "int high_now(void);\n\nint low_now(void) { return high_now(); }\n",
            "low.c:3 uses high_now of high.c, which is above it",
        ),
        (
            "low.c",
            "struct high;\nvoid low_run(struct high *h) { (void)h; }\n",
            "low.c:2 uses high of high.h, which is above it",
        ),
        (
            "low.c",
            "extern int the_high;\n/* high_now() */\nint low(void) { return the_high; }\n",
            "low.c:3 uses the_high of high.c, which is above it",
        ),
    ],
)
def test_a_planted_circle_is_named(tmp_path: Path, name: str, text: str, told: str) -> None:
    (tmp_path / "low.h").write_text("int low_now(void);\n")
    (tmp_path / "low.c").write_text('#include "low.h"\n\nint low_now(void) { return 1; }\n')
    (tmp_path / "high.h").write_text('#include "low.h"\nstruct high {\n\tint low_now;\n};\n')
    (tmp_path / "high.c").write_text(
        '#include "high.h"\n\nint the_high = 2;\n\nint high_now(void)\n{\n\treturn low_now();\n}\n'
    )
    assert upward(tmp_path, ("low", "high")) == []
    (tmp_path / name).write_text(text)
    assert told in upward(tmp_path, ("low", "high"))


def test_a_planted_circle_of_the_sketch_is_named(tmp_path: Path) -> None:
    """There all is one translation unit: what comes later can be used if it is declared first."""
    (tmp_path / "low.h").write_text("static int high_now();\nstatic int low() { return 1; }\n")
    (tmp_path / "high.h").write_text("static int high_now() { return low(); }\n")
    (tmp_path / "top.ino").write_text('#include "high.h"\nvoid setup() { high_now(); }\n')
    told = ["low.h:1 uses high_now of high.h, which is above it"]
    assert upward(tmp_path, ("low", "high", "top")) == told


def _compiled(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.firmware
@needs_toolchain
def test_the_linker_sees_no_other_calls(tmp_path: Path) -> None:
    """The compiler's symbol tables (nm, POSIX format) judge what was found in the text."""
    defines: dict[str, str] = {}
    needs: dict[str, set[str]] = {}
    for path in SIMULATOR.glob("*.c"):
        made = tmp_path / f"{path.stem}.o"
        flags = ["-std=gnu11", "-isystem", "/usr/include/simavr"]
        _compiled(["cc", *flags, "-c", str(path), "-o", str(made)])
        table = subprocess.run(["nm", "-P", str(made)], capture_output=True, text=True, check=True)
        for name, kind, *_ in (row.split() for row in table.stdout.splitlines()):
            if kind == "U":
                needs.setdefault(path.name, set()).add(name)
            elif kind.isupper() and name != "main":
                defines[name] = path.name
    linked = {
        (user, defines[name], name) for user in needs for name in needs[user] if name in defines
    }
    assert ("bench.c", "script.c", "script_run") in linked
    read = {
        (user, used, told.split()[2])
        for user, used, told in _uses(SIMULATOR)
        if " uses " in told and used.endswith(".c")
    }
    # The text also shows declarations in headers, which are no calls.
    assert linked <= read
    assert {use for use in read - linked if use[0].endswith(".c")} == set()


@pytest.mark.firmware
@needs_toolchain
@pytest.mark.parametrize("name", AVR_HEADERS)
def test_a_header_of_the_sketch_includes_all_that_it_uses(name: str, tmp_path: Path) -> None:
    """Alone before the compiler: what it takes from another header, it has included."""
    alone = tmp_path / "alone.cpp"
    alone.write_text(f'#include <Arduino.h>\n#include "{SKETCH / name}"\n')
    folders = [
        f"-I{ARDUINO / part}"
        for part in ("cores/arduino", "variants/standard", "libraries/Wire/src", "libraries/EEPROM/src")
    ]  # fmt: skip
    chip = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-DARDUINO=10819"]
    _compiled(
        ["avr-g++", "-std=gnu++11", "-fpermissive", "-Os", "-fsyntax-only", *chip, *folders, str(alone)]
    )  # fmt: skip
