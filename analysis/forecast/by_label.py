"""What the label alone says of the charge left: one more opinion, the best one where the voltage tells nothing.

The belief in the whole charge (label, rate, cutoff, how far the pack was emptied before), cut off at what came out
already. Real packs fall short of their label far oftener than they beat it (``CapacityBelief.weight``), and the
moment at which somebody asks is anywhere in the life: of lives twice as long the moments are half as dense.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.chemistry_prior import capacity_prior, depth_at, families
from analysis.forecast.opinions import weighed
from analysis.forecast.start_state import DEPTHS, start_belief
from analysis.run.history import Bins
from logger.base.pack import Pack

Array = NDArray[np.float64]

# More than this no pack with such a label gives, whatever is in it; how often the label itself is wrong beyond that.
_MOST_OF_LABEL: Final = 1.3
_BEYOND_LABEL: Final = 0.02
_MOST_SDS: Final = 3.0  # where only the usual capacity is known
# How often a capacity says nothing of the charge to the cutoff (the rate, the cutoff, another kind of cell).
_LABEL_SILENT: Final = 0.2
_CUTOFF_SD: Final = 0.08
# What comes out down to the cutoff over the label, of whatever pack is put on (cutoff, rate, some part-used): logarithm's
# mean and sd, and how often it is anything else. Judgement; set on the tuning material.
_PUT_ON: Final = (-0.6, 0.7)
_PUT_ON_ANY: Final = 0.2
_FIRST_TRUST: Final = 0.8
# Charge down to the cutoff over that down to the floor, of a chemistry that is left out.
_SHARE_UNKNOWN: Final = (0.8, 0.95, 1.0)
_LOSS_USUAL: Final = 0.4  # logarithm of the charge that rate and cutoff leave of the label
_FIRST_SHARE: Final = 0.02
_GRID: Final = 400
_NEAREST: Final = 0.003  # charge left over charge out: what the grid holds
_FURTHEST: Final = 30.0


@dataclass(frozen=True)
class CapacityBelief:
    """Charge of a full pack down to the cutoff (mAh, log-normal) and how far it was emptied before.

    ``started``: probability of each of ``start_state.DEPTHS``. ``label_mah``: None: only usual, not stated.
    ``told``: how far the first voltage told the start, 0 to 1.
    """

    full_mah: float
    log_sd: float
    started: Array
    label_mah: float | None = None
    told: float = 0.0

    def density(self, total_mah: Array) -> Array:
        """Belief that the run gives this charge from its start to the cutoff, per unit of its logarithm."""
        left = np.maximum(1 - DEPTHS, 0.03)
        # between two of the depths anything is possible
        sd = np.hypot(self.log_sd, 0.5 * np.gradient(DEPTHS) / left)
        z = np.log(np.maximum(total_mah, 1e-9)[:, None] / (self.full_mah * left)) / sd
        each = np.exp(-0.5 * z**2) / (sd * np.sqrt(2 * np.pi))
        return np.asarray(each @ self.started)

    def weight(self, total_mah: Array) -> Array:
        """How much such a charge is to be believed of a curve that knows nothing of the label, about 1 where it says nothing."""
        told = (1 - _LABEL_SILENT) * self.density(total_mah) + _LABEL_SILENT
        usual_mah = self.full_mah * float(np.exp(_MOST_SDS * self.log_sd))
        most_mah = _MOST_OF_LABEL * self.label_mah if self.label_mah else usual_mah
        told = np.where(total_mah > most_mah, _BEYOND_LABEL * told, told)
        if not self.label_mah:
            return told
        middle, sd = _PUT_ON
        z = (np.log(np.maximum(total_mah, 1e-9) / self.label_mah) - middle) / sd
        return np.asarray(told * (np.exp(-0.5 * z**2) + _PUT_ON_ANY) ** (1.0 - self.told))


def capacity_belief(
    pack: Pack,
    on: Bins,
    cutoff_v: float,
    mean_ma: float,
    heavy_ratio: float,
    fresh: bool | None,
    fits: float,
    temperature_c: float | None = None,
) -> CapacityBelief:
    """Charge from the run's start to the cutoff, by the label (or the usual) and the first voltage.

    ``fits``: how well the chemistry fits, 1 to 0; a pack that is of another kind tells nothing by its first voltage.
    """
    prior = capacity_prior(pack, mean_ma, temperature_c)
    heavy_ma, cell_v = mean_ma * heavy_ratio, cutoff_v / pack.cells
    shares = [
        float(depth_at(family, cell_v, heavy_ma, prior.median_mah))
        for family in families(pack.chemistry)
    ] or list(_SHARE_UNKNOWN)
    share = float(np.clip(np.median(shares), 0.1, 1.05))
    first = on.charge_mah <= on.charge_mah[0] + _FIRST_SHARE * (
        on.charge_mah[-1] - on.charge_mah[0]
    )
    first_v, first_ma = float(np.median(on.held_v[first])), float(np.median(on.held_ma[first]))
    log_sd = float(np.hypot(prior.log_sd, np.hypot(_CUTOFF_SD, np.std(shares) / share)))
    trust = _FIRST_TRUST * fits if families(pack.chemistry) else 0.0
    started = start_belief(pack, prior, first_v, first_ma, fresh, trust)
    label_mah = None if pack.used else pack.capacity_mah
    middle_mah = prior.median_mah * share
    if label_mah:
        # how much rate and cutoff take is the chemistry's, which may not be what is in the pack
        lost = max(float(-np.log(middle_mah / label_mah)) - _LOSS_USUAL, 0.0)
        middle_mah *= float(np.exp(0.5 * lost))
        log_sd = float(np.hypot(log_sd, 0.5 * lost))
    return CapacityBelief(middle_mah, log_sd, started, label_mah, trust)


def by_label(belief: CapacityBelief, used_mah: float, draws: int) -> Array:
    """Draws of the charge left (mAh), sorted, with ``used_mah`` out already."""
    left = used_mah * np.geomspace(_NEAREST, _FURTHEST, _GRID)
    share = used_mah / (used_mah + left)
    weight = belief.weight(used_mah + left) * share * (1 - share)
    return weighed(left, weight, (np.arange(draws) + 0.5) / draws)
