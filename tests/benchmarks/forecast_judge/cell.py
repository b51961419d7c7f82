"""A make of cell as an equivalent circuit, run under a load: clean voltage, then the recorded rows.

Per cell, x the share of the capacity gone, w the depletion at the electrodes, T in deg C:

    E = curve(x + w) + tempco (T - 22)
    V = E - I R(x) exp(-0.02 (T - 22)) - v1 - delay exp(-t / delay_tau)
    dv1/dt = (I R1 - v1) / tau1,   dw/dt = (g I / I0 - w) / tau_w

(first-order Thevenin circuit, and a linear diffusion layer that recovers in pauses; I0 is the
make's usual current). Nothing here is a chemistry's own curve.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from .rundown import Fault, Floats

REFERENCE_C = 22.0
DEPTH_STEP = 0.0005
DEPTH_MAX = 1.6


@dataclass(frozen=True, eq=False)
class Make:
    """A make of cell: `curve(x)` in V for x of shape (n,); the other figures per cell.

    `cutoff_v` where the usual cutoff is not the voltage at the end depth."""

    name: str
    chemistry_said: str
    curve: Callable[[Floats], Floats]
    capacity_mah: float
    rated_mah: float
    usual_ma: float
    end_depth: float
    r_ohm: float = 0.0
    r_growth: float = 0.0
    relax_ohm: float = 0.0
    relax_s: float = 100.0
    surface: float = 0.0
    surface_s: float = 3600.0
    tempco_v_k: float = 0.0
    delay_v: float = 0.0
    delay_s: float = 60.0
    cutoff_v: float | None = None
    regulated: bool = False

    def resistance_ohm(self, depth: Floats) -> Floats:
        """R(x) = r (1 + growth x^3): most cells' resistance rises towards the end."""
        return self.r_ohm * (1 + self.r_growth * np.clip(depth, 0, 1) ** 3)


@dataclass(frozen=True, eq=False)
class Use:
    """How a pack is used. `factor` (rows) multiplies the load; `kind` is what the load keeps
    constant: "current" (level in mA), "power" (mW) or "resistor" (ohm, at factor 1)."""

    cells: int
    kind: str
    level: float
    step_s: float
    factor: Floats
    temperature_c: Floats
    start_depth: float = 0.0
    faults: tuple[Fault, ...] = ()
    fault_ohm: float = 0.0


@dataclass(frozen=True, eq=False)
class Course:
    """Rows of a run without noise: `clean_v` as if no contact were bad, `pack_v` as at the load."""

    time_s: Floats
    current_ma: Floats
    clean_v: Floats
    pack_v: Floats
    end_s: float
    depth: Floats = field(default_factory=lambda: np.zeros(0))


def load_level(kind: str, current_ma: float, volts: float) -> float:
    """Level, as in `Use`, of a load that draws this current at this voltage."""
    return {
        "current": current_ma,
        "power": current_ma * volts,
        "resistor": 1000 * volts / current_ma,
    }[kind]


def load_current_ma(kind: str, level: float, open_v: float, r_ohm: float) -> float:
    """Current out of a source of `open_v` behind `r_ohm`, mA; level as in `Use`, with its factor.

    Power: the smaller root of P = I (E - I R); where the source cannot give P, E / 2R.
    """
    if kind == "current":
        return level
    if open_v <= 0:
        return 0.0
    if kind == "resistor":
        return 1000 * open_v / (level + r_ohm)
    if r_ohm == 0:
        return level / open_v
    root = open_v**2 - 4 * r_ohm * level / 1000
    return float(1000 * (open_v - max(root, 0.0) ** 0.5) / (2 * r_ohm))


def _in_fault(use: Use, rows: int) -> tuple[Floats, Floats]:
    """Share of each row (the step before its time) that a fault covers: open, resistive."""
    shares = np.zeros((2, rows))
    ends = np.arange(rows) * use.step_s
    for fault in use.faults:
        overlap = np.minimum(ends, fault.end_s) - np.maximum(ends - use.step_s, fault.start_s)
        shares[0 if fault.open else 1] += np.clip(overlap / use.step_s, 0, 1)
    return np.minimum(shares[0], 1), np.minimum(shares[1], 1)


