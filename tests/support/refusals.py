"""Every way of asking for what cannot be: each command with each kind of refusal, and the files they need.

Shared by the test that none of them loads a heavy library and by the benchmark that lists their times.
"""

import os
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from logger.base.pack import Pack
from logger.run.description import Stop
from logger.run.format import SAMPLES_NAME
from tests.support.page_bench import make_run
from tests.support.places import VEST_BUDGET
from tests.support.runs_by_formula import BOARD

# What must not be loaded. Of scipy only its subpackages are heavy: the bare package loads them when they are used.
HEAVY: Final[tuple[str, ...]] = (
    *("matplotlib", "pandas", "ruptures"),
    *(
        f"scipy.{part}"
        for part in ("interpolate", "linalg", "optimize", "sparse", "special", "stats")
    ),
)

# Places that are no run, and what is wrong with each: the folder's name says it.
NO_RUNS: Final = (
    "missing", "empty-folder", "other-folder", "notes.txt/run", "no-bytes", "nul-bytes", "header-only",
    "garbage", "foreign", "no-columns", "binary", "notes.txt",
)  # fmt: skip
_CAN_BE_LOCKED = sys.platform != "win32" and os.geteuid() != 0
_TABLES = ("missing.csv", "empty-folder", "empty.csv", "head.csv", "other.csv", "latin.csv", "joints.xlsx")  # fmt: skip
_NAMED = "{};voltage_V;current_mA\n"
# Text of another meter that can be read in two ways, or not at all: each must be asked, never guessed.
_DOUBTFUL: Final = {
    name: _NAMED.format(time) + "".join(row.format(n=n) + "\n" for n in range(9))
    for name, time, row in (
        ("which-unit.txt", "time", "{n};4.{n};80"),
        ("which-clock.txt", "time", "{n}:30;4.{n};80"),
        ("which-date.txt", "time", "03/04/2026 21:0{n};4.{n};80"),
        ("which-sign.txt", "time_s", "{n};4;1.{n}00"),
        ("which-way.txt", "time_s", "{n};4.{n};-{n}"),
        ("swapped.txt", "time_s", "{n};120.{n};4.{n}"),
    )
} | {
    "summer.txt": _NAMED.format("time") + "".join(
        f"2026-03-29 0{hour}:{minute};4.{minute};80\n" for hour in (1, 3) for minute in range(10, 60, 10)
    ),
    "back.txt": _NAMED.format("time_s") + "".join(f"{n};4.{n};80\n" for n in (*range(500, 540), *range(300, 340))),
    "falls.txt": _NAMED.format("time_s") + "".join(f"{n};{4 + n / 100};80\n" for n in range(40, 0, -1)),
    "two-clocks.txt": "Time V (s);Voltage (V);Time I (s);Current (mA)\n" + "".join(f"{n};4.{n};{n + 5};80\n" for n in range(9)),
    "two-headers.txt": _NAMED.format("time_s") + "0;4.5;80\n1;4.4;80\ntime_s;current_mA;voltage_V\n0;80;4.3\n",
    "comma-in-number.txt": "time_s,voltage_V,current_mA\n" + "".join(f"{n},4.{n},1,08{n}\n" for n in range(9)),
    "no-mapping.toml": "[file]\n",
    "old-mapping.toml": 'format = "drawbench import mapping"\nversion = 99\n',
    "odd-mapping.toml": 'format = "drawbench import mapping"\nversion = 1\n[time]\nclock = "half past"\n',
    "sizes.txt": "time_s,voltage_V,current\n" + "".join(f"{n},4.{n},0.150\n" for n in range(9)),
    "sizes-mapping.toml": 'format = "drawbench import mapping"\nversion = 1\n[time]\ncolumns = ["time_s"]\n'
    '[current]\ncolumn = "current"\nunit = "mA"\nusual_ma = 150.0\n',
    "other-mapping.toml": 'format = "drawbench import mapping"\nversion = 1\n[voltage]\ncolumn = "pack"\nunit = "V"\n',
}  # fmt: skip
_FLEX = "specimen,group,cycles,failed\n"


