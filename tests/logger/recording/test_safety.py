"""Who may close a load switch that the board's own cutoff opened."""

from dataclasses import replace

import pytest

from logger.base.errors import BenchError
from logger.board.stream import Hello
from logger.recording.safety import may_close

HELLO = Hello(1, "1.0.0", "7F3A91C2", 3, 0, 100_000, load="0", opened="cutoff", cutoff_v=2.7)


def test_only_a_person() -> None:
    asked: list[str] = []

    def no(question: str) -> bool:
        asked.append(question)
        return False

    for sure in (None, no):
        with pytest.raises(
            BenchError, match=r"7F3A91C2 opened its load switch at its cutoff of 2.7 V"
        ):
            may_close([HELLO], False, sure)
    assert "Is a fresh or charged pack in" in asked[0]
    assert may_close([HELLO], False, lambda question: True)
    assert may_close([HELLO], True, None)


@pytest.mark.parametrize("opened", ["-", "new", "host", "sensor"])
def test_any_other_reason_is_closed_for_the_run(opened: str) -> None:
    assert not may_close([replace(HELLO, opened=opened)], False, None)
