"""What tells of the ignition key: its own sense or, where that is not recorded, the coil's feed and what else hangs on
the key with it.

Switching off takes the coil's feed away while the battery breathes up, and the fuel pump with it, so that rail pressure
falls; a coil feed that breaks takes nothing else.
"""

import numpy as np

from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import IDLE_BAND, View
from logger.event import NS_PER_S

MS = 1_000_000
FEED_DEAD_V = 2.0
RUN_DOWN_NS = 3 * NS_PER_S  # longer than a free crank turns on without firing
OUTLASTS_NS = 150 * MS  # after the first pulse that did not come: a relay that drops, a voltage filtered and sampled
USUAL_PULSES, NEARLY_STOPPED = 60, 0.6  # before the last; of idle speed
# A key turned later than this after the last pulse did not end them: two revolutions of an idle, and a relay.
KEY_LATE_NS = 500 * MS
RAN_ON_NS = 10 * NS_PER_S  # a hot engine with a carburettor may fire on for seconds without a spark (common practice)
KEPT = 0.8  # of a feed: the alternator's share is gone when the engine stands


def turned_off(view: View, end_ns: int) -> int | None:
    """When the key, by its own sense, was turned off around the last pulse, ns; None where it was left on."""
    key = view.near("key_sense", end_ns - RAN_ON_NS, end_ns + KEY_LATE_NS)
    if not key.value.size or key.value[-1] >= 0.5:
        return None
    on = np.flatnonzero(key.value >= 0.5)
    return int(key.time_ns[on[-1] + 1 if on.size else 0])


def feed_left(view: View, end_ns: int, following_ns: int) -> float | None:
    """The share of its feed that the coil had after the pulses ended, 0 where it was dead; None: not recorded."""
    after = view.near("ignition_feed_voltage", end_ns + 40 * MS, min(following_ns, end_ns + 1500 * MS)).value
    before = view.near("ignition_feed_voltage", end_ns - 400 * MS, end_ns - 60 * MS).value
    if after.size < 5 or before.size < 5:
        return None
    level = float(np.median(after))
    return 0.0 if level < FEED_DEAD_V else level / max(float(np.median(before)), FEED_DEAD_V)


def feed_gone_before(view: View, end_ns: int) -> int | None:
    """When the coil's feed went, if it was gone for good while the tach wire told of a crank that ran down."""
    feed = view.near("ignition_feed_voltage", end_ns - RUN_DOWN_NS, end_ns + 1500 * MS)
    there = np.flatnonzero(feed.value > FEED_DEAD_V)
    if not there.size or there[-1] + 5 > feed.value.size or feed.time_ns[there[-1]] > end_ns - 60 * MS:
        return None
    return int(feed.time_ns[there[-1] + 1])


