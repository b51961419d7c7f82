"""A page with plots for the write-up."""

from collections.abc import Sequence
from pathlib import Path

from analysis.door.runs import run_of, rundown
from analysis.door.show import StrPath, paths_of
from analysis.run.asked import cutoff_of
from logger.run.reader import Run


def report(
    run: Run | StrPath,
    out: StrPath | None = None,
    cutoff_v: float | None = None,
    hold_s: float | None = None,
    *,
    budget: StrPath | None = None,
    flex: StrPath | Sequence[StrPath] = (),
    flex_cycles: float | None = None,
) -> tuple[Path, ...]:
    """Write a page to open, Markdown to paste, a sheet to print, and the pictures.

    Parameters
    ----------
    run : Run, str or os.PathLike
        A run, or where it lies.
    out : str or os.PathLike, optional
        Folder to write into. Default: the folder ``report`` inside the run's.
    cutoff_v, hold_s : float, optional
        As for ``rundown``.
    budget : str or os.PathLike, optional
        Compare with this budget file in the report.
    flex : str, os.PathLike, or a sequence of them
        Tests of the piece's joints to go in: tables or recorded runs.
    flex_cycles : float, optional
        Bends that the joints have to survive.

    Returns
    -------
    tuple of pathlib.Path
        All files written, sorted by name: ``report.html``, ``report.md``, ``run-sheet.pdf``, pictures.

    Raises
    ------
    BenchError
        As ``rundown``; if the folder cannot be written to; rather than write over a file that
        drawbench did not write.

    Examples
    --------
    >>> import tempfile
    >>> import drawbench
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     files = drawbench.report("sample_runs/night-ride-vest", folder)
    >>> [file.name for file in files if file.suffix in (".html", ".md", ".pdf")]
    ['report.html', 'report.md', 'run-sheet.pdf']
    """
    from analysis.report.parts import write_whole_report

    read = run_of(run)
    return write_whole_report(
        read,
        rundown(read, cutoff_v, hold_s),
        read.folder / "report" if out is None else Path(out),
        hold_s=cutoff_of(read, cutoff_v, hold_s)[1],
        budget_file=None if budget is None else Path(budget),
        flex_sources=paths_of(flex),
        flex_cycles=flex_cycles,
    )
