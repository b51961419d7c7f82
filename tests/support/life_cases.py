"""Published life data used by several tests; each with its source."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.life.data import Lives, lives

# NIST/SEMATECH e-Handbook 8.4.1, companion script; the page 8.4.1.3 itself has 54 for 55.
NIST_HOURS: Final = (55.0, 187, 216, 240, 244, 335, 361, 373, 375, 386)
# Lieblein & Zelen 1956, J. Res. NBS 57:273; the seventh value is pinned to 48.48.
_BEARINGS: Final = """
17.88 28.92 33.00 41.52 42.12 45.60 48.48 51.84 51.96 54.12 55.56 67.80 68.64 68.64 68.88
84.12 93.12 98.64 105.12 105.84 127.92 128.04 173.40
"""
BEARINGS: Final = tuple(float(text) for text in _BEARINGS.split())


def nist(first: float = 55.0) -> Lives:
    """Ten failures, ten units stopped at 500 h."""
    return lives((first, *NIST_HOURS[1:]), [500.0] * 10)


def quality_1997() -> Lives:
    """J. Quality Technology 1997, doi 10.1080/00224065.1997.11979730."""
    return lives([45, 46, 34, 45, 32, 24, 58, 79, 56, 63, 34, 50], [23, 24, 57, 78, 76, 85, 51, 59])


def bearing_cages() -> Lives:
    """Meeker & Escobar 1998, Table C.5: 1703 units, six failures."""
    counts = (
        "288@50 148@150 124@250 111@350 106@450 99@550 110@650 114@750 119@850 127@950 123@1050 "
        "93@1150 47@1250 41@1350 27@1450 11@1550 6@1650 1@1850 2@2050"
    )
    pairs = [tuple(map(float, text.split("@"))) for text in counts.split()]
    return lives(
        [230, 334, 423, 990, 1009, 1510],
        [hours for _, hours in pairs],
        censored_weights=[count for count, _ in pairs],
    )


def marked(text: str) -> Lives:
    """Lives from text in which + marks a censored one."""
    items = text.split()
    return lives(
        [float(item) for item in items if not item.endswith("+")],
        [float(item[:-1]) for item in items if item.endswith("+")],
    )


# Freireich et al. 1963, Blood 21:699.
REMISSION_TREATED: Final = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
REMISSION_PLACEBO: Final = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"

# Nelson 1990, Accelerated Testing, p. 305 (outlier omitted): load -> lives.
NELSON_LOAD: Final = {
    0.87: "1.67 2.2 2.51 3.0 3.9 4.7 7.53 14.7 27.76 37.4",
    0.99: ".80 1.0 1.37 2.25 2.95 3.7 6.07 6.65 7.05 7.37",
    1.09: ".18 .2 .24 .26 .32 .32 .42 .44 .88",
    1.18: ".073 .098 .117 .135 .175 .262 .270 .350 .386 .456",
}


def random_sample(
    random: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Cycles and failed of a censored Weibull sample of 5 to 30 with at least three different failures."""
    while True:
        size = int(random.integers(5, 31))
        shape, scale = random.uniform(1.0, 4.0), 10 ** random.uniform(2, 4)
        life = scale * random.weibull(shape, size)
        stop = scale * random.weibull(shape, size) * random.uniform(0.8, 3.0)
        failed = life <= stop
        if failed.sum() >= 3:
            return np.where(failed, life, stop), failed
