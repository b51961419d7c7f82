"""A page of its own for a flex test or a wash: for a write-up without a run of the pack."""

from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from tempfile import TemporaryDirectory

from analysis.say.publish import publish
from analysis.say.render import Page, Part, render_html, render_markdown
from analysis.say.section import Section
from analysis.say.table import rows_of

_SIMULATED = (
    "A simulated board and simulated joints made these numbers; no hardware was there. "
    "They show how the tool works and say nothing about a real joint."
)


def write_page(
    maker: Callable[[Path], Section],
    folder: Path,
    title: str,
    *,
    simulated: bool,
    items: tuple[str, ...] = (),
) -> tuple[Path, ...]:
    """Write ``report.html``, ``report.md`` and the pictures; returns their paths. Never over a foreign file.

    ``items``: a list printed after the pictures.
    """
    with TemporaryDirectory(prefix="drawbench-") as temporary:
        made = Path(temporary)
        section = maker(made)
        first, *rest = section.paragraphs or ("",)
        parts = (
            Part(figures=section.figures[:1]),
            Part("Results", tuple(rest), rows_of(section.quantities, notes=True)),
            Part("The other pictures", figures=section.figures[1:]),
            Part("First cycle of each specimen by each criterion", items=items),
            Part("Cautions", cautions=section.cautions),
            Part("How it was reckoned", section.method),
        )
        page = Page(
            title or section.title,
            (),
            first,
            tuple(part for part in parts if part != Part(part.title)),
            simulated,
            _SIMULATED,
            _version(),
        )
        (made / "report.html").write_text(render_html(page, made), encoding="utf-8", newline="\n")
        (made / "report.md").write_text(render_markdown(page), encoding="utf-8", newline="\n")
        return publish(made, folder)


def _version() -> str:
    try:
        return version("drawbench")
    except PackageNotFoundError:
        return "not installed"
