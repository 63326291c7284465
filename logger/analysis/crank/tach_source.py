"""What drives the tach wire, read off the event where the owner did not say.

With the ignition off a coil gives no more pulses, while a pick-up at the crank goes on for as long as the crank turns.
"""

from collections.abc import Sequence

import numpy as np

from logger.analysis.crank.key import FEED_DEAD_V, MS, RUN_DOWN_NS
from logger.event import NS_PER_S, Recording

AFTER_NS = 30 * MS  # a filtered feed is seen to fall a little late
FEWEST, SLOWED = 3, 1.2  # intervals of a crank that runs down; its last over those before


def is_crank(recordings: Sequence[Recording]) -> bool:
    """Whether the pulses of most recordings that show the ignition being turned off ran on and down after it."""
    shown = [ran for recording in recordings if (ran := _ran_on(recording)) is not None]
    return 2 * sum(shown) > len(shown)


def _ran_on(recording: Recording) -> bool | None:
    """Whether pulses ran on as the ignition was turned off for good; None where that is not seen while it ran."""
    off_ns = _off_ns(recording)
    pulses = recording.pulses.get("tach_pulses")
    if off_ns is None or pulses is None:
        return None
    before, first, last = np.searchsorted(pulses, [off_ns - NS_PER_S // 2, off_ns + AFTER_NS, off_ns + RUN_DOWN_NS])
    if first - before <= FEWEST:
        return None
    usual, interval = np.median(np.diff(pulses[before:first])), np.diff(pulses[first:last])
    return interval.size >= FEWEST and bool(interval[-1] > SLOWED * usual)


def _off_ns(recording: Recording) -> int | None:
    """When the coil's feed was gone for the rest of the recording, ns; None where it is not recorded or never was."""
    feed = recording.traces.get("ignition_feed_voltage")
    if feed is None:
        return None
    there = np.flatnonzero(feed.value > FEED_DEAD_V)
    if not there.size or there[-1] + FEWEST > feed.time_ns.size:
        return None
    return int(feed.time_ns[there[-1] + 1])
