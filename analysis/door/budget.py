"""What should it draw, and which figure was wrong?"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import analysis.budget.story as plain
from analysis.budget.file import Budget, read_budget
from analysis.budget.own_run import places_of
from analysis.budget.words import short_sentences
from analysis.door.runs import found_of, whole
from analysis.door.show import (
    StrPath,
    card,
    columns,
    drawing,
    fields_of,
    frame_row,
    text_of,
    warned,
)
from analysis.say.table import rows_of
from logger.base.errors import BenchError
from logger.base.pack import parse_pack
from logger.run.reader import Run

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from analysis.budget.plots import PictureName

# Cells' usual limits in use, from memory.
COLDEST_C: Final = -20.0
HOTTEST_C: Final = 60.0


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class BudgetStory(plain.BudgetStory):
    """Everything a budget says, and with a run which of its figures was wrong.

    Attributes
    ----------
    estimates : tuple of ModeEstimate
        Per mode: ``mode``, ``current`` (Quantity, mA, 95 %), ``peak_ma``; all at ``pack_v``.
    evening : EveningEstimate
        ``mean_current`` (mA), ``charge`` (mAh), ``energy`` (mWh) over all hours.
    packs : tuple of PackAnswer
        ``name``, ``runtime`` (Quantity, h, 90 %), ``serves``, ``reasons``; the budget's own first.
    changes : tuple of Change
        What would bring most hours: ``words``, ``gained`` (Quantity, h).
    comparison : BudgetComparison or None
        With a run: measured against estimated.
    culprits : tuple of int
        Which of ``figure_rows()`` are more likely wrong than right, the surest first.
    unresolved : tuple of Unresolved
        What the run leaves open: ``words``, and what to ``measure``.
    all_clear : bool
        The run resolves every part, and the budget holds in every mode.
    warnings : tuple of str
        What a reader must know.
    """

    def __repr__(self) -> str:
        return text_of(
            short_sentences(self), simulated=self.simulated, more=warned(len(self.warnings))
        )

    def _repr_html_(self) -> str:
        rows = [(f"{item.mode}, estimated", item.current) for item in self.estimates]
        if self.comparison is not None:
            rows += [(f"{i.estimate.mode}, measured", i.measured) for i in self.comparison.modes]
        rows += [(item.name, item.runtime) for item in self.packs if item.serves]
        return card(
            short_sentences(self),
            rows_of([row for row in rows if row[1].value is not None]),
            warnings=self.warnings,
            cautions=[f"{self.packs[0].name}: {text}" for text in self.packs[0].cautions],
            simulated=self.simulated,
        )

    def to_frame(self, what: Literal["modes", "figures", "packs"] = "modes") -> "pd.DataFrame":
        """A table of the budget; columns end in their unit, each with ``_lower`` and ``_upper``.

        ``"modes"``: a row per mode, ``estimated_ma`` and with a run ``measured_ma`` (95 %).
        ``"figures"``: a row per figure, ``before_ma`` and with a run ``after_ma`` (90 %); an efficiency
        in per cent. ``"packs"``: a row per pack, ``runtime_h`` (90 %), ``serves``, ``mass_g``.
        """
        import pandas as pd

        if what == "modes":
            rows: dict[str, dict[str, object]] = {
                item.mode: dict(columns("estimated", item.current)) for item in self.estimates
            }
            for item in () if self.comparison is None else self.comparison.modes:
                rows[item.estimate.mode] |= columns("measured", item.measured)
        elif what == "figures":
            rows = {
                label: dict(frame_row({"before": before, "after": after}))
                for label, before, after in self.figure_rows()
            }
        elif what == "packs":
            rows = {
                item.name: {
                    **columns("runtime", item.runtime),
                    "serves": item.serves,
                    "mass_g": item.mass_g,
                }
                for item in self.packs
            }
        else:
            raise _no_such(what)
        return pd.DataFrame(list(rows.values()), index=pd.Index(rows, name=what.removesuffix("s")))

    def plot(self, ax: "Axes | None" = None, what: "PictureName | None" = None) -> "Axes":
        """Draw a picture of the budget, the same as in a report.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw. Default: a new figure.
        what : {"modes", "figures", "packs"}, optional
            Estimate against measurement, figures before and after, or hours per pack. Default: the
            modes with a run, else the packs.

        Returns
        -------
        matplotlib.axes.Axes

        Raises
        ------
        BenchError
            If there is no such picture, or it takes a run and there is none.
        """
        from analysis.budget.plots import PICTURES, draw_picture, picture_height_in
        from analysis.say.figures import SIZES

        what = what or ("packs" if self.comparison is None else "modes")
        if what not in PICTURES:
            raise _no_such(what)
        if what != "packs" and self.run_modes is not None and self.comparison is None:
            raise BenchError(
                f"There is no picture of the {what}: the modes of this run are not resolved.",
                evidence="; ".join(item.words for item in self.unresolved),
                next_step=f"{self.unresolved[0].measure}, or draw the packs.",
            )
        if what != "packs" and self.comparison is None:
            raise BenchError(
                f"The picture of the {what} takes a run.",
                next_step="give budget() the run as well, or draw the packs.",
            )
        with drawing(ax, (SIZES["page"][0], picture_height_in(what, self))) as axes:
            draw_picture(axes, what, self)
        return axes


def _no_such(what: str) -> BenchError:
    return BenchError(
        f"There is no {what!r} of a budget.", next_step="choose modes, figures or packs."
    )


def budget(
    path: StrPath | Budget,
    run: Run | StrPath | None = None,
    *,
    temperature_c: float = 20.0,
    packs: Sequence[str] = (),
    pack_runs: Sequence[Run | StrPath] | None = None,
) -> BudgetStory:
    """What should it draw, which pack would do; with a run, which figure was wrong.

    Parameters
    ----------
    path : str or os.PathLike
        Budget file (``drawbench budget new`` makes one), or a budget as read.
    run : Run, str or os.PathLike, optional
        A measured run to compare with.
    temperature_c : float, default 20
        Temperature it will be worn at, in degrees Celsius, -20 to 60.
    packs : sequence of str
        Judge these packs too: ``"3x AA nimh"``.
    pack_runs : sequence of Run, str or os.PathLike, optional
        Judge the packs of these measured runs too, each by its own curve. Default: the newest run in
        which the budget's own pack was emptied, looked for in the folder ``runs``, beside the budget
        file and beside ``run``; an empty sequence: none.

    Returns
    -------
    BudgetStory

    Raises
    ------
    BenchError
        If the file cannot be read or understood, nothing in it draws any current, or the run shows
        none of its modes.

    Notes
    -----
    Estimate at 95 %, figures and packs at 90 %. Capacities of packs are typical of their kind, after
    makers' data sheets.

    Examples
    --------
    >>> import drawbench
    >>> story = drawbench.budget("firmware_probe/twin/vest_budget.toml")
    >>> story.evening.mean_current
    188 mA (161 to 215 at 95 %)
    >>> checked = drawbench.budget("firmware_probe/twin/vest_budget.toml", "sample_runs/vest-evening")
    >>> [checked.figure_rows()[index][0] for index in checked.culprits]
    ['LEDs: off']
    """
    if not COLDEST_C <= temperature_c <= HOTTEST_C:
        raise BenchError(
            f"Cells are not worn at {temperature_c:g} °C.",
            next_step=f"give --temperature from {COLDEST_C:g} to {HOTTEST_C:g}.",
        )
    read = path if isinstance(path, Budget) else read_budget(Path(path))
    own = tuple(parse_pack(text) for text in packs)
    measured = None if run is None else found_of(run)
    others = None if pack_runs is None else [found_of(item) for item in pack_runs]
    compared = None if measured is None else whole(measured)
    found = plain.tell_budget(
        read,
        compared,
        temperature_c=temperature_c,
        own_packs=own,
        pack_runs=None if others is None else tuple(whole(item) for item in others),
        places=places_of(
            None if isinstance(path, Budget) else Path(path),
            None if compared is None else compared.folder,
        ),
    )
    return BudgetStory(**fields_of(found))
