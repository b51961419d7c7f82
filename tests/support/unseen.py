"""The forecast under test as the judge of tests/benchmarks/forecast_judge asks it: rows in, remaining time out."""

from typing import Final

from analysis.forecast.earlier_runs import earlier_run
from analysis.forecast.forecast import forecast
from analysis.forecast.own_runs import EarlierRun
from analysis.run.pack_faults import FaultWatch
from logger.base.pack import OTHER, Pack
from tests.benchmarks.forecast_judge.rundown import Rundown, Seen
from tests.benchmarks.forecast_judge.score import Forecast
from tests.support.runs_by_formula import sampled_run

# The user's words for what is in the pack; what is not here is of another kind, with a label.
CHEMISTRY: Final = {
    "alkaline": "alkaline",
    "zinc-carbon": "zinc-carbon",
    "nimh": "nimh",
    "li-ion": "li-ion",
    "lifepo4": "lifepo4",
    "li-mno2": "lithium-coin",
}


def pack_of(seen: Seen | Rundown) -> Pack:
    chemistry = CHEMISTRY.get(seen.chemistry_said, OTHER)
    return Pack(chemistry, seen.cells, "", seen.rated_mah)


def own_run(past: Rundown) -> EarlierRun | None:
    """An own rundown of before, as it would be read from its folder."""
    run = sampled_run(
        past.time_s, past.pack_v, past.current_ma, title=past.name, pack=pack_of(past)
    )
    return earlier_run(run)


def forecaster(seen: Seen) -> Forecast:
    """As a recording asks it while it goes on: faults of the pack first, then the forecast."""
    watch = FaultWatch(None, None, seen.hold_s, 0.0, pack_of(seen))
    watch.add(seen.time_s, seen.pack_v, seen.current_ma)
    watch.faults()
    own = [run for run in map(own_run, seen.earlier) if run is not None]
    found = forecast(
        watch.bins(),
        pack_of(seen),
        seen.cutoff_v,
        watch.history.block_s,
        fresh=seen.said_fresh,
        earlier=own,
        temperature_c=round(float(seen.temperature_c[0])),  # as told when the run was begun
    )
    if found.basis == "reached":
        return Forecast(0.0, 0.0, 0.0)
    bound_s = None if found.at_least_s is None else found.at_least_s - seen.at_s
    most = found.cutoff_time[1]
    if most.value is None or most.lower is None or most.upper is None:
        return Forecast(at_least_s=bound_s)
    ends_s = (most.lower - seen.at_s, most.value - seen.at_s, most.upper - seen.at_s)
    return Forecast(*ends_s, at_least_s=bound_s)
