"""Write physics_rundowns_tune.npz and _judge.npz: lithium rundowns from PyBaMM for the forecast-skill table.

Not run in tests: it needs PyBaMM (BSD-3), which would change versions of the test environment.

    python -m venv pybamm-venv && pybamm-venv/bin/pip install pybamm==26.10.1.1
    pybamm-venv/bin/python tests/benchmarks/generate_physics_rundowns.py

Each rundown is a single particle model with electrolyte (SPMe) of a published cell, with
electrode loading, particle radii, contact resistance, room temperature and starting charge
varied from cell to cell, under a load of its own: constant current, constant power (booster)
or a resistor; steady, in modes of many minutes, or pulsed. Stored per cell (1 in series) as
rows of equal time: voltage and current. ``rated_ah``: what that very cell gives at 0.2 C from
full to its maker's end voltage at 25 C.
"""

import sys
import warnings
from pathlib import Path

import numpy as np

ROWS = 500
# Published cells. "tune": the prior's widths may be set on these; "judge": never looked at for that.
SETS = {
    "Marquis2019": ("li-ion", "tune", 0.0),
    "Ecker2015": ("li-ion", "tune", 0.0),
    "NCA_Kim2011": ("li-ion", "tune", 0.0),
    "Chen2020": ("li-ion", "judge", 3.0),
    "Mohtat2020": ("li-ion", "judge", 3.0),
    "Ai2020": ("li-ion", "judge", 3.0),
    "Prada2013": ("lifepo4", "judge", 2.5),
}
COUNTS = {"tune": 30, "judge": 60}
LIFEPO4_COUNT = 160


def load_pattern(kind, life_h, rng):
    """Multiplier of the mean load on ROWS * 1.6 equal steps of time."""
    steps = int(ROWS * 1.6)
    if kind == "steady":
        return np.ones(steps)
    if kind == "modes":  # bright and dim in turn, 12 to 60 turns over the life
        period = max(4, round(ROWS / rng.uniform(12, 60)))
        heavy = rng.uniform(1.3, 2.2)
        duty = rng.uniform(0.25, 0.6)
        light = max((1 - duty * heavy) / (1 - duty), 0.05)
        phase = (np.arange(steps) + rng.integers(period)) % period
        return np.where(phase < duty * period, heavy, light)
    heavy = rng.uniform(1.5, 3.0)  # pulsed: every other row or so, a random telegraph
    duty = rng.uniform(0.2, 0.5)
    light = max((1 - duty * heavy) / (1 - duty), 0.03)
    return np.where(rng.random(steps) < duty, heavy, light)


def varied(pybamm, name, rng):
    values = pybamm.ParameterValues(name)
    for side in ("Negative", "Positive"):
        key = f"{side} electrode thickness [m]"
        values[key] = values[key] * np.exp(rng.normal(0, 0.03))
        key = f"{side} particle radius [m]"
        values[key] = float(values[key]) * np.exp(rng.normal(0, 0.25))
    return values


def solve(pybamm, name, values, control, hours, profile_h, profile, start, floor_v):
    values = values.copy()
    values["Lower voltage cut-off [V]"] = floor_v
    options = {"contact resistance": "true", "operating mode": control}
    model = pybamm.lithium_ion.SPMe(options)
    key = {
        "current": "Current function [A]",
        "power": "Power function [W]",
        "resistance": "Resistance function [Ohm]",
    }
    values.update(
        {key[control]: pybamm.Interpolant(profile_h * 3600, profile, pybamm.t)},
        check_already_exists=False,
    )
    simulation = pybamm.Simulation(
        model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-5, atol=1e-6)
    )
    grid = np.arange(1, round(hours / profile_h[1])) * profile_h[1]
    steady = np.ptp(profile) == 0  # otherwise the solver must stop at each change of the load
    times = np.array([0, grid[-1] * 3600]) if steady else np.append(0, grid) * 3600
    solution = simulation.solve(times, initial_soc=start)
    t_h = solution["Time [h]"].entries
    grid = grid[grid <= t_h[-1]]
    volts = np.interp(grid, t_h, solution["Terminal voltage [V]"].entries)
    amps = np.interp(grid, t_h, solution["Current [A]"].entries)
    return grid, volts, amps


