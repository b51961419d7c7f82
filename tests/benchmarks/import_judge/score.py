"""The table: verdicts by kind, errors, power."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tests.benchmarks.import_judge.case import BAD, Case, Expect, Reading, Verdict, judge


@dataclass(frozen=True)
class Judged:
    case: Case
    verdict: Verdict
    why: str


def judge_all(
    cases: Sequence[Case], read: Callable[[Case], Reading], *, settled: bool = False
) -> list[Judged]:
    """Each file read once; the two truths of a pair share the reading."""
    readings: dict[bytes, Reading] = {}
    judged = []
    for case in cases:
        if settled or case.data not in readings:
            readings[case.data] = read(case)
        judged.append(Judged(case, *judge(case, readings[case.data], settled=settled)))
    return judged


def power(judged: Sequence[Judged]) -> tuple[int, int]:
    """Files with one reading that were read right, and how many there are."""
    mine = [item for item in judged if item.case.expect is Expect.READ]
    return sum(item.verdict is Verdict.RIGHT for item in mine), len(mine)


def table(judged: Sequence[Judged]) -> str:
    """Verdicts by kind; every bad one with its reason."""
    kinds = list(dict.fromkeys(item.case.kind for item in judged))
    lines = [
        f"{'kind':26} {'group':8} {'expect':7} " + " ".join(f"{v.value:>8.8}" for v in Verdict)
    ]
    for kind in kinds:
        mine = [item for item in judged if item.case.kind == kind]
        count = Counter(item.verdict for item in mine)
        first = mine[0].case
        lines.append(
            f"{kind:26} {first.group:8} {first.expect.value:7} "
            + " ".join(f"{count[v] or '.':>8}" for v in Verdict)
        )
    count = Counter(item.verdict for item in judged)
    lines.append(f"{'all':43} " + " ".join(f"{count[v] or '.':>8}" for v in Verdict))
    right, of = power(judged)
    files = len({item.case.data for item in judged})
    bad = [item for item in judged if item.verdict in BAD]
    lines.append(
        f"{files} files, {len(judged)} truths; never right: {len(bad)}; "
        f"power: {right} of {of} files with one reading read ({100 * right / max(of, 1):.0f} %)"
    )
    return "\n".join(lines)


def faults(judged: Sequence[Judged]) -> str:
    return "\n".join(
        f"{item.case.name}: {item.verdict.value}: {item.why}"
        for item in judged
        if item.verdict in BAD
        or (item.case.expect is Expect.READ and item.verdict is not Verdict.RIGHT)
    )
