"""The page as a process of its own beside ``drawbench log``: JSON lines in on stdin, out on stdout.

In: what an earlier page of this recording kept, if there was one (``again``);
``{"runs": [folder, ...], "forecast": true}`` once; then ``{"live": [{...}, ...]}`` with the logger's own words for each
run. Out: ``{"up": port, "text": ...}``, or ``{"error": {...}}`` if the page cannot come up;
``{"said": ...}`` for the terminal; ``{"kept": {...}}`` for a page that takes over;
``{"act": index, "what": ..., "text": ...}`` for marks and the load switch;
``{"foreseen": index, ...}`` for every new forecast, so that it is made only once;
``{"fault": index, "text": ...}`` for what is found wrong with a run. End of stdin: over.
"""

import json
import os
import signal
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, TextIO

from logger.base.errors import BenchError
from logger.page.bench import Bench, PageRun, run_keys
from logger.page.serve import PageServer

MakeRun = Callable[[str, Path], PageRun]


CLOSING_S: Final = 2.0  # below the logger's own patience (``page_beside``)


def serve_attached(
    make_run: MakeRun,
    port: int | None,
    lan: bool,
    lines: Iterable[str],
    out: TextIO,
    leave: Callable[[], None],
    *,
    again: bool = False,
) -> None:
    """Serve until ``lines`` end, then ``leave``: at once, whatever the page's threads are at.

    They may import or fit for many seconds where the computer is busy; nothing of it is kept. ``again``: the first
    of ``lines`` is what an earlier page kept.
    """
    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)  # the terminal's Ctrl-C is the logger's
    with suppress(OSError, AttributeError):
        os.nice(10)  # the recording comes first
    lock = threading.Lock()

    def tell(document: dict[str, Any]) -> None:
        with lock, suppress(OSError, ValueError):
            out.write(json.dumps(document) + "\n")
            out.flush()

    bench = Bench()
    coming = iter(lines)
    kept = _kept(next(coming, "")) if again else None
    try:
        server = PageServer(
            bench,
            port=port,
            lan=lan,
            on_used=lambda text: tell({"said": text}),
            on_kept=lambda new: tell({"kept": new}),
            kept=kept,
        )
    except BenchError as error:
        tell({"error": vars_of(error)})
        return
    tell({"kept": server.keys.kept()})
    tell({"up": server.port, "text": server.text})

    def read() -> None:
        for line in coming:
            with suppress(ValueError):
                _take(json.loads(line), bench, make_run, tell)
        server.stop(CLOSING_S)
        leave()

    threading.Thread(target=read, name="logger", daemon=True).start()
    server.run()


def _kept(line: str) -> dict[str, Any] | None:
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def _take(
    message: dict[str, Any], bench: Bench, make_run: MakeRun, tell: Callable[[dict[str, Any]], None]
) -> None:
    if "runs" in message:
        folders = [Path(text) for text in message["runs"]]
        runs = []
        for index, (key, folder) in enumerate(zip(run_keys(folders), folders, strict=True)):
            run = make_run(key, folder)
            run.control = lambda what, text, index=index: tell(
                {"act": index, "what": what, "text": text}
            )
            run.on_foreseen = lambda said, index=index: tell({**said, "foreseen": index})
            run.on_fault = lambda text, index=index: tell({"fault": index, "text": text})
            if not message.get("forecast", True):
                run.forecaster, run.feed.keep_fresh = None, False
            runs.append(run)
        bench.set_runs(runs)
    for run, live in zip(bench.runs.values(), message.get("live", ()), strict=False):
        run.live = {**run.live, **live}


def vars_of(error: BenchError) -> dict[str, str]:
    return {
        "happened": error.happened,
        "evidence": error.evidence,
        "next_step": error.next_step,
    }
