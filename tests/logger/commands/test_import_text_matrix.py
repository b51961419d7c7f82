"""Forty fixed files of the judge: none becomes a wrong run. All of them: ``python -m tests.benchmarks.import_judge``."""

from pathlib import Path
from typing import Final

import pytest

from tests.benchmarks.import_adapter import read_case
from tests.benchmarks.import_judge.case import Case, Expect, Verdict, judge
from tests.benchmarks.import_judge.draft import cases_of
from tests.benchmarks.import_judge.open_kinds import KINDS

GOOD: Final = {
    Expect.READ: {Verdict.RIGHT},
    Expect.ASK: {Verdict.ASKED},
    Expect.EITHER: {Verdict.RIGHT, Verdict.ASKED, Verdict.REFUSED},
}
# The first file of every kind; of the last few kinds none.
FORTY: Final = [case for case in cases_of(KINDS) if case.seed == 0 and not case.name.endswith("b")][
    :40
]


def test_they_are_forty() -> None:
    assert len(FORTY) == 40


@pytest.mark.parametrize("case", FORTY, ids=lambda case: case.name)
def test_a_file_is_read_right_or_asked_about(case: Case, tmp_path: Path) -> None:
    reading = read_case(case, tmp_path / "one")
    verdict, why = judge(case, reading)
    assert verdict in GOOD[case.expect], f"{why}\n{reading.output}"
