"""Forty fixed files of the judge: none becomes a wrong run. All of them: ``python -m tests.benchmarks.import_judge``."""

from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from tests.benchmarks.import_adapter import read_case
from tests.benchmarks.import_judge import open_kinds, sealed_kinds, second_kinds
from tests.benchmarks.import_judge.case import Case, Expect, Verdict, judge
from tests.benchmarks.import_judge.draft import cases_of

GOOD: Final = {
    Expect.READ: {Verdict.RIGHT},
    Expect.ASK: {Verdict.ASKED},
    Expect.EITHER: {Verdict.RIGHT, Verdict.ASKED, Verdict.REFUSED},
}
# The first file of a kind; forty kinds, evenly picked.
KINDS: Final = (*open_kinds.KINDS, *sealed_kinds.KINDS, *second_kinds.KINDS)
FIRST: Final = [
    case
    for case in cases_of([replace(kind, files=1) for kind in KINDS])
    if case.name.endswith(("0", "a"))
]
FORTY: Final = [FIRST[place * len(FIRST) // 40] for place in range(40)]


def test_they_are_forty() -> None:
    assert len({case.kind for case in FORTY}) == 40
    assert {case.expect for case in FORTY} == set(Expect)


@pytest.mark.parametrize("case", FORTY, ids=lambda case: case.name)
def test_a_file_is_read_right_or_asked_about(case: Case, tmp_path: Path) -> None:
    reading = read_case(case, tmp_path / "one")
    verdict, why = judge(case, reading)
    assert verdict in GOOD[case.expect], f"{why}\n{reading.output}"
