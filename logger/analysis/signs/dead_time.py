"""How late an exhaust probe reads what the engine did: the way of the gas through the exhaust, told by the event.

By cuts of the fuel, where a load channel shows them: air ends so long after the throttle opened. By the crank
everywhere else: a firing that sends its air down the exhaust is one that did not turn the crank, be it lost or cut.
"""

from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from logger.analysis.crank.states import View
from logger.analysis.signs.fuelled import GATE, MS
from logger.event import NS_PER_S, FloatArray, IntArray

STOICHIOMETRIC = 14.7  # petrol
LONGEST_DEAD_NS = 450 * MS
FEWEST_CUTS = 4  # ends of overrun from which the dead time is read
GRID_NS, SMOOTH = 10 * MS, 6  # steps over which the crank's speed is averaged
SECOND = 100  # steps; what changes more slowly is the driver's doing
MOST_LOST, MOST_PER_S = 0.5, 1.5  # of one moment: share of air; change of the logarithm of speed
AS_DEEP = 0.6  # of the deepest dip
CLEAR = -0.05  # a correlation coefficient
# Steps by which the air cannot lag, too early or too late, from which chance is read, and how many standard deviations
# of it a true lag stands out by: where none is true, 80 stretches of running of 15 s to 120 s never showed 3.5.
NOWHERE, STANDS_OUT = ((-300, -60), (105, 345)), 6.0


def by_cuts(views: Sequence[View], undone: Sequence[FloatArray]) -> int | None:
    """How late the probe reads: from where the throttle opens after an overrun to where plain air ends, ns.

    The median over the event; None where the event shows fewer than FEWEST_CUTS.
    """
    late: list[int] = []
    for view, value in zip(views, undone, strict=True):
        time_ns = view.traces["air_fuel_ratio"].time_ns
        for at_ns in _openings(view):
            end_ns = at_ns + LONGEST_DEAD_NS + 150 * MS
            first, at, tail, last = np.searchsorted(time_ns, [at_ns - 200 * MS, at_ns, end_ns - 100 * MS, end_ns])
            before, after = value[first:at], value[at:last]
            if before.size < 2 or tail == last or time_ns[last - 1] - time_ns[at - 1] < LONGEST_DEAD_NS:
                continue
            high, low = float(np.median(before)), float(np.median(value[tail:last]))
            if high > 1.15 * STOICHIOMETRIC and low < STOICHIOMETRIC + 0.5:
                half = 0.5 * (high + low)
                k = int(at + np.flatnonzero(after < half)[0])
                # Between two samples it fell through there about evenly: at 10 Hz they are a tenth of a second apart.
                share = float(np.clip((value[k] - half) / (value[k] - value[k - 1]), 0.0, 1.0))
                late.append(int(time_ns[k] - share * (time_ns[k] - time_ns[k - 1]) - at_ns))
    if len(late) < FEWEST_CUTS:
        return None
    return int(np.clip(np.median(late), 0, LONGEST_DEAD_NS))


def _openings(view: View) -> list[int]:
    """Times at which the throttle opened, after half a second shut and before a third of one open, ns."""
    at_least = GATE.get(view.load_channel or "", GATE["fuel_pressure"])[0]
    time_ns = view.firings.time_ns
    known = np.isfinite(view.load) & view.running
    opened = known & (view.load >= at_least)
    found = []
    for k in (np.flatnonzero(opened[1:] & ~opened[:-1]) + 1).tolist():
        first, last = np.searchsorted(time_ns, [time_ns[k] - 500 * MS, time_ns[k] + 330 * MS])
        if first < k and not opened[first:k].any() and known[first:k].all() and opened[k:last].all():
            found.append(int(time_ns[k]))
    return found


def by_the_crank(views: Sequence[View], undone: Sequence[FloatArray]) -> int | None:
    """How late the crank's own slowing is seen as air, ns; None where the event does not show it clearly.

    undone: of each view the reading freed from its lag. The cross-correlation of the exhaust's air with the crank's
    acceleration, both freed from what changes slowly, is most negative there. It may dip again later, as what the
    driver does repeats itself; so the first dip counts that is nearly as deep as the deepest.
    """
    lags = np.arange(LONGEST_DEAD_NS // GRID_NS + 1)
    elsewhere = np.concatenate([np.arange(first, stop, 5) for first, stop in NOWHERE])
    together, by_chance, air_power, crank_power = np.zeros(lags.size), np.zeros(elsewhere.size), 0.0, 0.0
    for view, value in zip(views, undone, strict=True):
        air, crank = _air_and_crank(view, value)
        if air.size <= 2 * max(-elsewhere.min(), elsewhere.max()):
            continue
        together += _products(air, crank, lags)
        by_chance += _products(air, crank, elsewhere)
        air_power += float(air @ air)
        crank_power += float(crank @ crank)
    if not air_power or not crank_power:
        return None
    likeness = together / np.sqrt(air_power * crank_power)
    inner = likeness[1:-1]
    dips = np.flatnonzero((inner < likeness[:-2]) & (inner <= likeness[2:]) & (inner < AS_DEEP * likeness.min())) + 1
    if not dips.size or likeness[dips[0]] > CLEAR or together[dips[0]] > -STANDS_OUT * float(np.std(by_chance)):
        return None
    return int(dips[0]) * GRID_NS


def _products(air: FloatArray, crank: FloatArray, lags: IntArray) -> FloatArray:
    """The sum of products of two series (n,), the first so many steps later, at each of lags (m,)."""
    return np.array([float(air[max(0, k) : min(0, k) or None] @ crank[max(0, -k) : min(0, -k) or None]) for k in lags])


def _air_and_crank(view: View, undone: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The share of air by the probe, and the crank's relative acceleration in 1/s, where the engine ran, (n,) each."""
    time_ns, firings = view.traces["air_fuel_ratio"].time_ns, view.firings
    at_ns = np.arange(int(time_ns[0]), int(time_ns[-1]), GRID_NS)
    place = np.clip(np.searchsorted(firings.time_ns, at_ns), 1, firings.time_ns.size - 1)
    runs = ndimage.binary_erosion(view.running[place] & view.running[place - 1], np.ones(SECOND, bool))
    if not runs.any():
        return np.empty(0), np.empty(0)
    ratio = np.interp(at_ns, time_ns, undone)
    usual = float(np.median(ratio[runs]))
    air = np.clip(1.0 - usual / np.maximum(ratio, usual), 0.0, MOST_LOST)
    speed = np.log(np.maximum(np.interp(at_ns, firings.time_ns, firings.speed_rps), 0.1))
    change = np.gradient(ndimage.uniform_filter1d(speed, SMOOTH), GRID_NS / NS_PER_S)
    quick = [
        value - ndimage.uniform_filter1d(value, SECOND) for value in (air, np.clip(change, -MOST_PER_S, MOST_PER_S))
    ]
    return quick[0] * runs, quick[1] * runs
