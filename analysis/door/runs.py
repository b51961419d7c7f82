"""One run: read it, and what it says of pack and draw."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import analysis.run.rundown as plain
import logger.run.reader as reader
from analysis.door.show import StrPath, card, drawing, fields_of, frame_row, text_of, warned
from analysis.doubt.clock import on_computer_time
from analysis.doubt.quantity import Quantity
from analysis.report.answer import cautions, result_rows
from analysis.report.same_piece import together
from analysis.report.told import paragraphs
from analysis.run.asked import cutoff_of
from analysis.say.events import listed_events
from analysis.say.table import rows_of
from analysis.say.words import count_words, plain_text, span_words
from logger.base.errors import BenchError

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from analysis.report.plots import PictureName


@dataclass(frozen=True, repr=False, eq=False)
class Run(reader.Run):
    """A run as read from disk.

    Attributes
    ----------
    folder : pathlib.Path
        Where it lies.
    description : Description
        Pack, sensor, board, stop condition, events.
    samples : pandas.DataFrame
        A row per window or sample; ``time_s`` never decreases.
    problems : tuple of str
        What was wrong with the files, in words.
    rows_rejected : int
        Rows of the file that are not in ``samples``.
    """

    def __repr__(self) -> str:
        problems = len(self.problems)
        more = f"{count_words(problems, 'problem')}: see .problems" if problems else ""
        return text_of(self._sentences(), simulated=plain.is_simulated(self), more=more)

    def _repr_html_(self) -> str:
        return card(self._sentences(), warnings=self.problems, simulated=plain.is_simulated(self))

    def _sentences(self) -> tuple[str, ...]:
        described = self.description
        title = plain_text(described.title) or plain_text(self.folder.resolve().name)
        time_s = self.samples["time_s"]
        pack = str(described.pack) if described.pack else "pack not stated"
        rows = count_words(len(self.samples), "row")
        end = f", ended by {described.end_reason}" if described.end_reason else ""
        span_s = float(time_s.iloc[-1] - time_s.iloc[0])
        return (f"{title}: {pack}, {rows} over {span_words(span_s)}{end}.",)

    def to_frame(self) -> "pd.DataFrame":
        """A copy of the samples, shape (rows, columns): ``time_s``, ``pack_v``, ``current_ma``, ... as recorded."""
        return self.samples.copy()

    def plot(self, ax: "Axes | None" = None, what: "PictureName" = "voltage") -> "Axes":
        """Draw the run with its own cutoff; see ``Rundown.plot``."""
        return rundown(self).plot(ax, what)


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class Rundown(plain.Rundown):
    """What one run says of pack and draw; every number is a ``Quantity``.

    Attributes
    ----------
    cutoff_time, first_touch_time, duration, hold : Quantity
        In s. ``cutoff_time.value`` is None where the cutoff was not reached; ``note`` says so.
    charge, charge_to_cutoff : Quantity
        In mAh.
    energy, energy_to_cutoff : Quantity
        In mWh.
    mean_current, peak_current : Quantity
        In mA. ``current_percentiles``: pairs of per cent and Quantity.
    first_voltage, last_voltage, cutoff_voltage : Quantity
        In V.
    left_in_cells : Quantity
        In mAh, what the cells still held at the cutoff.
    lifetime : Lifetime
        How and when the piece gave up: ``end``, ``time`` (Quantity in s), ``evidence`` in words.
    verdict : Verdict or None
        Whether that is as long as needed: ``answer``, ``words``.
    warnings : tuple of str
        What a reader of the numbers must know.
    simulated : bool
        No hardware was there.
    """

    run: reader.Run

    def __repr__(self) -> str:
        return text_of(self._sentences(), simulated=self.simulated, more=warned(len(self.warnings)))

    def _repr_html_(self) -> str:
        return card(
            self._sentences(),
            rows_of(result_rows(self)),
            warnings=self.warnings,
            cautions=cautions(self.run.description.pack, self),
            simulated=self.simulated,
        )

    def _sentences(self) -> tuple[str, ...]:
        told = paragraphs(self, self.run)
        if self.cutoff_time.lower is None or self.cutoff_time.coverage is None:
            return told
        times = f"{100 * self.cutoff_time.coverage:g} times in 100"
        return *told, f"The brackets hold the true value {times}."

    def as_json(self) -> dict[str, Any]:
        """As ``drawbench rundown --json``: results as ``Quantity.as_json``, ``simulated``, ``warnings``."""
        results = super().as_json()
        piece = together(self.run.folder, self.run.description, results)
        return results if piece is None else {**results, "same_piece": piece.as_json()}

    def quantities(self) -> dict[str, Quantity]:
        """Every result by its name, in the order of ``drawbench rundown --json``."""
        found = {name: value for name, value in vars(self).items() if isinstance(value, Quantity)}
        for percent, quantity in self.current_percentiles:
            found[f"current_p{percent:g}"] = quantity
        return found

    def to_frame(self) -> "pd.DataFrame":
        """One row, to be laid under those of other runs with ``pandas.concat``.

        Columns end in their unit: ``cutoff_time_s``, ``cutoff_time_lower_s``, ``cutoff_time_upper_s``,
        ``charge_mah``, ...; the index is the name of the run's folder. Intervals at 95 %.
        """
        import pandas as pd

        name = pd.Index([self.run.folder.resolve().name], name="run")
        return pd.DataFrame([frame_row(self.quantities())], index=name, dtype=float)

    def plot(self, ax: "Axes | None" = None, what: "PictureName" = "voltage") -> "Axes":
        """Draw a picture of the run, the same as in its report.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw. Default: a new figure.
        what : {"voltage", "current", "charge", "current-histogram"}
            Which picture.

        Returns
        -------
        matplotlib.axes.Axes

        Raises
        ------
        BenchError
            If there is no such picture, or the run lacks the column for it.
        """
        from analysis.report.plots import PICTURES, draw_picture

        pack, (events, _) = self.run.description.pack, listed_events(self.run.description.events)
        if what not in PICTURES:
            raise BenchError(
                f"There is no picture {what!r} of a run.",
                next_step=f"choose {', '.join(PICTURES)}.",
            )
        with drawing(ax) as axes:
            if draw_picture(axes, what, self, pack, events) is None:
                raise BenchError(
                    f"The run has no {what.split('-')[0]} to draw.",
                    evidence=f"columns: {', '.join(self.run.samples.columns)}",
                    next_step="choose another picture.",
                )
        return axes


def read_run(path: StrPath) -> Run:
    """Read a run; damaged rows are left out and told.

    Parameters
    ----------
    path : str or os.PathLike
        Folder of the run, or its ``samples.csv``.

    Returns
    -------
    Run
        ``samples`` of shape (rows, columns), units in the column names.

    Raises
    ------
    BenchError
        If nothing usable is there: no such folder, no samples, no good row.

    Examples
    --------
    >>> import drawbench
    >>> run = drawbench.read_run("sample_runs/night-ride-vest")
    >>> run
    SIMULATED. Night-ride vest: 3x AA alkaline, 1696 rows over 9 h 25 min, ended by cutoff.
    """
    return Run(**fields_of(reader.read_run(Path(path))))


def found_of(run: reader.Run | StrPath) -> reader.Run | reader.FoundRun:
    """The run itself, or found if its path was given: what can be refused then is refused at once."""
    return run if isinstance(run, reader.Run) else reader.find_run(Path(run))


def whole(found: reader.Run | reader.FoundRun) -> reader.Run:
    """The run with its table."""
    run = found if isinstance(found, reader.Run) else Run(**fields_of(found.run()))
    return on_computer_time(run)


def run_of(run: reader.Run | StrPath) -> reader.Run:
    """The run itself, read if its path was given."""
    return whole(found_of(run))


def rundown(
    run: reader.Run | StrPath,
    cutoff_v: float | None = None,
    hold_s: float | None = None,
    *,
    need_s: float | None = None,
) -> Rundown:
    """How long the pack lasted, what it gave, what the piece drew.

    Parameters
    ----------
    run : Run, str or os.PathLike
        A run, or where it lies.
    cutoff_v : float, optional
        Voltage of the whole pack in V at which the circuit gives up. Default: the one the run was
        stopped by; if it was not, no time to a cutoff is looked for.
    hold_s : float, optional
        How long the voltage must stay there, in s; 0: the first touch counts. Default: the run's
        own, else 10 s.
    need_s : float, optional
        How long the piece must last, in s: ``verdict`` answers it. Default: what the run was told.

    Returns
    -------
    Rundown
        Every result a ``Quantity`` with its 95 % interval, or the reason why it has none.

    Raises
    ------
    BenchError
        If there is no such run, too little in it, or the pack never stood above the cutoff.

    Notes
    -----
    Intervals after the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008) from
    the limits of error of sensor and clock; charge and energy from the board's own sums where it
    kept them, else by the trapezoidal rule.

    Examples
    --------
    >>> import drawbench
    >>> result = drawbench.rundown("sample_runs/night-ride-vest")
    >>> result.cutoff_time
    9 h 24 min (9 h 21 min to 9 h 27 min at 95 %)
    >>> result.to_frame()[["cutoff_time_s", "charge_to_cutoff_mah"]].round(0)
                     cutoff_time_s  charge_to_cutoff_mah
    run
    night-ride-vest        33834.0                1779.0
    """
    run = run_of(run)
    return Rundown(
        **fields_of(plain.rundown(run, *cutoff_of(run, cutoff_v, hold_s), need_s)), run=run
    )
