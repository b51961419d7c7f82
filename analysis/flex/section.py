"""Parts of a report: a flex test, and a wash."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import Acceleration
from analysis.flex.compare import Comparison
from analysis.flex.failure import SIMULATED_NOTE, Verdict, criteria_summary
from analysis.flex.judge import FlexLife, GroupLife
from analysis.flex.plots import draw_flex
from analysis.flex.resistance_plots import draw_resistance, draw_wash
from analysis.flex.results import WeibullResult
from analysis.flex.verdict import MEANING
from analysis.flex.washing import CAUTION, PROCEDURE, WashResult
from analysis.flex.ways import ASSUMPTION
from analysis.flex.words import answers, method_words, p_words, result_rows, specimens_quantity
from analysis.life.survival import SurvivalCurve
from analysis.say.section import Section
from analysis.say.words import value_words
from logger.base.numbers import digits_text
from logger.flex.criterion import Criterion

# From here on a joint has failed, as by ``drawbench flex log``.
_FAILED_RATIO: Final = Criterion.resistance_factor

RIG_CAUTION = (
    "Bend joints with the pack out: the rig's own few milliamperes are enough, and a joint that opens under "
    "load can spark. Keep fingers and hair out of a running rig. Local codes and licensed practice come first."
)


def flex_section(
    result: FlexLife,
    folder: Path,
    verdicts: Sequence[Verdict] = (),
    criterion: Criterion | None = None,
    acceleration: Acceleration | None = None,
) -> Section:
    """The flex test's part of a report; draws its pictures into ``folder``."""
    figures = list(draw_flex(result, folder))
    paragraphs = list(answers(result))
    if criterion is not None and verdicts:
        figures += draw_resistance(verdicts, criterion, folder, SIMULATED_NOTE in result.warnings)
        paragraphs.append(f"Failed means: {criterion}. {criteria_summary(verdicts)}")
    if acceleration is not None:
        paragraphs.append(acceleration_words(acceleration))
    paragraphs += [line for group in result.groups for line in way_words(group)]
    meaning = meaning_words(result)
    paragraphs += [*all_warnings(result), *([meaning] if meaning else [])]
    method = (
        *(line for group in result.groups for line in fit_words(group)),
        method_words(result.claim),
    )
    several = len(result.groups) > 1
    quantities = tuple(
        (f"{group.name or 'all'}: {label.strip()}" if several else label.strip(), quantity)
        for group in result.groups
        for label, quantity in result_rows(group, result.claim)
    )
    return Section(
        "Flex test of the wire joints",
        tuple(paragraphs),
        quantities,
        tuple(figures),
        (RIG_CAUTION,),
        method,
    )


def wash_section(result: WashResult, folder: Path) -> Section:
    """The wash's part of a report, with its procedure and caution."""
    figure = draw_wash(result, folder)
    return Section(
        "Before and after washing",
        (
            *wash_words(result),
            *result.warnings,
            "Procedure. " + " ".join(f"{i}. {step}" for i, step in enumerate(PROCEDURE, 1)),
        ),
        wash_rows(result),
        () if figure is None else (figure,),
        (CAUTION,),
    )


def wash_rows(result: WashResult) -> tuple[tuple[str, Quantity], ...]:
    """Results of a wash that exist."""
    rows = (
        ("resistance, after / before", result.resistance_ratio),
        ("resistance, change", result.resistance_change),
        ("draw, change", result.current_change),
    )
    return tuple((label, q) for label, q in rows if q.value is not None)


def wash_words(result: WashResult) -> tuple[str, ...]:
    """What washing did, in sentences."""
    found = []
    if result.broken:
        found.append(
            f"{result.broken[0]} failed: {len(result.broken)} of {len(result.specimens)} lost contact: {', '.join(result.broken)}."
        )
    still = [(name, ratio) for name, ratio in result.worst_first if ratio < float("inf")]
    gone = [name for name, ratio in still if ratio >= _FAILED_RATIO]
    if still and (len(still) > 1 or gone):
        of_whom = "Of those that still conduct, " if result.broken else ""
        how = "failed" if gone else "fared worst"
        found.append(
            f"{of_whom}{still[0][0]} {how}: its resistance is {digits_text(still[0][1], 2)} times that before."
        )
    if len(gone) > 1:
        found.append(f"{', '.join(gone[1:])} failed as well: at least {_FAILED_RATIO:g} times.")
    for what, quantity, neutral in (
        ("resistance", result.resistance_ratio, 1.0),
        ("draw", result.current_change, 0.0),
    ):
        if quantity.value is None:
            continue
        of_whom = " of those that still conduct" if result.broken and neutral else ""
        amount = (
            f"by a factor of {value_words(quantity)}"
            if neutral
            else f"by {value_words(quantity).lstrip('-')} on average"
        )
        if quantity.lower is None or quantity.upper is None:
            found.append(
                f"The {what} changed {amount}; one specimen cannot say whether that is chance."
            )
        elif quantity.lower > neutral:
            found.append(f"The {what}{of_whom} rose {amount}.")
        elif quantity.upper < neutral:
            found.append(f"The {what}{of_whom} fell {amount}.")
        elif gone and neutral:
            found.append("No change common to all is shown; the joints that failed are no chance.")
        else:
            found.append(f"No change of the {what}{of_whom} is shown: what was seen may be chance.")
    return tuple(found)


