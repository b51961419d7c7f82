# mypy: ignore-errors
# (PyBaMM has no types)
"""Write physics_rundowns_SET.npz: lithium rundowns from PyBaMM for the forecast-skill table.

All of them take half an hour, so they are stored; test_physics_generator.py makes some of them anew.

    python tests/benchmarks/generate_physics_rundowns.py   (stored: with PyBaMM 26.10.1.1, BSD-3)

Each rundown is a single particle model with electrolyte (SPMe) of a published cell, with
electrode loading, particle radii, contact resistance, room temperature and starting charge
varied from cell to cell, under a load of its own: constant current, constant power (booster)
or a resistor; steady, in modes of many minutes, or pulsed. Stored per cell (1 in series) as
rows of equal time: voltage in its middle, mean current. ``rated_ah``: what that very cell gives at 0.2 C from
full to its maker's end voltage at 25 C.
"""

import os
import sys
import warnings
from pathlib import Path

import numpy as np

ROWS = 500
SEED = 20251
# Published cells. "tune": the prior's widths were set on these; "judge": not on these. There is one
# published LiFePO4 cell only: rundowns of even number are for setting, of odd number for judging.
SETS = {
    "Marquis2019": ("li-ion", "tune", 0.0),
    "Ecker2015": ("li-ion", "tune", 0.0),
    "NCA_Kim2011": ("li-ion", "tune", 0.0),
    "Chen2020": ("li-ion", "judge", 3.0),
    "Mohtat2020": ("li-ion", "judge", 3.0),
    "Ai2020": ("li-ion", "judge", 3.0),
    "Prada2013": ("lifepo4", "both", 2.5),
    "Ramadass2004": ("li-ion", "tune", 0.0),
    "Prada2013_wide": ("lifepo4", "tune", 2.5),
}
COUNTS = {"tune": 24, "judge": 54, "both": 160}
WIDE_COUNT = 60
# Builds far from the published one, so that setting does not rest on cells that resemble the judges:
# relative spreads (of the logarithm) of parameters of both electrodes.
WIDE = {
    "electrode thickness [m]": 0.15,
    "particle radius [m]": 0.4,
    "particle diffusivity [m2.s-1]": 0.8,
    "electrode active material volume fraction": 0.08,
}


def load_pattern(kind, rng):
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
    values = pybamm.ParameterValues(name.removesuffix("_wide"))
    if name.endswith("_wide"):
        for side in ("Negative", "Positive"):
            for what, spread in WIDE.items():
                key = f"{side} {what}"
                values[key] = float(values[key]) * np.exp(rng.normal(0, spread))
        return values
    for side in ("Negative", "Positive"):
        key = f"{side} electrode thickness [m]"
        values[key] = values[key] * np.exp(rng.normal(0, 0.03))
        key = f"{side} particle radius [m]"
        values[key] = float(values[key]) * np.exp(rng.normal(0, 0.25))
    return values


def solve(pybamm, values, control, step_h, profile, start, floor_v):
    """Volts at the middle of each row, mean amperes of each row, as a board would send them."""
    values = values.copy()
    values["Lower voltage cut-off [V]"] = floor_v
    model = pybamm.lithium_ion.SPMe(
        {
            "contact resistance": "true",
            "operating mode": control,
            "calculate discharge energy": "true",
        }
    )
    key = {
        "current": "Current function [A]",
        "power": "Power function [W]",
        "resistance": "Resistance function [Ohm]",
    }
    rows = len(profile)
    edges = np.arange(rows + 1) * step_h * 3600
    changed = np.flatnonzero(np.diff(profile)) + 1
    # a step takes a hundredth of a row: knots before and after it
    knots = np.concatenate([[0.0], edges[changed], edges[changed] + 36 * step_h, [edges[-1]]])
    levels = np.concatenate([[profile[0]], profile[changed - 1], profile[changed], [profile[-1]]])
    order = np.argsort(knots)
    function = pybamm.Interpolant(knots[order], levels[order], pybamm.t)
    values.update({key[control]: function}, check_already_exists=False)
    simulation = pybamm.Simulation(
        model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-5, atol=1e-6)
    )
    solution = simulation.solve(knots[order], initial_soc=start)
    t_s = solution["Time [s]"].entries
    charge_ah = solution["Discharge capacity [A.h]"].entries
    rows = int(t_s[-1] / (step_h * 3600))
    volts = np.interp(edges[:rows] + 1800 * step_h, t_s, solution["Terminal voltage [V]"].entries)
    amps = np.diff(np.interp(edges[: rows + 1], t_s, charge_ah)) / step_h
    return volts, amps, float(charge_ah[-1])


