"""What a budget says of a run before the run itself tells: how long, and how much in each mode."""

from dataclasses import replace
from typing import Final

import numpy as np

from analysis.budget.changes import demand_of, with_hours
from analysis.budget.estimate import estimate_mode
from analysis.budget.file import Budget
from analysis.budget.story import typical_v
from analysis.electric.pack_choice import judge_pack
from analysis.run.verdict import Usual, step_s_of
from analysis.say.words import span_words

_SEED: Final = 20261


def usual_by(budget: Budget) -> Usual | None:
    """How long the piece lasts by its budget; None where its pack cannot serve it."""
    pack = budget.pack
    demand = replace(demand_of(budget, typical_v(pack)), hours=0.0)
    hours = judge_pack(pack, demand, np.random.default_rng(_SEED)).runtime
    if hours.value is None or hours.lower is None or hours.upper is None:
        return None
    value, lower, upper = (3600 * item for item in (hours.value, hours.lower, hours.upper))
    step_s = step_s_of(replace(hours, value=value, lower=lower, upper=upper, unit="s"))

    def about(seconds: float) -> str:
        return span_words(round(seconds / step_s) * step_s, 60.0)

    words = f"By the budget about {about(value)} ({about(lower)} to {about(upper)})"
    return Usual(value, "by the budget", words)


def modes_of(budget: Budget) -> tuple[float, ...]:
    """Draw of every mode at the pack's typical voltage, mA."""
    timed, pack_v = with_hours(budget), typical_v(budget.pack)
    found = (estimate_mode(timed, mode, pack_v).current.value for mode in timed.modes)
    return tuple(value for value in found if value is not None)