def acceleration_words(acceleration: Acceleration) -> str:
    """How bench bends became worn bends, and whether that was measured."""
    factor, exponent = acceleration.factor, acceleration.exponent
    span = (
        f" ({factor.lower:.2g} to {factor.upper:.2g})"
        if factor.lower is not None and factor.upper is not None
        else ""
    )
    how = "fitted from the radii here" if acceleration.fitted else "ASSUMED, not measured here"
    return (
        f"One bend on the bench counts as {factor.value:.2g}{span} worn bends: life taken to go with strain to the power "
        f"of minus {exponent.value:.2g}, {how}. The target on the bench was reckoned with the cautious end."
    )


def fit_words(group: GroupLife) -> tuple[str, ...]:
    """How well the lives agree with Weibull and with its rival."""
    label = group.name or "All specimens"
    if group.weibull is None:
        return (f"{label}: no life is fitted, because {group.no_fit}.",)
    p, early = group.model.straight, group.model.early
    line = (
        "too few failures to judge the line"
        if p is None
        else f"on the probability plot {p_words(p)}"
    )
    if early is not None:
        line += f"; failures as early by chance: {p_words(early.p_value)}"
    rival = group.rival
    if rival is None:
        return (f"{label}: {line}.",)
    gain = group.weibull.fit.log_likelihood - rival.log_likelihood
    better, other = ("Weibull", "lognormal") if gain > 0 else ("lognormal", "Weibull")
    how = "clearly better" if abs(gain) > 2 else "hardly better"
    return (
        f"{label}: {line}; {better} fits {how} than {other} (log-likelihoods differ by {abs(gain):.1f}).",
    )


def ways_counted(group: GroupLife) -> str:
    """What gave up, and how often."""
    return "; ".join(f"{way.words} {way.lives.failures:.0f}" for way in group.ways)


def way_words(group: GroupLife) -> tuple[str, ...]:
    """By which ways the group failed, and what taking them apart assumes."""
    if not group.ways:
        return ()
    label = group.name or "All specimens"
    return (f"{label}: failed in several ways ({ways_counted(group)}). Taken apart: {ASSUMPTION}.",)


def meaning_words(result: FlexLife) -> str:
    """What the verdicts that came out mean; empty without a target."""
    words = [
        word for word in MEANING if any(g.verdict and g.verdict.word == word for g in result.groups)
    ]
    return " ".join(f"“{word}”: {MEANING[word]}." for word in words)


def all_warnings(result: FlexLife) -> tuple[str, ...]:
    """Notes of the tables, then what each group's reader must know."""
    return (*result.warnings, *(w for group in result.groups for w in group.warnings))


def flex_json(
    result: FlexLife, verdicts: Sequence[Verdict] = (), acceleration: Acceleration | None = None
) -> dict[str, Any]:
    """Every result in plain form. A single group's results stand at the top, too."""
    groups = [_group_json(group) for group in result.groups]
    document: dict[str, Any] = {
        "answers": list(answers(result)),
        "claim": {
            "target_cycles": result.claim.target_cycles,
            "target": result.claim.target_words,
            "reliability": result.claim.reliability,
            "confidence": result.claim.confidence,
            "coverage": result.claim.coverage,
            "interval_method": result.claim.method,
        },
        "groups": groups,
        "log_rank": _rank_json(result),
        "life_ratio": _ratios_json(result.comparisons),
        "warnings": list(all_warnings(result)),
        "verdicts_mean": dict(MEANING),
    }
    if len(groups) == 1:
        document |= {key: value for key, value in groups[0].items() if key != "group"}
    if acceleration is not None:
        document["acceleration"] = {
            "factor": acceleration.factor.as_json(),
            "exponent": acceleration.exponent.as_json(),
            "fitted": acceleration.fitted,
        }
    if verdicts:
        document["specimens"] = [
            {
                "specimen": v.specimen,
                "group": v.group,
                "cycles_run": v.cycles_run,
                "baseline_ohm": v.baseline_ohm,
                "first_cycle": dict(v.first_cycle),
                "healed_cycles": len(v.healed),
                "drift": v.drift,
            }
            for v in verdicts
        ]
    return document


