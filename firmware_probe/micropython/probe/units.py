"""What one count of a sensor's registers is worth in the protocol's steps.

Everything is kept in counts of the shunt register; a pair's pack voltage is bus x pack_ratio + shunt.
"""


class Units:
    """``worth``: of a shunt count, in 62.5 nV; divisors: counts (squared) x us in one 1e-6 mAh, mWh.

    ``wide``: counts of 20 bits, else of 16.
    """

    def __init__(self, pack_ratio: int, worth: int, shunt_steps: int, wide: bool = False) -> None:
        self.pack_ratio = pack_ratio
        self.worth = worth
        self.shunt_steps = shunt_steps
        self.wide = wide
        # With a shunt in steps of 0.0001 ohm and a count in nV, 1e-6 mAh is 360000 shunt / count
        # and 1e-6 mWh is 3.6e14 shunt / count^2.
        self.charge_divisor = 5760 // worth * shunt_steps
        self.energy_divisor = 92160000000 // (worth * worth) * shunt_steps

    def voltage_uv(self, counts: int, conversions: int) -> int:
        """Of ``counts`` shunt counts summed over ``conversions``."""
        return divide_rounded(counts * self.worth, 16 * conversions)

    def current_steps(self, counts: int, conversions: int) -> int:
        """In 0.0001 mA: count / shunt = 62.5e-9 V worth / (1e-4 ohm steps), and 1e-7 A is a step."""
        return divide_rounded(counts * self.worth * 6250, self.shunt_steps * conversions)


def divide_rounded(value: int, divisor: int) -> int:
    """To the nearest integer, halves away from zero."""
    if value < 0:
        return -((divisor // 2 - value) // divisor)
    return (value + divisor // 2) // divisor


def ina219_units(shunt_steps: int) -> Units:
    """10 uV and 4 mV (TI SBOS448)."""
    return Units(400, 160, shunt_steps)


def ina226_units(shunt_steps: int) -> Units:
    """2.5 uV and 1.25 mV (TI SBOS547)."""
    return Units(500, 40, shunt_steps)


def ina228_units(shunt_steps: int) -> Units:
    """312.5 nV and 195.3125 uV (TI SBOSA20)."""
    return Units(625, 5, shunt_steps, wide=True)
