"""Tables of joints as people really save them, each with what is right.

Written by hand from what spreadsheet programs and editors are known to write (common practice,
no source). Rows are counted as a spreadsheet shows them: the header is row 1, empty rows count.
``asked`` is False where the issue does not name the dialect and only a crash is a fault.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec
from io import BytesIO
from itertools import pairwise
from typing import Final


@dataclass(frozen=True)
class ReadRow:
    """One specimen as understood; cycles in bends, radius in mm. None: not entered."""

    specimen: str
    cycles: float
    failed: bool
    group: str = ""
    how: str = ""
    last_whole: float | None = None
    radius_mm: float | None = None
    strip: str | None = None


@dataclass(frozen=True)
class Refused:
    """A refusal must name one of ``rows``, the column as the file heads it, and the cell.

    No rows: the whole table is at fault, and the words in ``names`` must come up.
    """

    rows: frozenset[int] = frozenset()
    column: str = ""
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A file's bytes and what is right. ``may_ask``: asking back is as good as reading."""

    name: str
    content: bytes
    right: tuple[ReadRow, ...] | Refused
    suffix: str = ".csv"
    asked: bool = True
    may_ask: bool = False


USUAL: Final = (
    ReadRow("S1", 4800, False, "solid"),
    ReadRow("S2", 1250, True, "solid"),
)
BARE: Final = tuple(ReadRow(row.specimen, row.cycles, row.failed) for row in USUAL)
RADII: Final = (
    ReadRow("S1", 4800, False, "solid", radius_mm=2.5),
    ReadRow("S2", 1250, True, "solid", radius_mm=12.0),
)
HEAD: Final = "specimen,group,cycles,failed\n"
PLAIN: Final = HEAD + "S1,solid,4800,no\nS2,solid,1250,yes\n"
SEMI: Final = PLAIN.replace(",", ";")
TAB: Final = PLAIN.replace(",", "\t")
RADIUS_HEAD: Final = "specimen;group;cycles;failed;bend_radius_mm\n"


def _marks(yes: str, no: str) -> str:
    return f"{HEAD}S1,solid,4800,{no}\nS2,solid,1250,{yes}\n"


def _at(row: int, column: str, *names: str) -> Refused:
    return Refused(frozenset({row}), column, names)


def _t(
    name: str,
    text: str,
    right: tuple[ReadRow, ...] | Refused = USUAL,
    encoding: str = "utf-8",
    *,
    asked: bool = True,
    may_ask: bool = False,
) -> Table:
    return Table(name, text.encode(encoding), right, asked=asked, may_ask=may_ask)


SEPARATORS: Final = (
    _t("comma", PLAIN),
    _t("semicolon", SEMI),
    _t("tab", TAB),
    Table("tab, .tsv", TAB.encode(), USUAL, ".tsv"),
    Table("tab, .txt", TAB.encode(), USUAL, ".txt"),
    _t("sep=; line", "sep=;\n" + SEMI),
    _t("sep=, line", "sep=,\n" + PLAIN),
    _t("SEP=; line in capitals", "SEP=;\r\n" + SEMI.replace("\n", "\r\n")),
    _t("sep=tab line", "sep=\t\n" + TAB),
    _t("quoted sep= line", '"sep=;"\n' + SEMI),
    _t("Windows line ends", PLAIN.replace("\n", "\r\n")),
    _t("old line ends", PLAIN.replace("\n", "\r"), asked=False),
    _t("no line end at the end", PLAIN.rstrip("\n")),
    _t(
        "every cell quoted",
        '"specimen","group","cycles","failed"\n"S1","solid","4800","no"\n"S2","solid","1250","yes"\n',
    ),
    _t("blanks after commas", PLAIN.replace(",", ", ")),
    _t(
        "comma inside a quoted group",
        HEAD + 'S1,"stranded, relief",4800,no\nS2,"stranded, relief",1250,yes\n',
        tuple(ReadRow(r.specimen, r.cycles, r.failed, "stranded, relief") for r in USUAL),
    ),
    _t(
        "semicolons, comma inside a group",
        "specimen;group;cycles;failed\nS1;stranded, relief;4800;no\nS2;stranded, relief;1250;yes\n",
        tuple(ReadRow(r.specimen, r.cycles, r.failed, "stranded, relief") for r in USUAL),
    ),
    _t(
        "one column too many, empty",
        HEAD.replace("\n", ",\n") + "S1,solid,4800,no,\nS2,solid,1250,yes,\n",
    ),
)

