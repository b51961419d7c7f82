"""What one count of a sensor's registers is worth, and whole-number factors to the protocol's steps.

Everything is kept in counts of the shunt register until a line is written; a pair's pack
voltage is bus x pack_ratio + shunt in those counts.
"""


class Units:
    """``count_half_uv``: worth of a shunt count in 0.5 uV; divisors: counts (squared) x us in one 1e-6 mAh, mWh."""

    def __init__(self, pack_ratio: int, count_half_uv: int, shunt_steps: int) -> None:
        self.pack_ratio = pack_ratio
        self.count_half_uv = count_half_uv
        self.shunt_steps = shunt_steps
        # With a shunt in steps of 0.0001 ohm and a count in nV, 1e-6 mAh is 360000 shunt / count
        # and 1e-6 mWh is 3.6e14 shunt / count^2.
        count_nv = 500 * count_half_uv
        self.charge_divisor = 360000 * shunt_steps // count_nv
        self.energy_divisor = 360000000000000 * shunt_steps // (count_nv * count_nv)

    def voltage_uv(self, counts: int, conversions: int) -> int:
        """Of ``counts`` shunt counts summed over ``conversions``."""
        return divide_rounded(counts * self.count_half_uv, 2 * conversions)

    def current_steps(self, counts: int, conversions: int) -> int:
        """In 0.0001 mA: count / shunt = 0.5e-6 V half_uv / (1e-4 ohm steps), and 1e-7 A is a step."""
        return divide_rounded(counts * self.count_half_uv * 50000, self.shunt_steps * conversions)


def divide_rounded(value: int, divisor: int) -> int:
    """To the nearest integer, halves away from zero."""
    if value < 0:
        return -((divisor // 2 - value) // divisor)
    return (value + divisor // 2) // divisor


def ina219_units(shunt_steps: int) -> Units:
    """10 uV and 4 mV (TI SBOS448)."""
    return Units(400, 20, shunt_steps)


def ina226_units(shunt_steps: int) -> Units:
    """2.5 uV and 1.25 mV (TI SBOS547)."""
    return Units(500, 5, shunt_steps)