def lay_out(folder: Path) -> None:
    """Put all that is refused, and what stands beside it, into ``folder``."""
    for name in ("empty-folder", "other-folder", "shelf"):
        (folder / name).mkdir()
    (folder / "other-folder" / "letter.txt").write_text("not a run\n")
    (folder / "notes.txt").write_text("lunch at noon\nand then\n")
    for name, content in {
        "no-bytes": b"",
        "nul-bytes": b"\0" * 5000,
        "header-only": b"time_s,pack_v,current_ma\r\n",
        "garbage": b"time_s,pack_v,current_ma\r\n" + b"what,is,this\r\n" * 50,
        "foreign": b"stamp;volts\n1;4.5\n2;4.4\n",
        "no-columns": b"time_s,window\r\n1,1\r\n2,2\r\n",
        "binary": bytes(range(256)) * 20,
    }.items():
        (folder / name).mkdir()
        (folder / name / SAMPLES_NAME).write_bytes(content)
    make_run(folder / "shelf" / "first")
    pack = Pack("alkaline", 3, "AA")
    make_run(
        folder / "sound", rows=400, state="ended", pack=pack, stop=Stop(cutoff_v=3.0, hold_s=1.0)
    )
    make_run(folder / "no-cutoff", rows=400, state="ended")
    make_run(
        folder / "from-board",
        rows=5,
        **{name: getattr(BOARD, name) for name in ("board", "sensor")},
    )
    budget = VEST_BUDGET.read_text(encoding="utf-8")
    for name, text in {
        "vest.toml": budget,
        "no-toml.toml": budget + "\n[[part\n",
        "no-parts.toml": '[piece]\nname = "vest"\n',
        "bad-figure.toml": budget.replace("= 12.0", '= "twelve"', 1).replace("[piece]", "[pieces]"),
        "low-limit.toml": budget.replace("max_v = 5.3", "max_v = 3.6"),
        "no-room.toml": budget.replace("give_up_v = 2.7", "give_up_v = 2.7\nmax_v = 2.5"),
        "no-wire.toml": budget.replace("gauge_awg = 26", "gauge_awg = 26\nohm_per_m = 90"),
        "empty.toml": "",
        "joints.csv": _FLEX + "S1,,900,yes\nS2,,1200,no\n",
        "empty.csv": "",
        "head.csv": _FLEX,
        "other.csv": "name,colour\nS1,red\n",
        "twice.csv": _FLEX + "S1,,900,yes\nS1,,1200,no\n",
        "no-count.csv": _FLEX + "S1,,many,yes\n",
        "wash.csv": "specimen,resistance_before_ohm,resistance_after_ohm\nS1,zero,0.2\n",
        "words.txt": "lorem ipsum\n" * 30,
        "log.txt": "time,voltage,current\n" + "".join(f"{n},4.{n},80\n" for n in range(9)),
        "still.txt": "time,voltage,current\n" + "1,4.5,80\n" * 9,
        **_DOUBTFUL,
        "unknown.txt": "".join(f"{n},{n * n % 7},{n * 3 % 5}\n" for n in range(30)),
    }.items():
        (folder / name).write_text(text, encoding="utf-8")
    for name in ("latin.toml", "latin.csv"):
        (folder / name).write_bytes(b'name = "caf\xe9"\nspecimen,cycles,failed\n')
    (folder / "joints.xlsx").write_bytes(b"PK\3\4" + bytes(range(256)) * 8)
    if _CAN_BE_LOCKED:
        for name in ("locked.toml", "locked.csv", "locked.txt"):
            (folder / name).write_text(budget)
            (folder / name).chmod(0)


def refusals() -> Iterator[list[str]]:
    """Arguments of ``drawbench``, to be given in a folder as ``lay_out`` makes it; each ends with exit code 2."""
    for line in (
        *_of_runs(),
        *_of_budgets(),
        *_of_joints(),
        *_of_imports(),
        *_of_boards(),
        "nonsense",
        "rundwon",
    ):
        yield shlex.split(line)


def _each(command: str, *endings: str) -> Iterator[str]:
    yield from (f"{command} {ending}" for ending in endings)


def _locked(name: str) -> tuple[str, ...]:
    return (name,) if _CAN_BE_LOCKED else ()


