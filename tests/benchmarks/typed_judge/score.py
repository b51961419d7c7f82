"""The table: verdicts by question, every silent fault, power."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tests.benchmarks.typed_judge.case import SILENT, Answer, Typed, Verdict, judge


@dataclass(frozen=True)
class Judged:
    typed: Typed
    answer: Answer
    verdict: Verdict


def judge_all(typed: Sequence[Typed], ask: Callable[[Typed], Answer]) -> list[Judged]:
    out = []
    for one in typed:
        answer = ask(one)
        out.append(Judged(one, answer, judge(one, answer)))
    return out


def silent(judged: Sequence[Judged]) -> list[Judged]:
    return [item for item in judged if item.verdict in SILENT]


def power(judged: Sequence[Judged]) -> tuple[int, int]:
    """What has one reading and was understood, and how much of it there is; what is free to be refused left out."""
    mine = [
        item
        for item in judged
        if not item.typed.free and (len(item.typed.readings) == 1 or item.typed.stated is not None)
    ]
    return sum(item.verdict in {Verdict.UNDERSTOOD, Verdict.UNSHOWN} for item in mine), len(mine)


def table(judged: Sequence[Judged]) -> str:
    lines = [f"{'question':10} {'typed':>6} " + " ".join(f"{v.value[:10]:>10}" for v in Verdict)]
    for question in dict.fromkeys(item.typed.question for item in judged):
        mine = [item for item in judged if item.typed.question == question]
        lines.append(_row(question, mine))
    lines.append(_row("all", judged))
    right, of = power(judged)
    asked = [
        item
        for item in judged
        if len(item.typed.readings) > 1
        and item.typed.stated is None
        and item.typed.why != "spoiled"
    ]
    named = sum(item.verdict is Verdict.ASKED for item in asked)
    lines.append(
        f"silently wrong: {len(silent(judged))}; of {of} with one reading understood {right} "
        f"({100 * right / max(of, 1):.0f} %); of {len(asked)} with several asked with all named {named}"
    )
    return "\n".join(lines)


def _row(name: str, judged: Sequence[Judged]) -> str:
    count = Counter(item.verdict for item in judged)
    return f"{name:10} {len(judged):>6} " + " ".join(f"{count[v] or '.':>10}" for v in Verdict)


def lines(judged: Sequence[Judged], *, every: bool = False) -> str:
    """What was not as it should be, or with ``every`` all: typed, meant, and what became of it."""
    plain = {Verdict.UNDERSTOOD, Verdict.NOTHING, Verdict.ASKED}
    return "\n".join(
        _line(item)
        for item in judged
        if every
        or item.verdict in SILENT
        or (item.verdict not in plain and not (item.typed.free and item.verdict is Verdict.REFUSED))
    )


def _line(item: Judged) -> str:
    typed, answer = item.typed, item.answer
    meant = (typed.stated,) if typed.stated is not None else typed.readings
    words = " or ".join(_said(one) for one in meant) or "nothing"
    became = answer.crash or (
        answer.words.replace("\n", " / ") if answer.value is None else _said(answer.value)
    )
    if item.verdict is Verdict.UNSHOWN:
        became += f", shown as {answer.shown!r}"
    return f"{item.verdict.value:14} {typed.question:9} {typed.text!r:32} meant {words}; became: {became}"


def _said(meant: object) -> str:
    if isinstance(meant, tuple) and len(meant) == 3:
        chemistry = "|".join(sorted(meant[1])) if isinstance(meant[1], frozenset) else meant[1]
        return f"{meant[0] or 'any'} x {chemistry}" + (f" {meant[2]:g} mAh" if meant[2] else "")
    if isinstance(meant, bool):
        return "yes" if meant else "no"
    return f"{meant:.10g}" if isinstance(meant, float | int) else str(meant)
