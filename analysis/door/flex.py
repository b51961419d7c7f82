"""Do the joints survive the season?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import analysis.flex.judge as plain
from analysis.door.show import (
    StrPath,
    card,
    drawing,
    fields_of,
    frame_row,
    new_figure,
    paths_of,
    text_of,
    warned,
)
from analysis.doubt.quantity import Quantity
from analysis.flex.asked import on_bench, stated_acceleration, stated_target
from analysis.flex.bend import Acceleration
from analysis.flex.claim import Claim
from analysis.flex.failure import SIMULATED_NOTE, Verdict
from analysis.flex.sources import looks_of, read_sources
from analysis.flex.words import headline, result_rows
from analysis.life.interval import METHODS, Method
from analysis.say.table import rows_of
from logger.base.errors import BenchError
from logger.flex.criterion import CRITERIA, Criterion, CriterionName

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, repr=False, eq=False, kw_only=True)
class FlexLife(plain.FlexLife):
    """What a handful of bent joints shows.

    Attributes
    ----------
    groups : tuple of GroupLife
        Per group: ``specimens``, ``weibull`` (with ``b10``, ``b50``, ``shape``, ``scale``,
        ``reliability``: Quantity), ``count``, ``verdict`` (``word``: "shown", "indicated", "not shown", "shown not
        to hold"; ``by``, ``why``), ``median`` and ``b10`` by the order of the lives, ``ways``, ``suspects``, ``warnings``.
    comparisons : tuple
        Pairs of groups: ratio of lives, log-rank p over all comparisons, ``word``.
    claim : Claim
        What is to be shown: bends, reliability, confidence.
    verdicts : tuple of Verdict
        Of recorded runs: first cycle of each joint by each criterion.
    criterion : Criterion or None
        Which of them decided.
    acceleration : Acceleration or None
        What a bend on the bench is worth as worn.
    warnings : tuple of str
        What a reader must know; each group has its own besides.
    """

    verdicts: tuple[Verdict, ...] = ()
    criterion: Criterion | None = None
    acceleration: Acceleration | None = None

    @property
    def simulated(self) -> bool:
        """Whether joints of a simulation are among them."""
        return SIMULATED_NOTE in self.warnings

    def __repr__(self) -> str:
        told = len(self._told())
        return text_of(headline(self), simulated=self.simulated, more=warned(told))

    def _told(self) -> tuple[str, ...]:
        own = (text for text in self.warnings if text != SIMULATED_NOTE)
        return (*own, *(text for group in self.groups for text in group.warnings))

    def _repr_html_(self) -> str:
        from analysis.flex.section import RIG_CAUTION

        several = len(self.groups) > 1
        rows = [
            (f"{group.name or 'all'}: {label}" if several else label, quantity)
            for group in self.groups
            for label, quantity in result_rows(group, self.claim)
        ]
        return card(
            headline(self),
            rows_of(rows),
            warnings=self._told(),
            cautions=(RIG_CAUTION,),
            simulated=self.simulated,
        )

    def to_frame(self) -> "pd.DataFrame":
        """A row per group, index ``group``: ``specimens``, ``failures``, ``shown_by``, lives in cycles, shares.

        ``b10_cycles`` with ``b10_lower_cycles`` and ``b10_upper_cycles`` (two-sided at the claim's
        coverage), if Weibull; ``b10_by_order_cycles``: whatever the law, from 22 joints on; ``b10_surely_lower_cycles``: one-sided bound at its confidence. Empty where nothing
        could be fitted.
        """
        import pandas as pd

        rows = []
        for group in self.groups:
            found: dict[str, Quantity | None] = {
                "median": group.median,
                "b10_by_order": group.b10,
            }
            if group.weibull is not None:
                w = group.weibull
                found |= {"b10": w.b10, "b50": w.b50, "scale": w.scale, "shape": w.shape}
                found["reliability"] = w.reliability
            surely: dict[str, object] = {}
            if group.weibull is not None:
                surely["b10_surely_lower_cycles"] = group.weibull.b10_lower.lower
                surely["b50_surely_lower_cycles"] = group.weibull.b50_lower.lower
            if group.count is not None:
                surely["reliability_counted"] = group.count.reliability_lower.value
                surely["reliability_counted_surely_lower"] = group.count.reliability_lower.lower
            rows.append(
                {
                    "specimens": len(group.specimens),
                    "failures": int(group.lives.failures),
                    "verdict": group.verdict.word if group.verdict else "",
                    "shown_by": group.shown_by,
                    **frame_row(found),
                    **surely,
                }
            )
        names = pd.Index([group.name for group in self.groups], name="group")
        return pd.DataFrame(rows, index=names)

    def plot(
        self,
        ax: "Axes | None" = None,
        what: Literal["survival", "probability"] = "survival",
        group: str | None = None,
    ) -> "Axes":
        """Draw who is still whole, or whether the lives lie on a Weibull line.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw. Default: a new figure.
        what : {"survival", "probability"}
            Which picture.
        group : str, optional
            Of the survival: only this group, the others faint behind it. Default: a strip per group;
            axes that are given hold one group.

        Returns
        -------
        matplotlib.axes.Axes
            Of several strips the first; ``.figure`` has them all.

        Raises
        ------
        BenchError
            If there is no such picture or group, if no group could be fitted, or if several groups
            are to go into one pair of axes.
        """
        import analysis.flex.plots as plots

        names = [item.name for item in self.groups]
        if what == "probability":
            if all(item.weibull is None for item in self.groups):
                raise BenchError(
                    "No life could be fitted, so there is no line to draw.",
                    evidence="; ".join(item.no_fit for item in self.groups),
                    next_step="draw the survival.",
                )
            with drawing(ax, plots.PROBABILITY_SIZE_IN) as axes:
                plots.draw_probability(axes, self)
            return axes
        if what != "survival":
            raise BenchError(
                f"There is no picture {what!r} of joints.",
                next_step="choose survival or probability.",
            )
        if group is None and ax is None:
            with new_figure(plots.survival_size_in(self)) as figure:
                plots.draw_survival(figure, self)
            return figure.axes[0]
        if group is None and len(names) == 1:
            group = names[0]
        if group not in names:
            raise BenchError(
                "One pair of axes holds one group."
                if group is None
                else f"There is no group {group!r}.",
                evidence=f"groups: {', '.join(map(repr, names))}",
                next_step="name one of them with group.",
            )
        with drawing(ax) as axes:
            plots.draw_group(axes, self, names.index(group))
        return axes


def flex_life(
    source: StrPath | Sequence[StrPath],
    *,
    cycles: float | None = None,
    wearings: float | None = None,
    at: str | None = None,
    per_wearing: float | None = None,
    reliability: float = 0.9,
    confidence: float = 0.9,
    coverage: float = 0.9,
    interval: Method = "calibrated",
    shape: float | None = None,
    reference: str = "",
    criterion: Criterion | CriterionName | None = None,
    wire: str | None = None,
    bench_radius_mm: float | None = None,
    worn_radius_mm: float | None = None,
    exponent: float | None = None,
    looked_every: float | None = None,
) -> FlexLife:
    """How long do the joints live, and is the claim shown?

    Parameters
    ----------
    source : str, os.PathLike, or a sequence of them
        Hand-test tables (CSV) and folders of recorded flex runs.
    cycles : float, optional
        Bends that must be survived; or ``wearings``: evenings, with ``at`` ("elbow", "shoulder",
        "hip": planning figures without a source) or ``per_wearing`` bends each.
    reliability, confidence : float, default 0.9
        Share of joints that must survive, and how sure of that; as shares, 0.9 is 90 %.
    coverage : float, default 0.9
        Of two-sided intervals, a share.
    interval : {"calibrated", "likelihood-ratio", "wald"}
        Likelihood ratio calibrated for small samples, plain, or Wald.
    shape : float, optional
        A Weibull shape taken as given: an assumption.
    reference : str, optional
        Group that the others are compared with. Default: the first.
    criterion : Criterion or {"open", "resistance", "break"}, optional
        Of recorded runs: what failed means. Default: as recorded.
    wire : str, optional
        ``"24 stranded"``, or mm of one strand; with ``worn_radius_mm`` and ``bench_radius_mm`` (inner
        radii in mm) bends on the bench are turned into bends as worn.
    exponent : float, optional
        Of life against strain, an assumption. Default: fitted where two radii are in the table.
    looked_every : float, optional
        Bends between two looks, where the table has the looks only; 1: every life is exact. Default: found
        from lives that are all multiples of a number.

    Returns
    -------
    FlexLife

    Raises
    ------
    BenchError
        If a source cannot be read, a target is stated twice or by half, a share is none, or there
        is no such group.

    Notes
    -----
    Weibull by maximum likelihood with censoring; counting by the exact binomial bound (Clopper and
    Pearson 1934); survival by Kaplan and Meier 1958.

    Examples
    --------
    >>> import drawbench
    >>> joints = drawbench.flex_life(
    ...     "sample_runs/vest-joints-by-hand.csv", cycles=1200, reference="solid"
    ... )
    >>> joints.to_frame()[["specimens", "failures"]]
                                   specimens  failures
    group
    solid                                  5         5
    stranded                               5         5
    stranded, strain relief                5         0
    stranded, relief put on badly          5         2
    """
    for name, given, known in (("criterion", criterion, CRITERIA), ("interval", interval, METHODS)):
        if isinstance(given, str) and given not in known:
            raise BenchError(
                f"There is no {name} {given!r}.", next_step=f"choose one of {', '.join(known)}."
            )
    judged_by = Criterion(criterion) if isinstance(criterion, str) else criterion
    specimens, verdicts, used, notes = read_sources(paths_of(source), judged_by)
    target = stated_target(cycles, wearings, at, per_wearing)
    speed = stated_acceleration(
        specimens, wire, bench_radius_mm, worn_radius_mm, exponent, max(coverage, confidence)
    )
    claim = Claim(
        *on_bench(target, speed), reliability, confidence, coverage, interval, shape, speed
    )
    looks = looks_of(paths_of(source))
    found = plain.flex_life(specimens, claim, notes, reference, looks, looked_every)
    return FlexLife(**fields_of(found), verdicts=verdicts, criterion=used, acceleration=speed)