def run(make: Make, use: Use, cutoff_v: float, hold_s: float) -> Course | None:
    """Run the pack until its clean voltage has stayed below the cutoff for the hold.

    None where that does not happen within the rows of `use.factor`, or at the very start. The stay
    is of the clean voltage: rows in a contact fault neither begin nor break it. Its start is
    interpolated between two rows at the same load (exact where the voltage is a line).
    """
    rows = len(use.factor)
    grid = np.arange(0, DEPTH_MAX, DEPTH_STEP)
    volts = make.curve(grid).tolist()
    ohms = make.resistance_ohm(grid).tolist()
    open_share, bad_share = _in_fault(use, rows)
    any_fault = bool(use.faults)
    step_s, last = use.step_s, len(grid) - 2
    warm = use.temperature_c - REFERENCE_C
    r_warm = np.exp(-0.02 * warm).tolist()
    e_warm = (make.tempco_v_k * warm).tolist()
    factor = use.factor.tolist()
    decay_v = float(np.exp(-step_s / make.relax_s))
    decay_w = float(np.exp(-step_s / make.surface_s))
    delay = make.delay_v * np.exp(-np.arange(rows) * step_s / make.delay_s)
    current, clean, seen, depths = (np.zeros(rows) for _ in range(4))
    x, w, v1, below_since = use.start_depth, 0.0, 0.0, -1.0
    for k in range(rows):
        place = min((x + w) / DEPTH_STEP, last)
        i = int(place)
        # A regulator's steps are steps, not slopes between two points of the grid.
        part = 0.0 if make.regulated else place - i
        open_v = volts[i] + part * (volts[i + 1] - volts[i]) + e_warm[k] - v1 - delay[k]
        open_v *= use.cells
        r = use.cells * (ohms[i] + part * (ohms[i + 1] - ohms[i])) * r_warm[k]
        if factor[k] <= 0:
            flow = whole = 0.0
        else:
            level = use.level / factor[k] if use.kind == "resistor" else use.level * factor[k]
            flow = whole = load_current_ma(use.kind, level, open_v, r)
        clean[k] = open_v - whole * r / 1000
        seen[k] = clean[k]
        faulty = any_fault and (open_share[k] > 0 or bad_share[k] > 0)
        if faulty:
            if bad_share[k] > 0 and whole > 0:
                bad = load_current_ma(use.kind, level, open_v, r + use.fault_ohm)
                bad_v = max(open_v - bad * (r + use.fault_ohm) / 1000, 0.0)
                seen[k] += bad_share[k] * (bad_v - seen[k])
                flow += bad_share[k] * (bad - flow)
            seen[k] *= 1 - open_share[k]
            flow *= 1 - open_share[k]
        current[k], depths[k] = flow, x
        if not faulty:
            if clean[k] >= cutoff_v:
                below_since = -1.0
            elif below_since < 0:
                if k == 0:
                    return None
                same = abs(factor[k] - factor[k - 1]) < 1e-9 and clean[k - 1] > cutoff_v
                back = (cutoff_v - clean[k]) / (clean[k - 1] - clean[k]) if same else 0.0
                below_since = float((k - back) * step_s)
            elif k * step_s - below_since >= hold_s:
                cut = slice(0, k + 1)
                time_s: Floats = np.arange(k + 1, dtype=np.float64) * step_s
                return Course(time_s, current[cut], clean[cut], seen[cut], below_since, depths[cut])
        v1 = v1 * decay_v + flow / 1000 * make.relax_ohm * (1 - decay_v)
        w = w * decay_w + make.surface * flow / make.usual_ma * (1 - decay_w)
        x += flow * step_s / 3600 / make.capacity_mah
    return None
