"""TOML tables that know where in the file they stand, so that an error can name its line."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, overload

from logger.base.errors import BenchError
from logger.base.typed.number import both_words

_WHOLE_SENTENCES = ("use ", "write ", "did you mean ")


@dataclass(frozen=True)
class Located:
    """One table of a TOML document. ``header`` and ``index`` tell which: ``("part", 2)`` is the third [[part]]."""

    file: str
    content: str
    values: Mapping[str, Any]
    header: str = ""
    index: int = 0

    def error(self, field: str, happened: str, valid: str) -> BenchError:
        """Error that names file, line and field."""
        line = self.line(field)
        place = f"{self.file}, line {line}" if line else self.file
        where = f"[{self.header}] " if self.header else ""
        shown = self.content.splitlines()[line - 1].strip() if line else ""
        return BenchError(
            f"{place}: {where}{field}: {happened}.",
            evidence=shown,
            next_step=valid if valid.startswith(_WHOLE_SENTENCES) else f"use {valid}",
        )

    def only(self, *known: str) -> None:
        """Refuse fields that nobody reads: mostly a slip of the pen."""
        for key in self.values:
            if key not in known:
                close = get_close_matches(key, known, 1)
                hint = f"did you mean {close[0]!r}? " if close else ""
                raise self.error(
                    key, "this field is not known", f"{hint}one of: {', '.join(known)}"
                )

    def table(self, name: str) -> "Located":
        """Subtable ``[name]``, which must be there."""
        value = self.values.get(name)
        if not isinstance(value, Mapping):
            raise self.error(
                name, f"the table [{name}] is missing", f"a line [{name}] with its fields below"
            )
        return Located(self.file, self.content, value, self._under(name))

    def subtables(self, name: str) -> dict[str, "Located"]:
        """Tables ``[name.X]`` by X; none if there are none."""
        value = self.values.get(name, {})
        if not isinstance(value, Mapping) or not all(
            isinstance(item, Mapping) for item in value.values()
        ):
            raise self.error(name, "tables are expected here", f"[{self._under(name)}.STATE]")
        return {
            key: Located(self.file, self.content, item, f"{self._under(name)}.{key}", self.index)
            for key, item in value.items()
        }

    def tables(self, name: str, needed: bool = False) -> list["Located"]:
        """Array of tables ``[[name]]``."""
        value = self.values.get(name, [])
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            raise self.error(
                name, f"{name} is a list of tables", f"[[{name}]], with double brackets"
            )
        if needed and not value:
            raise self.error(name, f"there is no [[{name}]]", f"at least one [[{name}]]")
        return [
            Located(self.file, self.content, item, self._under(name), index)
            for index, item in enumerate(value)
        ]

    def text(self, key: str, default: str | None = None) -> str:
        """Text in quotes, not blank; the default where it is not given."""
        value = self.values.get(key, default)
        if value is None:
            raise self.error(key, "this field is missing", f'text in quotes: {key} = "..."')
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, f"{value!r} is no text", f'text in quotes: {key} = "..."')
        return value

    def texts(self, key: str) -> list[str]:
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.error(key, f"{value!r} is no list of names", f'{key} = ["...", "..."]')
        return value

    def mapping(self, key: str) -> Mapping[str, Any]:
        value = self.values.get(key, {})
        if not isinstance(value, Mapping):
            raise self.error(key, f"{value!r} is no table", f"{key}.NAME = ...")
        return value

    def numbers(self, key: str, high: float = 1e6) -> dict[str, float]:
        """Table of numbers by name, none below 0."""
        return {
            name: self._checked(f"{key}.{name}", value, 0.0, high)
            for name, value in self.mapping(key).items()
        }

    @overload
    def number(self, key: str, *, low: float, high: float = ..., default: float) -> float: ...
    @overload
    def number(self, key: str, *, low: float, high: float = ...) -> float: ...
    @overload
    def number(
        self, key: str, *, low: float, high: float = ..., optional: bool
    ) -> float | None: ...
    def number(
        self,
        key: str,
        *,
        low: float,
        high: float = 1e6,
        default: float | None = None,
        optional: bool = False,
    ) -> float | None:
        """Number within ``low`` and ``high``; the default, or None if optional, where it is not given."""
        value = self.values.get(key)
        if value is None:
            if default is None and not optional:
                raise self.error(key, "this field is missing", f"a number from {low:g} to {high:g}")
            return default
        return self._checked(key, value, low, high)

    def _checked(self, field: str, value: object, low: float, high: float) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            raise self.error(
                field,
                f"{value!r} is no number",
                "a bare number in the unit that the field's name ends with, such as 12.5",
            )
        if not low <= value <= high:
            raise self.error(
                field, f"{value:g} is out of range", f"a number from {low:g} to {high:g}"
            )
        return float(value)

    def refuse_thousands(self, field: str, value: float) -> None:
        """TOML reads 2.500 as 2.5; whoever writes it for a capacity may mean 2500."""
        line = self.line(field)
        shown = self.content.splitlines()[line - 1] if line else ""
        if re.search(r"=\s*[1-9]\d{0,2}\.\d{3}\s*(?:#|$)", shown):
            both = both_words(value * 1000, value)
            raise self.error(field, f"this may be {both}", f"one of these: {both}")

    def line(self, field: str) -> int:
        """Line number of a field of this table, else of the table's header, else 0."""
        lines = self.content.splitlines()
        start, end = self._extent(lines)
        keys = field.split(".")
        # A table of its own, [part.peak_ma], may have a field of the same name as its neighbours.
        own = re.compile(rf"\s*\[{re.escape(self._under(keys[0]))}\]")
        if len(keys) > 1:
            start = next((n + 1 for n in range(start, end) if own.match(lines[n])), start)
        for number in range(start, end):
            if any(
                re.match(
                    rf"\s*(?:[\w\"'-]+\s*\.\s*)*[\"']?{re.escape(key)}[\"']?\s*[=.]", lines[number]
                )
                for key in keys[-1:]
            ):
                return number + 1
        for number in range(start, end):
            if re.match(rf"\s*[\"']?{re.escape(keys[0])}[\"']?\s*[=.]", lines[number]):
                return number + 1
        # A field may be a table of its own: [part.current_ma].
        for number in range(start, end):
            if re.match(rf"\s*\[[^\]]*\b{re.escape(keys[0])}\b", lines[number]):
                return number + 1
        return start if self.header else 0

    def _extent(self, lines: list[str]) -> tuple[int, int]:
        """Lines (from, to) of this table with its subtables."""
        if not self.header:
            return 0, len(lines)
        top = self.header.split(".")[0]
        header = re.compile(rf"\s*\[\[?\s*{re.escape(self.header)}\s*\]")
        owner = re.compile(rf"\s*\[\[?\s*{re.escape(top)}\s*\]")
        foreign = re.compile(rf"\s*\[\[?\s*(?!{re.escape(self.header)}\s*\.)")
        begins = [number for number, line in enumerate(lines) if owner.match(line)]
        begin = begins[self.index] if self.index < len(begins) else 0
        own = next((n for n in range(begin, len(lines)) if header.match(lines[n])), begin)
        end = next((n for n in range(own + 1, len(lines)) if foreign.match(lines[n])), len(lines))
        return own + 1, end

    def _under(self, name: str) -> str:
        return f"{self.header}.{name}" if self.header else name


def valid_of(wrong: str, known: list[str]) -> str:
    """What would be valid instead of a name that is not known."""
    close = get_close_matches(wrong, known, 1)
    hint = f"did you mean {close[0]!r}? " if close else ""
    return f"{hint}one of: {', '.join(known)}"
