"""Runs side by side: differences with intervals, and whether they are larger than the measurement's doubt."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from analysis.curve.rate import RateFit, fit_rate
from analysis.curve.resistance import internal_resistance
from analysis.curve.spread import MANY, Spread, chance_of, half_of, holm, spread_of
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import limits_of
from analysis.run.rundown import Rundown, rundown
from analysis.run.trace import trace_of
from analysis.say.words import and_words, value_words
from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.run.reader import Run

COVERAGE: Final = 0.95
_DRAWS_DIFFER: Final = 1.5
_TOO_ALIKE: Final = "takes runs to the cutoff whose draws differ by half or more"
# What is compared: name, label, attribute of Rundown (resistance comes from load steps).
_MEASURES: Final = (
    ("cutoff_time", "time to cutoff"),
    ("charge_to_cutoff", "charge to cutoff"),
    ("energy_to_cutoff", "energy to cutoff"),
    ("mean_current", "mean draw"),
)


@dataclass(frozen=True)
class Difference:
    """``second`` minus ``first`` of one result. ``percent``: of the first. ``clear``: larger than the doubt,
    against several later runs than the doubt of them all together (Holm's rule); None: cannot be told.
    """

    name: str
    label: str
    first: Quantity
    second: Quantity
    difference: Quantity
    percent: float | None
    clear: bool | None


@dataclass(frozen=True)
class Comparison:
    """Every run against the first. ``differences``: per later run. ``rate``: over all runs; None where
    their draws do not differ enough. ``draws_ma``: least and greatest mean draw. ``spread``: of many runs
    (``spread.MANY``) what they say as a heap.
    """

    runs: tuple[Run, ...]
    names: tuple[str, ...]
    rundowns: tuple[Rundown, ...]
    differences: tuple[tuple[Difference, ...], ...]
    sentences: tuple[str, ...]
    rate_exponent: Quantity
    warnings: tuple[str, ...]
    rate: RateFit | None = None
    draws_ma: tuple[float, float] = (0.0, 0.0)
    spread: Spread | None = None

    def runtime_at(self, draw_ma: float) -> Quantity:
        """Time to cutoff at another draw, by the line through these runs (see ``RateFit.hours_at``)."""
        if self.rate is None:
            return Quantity(None, "h", note=_TOO_ALIKE)
        found = self.rate.hours_at(draw_ma / 1e3)
        low_ma, high_ma = self.draws_ma
        if low_ma <= draw_ma <= high_ma:
            return found
        beyond = f"beyond the {digits_text(low_ma, 3)} to {digits_text(high_ma, 3)} mA that were measured: a guess"
        return replace(found, note="; ".join(text for text in (found.note, beyond) if text))


def compare(
    runs: Sequence[Run], names: Sequence[str], cutoff_v: float | None, hold_s: float
) -> Comparison:
    """Compare runs with the first of them at one cutoff.

    Of three or more, those that ``rundown`` refuses are left out, with a warning. Raises BenchError as it does
    where fewer than two are left.
    """
    runs, names, rundowns, left_out = _reckoned(runs, names, cutoff_v, hold_s)
    measured = [_measures(run, result) for run, result in zip(runs, rundowns, strict=True)]
    differences = _held_together(
        tuple(
            tuple(
                _difference(
                    name, label, measured[0][name][1], quantity, _shared(runs[0], run, name, own)
                )
                for name, (label, quantity, own) in later.items()
            )
            for run, later in zip(runs[1:], measured[1:], strict=True)
        )
    )
    spread = spread_of(names, rundowns) if len(runs) >= MANY else None
    sentences = tuple(
        _sentence(names[0], name, part) for name, part in zip(names[1:], differences, strict=True)
    )
    if spread is not None:
        sentences = spread.sentences()
    points = [
        (result.mean_current.value / 1e3, result.cutoff_time.value / 3600)
        for result in rundowns
        if result.mean_current.value
        and result.cutoff_time.value
        and result.mean_current.value > 0
        and not result.cutoff_time.at_least
    ]
    rate = _rate(points)
    exponent = rate.exponent if rate is not None else Quantity(None, "1", note=_TOO_ALIKE)
    if exponent.value is not None:
        sentences += (
            f"Peukert's exponent from these runs: {exponent} (plain form, t = C / I^k with C the capacity at 1 A; "
            "the rated form, t = H (C / (I H))^k, has the same k but the label's capacity over H hours for C).",
        )
    return Comparison(
        tuple(runs),
        tuple(names),
        tuple(rundowns),
        differences,
        sentences,
        exponent,
        (*left_out, *_warnings(runs, names, rundowns)),
        rate,
        (1e3 * min(points)[0], 1e3 * max(points)[0]) if points else (0.0, 0.0),
        spread,
    )


def left_out_words(error: BenchError) -> str:
    """Why a run is not among those that are compared."""
    happened = error.happened.rstrip(".")
    return f"Left out: {happened}." + (f" Seen: {error.evidence}." if error.evidence else "")


def _reckoned(
    runs: Sequence[Run], names: Sequence[str], cutoff_v: float | None, hold_s: float
) -> tuple[list[Run], list[str], list[Rundown], list[str]]:
    """Runs, names and results of those that can be reckoned, and what is wrong with the others."""
    kept: list[tuple[Run, str, Rundown]] = []
    errors: list[BenchError] = []
    for run, name in zip(runs, names, strict=True):
        try:
            kept.append((run, name, _rundown(run, name, cutoff_v, hold_s)))
        except BenchError as error:
            errors.append(error)
            if len(runs) - len(errors) < 2:
                raise errors[0] from error
    return (
        [run for run, _, _ in kept],
        [name for _, name, _ in kept],
        [result for _, _, result in kept],
        [left_out_words(error) for error in errors],
    )


def _held_together(
    differences: tuple[tuple[Difference, ...], ...],
) -> tuple[tuple[Difference, ...], ...]:
    """Against several runs some difference comes clear by chance: by each measure Holm's rule decides over all."""
    if len(differences) < 2:
        return differences
    clear: dict[tuple[int, str], bool] = {}
    for name in {item.name for part in differences for item in part}:
        known = [
            (number, item)
            for number, part in enumerate(differences)
            for item in part
            if item.name == name and item.clear is not None
        ]
        chances = [
            chance_of(item.difference.value or 0.0, half_of(item.difference) or 0.0)
            for _, item in known
        ]
        for (number, _), holds in zip(known, holm(chances, 1 - COVERAGE), strict=True):
            clear[number, name] = holds
    return tuple(
        tuple(replace(item, clear=clear.get((number, item.name), item.clear)) for item in part)
        for number, part in enumerate(differences)
    )


def _rundown(run: Run, name: str, cutoff_v: float | None, hold_s: float) -> Rundown:
    """One run's results; what is wrong with it is told with its name."""
    try:
        return rundown(run, cutoff_v, hold_s)
    except BenchError as error:
        raise BenchError(
            f"{name}: {error.happened}", evidence=error.evidence, next_step=error.next_step
        ) from error


def _rate(points: Sequence[tuple[float, float]]) -> RateFit | None:
    """Peukert's line over draws (A) and hours, where the draws differ enough to tell."""
    if len(points) < 2 or max(points)[0] < _DRAWS_DIFFER * min(points)[0]:
        return None
    return fit_rate([draw for draw, _ in points], [hours for _, hours in points])


def _measures(run: Run, result: Rundown) -> dict[str, tuple[str, Quantity, float]]:
    """Label, result, and share of its variance that is the sensor's own."""
    found = {name: (label, getattr(result, name), 1.0) for name, label in _MEASURES}
    pack = run.description.pack
    resistance = internal_resistance(
        trace_of(run), limits_of(run.description), pack.capacity_mah if pack else None
    )
    label = "internal resistance"
    found["internal_resistance"] = (label, resistance.overall, resistance.sensor_share)
    return found


def _shared(first: Run, second: Run, name: str, own: float) -> float:
    """Share of the doubt that two runs have in common: gains of one and the same board cancel."""
    boards = (first.description.board, second.description.board)
    if boards[0] is None or boards[1] is None or boards[0].board != boards[1].board:
        return 0.0
    # offsets and clock drift may have moved between runs; gains of shunt and sensor hardly do
    return 0.0 if name == "cutoff_time" else 0.8 * own


def _difference(
    name: str, label: str, first: Quantity, second: Quantity, shared: float
) -> Difference:
    if first.value is None or second.value is None:
        missing = first if first.value is None else second
        none = Quantity(None, first.unit, note=missing.note)
        return Difference(name, label, first, second, none, None, None)
    if first.at_least or second.at_least:
        bound = first if first.at_least else second
        none = Quantity(None, first.unit, note=bound.note)
        return Difference(name, label, first, second, none, None, None)
    value = second.value - first.value
    percent = 100 * value / first.value if first.value else None
    halves = [half_of(first), half_of(second)]
    if None in halves:
        quantity = Quantity(value, first.unit, note="the doubt of one of the two is not known")
        return Difference(name, label, first, second, quantity, percent, None)
    one, other = (half or 0.0 for half in halves)
    # GUM 5.2.2 with correlation ``shared`` between the two
    half = math.sqrt(max(one**2 + other**2 - 2 * shared * one * other, 0.0))
    quantity = Quantity(value, first.unit, value - half, value + half, COVERAGE)
    return Difference(name, label, first, second, quantity, percent, abs(value) > half)


def _sentence(first: str, second: str, differences: Sequence[Difference]) -> str:
    """The main finding in one sentence: the time to cutoff, else the charge, else the draw."""
    for item in differences:
        if (
            item.difference.value is None
            or item.percent is None
            or item.name == "internal_resistance"
        ):
            continue
        more = {"cutoff_time": ("lasted", "longer", "shorter")}.get(
            item.name, (f"had {item.label}", "more", "less")
        )
        direction = more[1] if item.difference.value > 0 else more[2]
        text = f"{second} {more[0]} {_percent_words(item)} {direction} than {first}"
        if abs(item.percent) < 0.05:
            text = f"{second} {more[0]} within 0.1 % of {first}"
        if item.clear is None:
            return f"{text}; whether that is more than the measurement's doubt cannot be told."
        if item.clear:
            return (
                f"{text}: more than the measurement's doubt. It is one run each, though: "
                "two packs of one kind differ as well, often by 5 % and more."
            )
        return f"{text}: less than the measurement's doubt, so the two cannot be told apart."
    return f"{second} and {first} cannot be compared: neither cutoff nor draw is known of both."


def _percent_words(item: Difference) -> str:
    """By how many per cent of the first they differ, with no more digits than the difference is known to."""
    percent, found = abs(item.percent or 0.0), item.difference
    if found.value is None or found.lower is None or found.upper is None or not found.value:
        return f"{digits_text(percent, 2)} %"
    half = abs(percent / found.value) * (found.upper - found.lower) / 2
    return value_words(Quantity(percent, "%", percent - half, percent + half))


def _warnings(
    runs: Sequence[Run], names: Sequence[str], rundowns: Sequence[Rundown]
) -> tuple[str, ...]:
    told = []
    packs = {str(run.description.pack or "not stated") for run in runs}
    if len(packs) > 1:
        told.append(f"The packs differ: {and_words(sorted(packs))}.")
    loads = {run.description.load for run in runs if run.description.load}
    if len(loads) > 1:
        told.append(f"The loads differ by their description. They are: {'; '.join(sorted(loads))}.")
    for name, result in zip(names, rundowns, strict=True):
        told += [f"{name}: {warning}" for warning in result.warnings]
    return tuple(told)