def one(pybamm, name, chemistry, floor_v, rng):
    values = varied(pybamm, name, rng)
    floor_v = floor_v or values["Lower voltage cut-off [V]"]
    values["Lower voltage cut-off [V]"] = floor_v
    nominal_ah = float(values["Nominal cell capacity [A.h]"])
    values.update(
        {"Contact resistance [Ohm]": 0.03 / nominal_ah * np.exp(rng.normal(0, 0.6))},
        check_already_exists=False,
    )
    row_h = 0.04 if name == "Ramadass2004" else 0.02  # it gives far more than its nominal capacity
    _, _, rated_ah = solve(
        pybamm, values, "current", row_h, np.full(395, 0.2 * nominal_ah), 1.0, floor_v
    )
    kelvin = 273.15 + rng.uniform(12, 30)
    values["Ambient temperature [K]"] = kelvin
    values["Initial temperature [K]"] = kelvin
    control = rng.choice(["current", "power", "resistance"])
    pattern = rng.choice(["steady", "modes", "pulsed"])
    rate = np.exp(rng.uniform(np.log(0.05), np.log(0.5)))
    life_h = 1 / rate * rated_ah / nominal_ah
    mean_v = 3.2 if chemistry == "lifepo4" else 3.65
    shape = load_pattern(pattern, rng)
    base = {"current": 1.0, "power": mean_v, "resistance": mean_v}[control] * rate * nominal_ah
    profile = base * shape if control != "resistance" else mean_v / (rate * nominal_ah * shape)
    step_h = life_h / ROWS
    start = float(np.clip(1 - abs(rng.normal(0, 0.015)), 0.9, 1))
    volts, amps, _ = solve(pybamm, values, control, step_h, profile, start, floor_v - 0.05)
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


def write(name, runs):
    arrays = {
        key: np.array([run[key] for run in runs])
        for key in ("set", "chemistry", "control", "pattern", "rated_ah", "step_h", "celsius")
    }
    np.savez_compressed(
        Path(__file__).with_name(f"physics_rundowns_{name}.npz"),
        lengths=np.array([len(run["volts"]) for run in runs]),
        volts=np.round(np.concatenate([run["volts"] for run in runs]), 4),
        amps=np.round(np.concatenate([run["amps"] for run in runs]), 6),
        **arrays,
    )


def main():
    warnings.simplefilter("ignore")
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    import pybamm

    pybamm.set_logging_level("ERROR")
    for number, (name, (chemistry, part, floor_v)) in enumerate(SETS.items()):
        if sys.argv[1:] and name not in sys.argv[1:]:
            continue
        rng = np.random.default_rng(SEED + number)
        count = WIDE_COUNT if name.endswith("_wide") else COUNTS[part]
        runs, failed = [], 0
        while len(runs) < count and failed < count:
            try:
                runs.append(one(pybamm, name, chemistry, floor_v, rng))
            except pybamm.SolverError as error:  # one odd cell: leave it out, count it
                failed += 1
                sys.stderr.write(f"{name}: {str(error)[:110]}\n")
        write(name, runs)
        sys.stderr.write(f"{name}: {len(runs)} made, {failed} failed\n")


if __name__ == "__main__":
    main()
