"""Lognormal lives, the rival of the Weibull: ln life is normal with ``location`` and ``scale``."""

from analysis.life.data import Lives
from analysis.life.fit import LifeFit, fit_life
from analysis.life.solver import LOGNORMAL


def fit_lognormal(lives: Lives) -> LifeFit:
    """Maximum-likelihood fit; ``location`` is the log of the middle life. Raises BenchError."""
    return fit_life(lives, LOGNORMAL)