def _of_runs() -> Iterator[str]:
    for command in ("check", "edit", "rundown", "forecast", "report", "sheet", "pictures"):
        yield from _each(command, "", *NO_RUNS, "sound --nonsense")
    for command in ("rundown", "forecast", "report", "sheet", "pictures"):
        yield from _each(
            f"{command} sound", "--cutoff low", "--hold long", "--cutoff nan", "--cutoff 3,0,0"
        )
    yield from _each("forecast sound --follow", "--cutoff 3", "--fresh", "--until 2h")
    yield from _each("forecast sound --budget", "missing.toml", "empty-folder", "no-parts.toml")
    yield from _each("rundown sound --before-wash", *NO_RUNS)
    for place in NO_RUNS:
        yield from _each("compare", f"{place} sound", f"sound {place}")
    yield from _each("compare", "", "sound", "sound sound", "sound no-cutoff --draw much")
    yield from _each(
        "forecast sound", "--load much", "--load 0mA", "--load 1.500mA", "--pack lithium", "--pack SR44", "--need 6", "--need 1.500h", "--need '6 months'", "--capacity 2.500", '--pack "3x AA paper"', "--until late", "--need long",
        "--capacity much", "--capacity 5e9", "--used",
    )  # fmt: skip
    yield from _each("forecast no-cutoff", "", "--cutoff 3 --capacity 2000", "--cutoff 3 --used")
    yield "forecast missing --follow"
    yield from _each("report sound --flex", *NO_RUNS, "missing.csv", "twice.csv")
    yield from _each("report sound --budget", "missing.toml", "no-toml.toml", "latin.toml")
    yield from _each("report sound", "--flex-cycles many", "--flex-cycles 4800", "--out notes.txt")
    yield from _each("pictures sound", "--size poster", "--format gif", "--out notes.txt")
    yield "sheet sound --out notes.txt"
    yield from _each(
        "report sound no-cutoff",
        "--open",
        "--overview a --out b",
        "--budget no-toml.toml",
        "--flex-cycles 4800",
    )
    yield from _each("report", "sound --overview page --out b", "missing empty-folder")
    yield from _each("sheet", "sound no-cutoff --open", "garbage notes.txt")
    yield "pictures sound no-cutoff --open"
    yield from _each("edit missing", "--title x", "--undo", "--name new")
    yield from _each(
        "edit sound", "--undo", "--undo --title x", "--history --title x", "--below-floor", "--caption x", "--no-photo 1",
        '--pack "3x AA paper"', "--need long", "--cutoff 27", "--cutoff 1", "--cutoff low", "--hold long", "--temperature hot",
        "--clear colour", "--clear title --title x", "--trim 12min", "--trim noon..", "--trim 5s..2s", "--trim 0..1s --no-trim",
        '--trim "at 18:30.."', "--name sound", "--name a/b", "--name nul", "--name ..", "--photo missing.jpg", "--photo notes.txt",
        "--photo empty-folder",
    )  # fmt: skip
    for command in ("list", "watch"):
        yield from _each(
            command, "", "missing", "empty-folder", "other-folder", "notes.txt", "notes.txt/run"
        )
    yield from _each("list shelf", "--since noon", "--sort colour", "--best 0", "--cutoff 0")
    yield "watch shelf --page-port 0"


def _of_budgets() -> Iterator[str]:
    yield from _each(
        "budget", "", "missing.toml", "empty-folder", "no-toml.toml", "no-parts.toml", "bad-figure.toml", "empty.toml",
        "latin.toml", "joints.csv", "joints.xlsx", "low-limit.toml", "no-room.toml", "no-wire.toml", *_locked("locked.toml"),
    )  # fmt: skip
    yield from _each("budget vest.toml", *NO_RUNS)
    yield from _each("budget vest.toml --pack-run", *NO_RUNS)
    yield from _each(
        "budget vest.toml", "sound --pack-run missing", "--corrected new.toml", "sound --corrected vest.toml",
        "--pictures notes.txt", '--pack "3x AA paper"', "--temperature hot", "--temperature 200", "--temperature nan", "--nonsense",
    )  # fmt: skip
    yield from _each("budget new", "", "vest.toml", "missing/vest.toml")


def _of_joints() -> Iterator[str]:
    yield "flex nonsense"
    for command in ("flex life", "flex wash"):
        yield from _each(command, "", *_TABLES, *_locked("locked.csv"))
        yield from _each(f"{command} joints.csv", "--coverage much", "--report notes.txt")
    yield "flex wash wash.csv"
    yield from _each("flex life", "twice.csv", "no-count.csv", "sound", "joints.csv joints.csv")
    yield from _each(
        "flex life joints.csv", "--cycles many", "--cycles 4.800", "--cycles 4,800", "--at elbo", "--cycles 0", "--cycles 4800 --wearings 12", "--wearings 12", "--wearings 0",
        "--at elbow", "--at knee", "--reliability nonsense", "--reliability 0.9", "--reliability 100", "--confidence 100",
        "--confidence 40", "--shape 99", "--interval guess", "--criterion smoke", "--open-ms -1", "--factor 0",
        '--wire "24 stranded"', "--worn-radius 5", "--worn-radius 0", "--exponent 99", "--coverage 100",
        "--worn-radius 5 --bench-radius 5 --wire rope", "--reference nobody",
    )  # fmt: skip
    yield from _each(
        "flex plan", "", "--cycles many", "--cycles 0", "--wearings 12", "--cycles 4800 --reliability nonsense",
        "--cycles 4800 --reliability 100", "--cycles 4800 --confidence 100", "--cycles 4800 --specimens none",
        "--cycles 4800 --specimens 0", "--cycles 4800 --ratio 1", "--cycles 4800 --ratio big",
        '--cycles 4800 --wire "24 stranded"', "--cycles 4800 --wire rope --bench-radius 5", "--cycles 4800 --bench-radius 0",
        "--cycles 4800 --shape 0",
    )  # fmt: skip
    yield from _each("flex new", "", "joints.csv", "missing/joints.csv", "new.csv --specimens 0")


