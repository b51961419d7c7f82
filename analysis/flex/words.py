"""The answer of a flex test in a sentence, and its results as rows."""

import math
from dataclasses import replace
from typing import Final

from analysis.doubt.quantity import Quantity
from analysis.flex.claim import Claim, Count
from analysis.flex.compare import Comparison
from analysis.flex.judge import FlexLife, GroupLife

_NO_UPPER_END: Final = 100.0  # an end this many times the value says that there is none

_SMALL: Final = [
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
]


def number_words(count: int) -> str:
    """``eight``, ``22``."""
    return _SMALL[count] if 0 <= count < len(_SMALL) else f"{count:,}"


def percent(share: float, places: int = 0) -> str:
    """Share as per cent; never rounded up to 100 or down to 0."""
    shown = f"{share * 100:.{places}f}"
    if float(shown) >= 100 and share < 1:
        return f"more than {100 - 10.0**-places:.{places}f} %"
    return f"{shown} %"


def stated_percent(share: float) -> str:
    """A share that the user stated, as per cent, not rounded: 97.5 % stays 97.5 %."""
    return f"{100 * share:.10g} %"


def cycles_words(cycles: float) -> str:
    """Cycles to two significant digits, with thousands marked: ``4,800``."""
    if cycles < 10:
        return f"{cycles:.1g}"
    digits = len(str(int(cycles)))
    return f"{round(cycles, 2 - digits):,.0f}"


def times_words(ratio: float) -> str:
    """A ratio to two significant digits: ``0.45``, ``6.0``, ``110``."""
    if ratio >= 10:
        return cycles_words(ratio)
    return f"{ratio:.1f}" if ratio >= 1 else f"{ratio:.2g}"


def group_words(name: str) -> str:
    """How a sentence names a group."""
    return f"With {name}" if name else "With these joints"


def answer(group: GroupLife, claim: Claim, brief: bool = False) -> str:
    """The answer for one group, computed from its result; ``brief`` leaves the claim away, said before."""
    share = stated_percent(claim.reliability)
    sure = f"at {stated_percent(claim.confidence)} confidence"
    if claim.target_cycles is None or group.count is None:
        return _answer_without_target(group, claim)
    head = f"{group_words(group.name)}, at least {share} of joints survive {claim.target_words}, {sure}: "
    if brief:
        head = f"{group_words(group.name)}: "
    if group.shown_by == "count":
        return head + (
            f"shown by counting; {number_words(group.count.failures) if group.count.failures else 'none'} of {number_words(group.count.specimens)} "
            f"failed before that, and the lower bound is {_floor_percent(group.count.reliability_lower)}."
        )
    if group.shown_by == "weibull":
        assert group.weibull is not None
        return head + (
            f"shown, if the lives follow a Weibull; its lower bound is {_floor_percent(group.weibull.reliability_lower)}."
        )
    if group.shown_by == "stated shape":
        return head + (
            f"shown only if the Weibull shape is {claim.shape:g}, which nobody measured here; "
            f"the lower bound is then {_floor_percent(group.stated_shape_lower)}."
        )
    return head + _what_is_missing(group, claim)


def _what_is_missing(group: GroupLife, claim: Claim) -> str:
    count = group.count
    assert count is not None
    estimate = _estimate(group)
    if count.specimens == 0:
        return (
            f"not shown; no specimen was bent that far yet. {number_words(count.needed).capitalize()} specimens that "
            "reach the target without a failure would show it."
        )
    if estimate is not None and estimate < claim.reliability:
        return (
            f"not shown; the best estimate itself is {percent(estimate)}, so more specimens of this kind will not help, "
            "a better joint or a gentler bend may."
        )
    specimens = "specimen" if count.more == 1 else "specimens"
    best = max(
        (count.reliability_lower.lower or 0.0),
        (group.weibull.reliability_lower.lower or 0.0)
        if group.fit_trusted and group.weibull and group.weibull.reliability_lower
        else 0.0,
    )
    so_far = f"so far they show {int(best * 100 + 1e-9)} %; " if best >= 0.01 else ""
    return f"not shown yet; {so_far}{number_words(count.more)} more {specimens} without a failure would show it."


