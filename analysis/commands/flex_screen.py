"""The screen of ``drawbench flex life``: the answer, one table, what to do next; the rest with ``--details``."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from analysis.flex.bend import FACTOR_MAX, FACTOR_SAFE, Acceleration, radius_for_mm
from analysis.flex.claim import Claim
from analysis.flex.failure import SIMULATED_NOTE, Verdict
from analysis.flex.judge import FlexLife, GroupLife
from analysis.flex.section import (
    RIG_CAUTION,
    acceleration_words,
    all_warnings,
    fit_words,
    way_words,
    ways_counted,
)
from analysis.flex.terminal import TEXT_WIDTH, echo_table, say
from analysis.flex.verdict import MEANING
from analysis.flex.words import (
    answers,
    best_first,
    comparison_words,
    cycles_words,
    headline,
    method_words,
    percent,
    result_rows,
    span_words,
)
from analysis.say.table import rows_of
from logger.base.next_step import command_line
from logger.flex.criterion import CRITERIA, Criterion

_WARNINGS_SHOWN: Final = 2
# What changes how the table is to be read comes before what only adds to it.
_FIRST: Final = (
    "Taken out", "beyond a hundred", "above ten", "different radii", "every life is", "Judged", "failed too early", "taken as",
    "not used", "differ by one letter", "times off",
)  # fmt: skip


def show_brief(
    result: FlexLife, sources: Sequence[Path], given: Sequence[str], criterion: Criterion | None
) -> None:
    """At most about two hundred words: answer, table, cautions that matter most, what to do next.

    ``given``: the options that the same question needs again.
    """
    if SIMULATED_NOTE in result.warnings:
        say(SIMULATED_NOTE)
        click.echo()
    for sentence in headline(result):
        say(sentence)
    click.echo()
    for line in verdict_table(result):
        click.echo(line)
    click.echo()
    if criterion is not None:
        say(f"Failed means: {criterion}.")
    for group in result.groups:
        if group.ways:
            whose = f" of {group.name}" if group.name else ""
            say(f"What gave up{whose}: {ways_counted(group)}.", indent="  ")
    found = sorted(
        (warning for warning in all_warnings(result) if warning != SIMULATED_NOTE), key=_rank
    )
    urgent = [warning for warning in found if _rank(warning) < len(_FIRST)][:_WARNINGS_SHOWN]
    for warning in urgent:
        say(f"! {_brief(warning)}", indent="  ")
    step, command = next_step(result, sources, given)
    say(f"Next: {step}")
    click.echo(f"  {command}")
    left = len(found) - len(urgent)
    notes = f", {left} more note{'s' if left > 1 else ''}" if left else ""
    click.echo(f"Every number{notes}: the same with --details")
    say("Caution: pack out while bending, fingers clear of the rig.")


def verdict_table(result: FlexLife) -> tuple[str, ...]:
    """A line per group: verdict, what failed, what counting is sure of, when half have failed."""
    claim = result.claim
    head: tuple[str, ...] = ("verdict", "failed by then", "sure of", _half_title(claim))
    rows: list[tuple[str, ...]] = [_row(group) for group in result.groups]
    if claim.target_cycles is None:
        head, rows = ("failed", head[3]), [(row[1], row[3]) for row in rows]
    widths = [max(len(line[place]) for line in (head, *rows)) for place in range(len(head))]
    room = TEXT_WIDTH - 2 - sum(width + 2 for width in widths)
    names = ["", *(group.name or "all specimens" for group in result.groups)]
    first = max(len(name) for name in names if len(name) <= room)
    lines: list[str] = []
    for name, line in zip(names, (head, *rows), strict=True):
        if len(name) > room:  # a line of its own: names stay whole
            lines.append(f"  {name}")
            name = ""
        cells = "".join(f"  {cell:>{width}}" for cell, width in zip(line, widths, strict=True))
        lines.append(f"  {name:{first}}{cells}")
    return tuple(lines)


def _half_title(claim: Claim) -> str:
    return "half fail by" if claim.acceleration is None else "half fail by (bench)"


def _row(group: GroupLife) -> tuple[str, ...]:
    count = group.count
    failed = f"{group.lives.failures:.0f} of {len(group.specimens)}"
    low, half = "", "not known"
    if count is not None:
        failed = f"{count.failures} of {count.specimens}"
        low = percent(int(100 * (count.reliability_lower.lower or 0.0) + 1e-9) / 100)
    if group.median is not None and group.median.value is not None:
        half = f"{cycles_words(group.median.value)} ({span_words(group.median)})"
    elif group.median is not None:
        half = f"({span_words(group.median)})"
    return group.verdict.word if group.verdict else "", failed, low, half


def next_step(result: FlexLife, sources: Sequence[Path], given: Sequence[str]) -> tuple[str, str]:
    """What to do next in words, and the command for it, its paths quoted."""
    claim = result.claim
    if claim.target_cycles is None:
        return (
            "say what they must survive.",
            command_line("flex", "life", *sources, "--wearings", "12", "--at", "elbow"),
        )
    target = f"--cycles {claim.target_cycles:.0f} --reliability {100 * claim.reliability:g} --confidence {100 * claim.confidence:g}"
    best = best_first(result)[0]
    word = best.verdict.word if best.verdict else ""
    if word == "shown":
        again = command_line("flex", "life", *sources, *given, "--report", "flex-report")
        return "keep it with the piece's papers.", again
    speed = claim.acceleration
    if speed is not None and (speed.factor.value or 0.0) > FACTOR_MAX:
        return _wider(speed, claim)
    if word in ("not shown", "indicated"):
        count = best.count
        assert count is not None
        more = max(count.more, 1)
        what = ("strip" if count.strips else "joint") + ("" if more == 1 else "s")
        whose = f" of {best.name}" if best.name else ""
        return (
            f"what {more} more {what}{whose} take{'s' if more == 1 else ''} in evenings, and the chance to pass:",
            f"drawbench flex plan {target}",
        )
    return (
        "make a better joint, or bend it more gently; then test that:",
        f"drawbench flex plan {target}",
    )


def _wider(speed: Acceleration, claim: Claim) -> tuple[str, str]:
    """A bench radius at which a bend stands for few enough worn ones, and what that test takes."""
    assert claim.target_cycles is not None
    radius_mm = radius_for_mm(speed, FACTOR_SAFE)
    bends = claim.target_cycles * speed.cautious / FACTOR_SAFE
    return (
        f"bend round {radius_mm:.2g} mm or wider, where a bend stands for about {FACTOR_SAFE:.0f} worn ones:",
        f"drawbench flex plan --cycles {bends:.0f} --reliability {100 * claim.reliability:g} --confidence {100 * claim.confidence:g}",
    )


def _rank(warning: str) -> int:
    return next((place for place, words in enumerate(_FIRST) if words in warning), len(_FIRST))


def _brief(warning: str) -> str:
    """Its first sentence; of early failures also what to do with them."""
    parts = warning.split(". ")
    many = 2 if "failed too early" in warning else 1
    return ". ".join(parts[:many]).rstrip(".") + "."


def show_details(
    result: FlexLife,
    verdicts: Sequence[Verdict],
    used: Criterion | None,
    speed: Acceleration | None,
) -> None:
    """Every sentence, number, note and method."""
    if SIMULATED_NOTE in result.warnings:
        say(SIMULATED_NOTE)
        click.echo()
    for sentence in answers(result):
        say(sentence)
        click.echo()
    if used is not None:
        say(f"Failed means: {used}. First cycle by each criterion:")
        _criteria_table(verdicts)
        click.echo()
    if speed is not None:
        say(acceleration_words(speed))
        click.echo()
    for group in result.groups:
        failures = int(group.lives.failures)
        click.echo(f"{group.name or 'All specimens'}: {failures} of {len(group.specimens)} failed")
        echo_table(rows_of(result_rows(group, result.claim)))
        for line in (*fit_words(group), *way_words(group)):
            say(line, indent="  ")
        click.echo()
    for line in unknown_lives(result):
        say(line, indent="  ")
    click.echo()
    quiet = [pair for pair in result.comparisons if pair.word == "not told apart"]
    if len(result.groups) > 2:
        for pair in quiet:
            say(comparison_words(pair), indent="  ")
        if quiet:
            click.echo()
    for warning in all_warnings(result):
        if warning != SIMULATED_NOTE:
            say(f"! {warning}", indent="  ")
            click.echo()
    if result.claim.target_cycles is not None:
        echo_meaning()
        click.echo()
    say(method_words(result.claim))
    click.echo()
    say(f"Caution: {RIG_CAUTION}")


def unknown_lives(result: FlexLife) -> tuple[str, ...]:
    """Which lives are not known and why, each reason once."""
    found: dict[str, list[str]] = {}
    for group in result.groups:
        for share, why in (("half", group.no_median), ("10 %", group.no_b10)):
            if why:
                found.setdefault(f"When {share} have failed is not known: {why}", []).append(
                    group.name or "all specimens"
                )
    several = len(result.groups) > 1
    return tuple(
        f"{why} ({'; '.join(names)})." if several else f"{why}." for why, names in found.items()
    )


def echo_meaning() -> None:
    """The four words and what each means."""
    click.echo("What the words mean")
    width = max(map(len, MEANING))
    for word, meaning in MEANING.items():
        say(f"  {word:{width}}  {meaning}", indent=" " * (width + 4))


def _criteria_table(verdicts: Sequence[Verdict]) -> None:
    width = max(8, *(len(verdict.specimen) for verdict in verdicts))
    click.echo(
        f"  {'':{width}}" + "".join(f"{name:>12}" for name in (*CRITERIA, "healed", "drift"))
    )
    for verdict in verdicts:
        cells = ["-" if c is None else f"{c:,}" for c in verdict.first_cycle.values()]
        cells.append(f"{len(verdict.healed):,}")
        cells.append("-" if verdict.drift is None else f"x {verdict.drift:.3g}")
        click.echo(f"  {verdict.specimen:{width}}" + "".join(f"{cell:>12}" for cell in cells))
    say(
        "  healed: interrupted cycles after which the joint conducted again; drift: resistance of the last cycles over the joint's own first value",
        indent="    ",
    )