GROUP_E: Final = tuple(ReadRow(r.specimen, r.cycles, r.failed, "Litze, gelötet") for r in USUAL)
UMLAUT: Final = (
    "specimen;group;cycles;failed\nS1;Litze, gelötet;4800;nein\nS2;Litze, gelötet;1250;ja\n"
)
ENCODINGS: Final = (
    _t("UTF-8 with mark", PLAIN, encoding="utf-8-sig"),
    _t("UTF-8 with mark and sep= line", "sep=;\n" + SEMI, encoding="utf-8-sig"),
    _t("UTF-16 with mark", TAB, encoding="utf-16"),
    Table("UTF-16 big end first, mark", b"\xfe\xff" + TAB.encode("utf-16-be"), USUAL),
    Table("UTF-16 without mark", TAB.encode("utf-16-le"), USUAL, asked=False),
    _t("umlaut in UTF-8", UMLAUT, GROUP_E),
    _t("umlaut in cp1252", UMLAUT, GROUP_E, "cp1252"),
    _t("umlaut in UTF-16", UMLAUT, GROUP_E, "utf-16"),
    _t(
        "dash and quotes of cp1252",
        HEAD + "S1,core – “A”,4800,no\n",
        (ReadRow("S1", 4800, False, "core – “A”"),),
        "cp1252",
    ),
)

MARKS: Final = (
    _t("ja/nein", _marks("ja", "nein")),
    _t("Ja/Nein", _marks("Ja", "Nein")),
    _t("j/n", _marks("j", "n")),
    _t("YES/NO", _marks("YES", "NO")),
    _t("y/n", _marks("y", "n")),
    _t("true/false", _marks("TRUE", "FALSE")),
    _t("1/0", _marks("1", "0")),
    _t("x and nothing", _marks("x", "")),
    _t("capital X and nothing", _marks("X", "")),
    _t("x and dash", _marks("x", "-")),
    _t("yes with blanks round it", _marks(" yes ", " no ")),
    # "ok" under "failed" says that the joint is whole; to ask is as good, "failed" is wrong.
    _t("ok for whole", _marks("yes", "ok"), may_ask=True),
    _t("OK for whole", _marks("x", "OK"), may_ask=True),
    _t("no mark among yes and no", _marks("", "no") + "S3,solid,900,yes\n", _at(3, "failed")),
    _t("mark misspelt", _marks("yse", "no"), _at(3, "failed", "yse")),
    _t("mark is a doubt", _marks("?", "no"), _at(3, "failed", "?")),
    _t("mark is a sentence", _marks("maybe later", "no"), _at(3, "failed", "maybe later")),
)

NUMBERS: Final = (
    _t(
        "decimal comma in the radius",
        RADIUS_HEAD + "S1;solid;4800;no;2,5\nS2;solid;1250;yes;12,0\n",
        RADII,
    ),
    _t(
        "decimal comma, tabs",
        (RADIUS_HEAD + "S1;solid;4800;no;2,5\nS2;solid;1250;yes;12,0\n").replace(";", "\t"),
        RADII,
    ),
    _t(
        "quoted decimal comma between commas",
        RADIUS_HEAD.replace(";", ",") + 'S1,solid,4800,no,"2,5"\nS2,solid,1250,yes,"12,0"\n',
        RADII,
    ),
    _t("dot thousands", HEAD + "S1,solid,4.800,no\nS2,solid,1250,yes\n", _at(2, "cycles", "4.800")),
    _t(
        "dot thousands between semicolons",
        "specimen;cycles;failed\nS1;4800;no\nS2;1.250;yes\n",
        _at(3, "cycles", "1.250"),
    ),
    _t("comma thousands, quoted", HEAD + 'S1,solid,"4,800",no\n', _at(2, "cycles", "4,800")),
    _t(
        "comma thousands between semicolons",
        "specimen;cycles;failed\nS1;4,800;no\n",
        _at(2, "cycles", "4,800"),
    ),
    # Two marks, or blanks between groups of three, leave no doubt.
    _t(
        "dots twice",
        HEAD + "S1,solid,1.204.800,no\n",
        (ReadRow("S1", 1204800, False, "solid"),),
        asked=False,
    ),
    _t("blank thousands", HEAD + "S1,solid,4 800,no\nS2,solid,1 250,yes\n", asked=False),
    _t(
        "hard blank thousands",
        HEAD + "S1,solid,4\u00a0800,no\nS2,solid,1\u00a0250,yes\n",
        asked=False,
    ),
    _t("whole number with .0", HEAD + "S1,solid,4800.0,no\nS2,solid,1250.0,yes\n"),
    _t("letter O for nought", HEAD + "S1,solid,48OO,no\n", _at(2, "cycles", "48OO")),
    _t("about", HEAD + "S1,solid,4800,no\nS2,solid,ca. 1250,yes\n", _at(3, "cycles", "ca. 1250")),
    _t("over", HEAD + "S1,solid,>4800,no\n", _at(2, "cycles", ">4800")),
    _t("no count", HEAD + "S1,solid,4800,no\nS2,solid,,yes\n", _at(3, "cycles")),
    _t("below nought", HEAD + "S1,solid,-4800,no\n", _at(2, "cycles", "-4800")),
    _t("not a number", HEAD + "S1,solid,NaN,yes\n", _at(2, "cycles", "NaN")),
    _t("without end", HEAD + "S1,solid,inf,no\n", _at(2, "cycles", "inf")),
    _t("spreadsheet fault", HEAD + "S1,solid,#VALUE!,no\n", _at(2, "cycles", "#VALUE!")),
    _t(
        "a date where a count was",
        HEAD + "S1,solid,4800,no\nS2,solid,12.05.2026,yes\n",
        _at(3, "cycles", "12.05.2026"),
    ),
    _t(
        "radius misspelt",
        RADIUS_HEAD + "S1;solid;4800;no;2,5\nS2;solid;1250;yes;2,,5\n",
        _at(3, "bend_radius_mm", "2,,5"),
    ),
    _t("radius of nought", RADIUS_HEAD + "S1;solid;4800;no;0\n", _at(2, "bend_radius_mm", "0")),
)