def one(pybamm, name, chemistry, floor_v, rng):
    values = varied(pybamm, name, rng)
    floor_v = floor_v or values["Lower voltage cut-off [V]"]
    values["Lower voltage cut-off [V]"] = floor_v
    nominal_ah = float(values["Nominal cell capacity [A.h]"])
    values.update(
        {"Contact resistance [Ohm]": 0.03 / nominal_ah * np.exp(rng.normal(0, 0.6))},
        check_already_exists=False,
    )
    flat = np.arange(0, 8, 0.01)
    t_h, _, i_a = solve(
        pybamm,
        name,
        values,
        "current",
        7.9,
        flat,
        np.full(len(flat), 0.2 * nominal_ah),
        1.0,
        floor_v,
    )
    rated_ah = float(t_h[-1] * i_a[-1])
    kelvin = 273.15 + rng.uniform(12, 30)
    values["Ambient temperature [K]"] = kelvin
    values["Initial temperature [K]"] = kelvin
    control = rng.choice(["current", "power", "resistance"])
    pattern = rng.choice(["steady", "modes", "pulsed"])
    rate = np.exp(rng.uniform(np.log(0.05), np.log(0.5)))
    life_h = 1 / rate * rated_ah / nominal_ah
    mean_v = 3.2 if chemistry == "lifepo4" else 3.65
    shape = load_pattern(pattern, life_h, rng)
    base = {"current": 1.0, "power": mean_v, "resistance": mean_v}[control] * rate * nominal_ah
    profile = base * shape if control != "resistance" else mean_v / (rate * nominal_ah * shape)
    step_h = life_h / ROWS
    start = float(np.clip(1 - abs(rng.normal(0, 0.015)), 0.9, 1))
    times = np.arange(len(shape)) * step_h
    t_h, volts, amps = solve(
        pybamm, name, values, control, times[-1], times, profile, start, floor_v - 0.05
    )
    return {
        "set": name,
        "chemistry": chemistry,
        "control": str(control),
        "pattern": str(pattern),
        "rated_ah": rated_ah,
        "step_h": step_h,
        "celsius": kelvin - 273.15,
        "volts": volts.astype(np.float32),
        "amps": amps.astype(np.float32),
    }


def write(part, runs):
    arrays = {
        key: np.array([run[key] for run in runs])
        for key in ("set", "chemistry", "control", "pattern", "rated_ah", "step_h", "celsius")
    }
    np.savez_compressed(
        Path(__file__).with_name(f"physics_rundowns_{part}.npz"),
        lengths=np.array([len(run["volts"]) for run in runs]),
        volts=np.round(np.concatenate([run["volts"] for run in runs]), 4),
        amps=np.round(np.concatenate([run["amps"] for run in runs]), 6),
        **arrays,
    )


def main():
    warnings.simplefilter("ignore")
    import pybamm

    pybamm.set_logging_level("ERROR")
    made = {"tune": [], "judge": []}
    for number, (name, (chemistry, part, floor_v)) in enumerate(SETS.items()):
        rng = np.random.default_rng(20251 + number)
        count = LIFEPO4_COUNT if chemistry == "lifepo4" else COUNTS[part]
        done = failed = 0
        while done < count and failed < count:
            try:
                run = one(pybamm, name, chemistry, floor_v, rng)
            except pybamm.SolverError as error:  # one odd cell: leave it out, count it
                failed += 1
                sys.stderr.write(f"{name}: {str(error)[:110]}\n")
                continue
            made[part].append(run)
            done += 1
        write(part, made[part])
        sys.stderr.write(f"{name}: {done} made, {failed} failed\n")


if __name__ == "__main__":
    main()
