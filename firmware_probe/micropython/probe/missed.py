"""Conversions between two that were fetched, by the time that passed."""

from .cutoff import MASK


class Missed:
    """Adds up how late each is, from one that was waited for on.

    Those also teach it the sensor's own clock; where none ever is, its usual one has to do.
    ``waited``: a look found nothing new since the last.
    """

    def __init__(self) -> None:
        self.use(1)

    def use(self, period_us: int) -> None:
        """A sensor was set up."""
        self._periods = 16 * period_us
        self._seen = self._vain = self._owed_us = 0
        self.waited = self._punctual = self._counting = False

    def pause(self) -> None:
        """What is lost until the next fetch has a name already."""
        self._counting = False

    def wait(self, now: int) -> None:
        """A look in vain."""
        self.waited = True
        self._vain = now

    def fetch(self, now: int) -> int:
        """One was found: how many before it were not."""
        period_us = self._periods >> 4
        passed_us = (now - self._seen) & MASK
        self._seen = now
        waited, self.waited = self.waited, False
        late_us = (now - self._vain) & MASK if waited else MASK
        before, self._punctual = self._punctual, late_us < period_us >> 3
        if not self._counting:
            self._counting = True
            self._owed_us = 0
            return 0
        if before and self._punctual and abs(passed_us - period_us) < period_us >> 3:
            self._periods += passed_us - period_us
        owed_us = self._owed_us + passed_us - period_us
        missed = max(0, (owed_us + (period_us >> 3)) // period_us)
        owed_us -= missed * period_us
        self._owed_us = max(0, min(owed_us, late_us)) if waited else owed_us
        return missed
