"""Correct a run after it was recorded."""

from collections.abc import Sequence
from pathlib import Path
from types import EllipsisType

from analysis.door.show import StrPath
from logger.base.errors import BenchError
from logger.edit.changes import Changes
from logger.edit.edit import Edited, Photos, edit_run, folder_of
from logger.edit.rename import give_name, new_place, take_back
from logger.run.reader import Run


def edit(
    run: Run | StrPath,
    *,
    title: str | EllipsisType | None = ...,
    pack: str | EllipsisType | None = ...,
    need_s: float | EllipsisType | None = ...,
    cutoff_v: float | EllipsisType | None = ...,
    hold_s: float | EllipsisType = ...,
    load: str | EllipsisType | None = ...,
    notes: str | EllipsisType | None = ...,
    author: str | EllipsisType | None = ...,
    fresh: bool | EllipsisType | None = ...,
    temperature_c: float | EllipsisType | None = ...,
    trim: tuple[str | None, str | None] | EllipsisType | None = ...,
    below_floor: bool = False,
    photos: Sequence[tuple[StrPath, str]] = (),
    remove_photos: Sequence[int] = (),
    name: str | None = None,
    undo: bool = False,
) -> Edited:
    """Correct what a run's description says; its samples are never written.

    What is left out stays; None takes it away. Each edit goes into the run's history.

    Parameters
    ----------
    run : Run, str or os.PathLike
        A run, or where it lies.
    title, load, notes, author : str or None, optional
        Text.
    pack : str or None, optional
        In words, as ``drawbench log`` takes it: ``"3x AA alkaline"``.
    need_s : float or None, optional
        How long the piece must last, in s.
    cutoff_v, hold_s : float or None, optional
        Cutoff of the whole pack in V, and how long the voltage must stay there, in s. None: the one that the run was
        stopped by.
    fresh : bool or None, optional
        Whether the pack began fresh or freshly charged.
    temperature_c : float or None, optional
        Of the bench, in °C.
    trim : tuple of str or None, optional
        From and to of the part that counts, as time into the recording: ``("12min", "6h40min")``; None: all of it.
    below_floor : bool, optional
        Allow a cutoff below the cells' floor.
    photos : sequence of (path, caption), optional
        Photos to add; scaled, upright, without anything else that the camera wrote.
    remove_photos : sequence of int, optional
        Numbers of photos to take away, from 1; their files are deleted.
    name : str, optional
        Another name for the run's folder.
    undo : bool, optional
        Take the newest change back instead.

    Returns
    -------
    Edited
        ``folder``: where the run is now; ``description``; ``changed``: what, in words; empty if all stood there already.

    Raises
    ------
    BenchError
        With nothing changed: no run, one that is being recorded, or something that cannot be.

    Examples
    --------
    >>> import pathlib, shutil, tempfile
    >>> import drawbench
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> run = shutil.copytree("sample_runs/night-ride-vest", folder / "vest")
    >>> drawbench.edit(run, need_s=6 * 3600.0).changed
    ('need: not stated -> 6 h',)
    >>> drawbench.edit(run, undo=True).changed
    ('need: 6 h -> not stated',)
    >>> shutil.rmtree(folder)
    """
    folder = run.folder if isinstance(run, Run) else Path(run)
    if undo:
        return take_back(folder)
    if name is not None:
        new_place(folder_of(folder), name)  # refused before anything is changed
    changes = Changes(
        title, author, load, notes, pack, need_s, cutoff_v, hold_s, fresh, temperature_c, trim, below_floor
    )  # fmt: skip
    pictures = Photos(
        tuple((Path(path), caption) for path, caption in photos), tuple(remove_photos)
    )
    made = edit_run(folder, changes, pictures)
    if name is None:
        return made
    try:
        renamed = give_name(made.folder, name)
    except BenchError as error:
        done = "; everything else was changed" if made.changed else ""
        raise BenchError(
            error.happened, evidence=f"{error.evidence}{done}", next_step=error.next_step
        ) from None
    return Edited(renamed.folder, renamed.description, (*made.changed, *renamed.changed))