def _group_json(group: GroupLife) -> dict[str, Any]:
    w = group.weibull
    found: dict[str, Any] = {
        "group": group.name,
        "specimens": len(group.specimens),
        "failures": int(group.lives.failures),
        "verdict": None if group.verdict is None else group.verdict.word,
        "verdict_by": (group.verdict.by or None) if group.verdict else None,
        "verdict_why": (group.verdict.why or None) if group.verdict else None,
        "shown_by": group.shown_by or None,
        **_ordered_json(group),
        "suspects": list(group.suspects),
        "early_p": None if group.model.early is None else group.model.early.p_value,
        "ways": [
            {
                "way": way.words,
                "failures": int(way.lives.failures),
                "b50": None if way.b50 is None else way.b50.as_json(),
            }
            for way in group.ways
        ],
        "no_fit": group.no_fit or None,
        "weibull": None,
    }
    if w is not None:
        found |= _fit_json(w)
        found["weibull"]["trusted"] = group.fit_trusted
    if group.rival is not None:
        found["lognormal"] = {
            "location": Quantity(group.rival.location, "ln cycles").as_json(),
            "scale": Quantity(group.rival.scale, "").as_json(),
            "log_likelihood": group.rival.log_likelihood,
        }
    if w is not None and w.reliability is not None and w.reliability_lower is not None:
        found["reliability_at_target"] = w.reliability.as_json()
        found["reliability_at_target_lower"] = w.reliability_lower.as_json()
    elif group.count is not None:
        found["reliability_at_target"] = group.count.reliability_lower.as_json()
    if group.count is not None:
        found["reliability_counted"] = group.count.reliability_lower.as_json()
        found["strips"] = group.count.strips or None
        found["specimens_needed"] = specimens_quantity(group.count).as_json()
        found["specimens_more"] = Quantity(group.count.more, "specimens").as_json()
    if group.stated_shape_lower is not None:
        found["reliability_stated_shape"] = group.stated_shape_lower.as_json()
    found["goodness"] = [
        {"family": g.family, "correlation": g.correlation, "p": g.p_value} for g in group.goodness
    ]
    found["survival"] = _survival_json(group.curve)
    return found


def _ordered_json(group: GroupLife) -> dict[str, Any]:
    return {
        "median": None if group.median is None else group.median.as_json(),
        "no_median": group.no_median or None,
        "b10_by_order": None if group.b10 is None else group.b10.as_json(),
        "no_b10_by_order": group.no_b10 or None,
    }


def _rank_json(result: FlexLife) -> dict[str, Any] | None:
    if result.overall is None:
        return None
    rank = result.overall
    return {
        **Quantity(
            rank.chi_square, "", note="chi-square of the log-rank test, all groups"
        ).as_json(),
        "degrees_of_freedom": rank.degrees,
        "p": rank.p_chi_square,
        "p_exchange": rank.p_exchange,
        "observed": rank.observed.tolist(),
        "expected": rank.expected.tolist(),
    }


def _ratios_json(comparisons: Sequence[Comparison]) -> dict[str, Any] | list[dict[str, Any]] | None:
    found = []
    for pair in comparisons:
        ratio = pair.ratio
        quantity = (
            Quantity(None, "", note=pair.no_ratio)
            if ratio is None
            else Quantity(
                ratio.ratio,
                "",
                ratio.lower,
                ratio.upper,
                ratio.coverage,
                f"life of {pair.second!r} over {pair.first!r}, likelihood ratio"
                + (", calibrated by imitated tests" if ratio.calibrated else ""),
            )
        )
        found.append(
            {
                **quantity.as_json(),
                "group": pair.second,
                "reference": pair.first,
                "p_log_rank": None if pair.rank is None else pair.rank.p_exchange,
                "p_adjusted": pair.p_adjusted,
                "word": pair.word,
                "longer": pair.longer or None,
                "more_each": pair.more_each,
            }
        )
    if not found:
        return None
    return found[0] if len(found) == 1 else found


def _fit_json(w: WeibullResult) -> dict[str, Any]:
    return {
        "weibull": {
            "shape": w.shape.as_json(),
            "scale": w.scale.as_json(),
            "shape_bias_reduced": w.shape_unbiased.as_json(),
            "log_likelihood": w.fit.log_likelihood,
        },
        "b10": w.b10.as_json(),
        "b10_lower": w.b10_lower.as_json(),
        "b50": w.b50.as_json(),
        "b50_lower": w.b50_lower.as_json(),
    }


def _survival_json(curve: SurvivalCurve) -> list[dict[str, float]]:
    columns = (curve.cycles, curve.survival, curve.lower, curve.upper, curve.at_risk)
    return [
        {"cycles": cycles, "survival": survival, "lower": low, "upper": high, "at_risk": count}
        for cycles, survival, low, high, count in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]
