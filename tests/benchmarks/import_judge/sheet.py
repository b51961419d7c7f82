"""A table of text cells and the dialects in which it can stand in a file.

Sources: RFC 4180 (quoting, CRLF; read from memory), Unicode CLDR number formats (decimal and grouping signs of
de, fr, de-CH, sv: from memory), ISO 8601 (dates; from memory), ECMA-376 part 1, 18.17.4 (date systems; from
memory). Forms that spreadsheets and meters write (``sep=;``, units in a second row): common practice, no source.
"""

from dataclasses import dataclass, field, replace
from decimal import Decimal
from random import Random
from typing import Final


@dataclass(frozen=True)
class Dialect:
    name: str
    delimiter: str
    decimal: str = "."
    quote: bool = False
    newline: str = "\n"
    encoding: str = "utf-8"
    mark: bytes = b""

    def number(self, value: Decimal) -> str:
        return f"{value:f}".replace(".", self.decimal)

    def encode(self, text: str) -> bytes:
        return self.mark + text.encode(self.encoding)


UTF8_MARK: Final = b"\xef\xbb\xbf"
COMMA: Final = Dialect("comma", ",")
COMMA_QUOTED: Final = Dialect("comma-quoted", ",", quote=True, newline="\r\n")
COMMA_BOTH: Final = Dialect("comma-decimal-comma-quoted", ",", ",", quote=True, newline="\r\n")
SEMI: Final = Dialect("semicolon-decimal-comma", ";", ",", newline="\r\n", encoding="cp1252")
SEMI_MARK: Final = Dialect("semicolon-marked", ";", ",", newline="\r\n", mark=UTF8_MARK)
SEMI_POINT: Final = Dialect("semicolon-point", ";", newline="\r\n")
OLD_LINES: Final = Dialect("semicolon-cr", ";", newline="\r", encoding="latin-1")
TAB: Final = Dialect("tab", "\t")
TAB_COMMA: Final = Dialect("tab-decimal-comma", "\t", ",", newline="\r\n", encoding="cp1252")
WIDE_LE: Final = Dialect(
    "tab-utf-16le", "\t", newline="\r\n", encoding="utf-16-le", mark=b"\xff\xfe"
)
WIDE_BE: Final = Dialect(
    "semicolon-utf-16be", ";", ",", newline="\r\n", encoding="utf-16-be", mark=b"\xfe\xff"
)
BAR: Final = Dialect("bar", "|")
DIALECTS: Final = (
    COMMA, COMMA_QUOTED, COMMA_BOTH, SEMI, SEMI_MARK, SEMI_POINT, OLD_LINES, TAB, TAB_COMMA, WIDE_LE, WIDE_BE, BAR,
)  # fmt: skip
WESTERN: Final = tuple(d for d in DIALECTS if d.encoding in ("utf-8", "cp1252", "latin-1"))
THREE: Final = (COMMA, SEMI, TAB)

# Names of the three quantities: English, German, French, Spanish, Italian (from memory).
NAMES: Final = (
    ("Time", "Voltage", "Current"),
    ("Zeit", "Spannung", "Strom"),
    ("Temps", "Tension", "Courant"),
    ("Tiempo", "Tensión", "Corriente"),
    ("Tempo", "Tensione", "Corrente"),
)
PLAIN_HEAD: Final = ("Time [s]", "Voltage [V]", "Current [mA]")
# Quantity and unit in a heading; "U / V" is the form of ISO 80000-1 (from memory).
UNIT_STYLES: Final = ("{} [{}]", "{} ({})", "{}/{}", "{} / {}", "{}_{}", "{} in {}")