def _of_imports() -> Iterator[str]:
    yield from _each("import", "", "log.txt")
    for name in (
        "missing.txt",
        "empty-folder",
        "empty.csv",
        "words.txt",
        "joints.xlsx",
        "still.txt",
        "unknown.txt",
    ):
        yield f"import {name} new-run"
    yield from (f"import {name} new-run" for name in _DOUBTFUL if name.endswith(".txt"))
    for name in ("missing", "empty", "no", "old", "odd", "other"):
        yield f"import log.txt new-run --mapping {name}-mapping.toml --time-unit s --current-unit mA"
    yield "import sizes.txt new-run --mapping sizes-mapping.toml"
    yield "import log.txt new-run --mapping empty-folder --time-unit s --current-unit mA"
    yield from (f"import {name} new-run" for name in _locked("locked.txt"))
    for place in ("sound", "notes.txt", "notes.txt/run"):
        yield f"import log.txt {place} --time-unit s --voltage-unit V --current-unit mA"
    yield from _each(
        "import log.txt new-run --time-unit s --voltage-unit V --current-unit mA", "--accuracy good", '--accuracy ""',
        '--accuracy "V: 1%"', '--accuracy "99%"', '--accuracy "A: 1% + 3 V"',
    )  # fmt: skip
    yield from _each(
        "import log.txt new-run", "--time clock", "--voltage 99", "--voltage-unit furlong", "--charge-unit mAh", "--every often",
        "--every 0s", "--time 1 --every 1s", "--gap wide", "--scale voltage", "--offset wit=1", '--delimiter "comma and more"',
        "--delimiter , --decimal comma", "--encoding klingon", "--decimal dot", "--skip-lines -1", "--skip-lines 99",
        "--constant-current some", "--constant-current 20mA --current current", "--current-unit V", "--shunt-ohm 0",
        "--capacity 2000", '--pack "3x AA paper"', "--started noon", "--time-format %Q",
        "--clock noon", "--hours 13", "--date-order ydm", "--day-zero 1905", "--time-zone Mars/Olympus --time-unit s",
        "--time-back never", "--row-order odd", "--thousands star", "--current-sign up", "--leave-out 9 --time-unit s",
    )  # fmt: skip


def _of_boards() -> Iterator[str]:
    for command in ("probe", "log new-run", "flex log new-run --specimen S1", "calibrate"):
        yield from _each(command, "--port missing-port", "--port notes.txt", "--baud 7")
    yield from _each("conform", "", "missing-port", "notes.txt", "missing-port --baud 7")
    yield from _each(
        "probe",
        "--sensor INA999",
        "--address 99",
        "--address forty",
        "--sensor INA226 --port missing-port",
    )
    yield from _each(
        "log", "", "sound", "notes.txt", "new-run --window 1us", "new-run --window wide", 'new-run --pack "3x AA paper"',
        'new-run --pack "aa alkaline + nimh"', "new-run --capacity 2000", "new-run --used", "new-run --cutoff low",
        'new-run --pack "3x AA alkaline" --cutoff 9', "new-run --pack li-ion --cutoff 1", "new-run --for long",
        "new-run --charge 0", "new-run --page-port 0", "new-run --temperature 200", "new-run --port a --port a",
    )  # fmt: skip
    for command in ("log --resume", "flex log --resume"):
        yield from _each(command, "missing", "empty-folder", "notes.txt", "sound", "no-bytes")
    yield from _each(
        "start new-run --yes",
        "--port missing-port",
        '--pack "3x AA paper"',
        "--need long",
        "--cutoff 99",
        "--capacity 0",
        "--pack li-ion --no-check",
    )
    yield from _each(
        "calibrate --attach", "missing", "empty-folder", "sound", "from-board", "from-board --from missing.json",
        "from-board --from words.txt",
    )  # fmt: skip
    yield from _each(
        "calibrate --port missing-port", "--from joints.csv", "--for long", "--accuracy 0", "--resistor 0", "--temperature 200",
        "--zero --at much",
    )  # fmt: skip
    yield from _each(
        "flex log",
        "",
        "sound",
        "new-run",
        "new-run --specimen S1 --angles 5 5",
        "new-run --specimen S1 --cycles 0",
    )
    yield "firmware notes.txt"
    yield "firmware --board toaster"
    yield "firmware notes.txt --board rp2040-micropython"
    yield "simulate --firmware micropython --faults 600:reset=watchdog"
    yield from _each(
        "simulate", '--pack "3x AA paper"', "--load much", "--sensor eye", "--shunt 0", "--faults fire", "--joints knee",
        "--time-factor -1", "--tcp 99999", "--memory notes.txt",
    )  # fmt: skip
    yield from _each("demo", "sound", "notes.txt")