def feed_outlasted(view: View, last: int, due_ns: int) -> bool:
    """Whether the coil still had its feed when the crank had stopped, or had nearly: then no key stopped it.

    due_ns: when the pulse after pulse `last` was due, ns. A coil gives its pulses for as long as it is fed, and a crank
    whose coil is switched off slows from idle speed only from then on.
    """
    feed = view.near("ignition_feed_voltage", due_ns - RUN_DOWN_NS, due_ns + OUTLASTS_NS)
    if feed.time_ns.size < 5 or feed.time_ns[-1] < due_ns:
        return False
    # What hangs on the key with the coil, a blower that runs out or a capacitor, lets its feed fade instead of drop.
    gone = feed.value < max(FEED_DEAD_V, KEPT * float(np.median(feed.value[: feed.value.size // 2])))
    if not gone[-1]:
        return True
    went = int(np.flatnonzero(~gone)[-1]) + 1 if not gone.all() else 0
    if went == 0 or feed.time_ns[went] - feed.time_ns[went - 1] > OUTLASTS_NS:
        return False  # nobody saw it go
    return _slowed_from_idle(view, last, int(np.searchsorted(view.firings.time_ns, feed.time_ns[went])))


def coil_fed_on(view: View, last: int) -> bool:
    """Whether the coil itself told of a crank that ran down from idle until it hardly turned: it was fed to the end."""
    return view.engine.tach_source in ("coil_negative", "ignition_module") and _slowed_from_idle(view, last, last + 1)


def _slowed_from_idle(view: View, last: int, before: int) -> bool:
    """Whether the crank, having idled shortly before pulse `last`, hardly turned on as pulse `before` was due."""
    firings, idle_rps = view.firings, (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    usual = firings.speed_rps[max(0, last - USUAL_PULSES) : last]
    # By single intervals, since the speed is smoothed over what may come long after.
    interval = np.diff(firings.time_ns[max(0, before - 3) : before])
    slowed = NS_PER_S / np.maximum(interval, 1) / firings.pulses_per_revolution
    if not usual.size or not slowed.size or float(np.median(usual)) > IDLE_BAND * idle_rps:
        return False
    return float(slowed.max()) < NEARLY_STOPPED * min(float(np.median(usual)), idle_rps)


def pump_fed_on(view: View, due_ns: int) -> bool:
    """Whether the fuel pump kept its own feed after the pulse due at a time, ns, had not come.

    Then the key was still on, or the pump has a switch of its own, as many competition cars have (common practice, no
    source). A relay that takes its feed away from a crank that stands does so only some tenths of a second later.
    """
    before = view.near("pump_feed_voltage", due_ns - NS_PER_S, due_ns - 100 * MS).value
    after = view.near("pump_feed_voltage", due_ns, due_ns + OUTLASTS_NS + 100 * MS).value
    return bool(before.size > 2 and after.size > 2 and after.min() > KEPT * np.median(before) > KEPT * FEED_DEAD_V)


def turned_off_and_on(view: View, end_ns: int, due_ns: int, following_ns: int) -> bool:
    """A key turned off and on again: the feed is dead without chatter and back before the starter turns.

    And what else hangs on the key went with it: the pump, or all that drew on the battery; or the pump filled the rail
    again just as the feed came back.
    """
    feed = view.near("ignition_feed_voltage", end_ns, following_ns)
    dead = feed.value < FEED_DEAD_V
    if not dead.any() or dead[-1]:
        return False
    first = int(np.argmax(dead))
    chatters = np.count_nonzero(np.diff(dead[first:].astype(np.int8))) != 1
    if chatters or feed.time_ns[first] > due_ns + 60 * MS:
        return False
    off_ns, back_ns = int(feed.time_ns[first]), int(feed.time_ns[first + int(np.argmin(dead[first:]))])
    return pump_stopped(view, end_ns) or battery_breathed_up(view, off_ns) or _pump_with_feed(view, off_ns, back_ns)


def _pump_with_feed(view: View, off_ns: int, back_ns: int) -> bool:
    """Whether the pump was without its own feed while the coil was, or filled the rail as the coil got it back."""
    off = view.near("pump_feed_voltage", off_ns + 300 * MS, back_ns - 60 * MS).value
    if off.size:
        return bool(off.max() < FEED_DEAD_V)
    ran, before, after = (
        view.near("fuel_pressure", at_ns + a * MS, at_ns + b * MS).value
        for at_ns, a, b in ((off_ns, -300, -20), (back_ns, -300, -20), (back_ns, 300, 1000))
    )
    if min(ran.size, before.size, after.size) < 5:
        return False
    # As the vacuum fades that a regulator hangs on, the rail rises above what it was: that is no pump's doing.
    return bool(np.median(before) < 0.93 * min(np.median(ran), np.median(after)))


def pump_stopped(view: View, end_ns: int) -> bool:
    """Whether rail pressure was down a second after a time: nothing filled the rail any more."""
    before = view.near("fuel_pressure", end_ns - 300 * MS, end_ns - 20 * MS).value
    after = view.near("fuel_pressure", end_ns + 400 * MS, end_ns + 1200 * MS).value
    return bool(before.size >= 5 and after.size >= 5 and np.median(after) < 0.93 * np.median(before))


def battery_breathed_up(view: View, end_ns: int) -> bool:
    """Whether the battery's voltage rose at a time, as when all that draws on it is switched off at once."""
    before = view.near("battery_voltage", end_ns - 200 * MS, end_ns - 20 * MS).value
    after = view.near("battery_voltage", end_ns + 30 * MS, end_ns + 150 * MS).value
    return bool(before.size >= 5 and after.size >= 5 and np.median(after) > np.median(before) + 0.15)
