"""Is there a run in which this budget's own pack was emptied? It says more than typical cells do."""

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from analysis.budget.file import Budget
from analysis.run.trace import trace_of
from analysis.say.words import plain_text
from logger.base.durations import utc_moment
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.description import Description
from logger.run.format import DESCRIPTION_NAME
from logger.run.reader import Run, read_run
from logger.run.run_list import described, find_runs

# What a cell gives depends on how fast it is drawn from: a run drawn by more than this factor
# harder or softer does not stand for the pack (our own judgement).
DRAW_FACTOR: Final = 2.0
_RUNS_READ: Final = 5
_FLOOR_SLACK: Final = 0.005


def places_of(budget_file: Path | None, run_folder: Path | None) -> tuple[Path, ...]:
    """Where the runs of a piece lie: ``runs``, beside the budget file, beside the run it is compared with."""
    found = [Path("runs")]
    found += [] if budget_file is None else [Path(os.path.realpath(budget_file)).parent]
    found += [] if run_folder is None else [Path(os.path.realpath(run_folder)).parent]
    return tuple(found)


def looked_at(places: Sequence[Path]) -> list[Path]:
    """The descriptions that ``own_pack_run`` chooses by: while these stay, so does its choice."""
    return sorted(folder / DESCRIPTION_NAME for folder in _folders(places))


def own_pack_run(
    budget: Budget, mean_ma: float, places: Sequence[Path], compared: Run | None = None
) -> Run | None:
    """The newest run in which a pack of this kind was emptied at about ``mean_ma``; None if there is none.

    The run that the budget is compared with comes first, then runs of a piece of this name, then
    recorded before simulated. A simulated run of another piece is never taken.
    """
    if compared is not None and _fits(compared, budget, mean_ma):
        return compared
    wanted = []
    for folder in _folders(places):
        description = described(folder)
        if description is None or not same_pack(description.pack, budget.pack):
            continue
        ours, simulated = _same_piece(description, budget.name), description.simulated
        if description.state == "ended" and (ours or not simulated):
            started = utc_moment(description.started_utc)
            wanted.append((ours, not simulated, started.timestamp() if started else 0.0, folder))
    for *_, folder in sorted(wanted, reverse=True)[:_RUNS_READ]:
        try:
            run = read_run(folder)
            if _fits(run, budget, mean_ma):
                return run
        except BenchError:
            continue
    return None


def run_name(run: Run) -> str:
    """Title, day and, where it is so, that it was simulated."""
    title = plain_text(run.description.title or run.folder.resolve().name)
    moment = utc_moment(run.description.started_utc)
    day = f" of {moment:%Y-%m-%d}" if moment else ""
    return f"{title!r}{day}{' (SIMULATED)' if run.description.simulated else ''}"


def _folders(places: Iterable[Path]) -> list[Path]:
    found: dict[Path, None] = {}
    for place in places:
        try:
            found |= {folder.resolve(): None for folder in find_runs((place,))}
        except (BenchError, OSError):
            continue
    return list(found)


def same_pack(pack: Pack | None, other: Pack) -> bool:
    """The same cells; sizes and capacities differ only where both are stated."""
    if pack is None or (pack.chemistry, pack.cells, pack.used) != (
        other.chemistry, other.cells, other.used,
    ):  # fmt: skip
        return False
    sizes = {pack.size, other.size} - {""}
    capacities = {pack.capacity_mah, other.capacity_mah} - {None}
    return len(sizes) <= 1 and len(capacities) <= 1


def _same_piece(description: Description, name: str) -> bool:
    return bool(name) and name.casefold() in f"{description.title} {description.load}".casefold()


def _fits(run: Run, budget: Budget, mean_ma: float) -> bool:
    """Whether it was emptied down to where the circuit, or its cells, give up, and at about this draw."""
    pack = run.description.pack
    if not same_pack(pack, budget.pack):
        return False
    trace = trace_of(run)
    if trace.voltage_v is None or trace.current_ma is None:
        return False
    alive = ~trace.dead
    seconds = float(trace.weight_s[alive].sum())
    if seconds <= 0:
        return False
    drawn_ma = float((trace.current_ma * trace.weight_s)[alive].sum()) / seconds
    floor_v = max(budget.floor_v, budget.pack.floor_v) * (1 + _FLOOR_SLACK)
    return (
        float(trace.voltage_v[alive].min()) <= floor_v
        and mean_ma / DRAW_FACTOR <= drawn_ma <= mean_ma * DRAW_FACTOR
    )
