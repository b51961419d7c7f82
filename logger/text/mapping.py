"""How one meter's files are read, kept for the next: a short TOML file that people can read and change.

Our own form, version 1: a table ``file`` (columns, delimiter, number form), a table ``time``, and a table for every
quantity that has a column. What the user says on the command line goes before it.
"""

import contextlib
import json
import tomllib
from collections.abc import Callable, Iterator
from collections.abc import Mapping as Dictionary
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError, spoken
from logger.base.numbers import digits_text
from logger.base.safe_files import read_whole, replace_file, replacing_file
from logger.base.typed.utf8 import utf8_text
from logger.text.cells import DELIMITER_NAMES, DELIMITER_WORDS, may_divide
from logger.text.layout import Layout, LayoutWish
from logger.text.number_form import THOUSANDS
from logger.text.plan import TARGETS, WORD_OF, Plan
from logger.text.plausible import middle_of
from logger.text.table import Floats, PlanWish

FORMAT: Final = "drawbench import mapping"
VERSION: Final = 1
_SIZES_APART: Final = (
    30.0  # less than mA to A, more than a pack's or a vest's own range from night to night
)
_MOST_BYTES: Final = 64 * 1024
CHOICES: Final[dict[str, dict[str, tuple[Any, ...]]]] = {
    "time": {
        "clock": ("hh:mm", "mm:ss"),
        "hours": (12, 24),
        "date_order": ("dmy", "mdy", "ymd"),
        "day_zero": (1900, 1904),
        "row_order": ("newest-first", "count-down"),
    },
    "file": {"decimal": ("point", "comma"), "thousands": tuple(THOUSANDS)},
    "current": {"sign": ("as-read", "turned")},
}
_KINDS: Final[dict[str, dict[str, type | tuple[type, ...]]]] = {
    "file": {
        "columns": (list, int), "delimiter": str, "decimal": str, "thousands": str, "encoding": str, "header": bool,
        "comment": str, "skip_lines": int, "leave_out": list,
    },
    "time": {
        "columns": list, "unit": str, "format": str, "clock": str, "hours": int, "date_order": str, "day_zero": int,
        "zone": str, "row_order": str, "every_s": (int, float), "told": bool,
    },
    **{
        word: {"column": (str, int), "unit": str, "scale": (int, float), "offset": (int, float)}
        for word in TARGETS
    },
}  # fmt: skip
_USUAL: Final = {"voltage": "usual_v", "bus-voltage": "usual_v", "current": "usual_ma"}
for _word, _usual in _USUAL.items():
    _KINDS[_word][_usual] = (int, float)
_ABOVE_0: Final = (
    "shunt_ohm",
    "every_s",
    "scale",
    "usual_v",
    "usual_ma",
)  # a scale may turn the sign
_KINDS["current"] |= {"sign": str, "shunt_ohm": (int, float), "constant_ma": (int, float)}


