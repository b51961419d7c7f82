"""Several runs of one piece: the interval for the next, held against a textbook's worked prediction interval."""

from pathlib import Path

import pytest

from analysis.report.same_piece import Lasted, together_words, usual_of

H = 3600.0


def runs(*hours: float, ended: bool = True) -> list[Lasted]:
    return [Lasted(Path(str(n)), h * H, ended) for n, h in enumerate(hours)]


def test_prediction_interval_of_a_normal_sample() -> None:
    """Five runs, mean 10 h, s = 0.5 h: t(0.95, 4) = 2.132 (table of Student's t), so 10 ± 2.132 * 0.5 * sqrt(1.2) = ±1.168 h."""
    words = together_words(runs(9.5, 10.5, 9.5, 10.5, 10.0), None)
    assert words.startswith("All 5 runs of this piece on such packs: 9 h 30 min to 10 h 30 min")
    assert "the next lasts 8 h 50 min to 11 h 10 min (9 in 10)" in words


@pytest.mark.parametrize(
    ("need_h", "end"),
    [(8.0, "yes, for the next one as well."), (10.2, "too close to call."), (13.0, ": no.")],
)
def test_verdict_from_all_of_them(need_h: float, end: str) -> None:
    assert together_words(runs(9.5, 10.5, 9.5, 10.5, 10.0), need_h * H).endswith(end)


def test_one_run_is_not_several_and_open_ones_give_no_interval() -> None:
    assert together_words(runs(9.0), 8 * H) == ""
    assert "9 in 10" not in together_words(runs(9.0, 9.5, ended=False), 8 * H)
    one = usual_of(runs(9.0))
    assert one is not None
    assert (one.time_s, one.words) == (9 * 3600.0, "An earlier run of this piece lasted 9 h")
    assert usual_of([]) is None
