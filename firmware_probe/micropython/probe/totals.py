"""Running totals of mean x span over windows, to 1/256 of a count x microsecond."""


class Total:
    """``divisor``: counts x microseconds in one output step. Keeps the whole steps so far."""

    def __init__(self) -> None:
        self._steps = 0
        self.set_divisor(1)

    def set_divisor(self, divisor: int) -> None:
        self._divisor = divisor
        self._remainder = 0
        self._fraction = 0

    def add(self, total: int, conversions: int, span_us: int) -> None:
        """One window: mean = total / conversions, times its span.

        Rounded down in portions of the span that PROTOCOL.md's counts of 1/256 are made of: 2^29 us, 2^22
        where the mean needs more than 32 bits, 2^13 for more than 39, as boards without long integers have to.
        """
        mean = total // conversions
        rest = total - mean * conversions
        high = abs(mean) >> 32
        portion_us = 1 << 13 if high >> 7 else 1 << 22 if high else 1 << 29
        while span_us:
            span = min(span_us, portion_us)
            span_us -= span
            parts = (rest * span << 8) // conversions + self._fraction
            self._fraction = parts & 255
            self._remainder += mean * span + (parts >> 8)
            whole = self._remainder // self._divisor
            self._steps += whole
            self._remainder -= whole * self._divisor

    def rounded_steps(self) -> int:
        """To the nearest step, halves away from zero."""
        doubled = 2 * self._remainder
        up = doubled > self._divisor if self._steps < 0 else doubled >= self._divisor
        return self._steps + (1 if up else 0)