@dataclass(frozen=True)
class Sheet:
    """``head``: rows of headings, may be none. ``above``, ``below``: whole lines outside the table."""

    rows: tuple[tuple[str, ...], ...]
    head: tuple[tuple[str, ...], ...] = ()
    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()
    trailing: bool = False
    last_newline: bool = True
    cut: int = 0

    def text(self, dialect: Dialect) -> str:
        """The file's text. ``cut``: so many signs are missing at the end."""
        lines = [
            *self.above,
            *(_line(row, dialect, self.trailing) for row in (*self.head, *self.rows)),
            *self.below,
        ]
        text = dialect.newline.join(lines) + (dialect.newline if self.last_newline else "")
        return text[: len(text) - self.cut]

    def data(self, dialect: Dialect) -> bytes:
        return dialect.encode(self.text(dialect))


def _line(cells: tuple[str, ...], dialect: Dialect, trailing: bool) -> str:
    return dialect.delimiter.join(_cell(cell, dialect) for cell in cells) + (
        dialect.delimiter if trailing else ""
    )


def _cell(text: str, dialect: Dialect) -> str:
    """Quoted after RFC 4180 where the dialect does, or the text has the delimiter in it."""
    if dialect.quote or dialect.delimiter in text or '"' in text:
        return '"' + text.replace('"', '""') + '"'
    return text


@dataclass(frozen=True)
class Series:
    """What was measured: seconds, volts with three decimals, milliamperes with one."""

    time_s: tuple[Decimal, ...]
    voltage_v: tuple[Decimal, ...]
    current_ma: tuple[Decimal, ...]

    @property
    def count(self) -> int:
        return len(self.time_s)

    def at(self, times_s: list[Decimal]) -> "Series":
        return replace(self, time_s=tuple(times_s))


@dataclass(frozen=True)
class Load:
    """A pack that runs down: its first voltage, its fall, and the draws between which the piece changes."""

    first_v: Decimal = Decimal("4.612")
    fall_v: Decimal = Decimal("0.9")
    draws_ma: tuple[int, ...] = field(default=(86, 148, 212))


STRONG: Final = Load(draws_ma=(1286, 1948, 2712))


def measured(rng: Random, rows: int = 24, step_s: str = "1", load: Load | None = None) -> Series:
    """A rundown with noise; draws change every few rows, the voltage falls and sags with the draw."""
    load = load or Load()
    step = Decimal(step_s)
    times, volts, amps = [], [], []
    draw = rng.choice(load.draws_ma)
    for index in range(rows):
        if index % 5 == 4:
            draw = rng.choice(load.draws_ma)
        current = Decimal(draw) + Decimal(rng.randint(-19, 19)) / 10
        fallen = load.fall_v * index / rows + current / 2000
        volts.append((load.first_v - fallen).quantize(Decimal("0.001")))
        amps.append(current.quantize(Decimal("0.1")))
        times.append(step * index)
    return Series(tuple(times), tuple(volts), tuple(amps))


def volts(series: Series, dialect: Dialect, unit: str = "V") -> list[str]:
    factor = {"V": Decimal(1), "mV": Decimal(1000)}[unit]
    places = {"V": Decimal("0.001"), "mV": Decimal(1)}[unit]
    return [dialect.number((value * factor).quantize(places)) for value in series.voltage_v]


def amps(series: Series, dialect: Dialect, unit: str = "mA") -> list[str]:
    factor = {"A": Decimal("0.001"), "mA": Decimal(1), "uA": Decimal(1000), "µA": Decimal(1000)}[
        unit
    ]
    places = {"A": Decimal("0.0001"), "mA": Decimal("0.1"), "uA": Decimal(1), "µA": Decimal(1)}[
        unit
    ]
    return [dialect.number((value * factor).quantize(places)) for value in series.current_ma]


def seconds(series: Series, dialect: Dialect, factor: str = "1", places: str = "0.1") -> list[str]:
    return [
        dialect.number((value * Decimal(factor)).quantize(Decimal(places)))
        for value in series.time_s
    ]


def columns(*cells: list[str]) -> tuple[tuple[str, ...], ...]:
    return tuple(zip(*cells, strict=True))
