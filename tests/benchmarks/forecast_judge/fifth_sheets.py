"""Open voltage of the fifth sealed set's cells: makers' sheets and published curves.

Whoever works on the forecast does not read on. From memory except where a source is named; drawn
anew for every make. Levels and ends: SOURCES.md B41.
"""

from .third_sheets import Points

# Sodium-ion, fluorophosphate against hard carbon, balanced as the cell of SOURCES.md B40: 4.1 V,
# a step half-way to 3.6 V, then a slope. Beyond 1.0 from memory.
FLUOROPHOSPHATE: Points = (
    (0.0, 4.144), (0.05, 4.128), (0.1, 4.121), (0.2, 4.105), (0.3, 4.087), (0.4, 4.069), (0.45, 4.039),
    (0.5, 3.736), (0.55, 3.591), (0.6, 3.564), (0.65, 3.522), (0.7, 3.445), (0.75, 3.365), (0.8, 3.260),
    (0.85, 3.137), (0.9, 2.966), (0.93, 2.840), (0.96, 2.690), (0.98, 2.602), (1.0, 2.359),
    (1.03, 1.30), (1.1, 0.0),
)  # fmt: skip
# Sodium-ion, Prussian white against hard carbon: 3.3 V, bends down from half-way to 1.6 V.
PRUSSIAN: Points = (
    (0.0, 3.55), (0.03, 3.40), (0.1, 3.32), (0.3, 3.25), (0.5, 3.17), (0.65, 3.05), (0.78, 2.88),
    (0.88, 2.62), (0.95, 2.25), (1.0, 1.60), (1.04, 0.80), (1.1, 0.0),
)  # fmt: skip
# Lithium polycarbon monofluoride: 2.8 V, flat, then the knee; a sheet's dip at the start is its film.
FLUORIDE: Points = (
    (0.0, 3.05), (0.02, 2.90), (0.08, 2.82), (0.3, 2.79), (0.6, 2.76), (0.8, 2.72), (0.9, 2.64),
    (0.95, 2.50), (0.985, 2.20), (1.0, 1.80), (1.03, 0.90), (1.1, 0.0),
)  # fmt: skip
# Nickel-cadmium: 1.25 V, flat, a sharper end than nickel-metal hydride.
CADMIUM: Points = (
    (0.0, 1.40), (0.02, 1.335), (0.08, 1.29), (0.2, 1.268), (0.5, 1.250), (0.75, 1.232), (0.88, 1.205),
    (0.95, 1.15), (0.985, 1.04), (1.0, 0.85), (1.02, 0.15), (1.06, -0.2),
)  # fmt: skip
# Manganese spinel against graphite: 4.0 and 3.85 V, sharp end.
SPINEL: Points = (
    (0.0, 4.18), (0.05, 4.10), (0.2, 4.02), (0.4, 3.945), (0.5, 3.895), (0.6, 3.845), (0.8, 3.77),
    (0.9, 3.68), (0.95, 3.55), (0.98, 3.30), (1.0, 2.80), (1.03, 2.00), (1.1, 0.4),
)  # fmt: skip
# Lithium manganese dioxide coin: 3.0 V, slopes from two thirds to 2.0 V (SOURCES.md B8).
COIN: Points = (
    (0.0, 3.25), (0.02, 3.12), (0.1, 3.05), (0.4, 3.00), (0.6, 2.95), (0.75, 2.88), (0.85, 2.77),
    (0.92, 2.60), (0.97, 2.30), (1.0, 1.90), (1.04, 0.90), (1.1, 0.0),
)  # fmt: skip


def manganese_iron(share: float) -> Points:
    """Lithium manganese iron phosphate: 4.0 V for the manganese `share`, 3.4 V for the rest."""
    return (
        (0.0, 4.20), (0.03, 4.08), (0.5 * share, 4.01), (0.9 * share, 3.93), (share, 3.80),
        (share + 0.05, 3.52), (share + 0.11, 3.42), (0.89, 3.34), (0.95, 3.20), (0.985, 2.95),
        (1.0, 2.50), (1.02, 1.90), (1.1, 0.3),
    )  # fmt: skip


def remembered(points: Points, at: float, lower_v: float) -> Points:
    """A nickel cell that was always taken down to depth `at` only: `lower_v` less beyond it."""
    before = [p for p in points if p[0] < at - 0.03]
    after = [(x, v - (lower_v if x <= 1 else 0.0)) for x, v in points if x > at + 0.03]
    low, high = before[-1], after[0]

    def between(x: float, down_v: float) -> tuple[float, float]:
        share = (x - low[0]) / (high[0] - low[0])
        return x, low[1] + share * (high[1] + lower_v - low[1]) - down_v

    return (*before, between(at - 0.02, 0.05 * lower_v), between(at + 0.02, 0.95 * lower_v), *after)
