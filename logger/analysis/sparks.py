"""Coil switched but no spark seen: tach pulses whose spark the clamp on the coil lead did not see.

Such a miss is as strong evidence as the clamp proved reliable in the same event's healthy running: a clamp that misses
one spark in fifty by itself needs a row of misses, one that never missed convinces with two.
"""

import numpy as np

from logger.analysis.signs import Sign
from logger.analysis.states import View
from logger.event import NS_PER_S, IntArray

REACH_NS = 1_500_000  # a spark follows the tach edge within this
TOGETHER_NS = NS_PER_S // 2


def signs(view: View) -> list[Sign]:
    """Rows of missing sparks while the engine ran, as no_spark signs; empty where there is no usable clamp."""
    sparks = view.recording.pulses.get("spark_pulses")
    firings = view.firings
    if sparks is None or sparks.size < 100 or firings.time_ns.size < 100:
        return []
    missing = unsparked(firings.time_ns, sparks) & firings.seen & view.running
    due = int(np.count_nonzero(firings.seen & view.running))
    at = np.flatnonzero(missing)
    if not at.size or at.size > 0.5 * due:
        return []
    parts = np.split(at, np.flatnonzero(np.diff(firings.time_ns[at]) > TOGETHER_NS) + 1)
    # Misses that stand alone are the clamp's own: their rate is what has to be beaten.
    alone = sum(1 for part in parts if part.size == 1)
    own_rate = (alone + 0.5) / (due + 1.0)
    found = []
    for part in parts:
        within = int(part[-1] - part[0] + 1)
        expected = own_rate * within
        strength = float(part.size * np.log(part.size / expected) - (part.size - expected)) - np.log(1.0 + alone)
        if strength < 3.0:
            continue
        per_pulse = view.engine.firings_per_revolution / firings.pulses_per_revolution
        end = min(int(part[-1]) + 1, firings.time_ns.size - 1)
        found.append(
            Sign(
                "no_spark",
                "spark_pulses",
                int(firings.time_ns[part[0]]),
                int(firings.time_ns[end]),
                part.size * per_pulse,
                strength,
                int(firings.time_ns[max(0, part[0] - 1)]),
            )
        )
    return found


def unsparked(tach_ns: IntArray, spark_ns: IntArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Tach pulses (n,) without a spark within REACH_NS before or after, bool (n,)."""
    after = np.searchsorted(spark_ns, tach_ns - REACH_NS)
    found = spark_ns[np.minimum(after, spark_ns.size - 1)]
    return np.asarray(np.abs(found - tach_ns) > REACH_NS)
