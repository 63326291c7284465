"""What the exhaust of an engine that stops tells: whether mixture burned until its last pulse."""

import numpy as np

from logger.analysis.crank.states import View

MS = 1_000_000
TURNED_LEAN = 1.0  # air-fuel ratio above the usual
AIR = 19.0  # air-fuel ratio: 1.3 times the stoichiometric, about the leanest that burns (common practice, no source)


def burned_to_the_end(view: View, end_ns: int) -> bool | None:
    """Whether mixture burned until the last pulse, as it does in an engine stalled by its load; None: no probe tells.

    An engine that gets no spark or no fuel runs down for a third of a second, and its probe reads air by then. One that
    reads air all the while has not burned for long, or has its fuel cut as its car drags it along.
    """
    usual = view.near("air_fuel_ratio", end_ns - 1500 * MS, end_ns - 500 * MS).value
    ending = view.near("air_fuel_ratio", end_ns - 40 * MS, end_ns + 120 * MS).value
    if usual.size < 5 or ending.size < 2 or min(np.median(usual), np.median(ending)) > AIR:
        return None
    return float(np.median(ending)) < float(np.median(usual)) + TURNED_LEAN


def aired(view: View, end_ns: int) -> bool:
    """Whether unburnt air reached the probe well before the last pulse, after a mixture that burned: no stall by the
    clutch, which ends the burning itself and whose air comes later."""
    usual = view.near("air_fuel_ratio", end_ns - 1500 * MS, end_ns - 700 * MS).value
    before = view.near("air_fuel_ratio", end_ns - 250 * MS, end_ns - 50 * MS).value
    if usual.size < 5 or before.size < 2 or float(np.median(usual)) > AIR:
        return False
    return float(np.median(before)) > max(AIR, float(np.median(usual)) + TURNED_LEAN)
