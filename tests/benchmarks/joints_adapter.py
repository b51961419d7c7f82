"""The tool asked by the judge of joint verdicts: its table in, its own words out."""

from dataclasses import replace
from typing import Final

from analysis.doubt.quantity import Quantity
from analysis.flex.asked import on_bench, stated_acceleration
from analysis.flex.bend import Acceleration
from analysis.flex.claim import Claim, count_shown
from analysis.flex.judge import FlexLife, GroupLife, flex_life
from analysis.flex.looks import Look, Looks
from analysis.flex.table import parse_flex_table
from analysis.flex.words import target_words
from analysis.life.data import Specimen, lives_of
from tests.benchmarks.joints_judge.generators import (
    WARN_FACTOR_10,
    WARN_FACTOR_100,
    WARN_INFORMATIVE,
    WARN_INSPECTION,
    WARN_RADII,
    FlexTest,
    as_csv,
)
from tests.benchmarks.joints_judge.score import Answer, GroupAnswer, Span

SAID: Final = {
    WARN_INFORMATIVE: "Taken out because they looked worn",
    WARN_RADII: "bent round different radii",
    WARN_FACTOR_10: "above ten",
    WARN_FACTOR_100: "beyond a hundred",
    WARN_INSPECTION: "every life is a multiple of",
}


def ask(test: FlexTest) -> Answer:
    """What ``drawbench flex life`` finds in this test's table, with the options its person gives."""
    specimens, _ = parse_flex_table(as_csv(test), "judge")
    wire = None if test.wire_mm is None else f"{test.wire_mm:g}"
    speed = stated_acceleration(
        specimens, wire, None, test.worn_radius_mm, test.stated_exponent, 0.9
    )
    target = (test.claim.bends, target_words(test.claim.bends, None))
    claim = Claim(
        *on_bench(target, speed),
        test.claim.reliability,
        test.claim.confidence,
        0.9,
        acceleration=speed,
    )
    found = flex_life(specimens, claim, looks=_looks(test, specimens, claim))
    exponent = None
    if speed is not None and speed.fitted:
        q = speed.exponent
        assert q.lower is not None
        assert q.upper is not None
        exponent = Span(q.lower, q.upper)
    groups = {name: _group(_of(name, found)) for name in test.groups}
    if speed is not None:
        groups = {name: _as_worn(answer, speed) for name, answer in groups.items()}
    return Answer(
        groups,
        _pairs(found, "outlasts"),
        _pairs(found, "may outlast"),
        frozenset(
            word for word, text in SAID.items() if any(text in said for said in found.warnings)
        ),
        exponent,
    )


def ask_if_weibull(test: FlexTest) -> Answer:
    """As ``ask``, with the B10 interval that is printed as "if the lives follow a Weibull"."""
    plain = ask(test)
    specimens, _ = parse_flex_table(as_csv(test), "judge")
    found = flex_life(specimens, Claim())
    return replace(
        plain,
        groups={
            name: replace(answer, b10=_if_weibull(_of(name, found)))
            for name, answer in plain.groups.items()
        },
    )


def _of(name: str, found: FlexLife) -> GroupLife:
    """The group; of several radii the sharpest, which the judge's truth is for."""
    own = [g for g in found.groups if g.name == name or g.name.startswith(f"{name}, ")]
    return min(own, key=lambda group: group.specimens[0].bend_radius_mm or 0.0)


def _group(group: GroupLife) -> GroupAnswer:
    assert group.verdict is not None
    return GroupAnswer(
        group.verdict.word,
        _span(group.b10),
        _span(group.median),
        group.verdict.word == "shown not to hold",
    )


def _span(life: Quantity | None) -> Span | None:
    """None, too, where the life itself was not seen: "2,100 or more" is a bound, no interval."""
    if life is None or life.value is None:
        return None
    return Span(life.lower or 0.0, float("inf") if life.upper is None else life.upper)


def _as_worn(answer: GroupAnswer, speed: Acceleration) -> GroupAnswer:
    """The tool gives lives on the bench; as worn they are that times a stated factor, else nobody knows."""
    factor = speed.factor
    if factor.value is None or factor.lower is not None:
        return replace(answer, median=None, b10=None)
    times = factor.value
    b10, median = (
        None if span is None else Span(span.lower * times, span.upper * times)
        for span in (answer.b10, answer.median)
    )
    return replace(answer, b10=b10, median=median)


def _if_weibull(group: GroupLife) -> Span | None:
    if group.weibull is None or not group.fit_trusted:
        return None
    return _span(group.weibull.b10)


def _pairs(found: FlexLife, word: str) -> frozenset[tuple[str, str]]:
    return frozenset((pair.longer, pair.shorter) for pair in found.comparisons if pair.word == word)


def _looks(test: FlexTest, specimens: tuple[Specimen, ...], claim: Claim) -> Looks:
    """What the file beside the table would hold: every earlier look at the same claim."""
    assert claim.target_cycles is not None
    earlier = []
    for joints in test.looks[:-1]:
        count = count_shown(lives_of(specimens[:joints]), claim)
        earlier.append(
            Look(
                test.groups[0],
                claim.target_cycles,
                claim.reliability,
                claim.confidence,
                count.specimens,
                count.failures,
            )
        )
    return Looks(tuple(earlier))
