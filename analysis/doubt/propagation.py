"""Uncertainty through any function, with correlated inputs (JCGM 100:2008, 5.1 and 5.2)."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def means_and_covariance(readings: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Means, shape (m,), and covariance of the means, (m, m), of simultaneous readings of shape (n, m).

    GUM 4.2.3 and 5.2.3, equation 17: s(q, r) / n. Raises ValueError for fewer than two readings.
    """
    array = np.asarray(readings, dtype=np.float64)
    if array.ndim != 2 or len(array) < 2:
        raise ValueError(f"readings of shape {array.shape}: at least two rows are needed")
    return array.mean(axis=0), np.atleast_2d(np.cov(array, rowvar=False)) / len(array)


def propagate(
    function: Callable[[Floats], npt.ArrayLike], means: npt.ArrayLike, covariance: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Results, shape (k,), and their covariance, (k, k), of ``function`` of inputs of shape (m,).

    U_y = C U_x C^T (GUM 5.2.2, equation 13, in matrix form). Sensitivities C are central differences
    over one standard uncertainty to each side, c_i = [f(x_i + u_i) - f(x_i - u_i)] / (2 u_i)
    (GUM 5.1.3, note 2); an input without uncertainty has no influence.
    """
    at = np.asarray(means, dtype=np.float64)
    spread = np.asarray(covariance, dtype=np.float64)
    if spread.shape != (at.size, at.size):
        raise ValueError(f"covariance of shape {spread.shape} for {at.size} inputs")
    standard = np.sqrt(np.diag(spread))
    results = np.atleast_1d(np.asarray(function(at), dtype=np.float64))
    sensitivity = np.zeros((results.size, at.size))
    for index in np.flatnonzero(standard > 0):
        step = np.zeros_like(at)
        step[index] = standard[index]
        above, below = (np.atleast_1d(function(at + sign * step)) for sign in (1, -1))
        sensitivity[:, index] = (above - below) / (2 * standard[index])
    return results, sensitivity @ spread @ sensitivity.T


def correlation(covariance: npt.ArrayLike) -> Floats:
    """Correlation coefficients of a covariance (GUM 5.2.2, equation 14); 0 where there is no uncertainty."""
    spread = np.asarray(covariance, dtype=np.float64)
    standard = np.sqrt(np.diag(spread))
    scale = np.outer(standard, standard)
    return np.asarray(np.divide(spread, scale, out=np.zeros_like(spread), where=scale > 0))