def _estimate(group: GroupLife) -> float | None:
    """Best estimate of the share that survives to the target; counted where no fit is to be trusted."""
    if group.fit_trusted and group.weibull and group.weibull.reliability:
        return group.weibull.reliability.value
    assert group.count is not None
    return group.count.reliability_lower.value


def _answer_without_target(group: GroupLife, claim: Claim) -> str:
    sure = f"at {stated_percent(claim.confidence)} confidence"
    if group.weibull is None:
        return (
            f"{group_words(group.name)}: {group.no_fit}. Give the target (--cycles, or --wearings and --at) "
            "and counting says what that shows."
        )
    low = group.weibull.b10_lower.lower or 0.0
    value = group.weibull.b10.value or 0.0
    return (
        f"{group_words(group.name)}, 90 % of joints survive at least {cycles_words(low)} bends, {sure} "
        f"(best estimate {cycles_words(value)})."
    )


def _shown_share(group: GroupLife) -> float:
    """For the order of sentences: what is shown, then what is estimated."""
    if group.count is None:
        return 0.0 if group.weibull is None else (group.weibull.b10_lower.lower or 0.0)
    estimate = _estimate(group) or 0.0
    return (
        (2.0 if group.shown_by else 0.0) + estimate + (group.count.reliability_lower.lower or 0.0)
    )


def _floor_percent(quantity: Quantity | None) -> str:
    """A lower bound is rounded down: 90.06 % does not become 90.1."""
    assert quantity is not None
    assert quantity.lower is not None
    return f"{int(quantity.lower * 1000) / 10:.1f} %"


def comparison_words(pair: Comparison) -> str:
    """Which group lives longer, how much, and how sure that is."""
    first, second = pair.first or "the rest", pair.second or "the rest"
    if pair.rank is None:
        return f"{second} and {first}: {pair.no_ratio}"
    p = pair.p_adjusted if pair.p_adjusted is not None else pair.rank.p_exchange
    test = "log-rank p" if p == pair.rank.p_exchange else "adjusted log-rank p"
    chance = (
        f"luck alone would show this {100 * p:.2g} times in 100, {test} = {p:.2g}"
        if p >= 0.001
        else f"luck alone would show this less than once in 1000, {test} < 0.001"
    )
    if pair.ratio is None:
        longer = pair.rank.observed[1] < pair.rank.expected[1]
        words = "outlasts" if longer else "fails before"
        doubt = "" if p < 0.05 else ", but that may be chance"
        return f"{second} {words} {first}{doubt} ({chance}; no ratio of lives: {_small_start(pair.no_ratio)})"
    ratio = pair.ratio
    upper = times_words(ratio.upper) if ratio.upper < 1e4 else "any number"
    span = f"{times_words(ratio.lower)} to {upper} at {stated_percent(ratio.coverage)}"
    if ratio.lower > 1:
        return f"{second} outlasts {first}: {times_words(ratio.ratio)} times the life ({span}; {chance})."
    if ratio.upper < 1:
        return f"{second} fails before {first}: {times_words(ratio.ratio)} times the life ({span}; {chance})."
    return f"{second} and {first} cannot be told apart yet: ratio of lives {times_words(ratio.ratio)} ({span}; {chance})."


def _small_start(text: str) -> str:
    return text[:1].lower() + text[1:].rstrip(".")


