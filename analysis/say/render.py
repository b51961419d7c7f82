"""A report page as HTML and as Markdown; every text is escaped on the way out, whatever it came from."""

import base64
import re
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Final

import jinja2

from analysis.say.section import FigureFile
from analysis.say.table import Row, interval_title
from analysis.say.words import plain_text

_TEMPLATES: Final = Path(__file__).parent / "templates"
# What CommonMark or GitHub's dialect would take for a sign, and only there, so that the file
# still reads well: emphasis, code, links, tables, strikethrough, formulas, issue numbers,
# names after @, addresses; and at the start of a line lists, headings, quotes and rules.
_MARKDOWN_SIGNS: Final = re.compile(
    r"[\\`*_\[\]|~$#@]|:(?=[a-z/+])|(?<=www)\.|^[-+=]",
    re.IGNORECASE,
)
_MARKDOWN_NUMBER: Final = re.compile(r"^(\d{1,9})([.)])(?=\s|$)")
_BEFORE_UNIT: Final = re.compile(
    r"(?<=\d) (?=(?:h|min|s|V|mV|µV|mA|mAh|mWh|W|Ω|°C|%)(?:\W|$))|(?<=\d h) (?=\d+ min)"
)
_STEM: Final = re.compile(r"[a-z0-9][a-z0-9-]*")


@dataclass(frozen=True)
class Table:
    """A table of text: a caption, headings, rows of as many cells; the first cell names the row."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Part:
    """One stretch of the page. ``items``: a list; ``commands``: to be typed as they stand.

    ``folded``: only its title is seen until somebody opens it, or prints the page.
    """

    title: str = ""
    paragraphs: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    figures: tuple[FigureFile, ...] = ()
    cautions: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    commands: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    folded: bool = False

    @property
    def interval_title(self) -> str:
        """Heading of the intervals' column; empty where there is none to show."""
        return interval_title(self.rows)


@dataclass(frozen=True)
class Page:
    """A whole report in plain text, ready to be rendered. ``below``: what stands under the answer; may be empty."""

    title: str
    about: tuple[str, ...]
    answer: str
    sections: tuple[Part, ...]
    simulated: bool
    simulated_words: str
    version: str
    below: str = ""

    @property
    def contents(self) -> tuple[str, ...]:
        """Titles of what is folded, in order."""
        return tuple(part.title for part in self.sections if part.folded)


def render_html(page: Page, folder: Path) -> str:
    """The page as one file; pictures are read from ``folder`` and put inside."""
    environment = _environment(autoescape=True, finalize=_on_one_line)
    environment.filters["base64_of"] = lambda stem: _picture(folder, stem)
    environment.filters["jpeg_of"] = lambda stem: _picture(folder, stem, "jpg")
    return environment.get_template("report.html.jinja").render(page=page)


def render_markdown(page: Page) -> str:
    """The page with pictures beside it as files."""
    environment = _environment(autoescape=False, finalize=_escape_markdown)
    environment.filters["file_name"] = lambda stem: _Ready(_checked_stem(stem))
    environment.filters["html_text"] = lambda text: _Ready(escape(plain_text(text), quote=False))
    environment.filters["indented_code"] = lambda text: _Ready("    " + plain_text(text))
    text = environment.get_template("report.md.jinja").render(page=page)
    return re.sub(r"\n{3,}", "\n\n", text).rstrip() + "\n"


def render_overview(folder: Path, **parts: Any) -> tuple[str, str, str]:
    """Page, Markdown, and a page each to print, of many runs; ``parts`` are the names in the templates ``overview``, ``hand_outs``."""
    html = _environment(autoescape=True, finalize=_on_one_line)
    html.filters["base64_of"] = lambda stem: _picture(folder, stem)
    markdown = _environment(autoescape=False, finalize=_escape_markdown)
    markdown.filters["file_name"] = lambda stem: _Ready(_checked_stem(stem))
    text = markdown.get_template("overview.md.jinja").render(**parts)
    # The lines of a table must follow each other.
    text = re.sub(r"(?m)^(\|.*\|)\s*\n+(?=\|)", r"\1\n", re.sub(r"\n{3,}", "\n\n", text))
    page, hand_outs = (
        html.get_template(f"{name}.html.jinja").render(**parts).lstrip()
        for name in ("overview", "hand_outs")
    )
    return page, text.rstrip() + "\n", hand_outs


class _Ready(str):
    """Text that is Markdown already."""


def _environment(**options: Any) -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        **options,
    )


def _on_one_line(value: object) -> object:
    """Foreign text on one line; a number stays with its unit when the line breaks."""
    if type(value) is not str:
        return value
    return _BEFORE_UNIT.sub("\u00a0", plain_text(value))


def _escape_markdown(value: object) -> object:
    if isinstance(value, _Ready) or not isinstance(value, str):
        return value
    text = _MARKDOWN_SIGNS.sub(lambda match: "\\" + match[0], plain_text(value))
    text = _MARKDOWN_NUMBER.sub(r"\1\\\2", text)
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _picture(folder: Path, stem: str, ending: str = "svg") -> str:
    return base64.b64encode((folder / f"{_checked_stem(stem)}.{ending}").read_bytes()).decode(
        "ascii"
    )


def _checked_stem(stem: str) -> str:
    if not _STEM.fullmatch(stem):
        raise ValueError(f"picture name {stem!r} is not made of lower-case letters, digits and '-'")
    return stem
