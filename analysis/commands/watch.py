"""``drawbench watch``: a page with runs, live and finished, for browser and phone."""

import os
import sys
import threading
import time
import webbrowser
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from analysis.commands.screen import echo_next
from analysis.report.digest import digest_of
from analysis.report.same_piece import earlier_runs, together_at, usual_of
from analysis.report.told import paragraphs_of
from logger.base.command_options import PAGE_PORT
from logger.base.errors import BenchError
from logger.base.left import Left
from logger.page.asking import Asking
from logger.page.bench import Bench, PageRun
from logger.run.feed import Latest, RunFeed
from logger.run.run_list import find_runs

if TYPE_CHECKING:
    from analysis.forecast.live import PageForecaster

RUNS: Final = Path("runs")
LOOK_INTERVAL_S: Final = 5.0


@click.command("watch")
@click.argument("paths", metavar="RUN|FOLDER...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--lan", is_flag=True, help="Let phones in the local network see it, with a key.")
@click.option("--page-port", type=PAGE_PORT, metavar="PORT", help="Port of the page.")
@click.option("--open", "open_browser", is_flag=True, help="Open the browser as well.")
@click.option("--attached", is_flag=True, hidden=True)
@click.option("--again", is_flag=True, hidden=True)
def watch_command(
    paths: tuple[Path, ...],
    lan: bool,
    page_port: int | None,
    open_browser: bool,
    attached: bool,
    again: bool,
) -> None:
    """Serve a page with these runs (default: runs) until Ctrl-C: while they are recorded, and afterwards.

    Runs that begin later in a folder that was named come in by themselves.

    Without --lan only this computer can see it. There are two keys: one to look, for everybody, and one to
    act as well. Marks set on the page, and switching the load off, are passed on to the logger that records the run.
    """
    if attached:
        from logger.page.attached import serve_attached

        leave_now = partial(os._exit, 0)
        serve_attached(page_run, page_port, lan, sys.stdin, sys.stdout, leave_now, again=again)
        return
    if not paths and not RUNS.is_dir():
        raise BenchError(
            "Nothing to watch was named, and there is no folder runs here.",
            next_step="give a run or a folder of runs: drawbench watch FOLDER",
        )
    found = Found(paths or (RUNS,))
    runs = found.look()
    from logger.page.serve import PageServer

    bench = Bench(runs)
    server = PageServer(bench, port=page_port, lan=lan, on_used=click.echo)
    threading.Thread(target=found.keep_looking, args=(bench,), name="new runs", daemon=True).start()
    click.echo(f"{len(runs)} run{'s' if len(runs) != 1 else ''} on this page; Ctrl-C ends it.")
    click.echo(server.text)
    if open_browser and not webbrowser.open(server.address):
        click.echo("No browser could be opened: copy the address into one.")

    def leave() -> None:
        """End at once: a thread may be loading or fitting for many seconds, and nothing of it is kept."""
        echo_next(("As a list", ["list", *paths[:1]]))
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(0)

    server.run(leave)


class Found:
    """Runs at the named places, each found once; the ones that come later go behind."""

    def __init__(self, paths: tuple[Path, ...]) -> None:
        self._paths = paths
        self._runs: dict[Path, PageRun] = {}

    def look(self) -> list[PageRun]:
        """All runs so far. Raises BenchError if there are none."""
        for folder in find_runs(self._paths):
            if folder not in self._runs:
                self._runs[folder] = watched(f"r{len(self._runs) + 1}", folder)
        return list(self._runs.values())

    def keep_looking(self, bench: Bench) -> None:
        """Put new runs on the page, for ever."""
        while True:
            time.sleep(LOOK_INTERVAL_S)
            with suppress(BenchError, OSError):  # a folder that is gone is said on the page
                runs = self.look()
                if len(runs) > len(bench.runs):
                    bench.set_runs(runs)


def page_run(key: str, folder: Path) -> PageRun:
    """A run for the page, with what the analysis has to say of it."""
    feed = RunFeed(folder)
    feed.keep_fresh = True
    run = PageRun(key, feed, results=results_for)
    run.forecaster = _Late(run)
    return run


def watched(key: str, folder: Path) -> PageRun:
    """A run that another program records, or recorded: it is asked for marks by way of its folder."""
    run = page_run(key, folder)
    asking = Asking(run.feed)
    run.control, run.asked = asking, asking.told
    return run


class _Late:
    """The forecaster, imported only when a run is being recorded."""

    def __init__(self, run: PageRun) -> None:
        self._run = run
        self._forecaster: PageForecaster | None = None
        self._told = 0

    def __call__(self, feed: RunFeed) -> Left | None:
        if self._forecaster is None:
            from analysis.forecast.live import PageForecaster

            # Faults are looked for without a cutoff, too, where somebody listens.
            usual = usual_of(earlier_runs(feed.folder, feed.description))
            self._forecaster = PageForecaster(
                without_cutoff=self._run.on_fault is not None, usual=usual
            )
        left = self._forecaster(feed)
        faults, told = self._forecaster.faults, self._told
        self._told = len(faults)
        if self._run.on_fault is not None:
            for fault in faults[told:]:
                self._run.on_fault(fault.text)
        return left


def results_for(feed: RunFeed) -> dict[str, Any]:
    """Results of a finished run in words; its course comes from the digest, too. Raises BenchError."""
    digest = digest_of(feed.folder)
    course = digest.unpacked()
    time_s, *ends = digest.last
    piece = together_at(feed.folder, digest)
    feed.adopt(course, Latest(time_s or 0.0, *ends), digest.count)
    return {
        "headline": digest.headline,
        "answer": " ".join(paragraphs_of(digest, piece)),
        "rows": digest.rows,
        "interval": digest.interval,
        "warnings": digest.warnings,
    }
