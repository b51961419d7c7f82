"""Kinds of files: how one is made from a seed, and the usual parts of which most are made."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from random import Random
from typing import Final

from tests.benchmarks.import_judge.case import Case, Expect, Row, Truth
from tests.benchmarks.import_judge.sheet import (
    UNIT_STYLES,
    Dialect,
    Series,
    Sheet,
    amps,
    columns,
    measured,
    seconds,
    volts,
)


@dataclass(frozen=True)
class Draft:
    """A file's bytes and what is true of it: one truth, or the two readings of an ambiguous file."""

    data: bytes
    truths: tuple[Truth, ...]


Maker = Callable[[Random], Draft]


@dataclass(frozen=True)
class Kind:
    """``group``: which part of the matrix. ``files``: how many seeds."""

    name: str
    group: str
    expect: Expect
    files: int
    make: Maker


def cases_of(kinds: Sequence[Kind], first_seed: int = 0) -> list[Case]:
    """All files of these kinds; an ambiguous file comes once for each of its readings."""
    cases = []
    for kind in kinds:
        for seed in range(first_seed, first_seed + kind.files):
            draft = kind.make(Random(f"{kind.name} {seed}"))
            for number, truth in enumerate(draft.truths):
                several = len(draft.truths) > 1
                name = f"{kind.name}-{seed}" + ("ab"[number] if several else "")
                pair = f"{kind.name}-{seed}" if several else ""
                cases.append(
                    Case(name, kind.name, kind.group, seed, draft.data, kind.expect, truth, pair)
                )
    return cases


def rows_of(
    series: Series, *, voltage: bool = True, current: bool = True, optional: Sequence[int] = ()
) -> tuple[Row, ...]:
    return tuple(
        Row(
            float(series.time_s[index]),
            float(series.voltage_v[index]) if voltage else None,
            float(series.current_ma[index]) if current else None,
            index in optional,
        )
        for index in range(series.count)
    )


def in_parts(series: Series, second: int) -> tuple[Row, ...]:
    """Rows of a meter that began again with row ``second``."""
    return tuple(replace(row, part=int(i >= second)) for i, row in enumerate(rows_of(series)))


UNITS: Final = (("V", "mA"), ("V", "A"), ("mV", "mA"), ("mV", "A"), ("V", "uA"))


@dataclass(frozen=True)
class Plain:
    """The usual table: time, voltage, current with their units in one row of headings."""

    dialect: Dialect
    series: Series
    names: tuple[str, str, str] = ("Time", "Voltage", "Current")
    units: tuple[str, str] = ("V", "mA")
    style: str = "{} [{}]"
    time: tuple[list[str], str] | None = None
    start: datetime | None = None
    tolerance_s: float = 1e-3

    @property
    def time_cells(self) -> list[str]:
        return self.time[0] if self.time else seconds(self.series, self.dialect)

    @property
    def head(self) -> tuple[str, ...]:
        time_name = self.time[1] if self.time else self.style.format(self.names[0], "s")
        return (
            time_name,
            self.style.format(self.names[1], self.units[0]),
            self.style.format(self.names[2], self.units[1]),
        )

    @property
    def rows(self) -> tuple[tuple[str, ...], ...]:
        return columns(
            self.time_cells,
            volts(self.series, self.dialect, self.units[0]),
            amps(self.series, self.dialect, self.units[1]),
        )

    @property
    def sheet(self) -> Sheet:
        return Sheet(self.rows, (self.head,))

    def truth(self, rows: tuple[Row, ...] | None = None) -> Truth:
        rows = rows_of(self.series) if rows is None else rows
        return Truth(rows, self.tolerance_s, self.start)

    def draft(self, sheet: Sheet | None = None, rows: tuple[Row, ...] | None = None) -> Draft:
        return Draft((sheet or self.sheet).data(self.dialect), (self.truth(rows),))


def plain(rng: Random, dialects: Sequence[Dialect], *, rows: int = 24, step_s: str = "1") -> Plain:
    return Plain(
        rng.choice(list(dialects)),
        measured(rng, rows, step_s),
        units=rng.choice(UNITS),
        style=rng.choice(UNIT_STYLES),
    )


def swapped_readings(series: Series) -> tuple[tuple[Row, ...], tuple[Row, ...]]:
    """Rows as headed (volts and amperes), and with the two columns the other way round."""
    straight = rows_of(series)
    other = tuple(
        Row(
            row.time_s,
            float(Decimal(str(row.current_ma)) / 1000),
            float(Decimal(str(row.voltage_v)) * 1000),
        )
        for row in straight
    )
    return straight, other


def without_current(made: Plain, gone: list[int]) -> tuple[Row, ...]:
    """Rows ``gone`` have no current; they may be left out whole, if that is said."""
    return tuple(
        replace(row, current_ma=None, optional=True) if i in gone else row
        for i, row in enumerate(rows_of(made.series))
    )


def grouped(cells: list[str], dialect: Dialect, sign: str) -> list[str]:
    """With a sign between thousands."""
    texts = []
    for cell in cells:
        whole, point, rest = cell.partition(dialect.decimal)
        texts.append(f"{int(whole):,}".replace(",", sign) + point + rest)
    return texts


def minus(cells: list[str]) -> list[str]:
    return [f"-{cell}" for cell in cells]
