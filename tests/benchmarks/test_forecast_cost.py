"""What the forecast costs, against named baselines of the same run. Printed; aims: update 0.3 s, fit 3 s."""

import io
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from analysis.curve.fit import fit_discharge
from analysis.forecast.forecast import LiveForecast, forecast
from analysis.run.history import History
from analysis.run.pack_faults import Fault, FaultWatch
from logger.base.pack import Pack

pytestmark = pytest.mark.slow
ROWS = 1_000_000
SHORT = 100_000


def seconds(function: Callable[[], object], times: int = 3) -> float:
    """Best of a few."""
    spans = []
    for _ in range(times):
        begin = time.perf_counter()
        function()
        spans.append(time.perf_counter() - begin)
    return min(spans)


@pytest.fixture(scope="module")
def night() -> pd.DataFrame:
    """A night at ten rows a second: three alkaline AA behind a booster, patterned light."""
    rng = np.random.default_rng(4)
    time_s = np.arange(1, ROWS + 1) * 0.05
    volts = 4.4 - 1.0 * time_s / time_s[-1] - 0.15 * np.exp(-time_s / 2000)
    current = 110 * (4.4 / volts) * (1 + 0.5 * (time_s % 40 < 12))
    volts = volts - 0.4 * current / 1e3 + 0.002 * rng.standard_normal(ROWS)
    return pd.DataFrame({"time_s": time_s, "pack_v": volts, "current_ma": current})


def test_update_costs_the_same_for_a_run_of_any_length(night: pd.DataFrame) -> None:
    spans = {}
    for rows in (SHORT, ROWS):
        live = LiveForecast(Pack("alkaline", 3, "AA"), 2.7, 10.0)
        part = night.iloc[:: ROWS // rows]
        live.add(part["time_s"], part["pack_v"], part["current_ma"])
        spans[rows] = seconds(live.now)
    print(
        f"\nupdate: {spans[SHORT]:.3f} s after {SHORT:,} rows, {spans[ROWS]:.3f} s after {ROWS:,} rows"
    )
    assert spans[ROWS] < 2.5 * spans[SHORT]


def test_live_look_for_faults_costs_the_same_for_a_run_of_any_length(night: pd.DataFrame) -> None:
    """Faults and forecast together, as ``drawbench log`` has them made."""
    spans: dict[int, float] = {}
    faults: tuple[Fault, ...] = ()
    for rows in (SHORT, ROWS):
        watch = FaultWatch(range_ma=3200.0, hold_s=10.0)
        part = night.iloc[:: ROWS // rows]
        watch.add(part["time_s"], part["pack_v"], part["current_ma"])

        def look(watch: FaultWatch = watch) -> object:
            watch.faults()
            return forecast(watch.bins(), Pack("alkaline", 3, "AA"), 2.7, 10.0)

        spans[rows] = seconds(look)
        faults = watch.faults()
    columns = [night[name].to_numpy() for name in ("time_s", "pack_v", "current_ma")]
    watch = FaultWatch(range_ma=3200.0, hold_s=10.0)
    begin_s = time.perf_counter()
    for begin in range(0, ROWS, 200):
        watch.add(*(column[begin : begin + 200] for column in columns))
    adding = time.perf_counter() - begin_s
    reading = seconds(lambda: pd.read_csv(io.StringIO(night.to_csv(index=False))), 1)
    print(
        f"\nfaults and forecast: {spans[SHORT]:.3f} s after {SHORT:,} rows, {spans[ROWS]:.3f} s after {ROWS:,} rows; "
        f"taking in {ROWS:,} rows by 200: {adding:.2f} s (writing and reading them with pandas: {reading:.2f} s)"
    )
    assert faults == ()
    assert spans[ROWS] < 2.5 * spans[SHORT]


def test_history_stays_small(night: pd.DataFrame) -> None:
    live = FaultWatch(range_ma=3200.0, hold_s=10.0)
    columns = [night[name].to_numpy() for name in ("time_s", "pack_v", "current_ma")]
    sizes = []
    tracemalloc.start()
    for begin in range(0, ROWS, 2_000):
        live.add(*(column[begin : begin + 2_000] for column in columns))
        sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    print(f"\nhistory: {sizes[-1] / 1e3:.0f} kB after {ROWS:,} rows")
    assert max(sizes[len(sizes) // 4 :]) < 2 * max(sizes[: len(sizes) // 4])


def test_full_fit_against_reading_the_rows(night: pd.DataFrame) -> None:
    text = night.to_csv(index=False)
    reading = seconds(lambda: pd.read_csv(io.StringIO(text)), 2)

    def fit() -> object:
        history = History()
        history.add(night["time_s"], night["pack_v"], night["current_ma"])
        bins = history.bins()
        return fit_discharge(bins.charge_mah / 1e3, bins.mean_v, bins.mean_ma / 1e3)

    fitting = seconds(fit, 2)
    print(f"\nfull fit: {fitting:.2f} s; baseline, pandas reading the same rows: {reading:.2f} s")
    assert fitting < 8 * reading
