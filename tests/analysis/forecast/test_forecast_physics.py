"""The stored lithium rundowns come from PyBaMM, and the forecast holds on fresh ones.

PyBaMM (BSD-3; Sulzer et al. 2021, J. Open Research Software 9:14) solves the cells' physics, which
no fitted curve contains. Published cells: Chen 2020, Mohtat 2020, Ai 2020 (Li-ion), Prada 2013 (LiFePO4).
"""

import os
import warnings
from typing import Any

import numpy as np
import pytest

from analysis.forecast.forecast import LiveForecast
from logger.base.pack import Pack
from tests.benchmarks.generate_physics_rundowns import SEED, SETS, one
from tests.benchmarks.rundowns import HERE

pytestmark = pytest.mark.slow

SHOWN = ("Marquis2019", "Chen2020", "Prada2013")


@pytest.fixture(scope="module")
def pybamm() -> Any:
    # it would report its use over the network
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    import pybamm as module

    module.set_logging_level("ERROR")
    return module


def made(pybamm: Any, name: str, seed: int) -> dict[str, Any]:
    """One rundown of a published cell; a cell that the solver cannot begin is left out."""
    chemistry, _, floor_v = SETS[name]
    rng = np.random.default_rng(seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(5):
            try:
                run: dict[str, Any] = one(pybamm, name, chemistry, floor_v, rng)  # type: ignore[no-untyped-call]
            except pybamm.SolverError:
                continue
            return run
    raise AssertionError("no rundown in five tries")


@pytest.mark.parametrize("name", SHOWN)
def test_the_stored_rundowns_are_what_pybamm_gives(pybamm: Any, name: str) -> None:
    run = made(pybamm, name, SEED + list(SETS).index(name))
    with np.load(HERE / f"physics_rundowns_{name}.npz") as stored:
        rows = int(stored["lengths"][0])
        volts, rated_ah = stored["volts"][:rows], float(stored["rated_ah"][0])
    assert len(run["volts"]) == pytest.approx(rows, abs=1)
    least = min(len(run["volts"]), rows)
    # its solver's tolerance; the last rows fall steeply
    assert np.abs(run["volts"] - volts[:least])[: least - 5].max() < 0.002
    assert run["rated_ah"] == pytest.approx(rated_ah, rel=1e-3)


@pytest.mark.parametrize("name", ["Chen2020", "Mohtat2020", "Ai2020", "Prada2013"])
def test_a_fresh_rundown_ends_within_the_forecast(pybamm: Any, name: str) -> None:
    run = made(pybamm, name, seed=7)
    chemistry, cutoff_v = run["chemistry"], 3.1 if run["chemistry"] == "li-ion" else 2.7
    volts = np.asarray(run["volts"], dtype=np.float64)
    current_ma = 1000 * np.asarray(run["amps"], dtype=np.float64)
    time_s = 3600 * run["step_h"] * np.arange(1, len(volts) + 1)
    life_s = float(time_s[np.argmax(volts < cutoff_v)])
    live = LiveForecast(Pack(chemistry, 1, "18650", 1000 * run["rated_ah"]), cutoff_v, fresh=True)
    seen = time_s <= 0.6 * life_s
    live.add(time_s[seen], volts[seen], current_ma[seen])
    most = live.now().cutoff_time[1]
    assert most.coverage == 0.9
    assert most.lower is not None
    assert most.upper is not None
    assert most.lower <= life_s <= most.upper
    # Was 0.4 while the chemistry alone answered: other opinions cost width also where the chemistry fits.
    assert most.upper - most.lower < 0.5 * life_s
