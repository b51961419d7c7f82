"""Will it last? The forecast of a run that is not over."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import analysis.forecast.forecast as plain
from analysis.budget.file import Budget, read_budget
from analysis.door.runs import found_of, whole
from analysis.door.show import StrPath, card, columns, drawing, fields_of, text_of, warned
from analysis.forecast.discharge import course_of
from analysis.forecast.future_load import Programme
from analysis.forecast.of_run import forecast_run
from analysis.forecast.stated import parse_programme, with_pack
from analysis.forecast.verdict_words import told_words
from analysis.report.same_piece import Together, together_in
from analysis.run.asked import cutoff_of
from analysis.run.rundown import is_simulated
from analysis.run.trace import trace_of
from analysis.say.table import rows_of
from logger.base.errors import BenchError
from logger.base.pack import SAFETY_CLOSING
from logger.run.reader import Run

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class Forecast(plain.Forecast):
    """When the pack reaches the cutoff, as of a moment of its run.

    Attributes
    ----------
    cutoff_time : tuple of Quantity
        In s since the run began: the median, with the interval at 0.5 and at 0.9.
    basis : {"reached", "curve", "rated capacity", "none", "ended", "unclear"}
        What the answer rests on; ``why`` says it in words.
    capacity_mah, drawn : Quantity
        In mAh: what the pack gives down to the cutoff, and what it has given.
    draws_s : numpy.ndarray
        Shape (draws,): possible cutoff times in s, sorted; empty if nothing is known.
    warnings : tuple of str
        What the reader must know.
    same_piece : Together or None
        What all runs of the same piece beside this one say: ``words``, ``answer``, ``next_time``.
    """

    run: Run
    need_s: float | None = None
    same_piece: Together | None = None

    def sentences(self, earlier: str = "") -> list[str]:
        """The answer in plain paragraphs, the verdict first; what all runs of the piece say beside it.

        ``earlier``: what is usual for the piece, said while the forecast knows too little.
        """
        first, *others = told_words(self, self.run.description, self.need_s, earlier)
        piece = [] if self.same_piece is None else [self.same_piece.words]
        return [first, *piece, *others]

    def short_sentences(self, earlier: str = "") -> list[str]:
        """The answer, and what all runs of the piece say beside it; ``earlier`` as above."""
        return self.sentences(earlier)[: 1 if self.same_piece is None else 2]

    def __repr__(self) -> str:
        return text_of(
            self.sentences(), simulated=is_simulated(self.run), more=warned(len(self.warnings))
        )

    def _repr_html_(self) -> str:
        pack = self.run.description.pack
        rows = (
            *((f"time to {self.cutoff_v:g} V", time) for time in self.cutoff_time),
            ("charge out so far", self.drawn),
            ("charge down to the cutoff", self.capacity_mah),
        )
        return card(
            self.sentences(),
            rows_of([(label, quantity) for label, quantity in rows if quantity.value is not None]),
            warnings=self.run.first_things_first((*self.warnings, *self.run.problems)),
            cautions=(f"{pack}: {pack.caution}" if pack else SAFETY_CLOSING,),
            simulated=is_simulated(self.run),
        )

    def to_frame(self) -> "pd.DataFrame":
        """A row per coverage (0.5 and 0.9): ``coverage``, ``cutoff_time_s``, ``..._lower_s``, ``..._upper_s``."""
        import pandas as pd

        rows = [
            {"coverage": coverage, **columns("cutoff_time", time)}
            for coverage, time in zip(plain.COVERAGES, self.cutoff_time, strict=True)
        ]
        return pd.DataFrame(rows, dtype=float)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the voltage so far, the courses it may take and when the cutoff may come.

        ``ax``: where to draw, default a new figure. Returns the axes.
        """
        from analysis.report.discharge_plots import draw_forecast

        end_s = self.now_s if self.basis != "reached" else self.median_s
        time_s, volts, _, _ = course_of(trace_of(self.run), end_s)
        with drawing(ax) as axes:
            draw_forecast(axes, self, time_s, volts, simulated=is_simulated(self.run))
        return axes


