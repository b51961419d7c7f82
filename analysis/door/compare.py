"""Is one run better than another?"""

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import analysis.curve.compare as plain
from analysis.curve.spread import MANY
from analysis.door.runs import found_of, whole
from analysis.door.show import StrPath, card, drawing, fields_of, frame_row, text_of, warned
from analysis.forecast.discharge import course_of
from analysis.run.asked import cutoff_of
from analysis.run.trace import Floats, Trace, trace_of
from analysis.say.table import rows_of
from analysis.say.words import plain_text
from logger.base.errors import BenchError
from logger.base.pack import SAFETY_CLOSING
from logger.run.reader import FoundRun, Run

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class Comparison(plain.Comparison):
    """Every run against the first of them.

    Attributes
    ----------
    names : tuple of str
        Titles where they tell the runs apart, else the folders' names, or both.
    rundowns : tuple
        Results of each run.
    differences : tuple of tuple of Difference
        Per later run: ``name``, ``first``, ``second``, ``difference`` (Quantity), ``percent``, ``clear``.
    sentences : tuple of str
        The answer: pair by pair, of six runs or more as a heap.
    rate_exponent : Quantity
        Peukert's exponent, where the draws differ enough.
    spread : Spread or None
        Of six runs or more: their lifetimes together, and the odd ones.
    warnings : tuple of str
        Runs left out, what differs besides, and each run's own.
    """

    cutoff_v: float | None

    def __repr__(self) -> str:
        return text_of(self.sentences, simulated=self.simulated, more=warned(len(self.warnings)))

    def _repr_html_(self) -> str:
        several = len(self.names) > 2
        packs = {run.description.pack for run in self.runs}
        return card(
            self.sentences,
            rows_of(
                [
                    (f"{name}: {item.label}" if several else item.label, item.difference)
                    for name, part in zip(self.names[1:], self.differences, strict=True)
                    for item in part
                    if item.difference.value is not None
                ]
            ),
            warnings=self.warnings,
            cautions=sorted(
                f"{pack}: {pack.caution}" if pack else SAFETY_CLOSING for pack in packs
            ),
            simulated=self.simulated,
        )

    @property
    def simulated(self) -> bool:
        """Whether a simulated board recorded any of the runs."""
        return any(result.simulated for result in self.rundowns)

    def to_frame(self) -> "pd.DataFrame":
        """A row per run and per result that is compared; differences are to the first run.

        Columns end in their unit, e.g. ``cutoff_time_s``, ``cutoff_time_lower_s``,
        ``cutoff_time_difference_s``; ``cutoff_time_clear``: the difference is larger than the doubt.
        The index holds ``names``. Intervals at 95 %.
        """
        import pandas as pd

        rows: list[dict[str, object]] = []
        if self.differences:
            rows.append(dict(frame_row({item.name: item.first for item in self.differences[0]})))
        for part in self.differences:
            row: dict[str, object] = {}
            for item in part:
                row |= frame_row(
                    {item.name: item.second, f"{item.name}_difference": item.difference}
                )
                row[f"{item.name}_clear"] = item.clear
            rows.append(row)
        return pd.DataFrame(rows, index=pd.Index(self.names, name="run"))

    def courses(self) -> list[tuple[Floats, Floats]]:
        """Per run with a voltage: time in s since it began and volts, thinned for a picture."""
        return [course_of(self._traces[number])[:2] for number in self.with_voltage()]

    def with_voltage(self) -> list[int]:
        """Numbers of the runs that have a voltage, from 0."""
        return [n for n, trace in enumerate(self._traces) if trace.voltage_v is not None]

    @cached_property
    def _traces(self) -> list[Trace]:
        return [trace_of(run) for run in self.runs]

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the voltage of all runs over each other; of many (``spread``) a band and the odd ones.

        ``ax``: where to draw, default a new figure. Returns the axes. Raises BenchError if a run
        has no voltage.
        """
        from analysis.report.overlay_plots import draw_many, draw_overlay

        courses, numbers = self.courses(), self.with_voltage()
        if len(courses) != len(self.runs) and (self.spread is None or len(courses) < 2):
            raise BenchError(
                "One of the runs has no voltage to draw.",
                next_step="compare runs with voltage, or read the numbers alone.",
            )
        ends_s = [result.cutoff_time.value for result in self.rundowns]
        with drawing(ax) as axes:
            if self.spread is not None:
                shown = self.spread.only(numbers)
                draw_many(axes, courses, self.cutoff_v, shown, simulated=self.simulated)
            else:
                draw_overlay(
                    axes, self.names, courses, self.cutoff_v, ends_s, simulated=self.simulated
                )
        return axes


def compare(
    runs: Sequence[Run | StrPath], cutoff_v: float | None = None, hold_s: float | None = None
) -> Comparison:
    """Is the difference between runs larger than the measurement's doubt?

    Parameters
    ----------
    runs : sequence of Run, str or os.PathLike
        Two runs or more, the one to compare with first.
    cutoff_v, hold_s : float, optional
        One cutoff (V) and hold (s) for all. Default: those of the first run.

    Returns
    -------
    Comparison

    Raises
    ------
    BenchError
        With fewer than two runs, one run given twice, or as ``rundown`` for one of them; of three or more,
        those are left out with a warning while two remain.

    Notes
    -----
    The doubt of a difference after GUM (JCGM 100:2008) 5.2.2; runs of one board share the doubt of
    its gains. Of three runs or more ``clear`` holds for all together (Holm 1979, by each result); six or
    more are told as a heap (``spread``: how long they lasted, the longest, the odd ones).

    Examples
    --------
    >>> import drawbench
    >>> found = drawbench.compare(["sample_runs/night-ride-vest", "sample_runs/vest-evening"])
    >>> found.to_frame()["mean_current_ma"].round(0)
    run
    Night-ride vest                            190.0
    Night-ride vest, an hour of the evening    161.0
    Name: mean_current_ma, dtype: float64
    """
    if isinstance(runs, str) or len(runs) < 2:
        raise BenchError(
            "Comparing takes at least two runs.",
            next_step="give the folders of two or more runs, the one to compare with first.",
        )
    folders = [run.folder if isinstance(run, Run) else Path(run) for run in runs]
    places = [os.path.realpath(folder) for folder in folders]  # also of a link that leads nowhere
    twice = next((place for place in places if places.count(place) > 1), None)
    if twice is not None:
        raise BenchError(
            "One run was given twice.",
            evidence=str(twice),
            next_step="give the folders of different runs.",
        )
    read, places_read, left_out = _read(runs, folders)
    cutoff_v, hold_s = cutoff_of(read[0], cutoff_v, hold_s)
    found = plain.compare(read, run_names(read, places_read), cutoff_v, hold_s)
    found = replace(found, warnings=(*left_out, *found.warnings))
    return Comparison(**fields_of(found), cutoff_v=cutoff_v)


def _read(
    runs: Sequence[Run | StrPath], folders: Sequence[Path]
) -> tuple[list[Run], list[Path], list[str]]:
    """Runs and folders that can be read, and what is wrong with the others; of two both must be."""
    read: list[tuple[Run | FoundRun, Path]] = []
    errors: list[BenchError] = []
    for run, folder in zip(runs, folders, strict=True):
        try:
            read.append((found_of(run), folder))  # tables only once all can be read
        except BenchError as error:
            errors.append(error)
            if len(runs) - len(errors) < 2:
                raise errors[0] from error
    return (
        [whole(found) for found, _ in read],
        [folder for _, folder in read],
        [plain.left_out_words(error) for error in errors],
    )


def run_names(runs: Sequence[Run], folders: Sequence[Path]) -> list[str]:
    """Titles where they tell the runs apart, else the folders' names; of many both where a title is not enough."""
    titles = [plain_text(run.description.title) for run in runs]
    if all(titles) and len(set(titles)) == len(titles):
        return titles
    names = [folder.resolve().name for folder in folders]
    if len(set(names)) == len(names):
        if len(runs) < MANY:
            return names
        return [
            title if title and titles.count(title) == 1 else f"{title} ({name})" if title else name
            for title, name in zip(titles, names, strict=True)
        ]
    return [str(folder) for folder in folders]
