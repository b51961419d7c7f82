"""The answer of a flex test in a sentence, and its results as rows."""

import math
from dataclasses import replace
from typing import Final

from analysis.doubt.quantity import Quantity
from analysis.flex.claim import Claim, Count
from analysis.flex.compare import Comparison
from analysis.flex.judge import FlexLife, GroupLife
from analysis.say.words import and_words

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
    if claim.target_cycles is None or group.count is None or group.verdict is None:
        return _answer_without_target(group, claim)
    head = f"{group_words(group.name)}, at least {share} of joints survive {claim.target_words}, {sure}: "
    if brief:
        head = f"{group_words(group.name)}: "
    return f"{head}{group.verdict.word}{_because(group, claim)}"


def _because(group: GroupLife, claim: Claim) -> str:
    """What the word stands on, and what would change it."""
    found, count = group.verdict, group.count
    assert found is not None
    assert count is not None
    failed = f"{number_words(count.failures) if count.failures else 'none'} of {number_words(count.specimens)} failed before that"
    if found.word == "shown":
        if found.by == "count":
            return f" by counting; {failed}, and the lower bound is {_floor_percent(count.reliability_lower)}."
        assert group.weibull is not None
        return (
            f", if the lives follow a Weibull, as they seem to; {failed}, and its lower bound is "
            f"{_floor_percent(group.weibull.reliability_lower)}."
        )
    if found.word == "shown not to hold":
        return f"; {failed}, and more specimens of this kind will not help: a better joint or a gentler bend may."
    if found.word == "indicated":
        why = found.why if found.why.startswith("only if") else f"because {found.why}"
        return f", {why}. {_more(group, claim).capitalize()}"
    if count.specimens == 0:
        unit = "Specimens" if not count.strips else "Strips"
        return f"; no specimen was bent that far yet. {unit} that reach the target without a failure would show it: {number_words(count.needed)}."
    best = count.reliability_lower.lower or 0.0
    so_far = f" yet; so far they show {int(best * 100 + 1e-9)} %; " if best >= 0.01 else " yet; "
    if found.why:
        so_far = f"; {found.why}; "
    return f"{so_far}{_more(group, claim)}"


def _more(group: GroupLife, claim: Claim) -> str:
    """How many more without a failure counting asks for."""
    count = group.count
    assert count is not None
    if claim.acceleration is not None and (claim.acceleration.factor.value or 0.0) > 100:
        return "bend at a wider radius to show it."
    if count.more == 0:
        return "a new test, planned before its first bend, would show it."
    what = "strip" if count.strips else "specimen"
    return f"{number_words(count.more)} more {what}{'' if count.more == 1 else 's'} without a failure would show it."


def _answer_without_target(group: GroupLife, claim: Claim) -> str:
    if group.median is None or group.median.value is None:
        return (
            f"{group_words(group.name)}: when half have failed is not known ({group.no_median}). Give the target (--cycles, "
            "or --wearings and --at) and counting says what that shows."
        )
    return (
        f"{group_words(group.name)}, half of joints survive {cycles_words(group.median.value)} bends "
        f"({span_words(group.median)} at {stated_percent(claim.coverage)})."
    )


def span_words(quantity: Quantity) -> str:
    """``410 to 600`` of cycles."""
    low = cycles_words(quantity.lower or 0.0)
    return (
        f"{low} or more" if quantity.upper is None else f"{low} to {cycles_words(quantity.upper)}"
    )


_ORDER: Final = {"shown": 3.0, "indicated": 2.0, "not shown": 1.0, "shown not to hold": 0.0}


def _shown_share(group: GroupLife) -> float:
    """For the order of sentences: the word, then what counting shows, then the median."""
    if group.count is None or group.verdict is None:
        return (group.median.value or 0.0) if group.median else 0.0
    best = group.count.reliability_lower
    return 10 * _ORDER[group.verdict.word] + (best.lower or 0.0) + 0.1 * (best.value or 0.0)


def _floor_percent(quantity: Quantity | None) -> str:
    """A lower bound is rounded down: 90.06 % does not become 90.1."""
    assert quantity is not None
    assert quantity.lower is not None
    return f"{int(quantity.lower * 1000) / 10:.1f} %"


def comparison_words(pair: Comparison) -> str:
    """Which group lives longer, how much, and how sure that is."""
    first, second = pair.first or "the rest", pair.second or "the rest"
    if pair.rank is None:
        return f"{second} and {first}: {_small_start(pair.no_ratio)}."
    assert pair.p_adjusted is not None
    p = pair.p_adjusted
    chance = f"{p_words(p)} over all comparisons"
    ratio = pair.ratio
    life = f"no ratio of lives: {_small_start(pair.no_ratio)}"
    if ratio is not None:
        value, low, high = ratio.ratio, ratio.lower, ratio.upper
        if pair.longer == pair.first and pair.word != "not told apart":
            value, low, high = 1 / value, 1 / high, (1 / low if low > 0 else float("inf"))
        upper = times_words(high) if high < 1e4 else "any number"
        life = f"{times_words(value)} times the life, {times_words(low)} to {upper} at {stated_percent(ratio.coverage)}"
    if pair.word == "not told apart":
        return f"{second} and {first} cannot be told apart yet ({life}; {chance})."
    more = ""
    if pair.word == "may outlast":
        more = (
            f" About {number_words(pair.more_each)} more of each would tell."
            if pair.more_each
            else " Many more of each would be needed to tell."
        )
    return f"{pair.longer or 'the rest'} {pair.word} {pair.shorter or 'the rest'} ({life}; {chance}).{more}"


def _small_start(text: str) -> str:
    return text[:1].lower() + text[1:].rstrip(".")


