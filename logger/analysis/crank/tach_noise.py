"""Edges that no crank can give: bounce behind every pulse, bursts of noise, a contact chattering as the crank turns on.

Only what is plainly impossible is marked here, by the highest speed an engine reaches and by a crank's inertia; which
edges are pulses all the same is left to pulses.py, which lays the crank's phase through what is marked.
"""

import numpy as np
from scipy import ndimage

from logger.analysis.medians import median
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray

FASTEST_RPM = 9000.0  # where no redline is given
OVER_REDLINE = 1.15
TOO_SOON = 0.55  # of the interval at that speed: uneven firing and jitter do not reach it
DENSE, WITHIN = 3, 8  # that many impossible intervals among so many neighbours are a burst of noise
BLOCK, ALWAYS = 32, 0.03  # edges; share of them too soon in half of all blocks: the wire bounces by habit
MOST_NOISE, AT_ONCE_SHARE = 0.25, 0.8  # share of edges too soon that mere noise may reach; of those, that come at once
SOONER = 0.6
REGULAR, REGULAR_RUN = 0.15, 6  # change of the interval's logarithm from one to the next; so many in a row
LONGEST_SCATTER, LONGEST_S = 1500, 2.0
JUMP = 5.0  # times longer than the ones before: no crank slows that much from one firing to the next
AT_ONCE = 2.5
CHATTER_S = 3.0
LIKE_BEFORE = (0.6, 2.5)


def fastest_interval_ns(engine: Engine) -> float:
    """The shortest interval between pulses that the engine can give, ns."""
    rpm = engine.redline_rpm * OVER_REDLINE if engine.redline_rpm else FASTEST_RPM
    return 60.0 * NS_PER_S / (rpm * engine.pulses_per_revolution)


def bounces(edges: IntArray, fastest_ns: float) -> BoolArray:
    """Edges (n,) that follow another too soon, where that is so all along; none where it is rare, bool (n,)."""
    bounced = np.zeros(edges.size, bool)
    n_blocks = edges.size // BLOCK
    short = np.diff(edges, prepend=edges[:1] - NS_PER_S) < TOO_SOON * fastest_ns
    if np.count_nonzero(short) < 0.5 * n_blocks * ALWAYS * BLOCK:
        return bounced  # not even half of all blocks can have so many
    usual = float(np.median(short[: n_blocks * BLOCK].reshape(n_blocks, BLOCK).mean(axis=1))) if n_blocks else 0.0
    if usual <= ALWAYS:
        return bounced
    if usual <= MOST_NOISE:
        # Of edges at any time, half would come in the first half of that; a bounce comes at once.
        at_once = np.diff(edges)[short[1:]] < 0.5 * TOO_SOON * fastest_ns
        if float(at_once.mean()) < AT_ONCE_SHARE:
            return bounced
    last = -np.inf
    for k, at in enumerate(edges.tolist()):
        if at - last < TOO_SOON * fastest_ns:
            bounced[k] = True
        else:
            last = at
    return bounced


def bursts(interval: FloatArray, fastest_ns: float) -> BoolArray:
    """Intervals (n,) that belong to bursts of noise, bool (n,)."""
    short = interval < TOO_SOON * fastest_ns
    noisy = np.zeros(interval.size, bool)
    if np.count_nonzero(short) < DENSE:
        return noisy
    dense = short & (ndimage.convolve1d(short.astype(np.int16), np.ones(2 * WITHIN + 1, np.int16)) >= DENSE)
    at = np.flatnonzero(dense)
    for part in np.split(at, np.flatnonzero(np.diff(at) > 2 * WITHIN) + 1):
        if part.size >= DENSE:
            noisy[max(0, int(part[0]) - 1) : int(part[-1]) + 2] = True
    return noisy


def scatter(interval: FloatArray, already: BoolArray, slowest_ns: float) -> BoolArray:
    """Intervals (n,) from a jump to far more pulses until they come regularly again, bool (n,).

    Noise over an engine that turns slowly gives intervals that a faster one could have; but no crank more than doubles
    its speed from one firing to the next, nor turns so unevenly. already: marked otherwise, bool (n,). slowest_ns: the
    interval from which the engine does not run by itself; what follows may be its start.
    """
    found = np.zeros(interval.size, bool)
    done = 0
    sooner = (interval[2:] < SOONER * interval[1:-1]) & (interval[2:] < SOONER * interval[:-2])
    for k in (np.flatnonzero(sooner & ~already[2:]) + 2).tolist():
        before = interval[max(0, k - 9) : k]
        if k < done or before.size < 5:
            continue
        usual = float(np.median(before))
        if usual > slowest_ns or float(before.max()) > 1.4 * usual:
            continue
        part = interval[k : k + LONGEST_SCATTER]
        if part.size <= REGULAR_RUN:
            break  # too near the end to come regularly again
        regular = np.abs(np.diff(np.log(part))) < REGULAR
        like = (part[1:] > usual / 3.0) & (part[1:] < 3.0 * usual)
        run = np.convolve(regular & like, np.ones(REGULAR_RUN, int), "valid") == REGULAR_RUN
        if not run.any():
            continue
        end = k + int(np.argmax(run))
        if interval[k:end].sum() < LONGEST_S * NS_PER_S and np.count_nonzero(interval[k:end] < SOONER * usual) >= DENSE:
            found[k:end] = True
            done = end
    return found


def chatter(interval: FloatArray, odd: BoolArray, slow_ns: float) -> BoolArray:
    """Intervals (n,) between a jump to far fewer pulses and the return of the speed before, bool (n,).

    A contact that opens and closes lets single pulses through at random; the crank meanwhile turned on. slow_ns: the
    interval from which a crank may really stop within a few firings; there nothing is claimed.
    """
    found = np.zeros(interval.size, bool)
    done = 0
    for k in (np.flatnonzero(interval[1:] > JUMP * interval[:-1]) + 1).tolist():
        sound = interval[max(0, k - 36) : k][~(odd | found)[max(0, k - 36) : k]][-9:]
        if k < done or sound.size < 3 or not median(sound) < slow_ns:
            continue
        before = median(sound)
        lasted = np.cumsum(interval[k : k + 600])
        reach = int(np.searchsorted(lasted, CHATTER_S * NS_PER_S))
        like = (interval[k : k + reach + 3] > LIKE_BEFORE[0] * before) & (
            interval[k : k + reach + 3] < LIKE_BEFORE[1] * before
        )
        back = np.flatnonzero(like[:-2] & like[1:-1] & like[2:])
        if not back.size or back[0] < 2:
            continue
        end = k + int(back[0])
        if interval[end - 1] > AT_ONCE * interval[end]:  # else the crank picked up by itself
            found[k:end] = True
            done = end
    return found
