"""Rundowns of which the forecast is told to know nothing: whole chemistries and whole makes left out.

The chemistry is what the user says; the forecast has no curve of it, nor usual capacities and rate loss
(``chemistry_prior.left_out``). Its pool of curves holds the other chemistries only. Of lithium-ion also each
published cell in turn, its own learned curves left out and the other makes' kept. What is not split: the
few constants of the scores (answer.py), which were set on the generator's rundowns, the first 18650 and the
tuning makes of all four chemistries together.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.forecast.chemistry_prior import left_out
from tests.benchmarks.forecast_judge import measured
from tests.benchmarks.forecast_judge.rundown import Rundown, Seen
from tests.benchmarks.forecast_judge.score import Forecast
from tests.benchmarks.rundowns import SETS, aqueous_rundowns, physics_rundowns
from tests.benchmarks.rundowns import Rundown as Made
from tests.support.unseen import forecaster

_ROOM_C: Final = 22.0
LITHIUM_ION: Final = ("Marquis2019", "Ecker2015", "NCA_Kim2011", "Ramadass2004")


def as_judged(made: Made, group: str, number: int) -> Rundown:
    return Rundown(
        name=f"{group}-{number}",
        group=group,
        chemistry_said=made.chemistry,
        cells=made.pack.cells,
        time_s=made.time_s,
        current_ma=made.current_ma,
        pack_v=made.pack_v,
        temperature_c=np.full(len(made.time_s), _ROOM_C),
        cutoff_v=made.cutoff_v,
        hold_s=made.hold_s,
        rated_mah=made.rated_mah,
        end_s=made.life_s,
        load=made.load.split(",")[0],
        pattern=made.load.split(", ")[-1],
        record=f"{group}-{made.source}-{number}",
    )


def some(every: list[Made], count: int, seed: int) -> list[Made]:
    rng = np.random.default_rng(seed)
    picked = rng.permutation(len(every))[:count]
    return [every[place] for place in np.sort(picked)]


def chemistry_rundowns(each: int) -> Iterator[Rundown]:
    """``each`` judging rundowns of every chemistry, and of the second measured 18650."""
    made = {
        "alkaline": list(aqueous_rundowns("judge", "alkaline", max(each, 3), 201)),
        "nimh": list(aqueous_rundowns("judge", "nimh", max(each, 3), 202)),
        "lifepo4": list(physics_rundowns("judge", "lifepo4", 203)),
        "li-ion": list(physics_rundowns("judge", "li-ion", 204)),
    }
    for chemistry, every in made.items():
        for number, run in enumerate(some(every, each, 205)):
            yield as_judged(run, chemistry, number)
    cut = list(measured.rundowns(2, ("c20", "half_c", "1c", "2c", "pulse")))
    for place in np.linspace(0, len(cut) - 1, each).astype(int).tolist():
        yield replace(cut[place], group="18650")


def make_rundowns(each: int) -> Iterator[Rundown]:
    """``each`` rundowns of every published lithium-ion cell that a learned family comes from."""
    assert set(LITHIUM_ION) <= set(SETS["tune"])
    every = list(physics_rundowns("tune", "li-ion", 206))
    for source in LITHIUM_ION:
        mine = [run for run in every if run.source == source]
        for number, run in enumerate(some(mine, each, 207)):
            yield as_judged(run, source, number)


LEFT_OUT: Final = {"18650": "li-ion"}


def blind_forecaster(group: str, seen: Seen) -> Forecast:
    """The forecast without anything of the group's chemistry or make."""
    with left_out(LEFT_OUT.get(group, group)):
        return forecaster(seen)