def result_rows(group: GroupLife, claim: Claim) -> tuple[tuple[str, Quantity], ...]:
    """Label and quantity of each result that exists, as it is to be read: shares in per cent, bounds by themselves.

    The Weibull's stand only where five failed and lie on its line.
    """
    rows: list[tuple[str, Quantity | None]] = []
    sure = f"{stated_percent(claim.confidence)} sure of at least"
    count = group.count
    w = group.weibull if group.fit_trusted else None
    if count is not None:
        counted = count.reliability_lower
        rows += [
            (f"survive, counted of {count.specimens}", _in_percent(_bare(counted))),
            (f"survive, counted: {sure}", _in_percent(_bound(counted))),
        ]
    where = "" if claim.acceleration is None else ", on the bench"
    rows += [
        *_life_rows(f"10 % have failed by{where}", group.b10, claim),
        *_life_rows(f"half have failed by{where}", group.median, claim),
    ]
    if w is not None:
        rows += [
            ("survive, if Weibull", _in_percent(w.reliability)),
            (f"survive, if Weibull: {sure}", _in_percent(_bound(w.reliability_lower))),
        ]
    rows.append((f"survive, stated shape: {sure}", _in_percent(_bound(group.stated_shape_lower))))
    if w is not None:
        rows += [
            ("10 % have failed by (B10), if Weibull", _life(w.b10)),
            (f"B10, if Weibull: {sure}", _bound(w.b10_lower)),
            ("Weibull scale (63 % have failed)", _life(w.scale)),
            ("Weibull shape, maximum likelihood", w.shape),
            ("Weibull shape, small-sample excess taken out", w.shape_unbiased),
        ]
    rows += [
        (f"half fail at the {way.ending}, if Weibull", _life(way.b50))
        for way in group.ways
        if way.b50 is not None
    ]
    return tuple(
        (label, replace(q, note="")) for label, q in rows if q is not None and q.value is not None
    )


def _life_rows(
    label: str, life: Quantity | None, claim: Claim
) -> tuple[tuple[str, Quantity | None], ...]:
    """A life with its interval; where it was not seen, by when not: an end of that interval by itself."""
    if life is None or life.value is not None:
        return ((label, _life(life)),)
    sure = stated_percent(round((1 + claim.coverage) / 2, 6))
    return ((f"{label}, {sure} sure not before", _bound(life)),)


def method_words(claim: Claim) -> str:
    """Which conventions stand behind the intervals of ``result_rows``."""
    how = {
        "calibrated": "likelihood ratio, its limits taken from imitated tests of as many specimens and failures instead of chi-square, "
        "which is too narrow for a handful",
        "likelihood-ratio": "likelihood ratio with the chi-square limit, too narrow for a handful",
        "wald": "Wald on the log scale, too narrow and too symmetric for a handful",
    }[claim.method]
    return (
        "Counted: exact binomial bound (Clopper-Pearson), which assumes nothing of the lives. 10 % and half have failed: by the order of the "
        "lives alone. If Weibull: only where five failed and lie on its line, and only as true as that line; "
        f"maximum likelihood, two-sided {percent(claim.coverage)} intervals and one-sided {stated_percent(claim.confidence)} "
        f"bounds by {how}. The shape by maximum likelihood reads high in small samples; its median excess in imitated tests is "
        "taken out in the line that says so. Groups: log-rank by exchanged labels, one error for all comparisons together."
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


def _life(quantity: Quantity | None) -> Quantity | None:
    """A life without an upper end that a handful of specimens cannot give: nobody bends that often."""
    if quantity is None:
        return None
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


def best_first(result: FlexLife) -> tuple[GroupLife, ...]:
    """Groups in the order in which sentences speak of them."""
    return tuple(sorted(result.groups, key=lambda group: -_shown_share(group)))


def p_words(p: float) -> str:
    """``p = 0.03``, ``p < 0.001``."""
    return f"p = {p:.2g}" if p >= 0.001 else "p < 0.001"


def answers(result: FlexLife) -> tuple[str, ...]:
    """A sentence per group, the one that shows most first and in full; then one per comparison."""
    return (
        *(
            answer(group, result.claim, brief=place > 0)
            for place, group in enumerate(best_first(result))
        ),
        *(comparison_words(pair) for pair in told_apart(result)),
    )


def headline(result: FlexLife) -> tuple[str, ...]:
    """The answer in one to three lines: the group that shows most, then who outlasts whom."""
    found = [answers(result)[0]]
    winners: dict[tuple[str, str], list[str]] = {}
    for pair in result.comparisons:
        if pair.word != "not told apart":
            winners.setdefault((pair.longer, pair.word), []).append(pair.shorter)
    told = [
        f"{longer or 'the rest'} {word} {and_words([name or 'the rest' for name in shorter], '; ')}"
        for (longer, word), shorter in sorted(
            winners.items(), key=lambda item: (item[0][1] != "outlasts", -len(item[1]))
        )
    ]
    if told:
        found.append("; ".join(told[:2]) + ".")
    elif len(result.groups) > 1:
        found.append("No group is shown to outlast another.")
    return tuple(found)


def told_apart(result: FlexLife) -> tuple[Comparison, ...]:
    """Pairs with something to say: those told apart, or all where there are only two groups."""
    found = tuple(pair for pair in result.comparisons if pair.word != "not told apart")
    return found if len(result.groups) > 2 else result.comparisons


def target_words(cycles: float, wearings: float | None) -> str:
    """The target as the user thinks of it: ``12 evenings (4,800 bends)``, ``4,800 bends``."""
    bends = f"{cycles:,.0f} bends"
    if wearings is None:
        return bends
    return f"{wearings:,.0f} evening{'' if wearings == 1 else 's'} ({bends})"