WHOLE_HEAD: Final = "specimen,group,cycles,failed,how,last_whole_cycles\n"
SHAPES: Final = (
    _t("empty row in the middle", HEAD + "S1,solid,4800,no\n\nS2,solid,1250,yes\n"),
    _t("row of commas in the middle", HEAD + "S1,solid,4800,no\n,,,\nS2,solid,1250,yes\n"),
    _t("empty rows at the end", PLAIN + "\n\n,,,\n"),
    _t("empty rows before the header", "\n\n" + PLAIN),
    _t(
        "empty rows count in a refusal",
        HEAD + "S1,solid,4800,no\n\nS2,solid,12x50,yes\n",
        _at(4, "cycles", "12x50"),
    ),
    _t("header in capitals", PLAIN.replace(HEAD, HEAD.upper())),
    _t("header with first capitals", PLAIN.replace(HEAD, "Specimen,Group,Cycles,Failed\n")),
    _t(
        "header with blanks round words",
        PLAIN.replace(HEAD, " specimen , group , cycles , failed \n"),
    ),
    _t(
        "header words in another order",
        "failed,cycles,group,specimen\nno,4800,solid,S1\nyes,1250,solid,S2\n",
    ),
    _t(
        "strips",
        "specimen,group,strip,cycles,failed\nS1,solid,a,4800,no\nS2,solid,b,1250,yes\n",
        tuple(replace(r, strip=s) for r, s in zip(USUAL, "ab", strict=True)),
    ),
    _t(
        "strips headed batch",
        "specimen,group,Batch,cycles,failed\nS1,solid,1,4800,no\nS2,solid,2,1250,yes\n",
        tuple(replace(r, strip=s) for r, s in zip(USUAL, "12", strict=True)),
    ),
    _t("no group column", "specimen,cycles,failed\nS1,4800,no\nS2,1250,yes\n", BARE),
    _t(
        "how and last whole look",
        WHOLE_HEAD
        + "S1,solid,4800,no,stopped while whole,\nS2,solid,1250,yes,wire broke beside the joint,1200\n",
        (
            ReadRow("S1", 4800, False, "solid", "stopped while whole"),
            ReadRow("S2", 1250, True, "solid", "wire broke beside the joint", 1200),
        ),
    ),
    _t(
        "whole after it failed",
        WHOLE_HEAD + "S2,solid,1250,yes,,1300\n",
        _at(2, "last_whole_cycles", "1300"),
    ),
    _t(
        "last whole look misspelt",
        WHOLE_HEAD + "S2,solid,1250,yes,,l200\n",
        _at(2, "last_whole_cycles", "l200"),
    ),
    _t("short row", HEAD + "S1,solid,4800,no\nS2,solid,1250\n", _at(3, "failed"), asked=False),
    _t(
        "row with a cell too many",
        HEAD + "S1,solid,4800,no\nS2,solid,1250,yes,cut\n",
        _at(3, "", "cut"),
    ),
    _t("no header", "S1,solid,4800,no\nS2,solid,1250,yes\n", Refused(names=("cycles",))),
    _t("cycles column missing", "specimen,group,failed\nS1,solid,no\n", Refused(names=("cycles",))),
    _t(
        "column twice",
        "specimen,cycles,cycles,failed\nS1,4800,4900,no\n",
        Refused(names=("cycles",)),
    ),
    _t("header only", HEAD, Refused()),
    _t("nothing at all", "", Refused()),
    _t(
        "same specimen twice",
        HEAD + "S1,solid,4800,no\nS1,solid,1250,yes\n",
        _at(3, "specimen", "S1"),
    ),
    Table("a picture named .csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00", Refused()),
)