@dataclass(frozen=True)
class Asked:
    """What is to be forecast: the run with the pack as stated, cutoff, hold, the load to come."""

    run: Run
    cutoff_v: float
    hold_s: float
    programme: Programme | None

    def together(self, need_s: float | None) -> Together | None:
        """What all runs of the same piece say."""
        described = self.run.description
        return together_in(self.run.folder, described, need_s, self.cutoff_v, self.hold_s)


def asked_forecast(
    run: Run | StrPath,
    cutoff_v: float | None,
    hold_s: float | None,
    load: str | None,
    pack: str | None,
    capacity_mah: float | None,
    used: bool,
    fresh: bool | None = None,
) -> Asked:
    """What was asked for, else the run's own. Raises BenchError as ``forecast`` does."""
    found = with_pack(found_of(run), pack, capacity_mah, used)
    cutoff_v, hold_s = cutoff_of(found, cutoff_v, hold_s)
    if cutoff_v is None:
        raise BenchError(
            "No cutoff was given, and the run has none of its own.",
            evidence=f"run {found.folder}",
            next_step="add --cutoff with the volts at which the circuit gives up, e.g. --cutoff 3.0.",
        )
    programme = parse_programme(load) if load else None
    if fresh is not None:
        found = replace(found, description=replace(found.description, fresh=fresh))
    return Asked(whole(found), cutoff_v, hold_s, programme)


def forecast(
    run: Run | StrPath,
    cutoff_v: float | None = None,
    hold_s: float | None = None,
    *,
    until_s: float | None = None,
    need_s: float | None = None,
    load: str | None = None,
    pack: str | None = None,
    capacity_mah: float | None = None,
    used: bool = False,
    fresh: bool | None = None,
    budget: StrPath | Budget | None = None,
) -> Forecast:
    """When will the pack reach the cutoff, and how sure is that?

    Parameters
    ----------
    run : Run, str or os.PathLike
        A run, or where it lies.
    cutoff_v, hold_s : float, optional
        As for ``rundown``.
    until_s : float, optional
        Forecast as of this moment, in s since the run began; later rows are not looked at.
    need_s : float, optional
        How long it must last, in s: the answer says how likely that is. Default: what the run was told.
    load : str, optional
        Load to come, if not as it has been: ``"80mA"``, or modes in turn ``"20min@180mA,40min@40mA"``.
    pack : str, optional
        The pack, where the run does not say it or says it wrongly: ``"3x AA alkaline"``.
    capacity_mah : float, optional
        Stated capacity in mAh, of one cell in series.
    used : bool, default False
        The cells have aged: the stated capacity no longer holds.
    fresh : bool, optional
        Whether the pack began fresh or freshly charged; checked against its voltage. Default: what the run was told.
    budget : str, os.PathLike or Budget, optional
        The piece's budget file, or what was read from it: a draw that it knows as a mode is not taken for a piece that went dark.

    Returns
    -------
    Forecast
        ``cutoff_time`` holds the median with its 50 % and its 90 % interval.

    Raises
    ------
    BenchError
        If there is no cutoff, no voltage, or neither current nor load; if what is stated is not understood.

    Examples
    --------
    >>> import drawbench
    >>> found = drawbench.forecast("sample_runs/night-ride-vest", until_s=2 * 3600)
    >>> found.basis
    'curve'
    >>> found.to_frame().columns.to_list()
    ['coverage', 'cutoff_time_s', 'cutoff_time_lower_s', 'cutoff_time_upper_s']
    """
    asked = asked_forecast(run, cutoff_v, hold_s, load, pack, capacity_mah, used, fresh)
    modes_ma: tuple[float, ...] = ()
    if budget is not None:
        from analysis.budget.expected import modes_of  # heavy, and seldom asked for

        modes_ma = modes_of(budget if isinstance(budget, Budget) else read_budget(Path(budget)))
    found = forecast_run(
        asked.run, asked.cutoff_v, asked.hold_s, until_s, asked.programme, modes_ma=modes_ma
    )
    need_s = asked.run.description.need_s if need_s is None else need_s
    piece = None if until_s is not None else asked.together(need_s)
    return Forecast(**fields_of(found), run=asked.run, need_s=need_s, same_piece=piece)
