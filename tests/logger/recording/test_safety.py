"""Who may close a load switch that the board's own cutoff opened; which cutoff reaches a board at all."""

from dataclasses import replace

import pytest

from logger.base.errors import BenchError
from logger.base.pack import parse_pack
from logger.board.stream import Hello
from logger.recording.safety import check_cutoff, check_measured, may_close

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


@pytest.mark.parametrize(
    ("cutoff_v", "meant"), [(27.0, "2.7 V perhaps"), (2700.0, "2.7 V perhaps"), (4.96, "give the")]
)
def test_a_cutoff_above_a_full_pack_names_what_was_probably_meant(
    cutoff_v: float, meant: str
) -> None:
    with pytest.raises(BenchError, match="above a full pack") as refused:
        check_cutoff(parse_pack("3x AA alkaline"), cutoff_v, below_floor=False)
    assert refused.value.next_step.startswith(meant)


def test_without_a_named_pack_its_voltage_tells() -> None:
    with pytest.raises(BenchError, match=r"above what the pack has now: 4\.10 V"):
        check_measured(4.2, 4.1)
    check_measured(3.3, 4.1)
    check_measured(3.3, 0.0)  # no pack is on yet
