"""How much did the pack give? One answer for every screen."""

from analysis.doubt.quantity import Quantity


def charge_given(until_cutoff: Quantity, whole_run: Quantity) -> Quantity:
    """Charge in mAh until the cutoff where that was reached, else in the whole run."""
    return whole_run if until_cutoff.value is None else until_cutoff