@dataclass(frozen=True)
class Mapping:
    """Tables of the file by name; see ``_KINDS`` for what each may hold. ``source``: where it was read."""

    tables: Dictionary[str, Dictionary[str, Any]]
    source: str = ""

    def wishes(self, layout: LayoutWish, plan: PlanWish) -> tuple[LayoutWish, PlanWish]:
        """What the user said, completed by what is kept here."""
        return _layout_wish(self.tables, layout), _plan_wish(self.tables, plan)

    def check(self, layout: Layout, wish: PlanWish) -> None:
        """Raises BenchError, naming what is missing, if the file has not the columns that are kept here."""
        columns = self.tables["file"].get("columns")
        if isinstance(columns, int):
            if columns != len(layout.names):
                raise self._unfit(f"it has {len(layout.names)} columns, not {columns}", layout)
            return
        kept = [str(name) for name in self.tables["time"].get("columns", [])]
        wanted = kept if wish.columns.get("time") == "\n".join(kept) else []
        wanted += [
            str(self.tables[word]["column"])
            for word in TARGETS
            if "column" in self.tables.get(word, {})
            and wish.columns.get(word) == str(self.tables[word]["column"])
        ]
        missing = [name for name in wanted if name not in layout.names and not name.isdecimal()]
        if missing:
            names = ", ".join(repr(name) for name in missing)
            raise self._unfit(f"it has no column {names}", layout)

    def check_sizes(self, columns: Dictionary[str, Floats], wish: PlanWish) -> None:
        """Raises BenchError where a column (n,) of the run, whose unit only this mapping knows, has another size than before.

        ``wish``: what the user said himself; a unit or scale of his is believed.
        """
        for word, key in _USUAL.items():
            before = self.tables.get(word, {}).get(key)
            values = columns.get(TARGETS[word])
            if before is None or values is None:
                continue
            if any(word in said for said in (wish.columns, wish.units, wish.scales)):
                continue
            now = middle_of(values)
            if now == 0.0 or 1 / _SIZES_APART <= now / before <= _SIZES_APART:
                continue
            unit = "mA" if word == "current" else "V"
            kept = self.tables[word].get("unit", unit)
            raise BenchError(
                f"The {word} in this file has another size than when the mapping {self.source} was saved.",
                evidence=f"now around {digits_text(now, 3)} {unit}, then {digits_text(before, 3)} {unit}, both read as {kept}; "
                "the file does not name the unit",
                next_step=f"say the unit besides: --{word}-unit {kept} if it is that, else another; or import without "
                "--mapping and save it anew.",
            )

    def _unfit(self, why: str, layout: Layout) -> BenchError:
        return BenchError(
            f"The mapping {self.source} does not fit this file: {why}.",
            evidence=f"its columns are: {', '.join(layout.names)}"[:200],
            next_step="import it without --mapping, and keep what is found with --save-mapping.",
        )


def _layout_wish(tables: Dictionary[str, Dictionary[str, Any]], wish: LayoutWish) -> LayoutWish:
    kept = tables["file"]
    delimiter = kept.get("delimiter")
    decimal = {"point": ".", "comma": ","}.get(kept.get("decimal", ""))
    thousands = THOUSANDS.get(kept.get("thousands", "")) if "thousands" in kept else None
    if wish.decimal is not None:  # both go together
        thousands = None
    return replace(
        wish,
        encoding=wish.encoding or kept.get("encoding"),
        delimiter=wish.delimiter
        or (DELIMITER_WORDS.get(delimiter, delimiter) if delimiter else None),
        decimal=wish.decimal or decimal,
        thousands=thousands if wish.thousands is None else wish.thousands,
        header=kept.get("header") if wish.header is None else wish.header,
        comment=wish.comment or kept.get("comment", ""),
        skip_lines=wish.skip_lines or kept.get("skip_lines", 0),
    )


def _plan_wish(tables: Dictionary[str, Dictionary[str, Any]], wish: PlanWish) -> PlanWish:
    time = tables["time"]
    columns, units = dict(wish.columns), dict(wish.units)
    scales, offsets = dict(wish.scales), dict(wish.offsets)
    timed = "time" in columns or wish.every_s is not None
    check_clocks = wish.check_clocks
    if not timed and time.get("columns"):
        columns["time"] = "\n".join(map(str, time["columns"]))
        check_clocks = not time.get("told", False)
        if "unit" in time:
            units.setdefault("time", time["unit"])
    for word in TARGETS:
        kept = tables.get(word, {})
        if "column" in kept and word not in columns:
            columns[word] = str(kept["column"])
            for key, store in (("unit", units), ("scale", scales), ("offset", offsets)):
                if key in kept:
                    store.setdefault(word, kept[key])
    current = tables.get("current", {})
    return replace(
        wish,
        columns=columns,
        units=units,
        scales=scales,
        offsets=offsets,
        time_format=wish.time_format or (None if timed else time.get("format")),
        every_s=wish.every_s or (None if "time" in columns else time.get("every_s")),
        shunt_ohm=wish.shunt_ohm or current.get("shunt_ohm"),
        constant_current_ma=wish.constant_current_ma
        or (None if "current" in columns else current.get("constant_ma")),
        clock=wish.clock or time.get("clock"),
        hours=wish.hours or time.get("hours"),
        date_order=wish.date_order or time.get("date_order"),
        day_zero=wish.day_zero or time.get("day_zero"),
        time_zone=wish.time_zone or time.get("zone"),
        row_order=wish.row_order or time.get("row_order"),
        current_sign=wish.current_sign or current.get("sign"),
        leave_out=wish.leave_out or tuple(map(str, tables["file"].get("leave_out", []))),
        check_clocks=check_clocks,
    )