TABLES: Final = SEPARATORS + ENCODINGS + MARKS + NUMBERS + SHAPES


def has_workbooks() -> bool:
    """Can workbooks be made here?"""
    return find_spec("openpyxl") is not None


def workbook(cells: Sequence[Sequence[object]]) -> bytes:
    """An .xlsx of one sheet. Raises ImportError without openpyxl."""
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet()
    for row in cells:
        sheet.append(list(row))
    held = BytesIO()
    book.save(held)
    return held.getvalue()


def workbooks() -> tuple[Table, ...]:
    """Workbooks made now; empty without openpyxl. Typed cells leave no doubt of thousands."""
    if not has_workbooks():
        return ()
    head = ["specimen", "group", "cycles", "failed"]

    def book(name: str, *rows: list[object], right: tuple[ReadRow, ...] | Refused = USUAL) -> Table:
        return Table(name, workbook(rows), right, ".xlsx")

    whole: list[object] = ["S1", "solid", 4800, "no"]
    broke: list[object] = ["S2", "solid", 1250, "yes"]
    return (
        book("workbook", [*head], whole, broke),
        book("workbook, header capitals", [w.upper() for w in head], whole, broke),
        book(
            "workbook, fractions", [*head], [*whole[:2], 4800.0, "nein"], [*broke[:2], 1250.0, "ja"]
        ),
        book("workbook, true and false", [*head], [*whole[:3], False], [*broke[:3], True]),
        book("workbook, x and empty", [*head], [*whole[:3], None], [*broke[:3], "x"]),
        book("workbook, empty row", [*head], whole, [None] * 4, broke),
        book("workbook, counts as text", [*head], [*whole[:2], "4800", "no"], broke),
        book(
            "workbook, text 4.800",
            [*head],
            [*whole[:2], "4.800", "no"],
            right=_at(2, "cycles", "4.800"),
        ),
        book(
            "workbook, misspelt mark",
            [*head],
            whole,
            [*broke[:3], "yse"],
            right=_at(3, "failed", "yse"),
        ),
        book("workbook, no rows", [*head], right=Refused()),
    )


def complaints(table: Table, found: Iterable[ReadRow] | str) -> tuple[str, ...]:
    """What is wrong with an outcome: the rows as understood, or the words of the refusal."""
    right = table.right
    if isinstance(found, str):
        if not isinstance(right, Refused):
            if table.may_ask:
                return ()
            return (f"{table.name}: refused, though it can be read: {found}",)
        words = found.lower()
        wrong = []
        if right.rows and not any(_names_row(words, row) for row in right.rows):
            wrong.append(f"{table.name}: row {sorted(right.rows)} not named: {found}")
        wanted = (right.column, *right.names)
        wrong += [
            f"{table.name}: {w!r} not named: {found}" for w in wanted if w.lower() not in words
        ]
        return tuple(wrong)
    rows = tuple(found)
    if isinstance(right, Refused):
        return (f"{table.name}: read as {rows}, though it should be refused",)
    if len(rows) != len(right):
        return (f"{table.name}: {len(rows)} rows understood of {len(right)}",)
    return tuple(
        f"{table.name}: {wanted} read as {row}"
        for wanted, row in zip(right, rows, strict=True)
        if not _same(wanted, row)
    )


def _names_row(words: str, row: int) -> bool:
    """ "row 3", "line 3", "row: 3"; a 3 anywhere else does not name it."""
    flat = words.replace(":", " ").replace("#", " ").replace(",", " ").replace(".", " ").split()
    pairs = pairwise(flat)
    return any(a in {"row", "line"} and b.strip("()'\";") == str(row) for a, b in pairs)


def _same(wanted: ReadRow, row: ReadRow) -> bool:
    """A strip the table does not hold is nobody's business here."""
    mine = (wanted.specimen, wanted.cycles, wanted.failed, wanted.group, wanted.how)
    theirs = (row.specimen, row.cycles, row.failed, row.group, row.how)
    notes = (wanted.last_whole, wanted.radius_mm) == (row.last_whole, row.radius_mm)
    return mine == theirs and notes and wanted.strip in (None, row.strip)
