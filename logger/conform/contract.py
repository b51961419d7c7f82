"""What must a board do? The tables of PROTOCOL.md as data, so that page and test are one thing."""

import functools
import re
from dataclasses import dataclass
from importlib.resources import files
from typing import Final

_PAGE: Final = "PROTOCOL.md"
_CODE: Final = re.compile(r"`([^`]*)`")


@dataclass(frozen=True)
class Rule:
    """``section``: the heading it stands under; ``barred``: why nothing here can provoke it, empty if it can."""

    name: str
    section: str
    says: str
    barred: str


@dataclass(frozen=True)
class Key:
    """A key of ``hello``; ``forms``: regular expressions, one of which its value has."""

    name: str
    must: bool
    forms: tuple[str, ...]

    def fits(self, value: str) -> bool:
        return any(re.fullmatch(form, value) for form in self.forms)


@dataclass(frozen=True)
class Steps:
    """A kind of sensor: what one count is worth, in tenths of a nV (shunt, bus), and the times in us that a pair may take."""

    shunt: int
    bus: int
    pairs_us: tuple[int, ...]


@dataclass(frozen=True)
class Contract:
    """``fields``: of each kind of line, each with its form; ``details``: of the fault codes that have one.

    ``limits``: least and greatest value of the commands that have such, as the page writes them.
    """

    keys: dict[str, Key]
    fields: dict[str, dict[str, str]]
    details: dict[str, str]
    limits: dict[str, tuple[str, str]]
    steps: dict[str, Steps]
    rules: dict[str, Rule]


@functools.cache
def contract() -> Contract:
    """The page that is shipped with this program."""
    return read_contract(files("firmware_probe").joinpath(_PAGE).read_text(encoding="utf-8"))


def read_contract(page: str) -> Contract:
    """Data of a page's tables. Raises ValueError, KeyError where a table is missing or torn."""
    tables = _tables(page)
    keys = {
        _name(row[0]): Key(_name(row[0]), row[1] == "yes", tuple(_CODE.findall(row[2])))
        for row in tables["key of `hello`"]
    }
    return Contract(
        keys=keys,
        fields=_fields(tables),
        details={_name(row[0]): _name(row[1]) for row in tables["fault"]},
        limits={_name(row[0]): (row[2], row[3]) for row in tables["command of the host"] if row[2]},
        steps={
            _name(row[0]): Steps(
                round(float(row[1]) * 10),
                round(float(row[2]) * 10),
                tuple(int(pair_us) for pair_us in row[3].split()),
            )
            for row in tables["kind of sensor"]
        },
        rules={
            _name(row[0]): Rule(_name(row[0]), row[1].replace("`", ""), row[2], row[3])
            for row in tables["rule"]
        },
    )


def _name(cell: str) -> str:
    return _CODE.findall(cell)[0] if "`" in cell else cell


def _tables(page: str) -> dict[str, list[list[str]]]:
    """Rows of every table, by what stands above its first column; tables with the same word there are joined.

    A line's own table of fields (``field | decimals | meaning``) is named by its heading's first piece of code.
    """
    found: dict[str, list[list[str]]] = {}
    heading, rows = "", None
    for line in page.splitlines():
        if line.startswith("#"):
            heading = next(iter(_CODE.findall(line)), "")
        if not line.startswith("|"):
            rows = None
            continue
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        cells += [""] * (line.count("|") - 1 - len(cells))
        if rows is None:
            title = f"line {heading}" if cells[:2] == ["field", "decimals"] else cells[0]
            title = "field of a line" if cells[:2] == ["line", "field"] else title
            rows = found.setdefault(title, [])
        elif not set(cells[0]) <= set("-: "):
            rows.append(cells)
    return found


def number_form(decimals: int) -> str:
    """A number as the page wants it: fixed count of decimals, whole ones without a sign."""
    return rf"-?[0-9]+\.[0-9]{{{decimals}}}" if decimals else "[0-9]+"


# Empty where the joint was open for the whole cycle (section ``flex``).
_MAY_BE_EMPTY: Final = ("resistance_min_ohm", "resistance_max_ohm")


def _fields(tables: dict[str, list[list[str]]]) -> dict[str, dict[str, str]]:
    forms = {(_name(row[0]), _name(row[1])): row[2] for row in tables["field of a line"]}
    fields: dict[str, dict[str, str]] = {}
    for row in tables["line"]:
        line = _name(row[0])
        own = tables.get(f"line {line}", [])
        if own:
            fields[line] = {
                name: number_form(int(item[1])) + ("|" if name in _MAY_BE_EMPTY else "")
                for item in own
                for name in _CODE.findall(item[0])
            }
            continue
        fields[line] = {}
        for name in _CODE.findall(row[2]):
            listed = _CODE.findall(forms.get((line, name), ""))
            whole = name in ("time_us", "cycle")
            fields[line][name] = "|".join(listed) or ("[0-9]+" if whole else "[ -)+-~]*")
    return fields