def mapping_of(
    layout: Layout,
    plan: Plan,
    layout_wish: LayoutWish,
    wish: PlanWish,
    columns: Dictionary[str, Floats],
) -> Mapping:
    """What the next file of the same meter needs, from how this one was read. ``columns`` (n,): of the run."""
    name = (lambda place: layout.names[place]) if layout.header else (lambda place: str(place + 1))
    file: dict[str, Any] = {
        "columns": list(layout.names) if layout.header else len(layout.names),
        "delimiter": DELIMITER_NAMES.get(layout.delimiter, layout.delimiter),
        "decimal": "comma" if layout.decimal == "," else "point",
        "thousands": {",": "comma", ".": "point"}.get(layout.form.thousands, "none"),
        "encoding": layout_wish.encoding,
        "header": layout_wish.header,
        "comment": layout_wish.comment or None,
        "skip_lines": layout_wish.skip_lines or None,
        "leave_out": list(wish.leave_out) or None,
    }
    form = plan.time.form
    time: dict[str, Any] = {
        "columns": [name(place) for place in plan.time.places] or None,
        "told": ("time" in wish.columns and not wish.check_clocks) or None,
        "every_s": wish.every_s,
        "unit": plan.time.unit or None,
        "format": wish.time_format,
        "clock": ("mm:ss" if form.minutes_first else wish.clock) if form is not None else None,
        "date_order": (form.order or None) if form is not None and form.has_date else None,
        "hours": wish.hours,
        "day_zero": wish.day_zero,
        "zone": wish.time_zone,
        "row_order": wish.row_order,
    }
    tables: dict[str, dict[str, Any]] = {"file": file, "time": time}
    tables |= _measured_tables(plan, name, columns)
    current = {
        "sign": wish.current_sign,
        "shunt_ohm": wish.shunt_ohm,
        "constant_ma": wish.constant_current_ma,
    }
    if any(value is not None for value in current.values()):
        tables["current"] = tables.get("current", {}) | current
    return Mapping(
        {
            word: {key: value for key, value in table.items() if value is not None}
            for word, table in tables.items()
        }
    )


def _measured_tables(
    plan: Plan, name: Callable[[int], str], columns: Dictionary[str, Floats]
) -> dict[str, dict[str, Any]]:
    """A table for every column; with its usual size where the file does not name the unit."""
    tables: dict[str, dict[str, Any]] = {}
    for column in plan.columns:
        word = WORD_OF[column.target]
        tables[word] = {
            "column": name(column.place),
            "unit": column.unit,
            "scale": column.scale if column.scale != 1 else None,
            "offset": column.offset or None,
        }
        if word in _USUAL and not column.unit_in_file:
            usual = middle_of(columns[column.target])
            tables[word][_USUAL[word]] = float(f"{usual:.3g}") or None
    return tables


def write_mapping(mapping: Mapping, path: Path) -> None:
    """Write it as TOML, in place of what stood there. Raises BenchError, which says that the run is there."""
    try:
        replace_file(path, _text(mapping), own=False)
    except OSError as error:
        raise _only_the_run(path, error) from None


@contextlib.contextmanager
def keeping_mapping(mapping: Mapping, path: Path) -> Iterator[None]:
    """The same around the writing of the run: made ready first, put in place once the block has ended well.

    Raises BenchError, before the block is entered wherever it can be known there.
    """
    is_ready = False
    try:
        with replacing_file(path, own=False) as stream:
            stream.write(_text(mapping))
            stream.flush()
            is_ready = True
            yield
    except OSError as error:
        if is_ready:
            raise _only_the_run(path, error) from None
        raise BenchError(
            f"The mapping {path} cannot be written; no run was made.",
            evidence=spoken(error),
            next_step="give another name with --save-mapping.",
        ) from None


