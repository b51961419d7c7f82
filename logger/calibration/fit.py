"""From compared readings to a correction line with its uncertainty: weighted least squares with prior knowledge.

Model: reading = zero + true x slope. Before anything is measured, zero and slope are known
within the data sheet's limits (rectangular, standard uncertainty limit / sqrt(3), JCGM 100
4.3.7); each comparison adds to that, weighted by its own uncertainty. The reference's relative
error is one and the same in every comparison and does not average out (JCGM 100 5.2, F.1.2.3).
Estimator: generalised least squares with the prior as further observations (for normal errors
the same as Bayes' rule; textbook result, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.run.calibration import Line

_ROOT_3: Final = math.sqrt(3.0)


@dataclass(frozen=True)
class Compared:
    """A reading beside the true value as a reference gave it; in mA or V.

    ``reading_standard``: of the mean that was read; ``true_standard``: the reference's own part
    that differs from point to point (its digits).
    """

    reading: float
    true: float
    reading_standard: float
    true_standard: float = 0.0


@dataclass(frozen=True)
class Prior:
    """Greatest errors before calibration: ``zero`` in the unit of the readings, ``gain`` shares, each independent."""

    zero: float
    gains: tuple[float, ...]


def fit_line(
    points: Sequence[Compared], prior: Prior, reference_limit: float, zero: Compared | None = None
) -> Line:
    """Correction line. ``reference_limit``: greatest relative error of the reference, common to all ``points``.

    ``zero``: reading at a true value of 0, to which the reference's error does not apply.
    """
    rows = [*points, *([zero] if zero else [])]
    # Unknowns: zero, slope, and the reference's common error, which only the points share. Each
    # row is divided by its standard uncertainty, prior knowledge makes three more (well conditioned by QR).
    noise = np.array(
        [max(math.hypot(row.reading_standard, row.true_standard), 1e-9) for row in rows]
    )
    common = np.array([row.true for row in points] + [0.0] * (zero is not None)) / noise
    true = np.array([row.true for row in rows]) / noise
    reading = np.array([row.reading for row in rows]) / noise
    prior_u = (prior.zero / _ROOT_3, math.hypot(*prior.gains) / _ROOT_3)
    reference_u = max(reference_limit / _ROOT_3, 1e-12)
    measured = np.column_stack((1 / noise, true, common))
    design = np.vstack((measured, np.diag(1 / np.array((*prior_u, reference_u)))))
    known = np.concatenate((reading, (0.0, 1.0 / prior_u[1], 0.0)))
    q, r = np.linalg.qr(design)
    gain = np.linalg.solve(r, q.T)[:2]
    estimate = gain @ known
    by_reference = gain[:, : len(rows)] @ common * reference_u
    others = np.delete(gain, -1, axis=1)
    rest = others @ others.T
    zero_u, slope_u = np.sqrt(np.diag(rest))
    correlation = float(rest[0, 1] / (zero_u * slope_u)) if zero_u > 0 and slope_u > 0 else 0.0
    slope = float(estimate[1])
    return Line(
        zero=float(estimate[0]),
        factor=1.0 / slope,
        zero_standard=float(zero_u),
        factor_standard=float(slope_u) / slope,
        correlation=max(-1.0, min(1.0, correlation)),
        reference_zero=float(by_reference[0]),
        reference_factor=float(by_reference[1]) / slope,
        high=float(max((abs(row.true) for row in points), default=0.0)),
        points=len(points),
    )
