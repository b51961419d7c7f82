"""The answer in a few words."""

import numpy as np

from analysis.report.answer import headline
from analysis.run.rundown import rundown
from logger.run.reader import Run
from tests.support.runs_by_formula import VEST, sampled_run, stop_at


def fallen(hours: float, need_h: float) -> Run:
    """From 4.5 V, 0.25 V an hour, a row a minute; the cutoff comes after 6 h."""
    time_s = 60.0 * np.arange(round(60 * hours) + 1)
    volts = 4.5 - 0.25 * time_s / 3600
    return sampled_run(
        time_s,
        volts,
        np.full(len(time_s), 90.0),
        pack=VEST,
        stop=stop_at(3.0),
        need_s=3600 * need_h,
    )


def test_the_verdict_stands_first_and_a_lifetime_not_seen_to_its_end_is_over() -> None:
    assert headline(rundown(fallen(7, 5), 3.0)) == "Yes: 6 h of 5 h needed"
    assert headline(rundown(fallen(7, 8), 3.0)) == "No: 6 h of 8 h needed"
    assert headline(rundown(fallen(4, 8), 3.0)) == "Not shown: over 4 h of 8 h needed"


def test_a_run_that_may_have_gone_dark_does_not_claim_the_later_end() -> None:
    time_s = 60.0 * np.arange(8 * 60 + 1)
    volts = np.where(time_s < 4 * 3600, 4.5 - 0.125 * time_s / 3600, 4.2 - 0.2 * time_s / 3600)
    draw_ma = np.where(time_s < 4 * 3600, 100.0, 0.5)
    run = sampled_run(time_s, volts, draw_ma, pack=VEST, stop=stop_at(3.0), need_s=5 * 3600.0)
    told = headline(rundown(run, 3.0))
    assert told == "Not shown: 4 h or 6 h of 5 h needed"
