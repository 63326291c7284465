"""Coil switched but no spark seen: tach pulses whose spark the clamp on the coil lead did not see.

Such a miss is as strong evidence as the clamp proved reliable in the same event: where it overlooks one spark in
thirty by itself, it takes a row of misses to convince; a clamp that never missed convinces with two. Each pulse
scores its log-likelihood ratio between an ignition that misses (every second spark, say) and a clamp that overlooks
some; stretches whose sum rises far enough are reported: the cumulative sum test of E. S. Page (Biometrika 41 (1954)
100-115).
"""

import numpy as np

from logger.analysis.crank.pulses import Firings
from logger.analysis.crank.states import View
from logger.analysis.signs.sign import Sign
from logger.event import BoolArray, IntArray

NOISE_NS = 100_000_000
REACH_NS = 1_500_000  # a spark follows the tach edge within this
MISSING_SHARE = 0.5  # of the sparks, while the ignition misses
CONVINCING = 14.0  # natural log-likelihood: one chance stretch in some thousand hours
FEWEST = 3  # missing sparks; a clamp overlooks two at once for reasons of its own
HOLE, BESIDE = 1.6, 10  # times the usual interval; sparks to either side that tell it (judgement)
USELESS = 0.25  # share of sparks overlooked from which the clamp tells nothing
WHOLE = 0.05  # of the sparks due, that a clamp may see too few or too many and still be believed to see all
AT_THE_EDGES = 1.5  # sparks, by which two counts of the same firings may differ
BLOCK = 200  # pulses over which the clamp's own misses are counted
ALONE = 25  # pulses between two misses that have nothing to do with each other


def signs(view: View) -> list[Sign]:
    """Stretches of missing sparks while the engine ran, as no_spark signs; empty where there is no usable clamp."""
    sparks = view.recording.pulses.get("spark_pulses")
    firings = view.firings
    if sparks is None or sparks.size < 100 or firings.time_ns.size < BLOCK:
        return []
    due = np.flatnonzero(firings.seen & view.running & ~in_noise(firings))
    if due.size < BLOCK:
        return []
    missing = unsparked(firings.time_ns[due], sparks)
    overlooked = overlooked_share(missing)
    if overlooked > USELESS:
        return []
    per_pulse = view.engine.firings_per_revolution / firings.pulses_per_revolution
    found = []
    for first, last, score in scoring_stretches(missing, overlooked):
        if np.count_nonzero(missing[first : last + 1]) < FEWEST:
            continue
        begin, end = int(due[first]), min(int(due[last]) + 1, firings.time_ns.size - 1)
        lost = np.count_nonzero(missing[first : last + 1]) * per_pulse
        earliest = int(firings.time_ns[max(0, begin - 1)])
        from_ns, to_ns = int(firings.time_ns[begin]), int(firings.time_ns[end])
        if not holed(sparks, from_ns, to_ns):
            continue
        found.append(Sign("no_spark", "spark_pulses", from_ns, to_ns, float(lost), score, earliest))
    return found


def all_seen(view: View, from_ns: int, to_ns: int) -> bool:
    """Whether a clamp saw every spark that was due in a stretch, one for each firing.

    Counted and not paired, so the pulses may come from the crank, at any angle and more or fewer than the firings.
    False where fewer than FEWEST were due, or where the clamp does not usually see them all.
    """
    sparks = view.recording.pulses.get("spark_pulses")
    firings = view.firings
    if sparks is None or sparks.size < 100 or firings.time_ns.size < BLOCK:
        return False
    block_ns = firings.time_ns[::BLOCK]
    running = view.running[::BLOCK][:-1] & view.running[::BLOCK][1:]
    each = np.diff(np.searchsorted(sparks, block_ns))[running] / BLOCK
    due_each = view.engine.firings_per_revolution / firings.pulses_per_revolution
    if not each.size or abs(float(np.median(each)) / due_each - 1.0) > WHOLE:
        return False
    due = due_each * float(np.diff(np.searchsorted(firings.time_ns, [from_ns, to_ns]))[0])
    return due >= FEWEST and due - float(np.diff(np.searchsorted(sparks, [from_ns, to_ns]))[0]) < AT_THE_EDGES


def holed(spark_ns: IntArray, from_ns: int, to_ns: int) -> bool:
    """Whether a train of sparks (n,) has a hole between the last one before a stretch and the first one after it.

    A spark that was missed leaves one. A train without any was whole, and the tach pulses are off instead.
    """
    before, after = np.searchsorted(spark_ns, [from_ns - REACH_NS, to_ns + REACH_NS]).tolist()
    if before == 0 or after == spark_ns.size:
        return True  # nothing closes the stretch
    inside = np.diff(spark_ns[before - 1 : after + 1])
    beside = np.concatenate((np.diff(spark_ns[max(0, before - BESIDE) : before]), np.diff(spark_ns[after:][:BESIDE])))
    return not beside.size or float(inside.max()) > HOLE * float(np.median(beside))


def in_noise(firings: Firings) -> BoolArray:
    """Pulses (n,) among extra edges half as many as they, within NOISE_NS to either side: their times are guesses."""
    around = np.stack((firings.time_ns - NOISE_NS, firings.time_ns + NOISE_NS))
    pulses, extra = np.searchsorted(firings.time_ns, around), np.searchsorted(firings.extra_ns, around)
    return np.asarray(2 * (extra[1] - extra[0]) > pulses[1] - pulses[0])


def unsparked(tach_ns: IntArray, spark_ns: IntArray) -> BoolArray:
    """Tach pulses (n,) without a spark within REACH_NS before or after, bool (n,)."""
    after = np.searchsorted(spark_ns, tach_ns - REACH_NS)
    found = spark_ns[np.minimum(after, spark_ns.size - 1)]
    return np.asarray(np.abs(found - tach_ns) > REACH_NS)


def overlooked_share(missing: BoolArray) -> float:
    """The share of sparks that the clamp overlooks by itself, without what stumbles take.

    The median over blocks; of a clamp that overlooks less than one a block, the share of misses that stand alone.
    """
    n_blocks = missing.size // BLOCK
    share = missing[: n_blocks * BLOCK].reshape(n_blocks, BLOCK).mean(axis=1)
    apart = np.diff(np.concatenate(([-ALONE], np.flatnonzero(missing), [missing.size + ALONE]))) >= ALONE
    alone = np.count_nonzero(apart[:-1] & apart[1:]) / missing.size
    return max(float(np.median(share)), alone, float(missing.mean()) / 20.0, 0.5 / missing.size)


def scoring_stretches(missing: BoolArray, overlooked: float) -> list[tuple[int, int, float]]:
    """Stretches (first and last missing spark, score) whose cumulative score exceeds CONVINCING.

    Only missing sparks raise the sum and the sum is only looked at there; sparks seen in between lower it.
    """
    up = float(np.log(MISSING_SHARE / overlooked))
    down = float(np.log((1.0 - MISSING_SHARE) / (1.0 - overlooked)))
    found: list[tuple[int, int, float]] = []
    first = last = previous = -1
    total = best = 0.0
    for at in np.flatnonzero(missing).tolist():
        total = total + down * (at - previous - 1) if first >= 0 else 0.0
        if first >= 0 and (total <= 0.0 or total < best - CONVINCING):
            if best > CONVINCING:
                found.append((first, last, best))
            first = -1
            total = 0.0
        if first < 0:
            first, best = at, 0.0
        total += up
        if total > best:
            best, last = total, at
        previous = at
    if best > CONVINCING:
        found.append((first, last, best))
    return found
