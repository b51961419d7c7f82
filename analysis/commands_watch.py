"""``drawbench watch``: a page with runs, live and finished, for browser and phone."""

import sys
import webbrowser
from pathlib import Path
from typing import Any

import click

from analysis.digest import digest_of
from logger.errors import BenchError
from logger.page.attached import serve_attached
from logger.page.bench import Bench, Forecaster, Left, PageRun, run_keys
from logger.page.feed import Latest, RunFeed
from logger.page.serve import PageServer, qr_text
from logger.page_process import LAN_CAUTION
from logger.run_list import find_runs


@click.command("watch")
@click.argument("paths", metavar="RUN|FOLDER...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--lan", is_flag=True, help="Let phones in the local network see it, with a key.")
@click.option(
    "--page-port", type=click.IntRange(1, 65535), metavar="PORT", help="Port of the page."
)
@click.option("--open", "open_browser", is_flag=True, help="Open the browser as well.")
@click.option("--attached", is_flag=True, hidden=True)
def watch_command(
    paths: tuple[Path, ...], lan: bool, page_port: int | None, open_browser: bool, attached: bool
) -> None:
    """Serve a page with these runs until Ctrl-C: while they are recorded, and afterwards.

    Without --lan only this computer can see it. To set marks from the page, record with
    drawbench log --page.
    """
    if attached:
        serve_attached(page_run, page_port, lan, sys.stdin, sys.stdout)
        return
    if not paths:
        raise BenchError(
            "Nothing to watch was named.",
            next_step="give a run or a folder of runs: drawbench watch runs",
        )
    folders = find_runs(paths)
    runs = [page_run(key, folder) for key, folder in zip(run_keys(folders), folders, strict=True)]

    def say(address: str) -> None:
        click.echo(f"{address}   (this key opens one browser; the next one is shown after it)")
        if lan:
            click.echo(qr_text(address))

    server = PageServer(Bench(runs), port=page_port, lan=lan, on_key=say)
    click.echo(f"{len(runs)} run{'s' if len(runs) != 1 else ''} on this page; Ctrl-C ends it.")
    if lan:
        click.echo(LAN_CAUTION)
    say(server.address)
    if open_browser and not webbrowser.open(server.address):
        click.echo("No browser could be opened: copy the address into one.")
    server.run()


def page_run(key: str, folder: Path) -> PageRun:
    """A run for the page, with what the analysis has to say of it."""
    feed = RunFeed(folder)
    feed.keep_fresh = True
    return PageRun(key, feed, forecaster=_Late(), results=results_for)


class _Late:
    """The forecaster, imported only when a run is being recorded."""

    def __init__(self) -> None:
        self._forecaster: Forecaster | None = None

    def __call__(self, feed: RunFeed) -> Left | None:
        if self._forecaster is None:
            from analysis.live_forecast import PageForecaster

            self._forecaster = PageForecaster()
        return self._forecaster(feed)


def results_for(feed: RunFeed) -> dict[str, Any]:
    """Results of a finished run in words; its course comes from the digest, too."""
    try:
        digest = digest_of(feed.folder)
    except BenchError as error:
        return {
            "headline": "",
            "answer": error.happened,
            "rows": [],
            "interval": "",
            "warnings": [],
        }
    time_s, *ends = digest.last
    feed.adopt(digest.unpacked(), Latest(time_s or 0.0, *ends), digest.count)
    return {
        "headline": digest.headline,
        "answer": digest.answer,
        "rows": digest.rows,
        "interval": digest.interval,
        "warnings": digest.warnings,
    }