def result_rows(group: GroupLife, claim: Claim) -> tuple[tuple[str, Quantity], ...]:
    """Label and quantity of each result that exists, as it is to be read: shares in per cent, bounds by themselves."""
    rows: list[tuple[str, Quantity | None]] = []
    sure = f"{stated_percent(claim.confidence)} sure of at least"
    w, count = group.weibull, group.count
    if w is not None:
        rows += [
            ("survive, Weibull", _in_percent(w.reliability)),
            (f"survive, Weibull: {sure}", _in_percent(_bound(w.reliability_lower))),
        ]
    if count is not None:
        counted = count.reliability_lower
        rows += [
            (f"survive, counted of {count.specimens}", _in_percent(_bare(counted))),
            (f"survive, counted: {sure}", _in_percent(_bound(counted))),
        ]
    rows.append((f"survive, stated shape: {sure}", _in_percent(_bound(group.stated_shape_lower))))
    if w is not None:
        rows += [
            ("B10 life (10 % have failed)", _life(w.b10)),
            (f"B10 life: {sure}", _bound(w.b10_lower)),
            ("B50 life (half have failed)", _life(w.b50)),
            (f"B50 life: {sure}", _bound(w.b50_lower)),
            ("Weibull scale (63 % have failed)", _life(w.scale)),
            ("Weibull shape, maximum likelihood", w.shape),
            ("Weibull shape, small-sample excess taken out", w.shape_unbiased),
        ]
    return tuple(
        (label, replace(q, note="")) for label, q in rows if q is not None and q.value is not None
    )


def method_words(claim: Claim) -> str:
    """Which conventions stand behind the intervals of ``result_rows``."""
    how = {
        "calibrated": "likelihood ratio, its limits taken from imitated tests of as many specimens and failures instead of chi-square, "
        "which is too narrow for a handful",
        "likelihood-ratio": "likelihood ratio with the chi-square limit, too narrow for a handful",
        "wald": "Wald on the log scale, too narrow and too symmetric for a handful",
    }[claim.method]
    return (
        f"Weibull by maximum likelihood; two-sided {percent(claim.coverage)} intervals and one-sided {stated_percent(claim.confidence)} "
        f"bounds by {how}. The shape by maximum likelihood reads high in small samples; its median excess in imitated tests is "
        "taken out in the line that says so. Counted: exact binomial bound (Clopper-Pearson), which assumes nothing of the lives."
    )


def specimens_quantity(count: Count) -> Quantity:
    """Specimens needed in all for the claim, with the failures so far and no more."""
    return Quantity(
        count.needed,
        "specimens",
        note=f"exact binomial, with {count.failures} failed before the target and no more failing",
    )


def _bare(quantity: Quantity) -> Quantity:
    return Quantity(quantity.value, quantity.unit, note="counted")


def _life(quantity: Quantity) -> Quantity:
    """A life without an upper end that a handful of specimens cannot give: nobody bends that often."""
    value, upper = quantity.value, quantity.upper
    open_above = value is not None and upper is not None and upper > _NO_UPPER_END * value
    return replace(quantity, upper=None) if open_above else quantity


def _bound(quantity: Quantity | None) -> Quantity | None:
    """A one-sided bound by itself, rounded down to three digits."""
    if quantity is None or quantity.lower is None:
        return None
    low = quantity.lower
    if quantity.unit == "cycles" and low < 1:
        low = 0.0
    if low > 0:
        step = 10.0 ** (math.floor(math.log10(low)) - 2)
        low = math.floor(low / step * (1 + 1e-12)) * step
    return Quantity(low, quantity.unit, note=quantity.note)


def _in_percent(quantity: Quantity | None) -> Quantity | None:
    if quantity is None or quantity.value is None:
        return quantity
    value, lower, upper = (
        None if part is None else _tidy(100.0 * part)
        for part in (quantity.value, quantity.lower, quantity.upper)
    )
    return Quantity(value, "%", lower, upper, quantity.coverage, quantity.note)


def _tidy(value: float) -> float:
    """Nothing below a hundredth of a per cent is known of a handful of specimens."""
    return 0.0 if value < 0.01 else value


def answers(result: FlexLife) -> tuple[str, ...]:
    """A sentence per group, the one that shows most first and in full; then one per comparison."""
    ordered = sorted(result.groups, key=lambda group: -_shown_share(group))
    return (
        *(answer(group, result.claim, brief=place > 0) for place, group in enumerate(ordered)),
        *(comparison_words(pair) for pair in result.comparisons),
    )


def target_words(cycles: float, wearings: float | None) -> str:
    """The target as the user thinks of it: ``12 evenings (4,800 bends)``, ``4,800 bends``."""
    bends = f"{cycles:,.0f} bends"
    if wearings is None:
        return bends
    return f"{wearings:,.0f} evening{'' if wearings == 1 else 's'} ({bends})"