def _only_the_run(path: Path, error: OSError) -> BenchError:
    return BenchError(
        f"The run is written, but the mapping {path} cannot be.",
        evidence=spoken(error),
        next_step="import the file into another folder once more, with another name after --save-mapping.",
    )


def _text(mapping: Mapping) -> bytes:
    lines = [
        "# How one meter's files are read: drawbench import FILE RUN --mapping THIS",
        f"format = {_toml(FORMAT)}",
        f"version = {VERSION}",
    ]
    for word, table in mapping.tables.items():
        lines += ["", f"[{word}]", *(f"{key} = {_toml(value)}" for key, value in table.items())]
    return ("\n".join(lines) + "\n").encode()


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, str):
        # Signs that act on a terminal or turn the direction of text are written as escapes.
        signs = (
            sign if sign.isprintable() else _escape(sign)
            for sign in json.dumps(value, ensure_ascii=False)
        )
        return "".join(signs)
    return repr(value)


def _escape(sign: str) -> str:
    if "\ud800" <= sign <= "\udfff":  # half a letter, as of a broken name on the command line
        return "\ufffd"
    return f"\\U{ord(sign):08x}"


def read_mapping(path: Path) -> Mapping:
    """The mapping in a file. Raises BenchError for any file that is none, naming what is wrong in it."""
    try:
        said = tomllib.loads(utf8_text(read_whole(path, _MOST_BYTES), path, "mapping"))
    except OSError as error:
        raise BenchError(
            f"The mapping {path} cannot be read.",
            evidence=spoken(error),
            next_step="give a file that --save-mapping wrote.",
        ) from None
    except (ValueError, RecursionError) as error:
        raise _no_mapping(path, f"it is no TOML: {error}") from None
    if said.pop("format", None) != FORMAT:
        raise _no_mapping(path, f'it does not begin with format = "{FORMAT}"')
    version = said.pop("version", None)
    if version != VERSION or isinstance(version, bool):
        raise _no_mapping(path, f"its version is {version!r}, this program reads {VERSION}")
    tables: dict[str, dict[str, Any]] = {"file": {}, "time": {}}
    for word, table in said.items():
        if word not in _KINDS or not isinstance(table, dict):
            raise _no_mapping(path, f"[{word}] is not known")
        for key, value in table.items():
            _check_value(path, word, key, value)
        tables[word] = table
    file = tables["file"]  # the delimiter may be one of them: in quotes
    if file.get("thousands") == file.get("decimal", "point"):
        raise _no_mapping(path, "decimal and thousands in [file] must differ")
    return Mapping(tables, str(path))


def _check_value(path: Path, word: str, key: str, value: Any) -> None:
    kind = _KINDS[word].get(key)
    if kind is None:
        raise _no_mapping(path, f"{key} in [{word}] is not known")
    wrong = isinstance(value, bool) and kind is not bool
    choices = CHOICES.get(word, {}).get(key)
    if choices is not None:
        wrong |= value not in choices
    if not isinstance(value, kind) or wrong:
        raise _no_mapping(path, f"{key} in [{word}] cannot be {value!r}")
    sign = str(value)
    if key == "delimiter" and sign not in DELIMITER_WORDS and not may_divide(sign):
        raise _no_mapping(path, f"{key} in [{word}] cannot be {value!r}")
    if isinstance(value, list) and not all(isinstance(item, str | int) for item in value):
        raise _no_mapping(path, f"{key} in [{word}] must be names")
    if isinstance(value, float | int):
        wrong = key == "skip_lines" and value < 0
        least = 1e-12 if key in _ABOVE_0 else 0.0
        if (
            wrong
            or not least <= abs(value) < 1e12
            or (key in _ABOVE_0 and key != "scale" and value < 0)
        ):
            raise _no_mapping(path, f"{key} in [{word}] cannot be {value!r}")


def _no_mapping(path: Path, why: str) -> BenchError:
    return BenchError(
        f"{path} is no mapping for an import.",
        evidence=why[:200],
        next_step="give a file that --save-mapping wrote, or mend that line.",
    )
