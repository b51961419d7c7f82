"""The same made of several runs: which runs are meant, a line for each, what could not be made."""

import os
import textwrap
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click

from analysis.commands.makers import Asked, Job, Made, Maker
from analysis.commands.screen import TEXT_WIDTH, echo_caution, echo_damaged
from analysis.report.digest import description_of
from analysis.report.run_table import BY_TROUBLE, Line, in_order, line_of, run_name
from analysis.report.same_piece import piece_of
from analysis.say.many import Done, do_to_all
from analysis.say.progress import Progress
from analysis.say.words import count_words, plain_text
from logger.base.errors import BenchError
from logger.base.next_step import command_line
from logger.base.pack import SAFETY_CLOSING
from logger.run.format import SAMPLES_NAME
from logger.run.run_list import find_runs

runs_argument: Final = click.argument(
    "paths", metavar="RUN...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
_WHY_MAX: Final = 160
# One long name must not push all others' answers to the next line.
_NAME_WIDTH: Final = 32
_AGAIN_MAX: Final = 6


@dataclass(frozen=True)
class Meant:
    """``runs``: each once. ``twice``: how often one was named again. ``problems``: paths that hold none."""

    runs: tuple[Path, ...]
    twice: int
    problems: tuple[tuple[Path, BenchError], ...]


def single_run(paths: Sequence[Path]) -> Path | None:
    """The one run that is meant; None for several, or for a folder of runs."""
    if len(paths) != 1:
        return None
    path = paths[0]
    # Path's own raise where it may not look.
    if path.name == SAMPLES_NAME and os.path.isfile(path):  # noqa: PTH113
        return path.parent
    if not os.path.isdir(path) or os.path.lexists(path / SAMPLES_NAME):  # noqa: PTH112
        return path
    try:
        inside = find_runs((path,))
    except BenchError:
        return path  # and reading it says what is wrong
    return inside[0] if len(inside) == 1 else None


def meant_runs(paths: Sequence[Path]) -> Meant:
    """All runs that are named, and those in the folders that are named, in that order."""
    found: list[Path] = []
    problems = []
    for path in paths:
        try:
            found += find_runs((path,))
        except BenchError as error:
            problems.append((path, error))
    runs = find_runs(tuple(found))
    return Meant(tuple(runs), len(found) - len(runs), tuple(problems))


def jobs_of(runs: Sequence[Path], out: Path | None, asked: Asked) -> list[Job]:
    """A job for each run; below ``out`` each has a folder of its own, by the run's name."""
    if out is None:
        return [Job(run, None, asked) for run in runs]
    taken: set[str] = set()
    return [Job(run, out / _free_name(run, taken), asked) for run in runs]


def refuse_unlike(runs: Sequence[Path], option: str) -> None:
    """Raises BenchError where runs of unlike pieces are asked for what belongs to one piece."""
    pieces = {piece_of(description_of(run))[0] for run in runs}
    if len(pieces) > 1:
        raise BenchError(
            f"{option} belongs to one piece, and these {len(runs)} runs are of {len(pieces)}.",
            evidence="; ".join(sorted(plain_text(piece) or "no title" for piece in pieces)[:4]),
            next_step=f"leave {option} out, or give the runs of one piece.",
        )


def make_all(maker: Maker, meant: Meant, out: Path | None, asked: Asked) -> list[Done[Job, Made]]:
    """Everything of all of them, the worst first: unchanged ones left as they are, the rest on all cores."""
    jobs = jobs_of(meant.runs, out, asked)
    looked = do_to_all(maker.kept, jobs, each_s=0.0)
    found: dict[Job, Done[Job, Made]] = {
        item.thing: Done(item.thing, item.result, None)
        for item in looked
        if item.result is not None
    }
    left = [job for job in jobs if job not in found]
    made = do_to_all(maker.make, left, each_s=maker.each_s, progress=Progress(maker.what))
    found.update({item.thing: item for item in made})
    done = {job.run_folder: Done(job, found[job].result, found[job].error) for job in jobs}
    return [done[line.folder] for line in in_order(_lines_of(done.values()), BY_TROUBLE)]


def tell_all(maker: Maker, meant: Meant, done: Sequence[Done[Job, Made]]) -> None:
    """A line for each run, then how many were made, left or not made; the packs' cautions once."""
    lines = _lines_of(done)
    needed = any(line.need_s is not None for line in lines)
    width = max((len(line.name) for line in lines), default=0)
    for item, line in zip(done, lines, strict=True):
        _echo_line(line.name, width, _told(item, line, needed=needed))
    for path, error in meant.problems:
        _echo_line(plain_text(str(path)), width, _why(error, path))
    echo_damaged(lines)
    made = [item.result for item in done if item.result is not None]
    click.echo(f"\n{_counted(maker.what, made, len(done) - len(made) + len(meant.problems))}")
    if meant.twice:
        times = "once more" if meant.twice == 1 else f"{meant.twice} times more"
        click.echo(f"A run was named {times}; each is made once.")
    simulated = sum(item.digest.simulated for item in made)
    if simulated:
        which = "all of them" if simulated == len(made) else f"{simulated} of them"
        click.echo(f"SIMULATED, {which}: no hardware was there.")
    _cautions([item.thing.run_folder for item in done if item.result is not None])


def refuse_unmade(maker: Maker, meant: Meant, done: Sequence[Done[Job, Made]]) -> None:
    """Raises BenchError if something could not be made: the rest stands."""
    failed = [(item.thing.run_folder, item.error) for item in done if item.error is not None]
    failed += list(meant.problems)
    if not failed:
        return
    path, error = failed[0]
    total = len(done) + len(meant.problems)
    # What helps all of them, as room on the disk does, is said; else what is wrong with the first.
    own = error.next_step and {found.next_step for _, found in failed} == {error.next_step}
    raise BenchError(
        f"{len(failed)} of {count_words(total, maker.what)} could not be made.",
        evidence=", ".join(plain_text(path.name or str(path)) for path, _ in failed[:6])
        + (f" and {len(failed) - 6} more" if len(failed) > 6 else ""),
        next_step=error.next_step if own else command_line("check", path),
    )


def named_again(paths: Sequence[Path], runs: Sequence[Path]) -> list[Path]:
    """The same runs for the next command; many of one folder by that."""
    parents = {run.parent for run in runs}
    return [*parents] if len(paths) > _AGAIN_MAX and len(parents) == 1 else list(paths)


def names_of(runs: Sequence[Path]) -> dict[Path, str]:
    """Each run's own name; with its folder's where they lie in several."""
    one = len({run.resolve().parent for run in runs}) == 1
    return {run: run_name(run, one_folder=one) for run in runs}


def _free_name(run: Path, taken: set[str]) -> str:
    """No two alike, also where upper and lower case are one."""
    own = run.resolve()
    names = [own.name, f"{own.parent.name}-{own.name}"]
    names += [f"{own.name}-{number}" for number in range(2, len(taken) + 3)]
    name = next(name for name in names if name.casefold() not in taken)
    taken.add(name.casefold())
    return name


def _lines_of(done: Collection[Done[Job, Made]]) -> list[Line]:
    """As the list of runs has them, in the same order as ``done``."""
    names = names_of([item.thing.run_folder for item in done])
    return [
        line_of(
            item.thing.run_folder,
            names[item.thing.run_folder],
            None if item.result is None else item.result.digest,
            item.thing.asked.need_s,
        )
        for item in done
    ]


def _told(item: Done[Job, Made], line: Line, *, needed: bool) -> str:
    """``needed``: some of them have a need."""
    if item.result is None:
        assert item.error is not None
        return f"not made: {_why(item.error, item.thing.run_folder)}"
    told = [item.result.digest.headline + (" !" if line.damage else "")]
    if needed and line.need_s is None:
        told.append("no need known")
    if line.described and line.description.state != "ended":
        told.append("still open")
    return "; ".join(told)


def _why(error: BenchError, run: Path) -> str:
    happened = plain_text(error.happened).removesuffix(".").replace(f"{run}{os.sep}", "")
    told = f"{happened} ({plain_text(error.evidence)})" if error.evidence else happened
    return told if len(told) <= _WHY_MAX else told[: _WHY_MAX - 1] + "…"


def _echo_line(name: str, width: int, told: str) -> None:
    text = f"{name.ljust(min(width, _NAME_WIDTH))}  {told}"
    click.echo(textwrap.fill(text, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))


def _counted(what: str, made: Sequence[Made], failed: int) -> str:
    fresh = sum(item.fresh for item in made)
    parts = [f"{count_words(fresh, what)} made"] if fresh or not made else []
    if fresh < len(made):
        same = count_words(len(made), what) if not fresh else str(len(made) - fresh)
        parts.append(f"{same} unchanged")
    if failed:
        parts.append(f"{failed} could not be made")
    return f"{', '.join(parts)}."


def _cautions(runs: Sequence[Path]) -> None:
    """Of each pack once."""
    packs = {str(pack): pack for run in runs if (pack := description_of(run).pack) is not None}
    for name, pack in sorted(packs.items()):
        echo_caution("several", name, pack.caution)
    if runs and not packs:
        click.echo(f"\n{SAFETY_CLOSING}")


def make_and_tell(
    maker: Maker, paths: Sequence[Path], out: Path | None, asked: Asked, *, open_it: bool
) -> tuple[Meant, list[Done[Job, Made]]]:
    """Of several runs, where nothing more than the files is made. Raises BenchError for what cannot be asked of many."""
    if open_it:
        raise BenchError(
            f"--open opens one {maker.what}, and {len(paths)} were asked for."
            if len(paths) > 1
            else f"--open opens one {maker.what}, and {paths[0]} holds several runs.",
            next_step="leave --open out, or give one run.",
        )
    meant = meant_runs(paths)
    done = make_all(maker, meant, out, asked)
    tell_all(maker, meant, done)
    if all(item.result is None for item in done):  # nothing to open, and no next step with it
        refuse_unmade(maker, meant, done)
    return meant, done
