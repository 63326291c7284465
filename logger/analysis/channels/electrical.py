"""Voltages judged against each other and against the ignition: a tap that lies, or a supply that really sagged?

A voltage can truly jump, so no step proves anything. What proves a lie: a coil feed above the battery that feeds it,
or a coil that goes on firing with nothing at its terminal.
"""

import numpy as np

from logger.analysis.channels.plausible import Plausible
from logger.analysis.channels.scene import Scene, interval_ns, merge, spans_of
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

# Below this a 12 V coil no longer gives the tach wire a pulse (common practice, no source).
COIL_DEAD_V = 4.0
# A regulated 5 V supply needs about this at its input (common practice, no source).
REGULATOR_MIN_V = 7.0
# A supply below this share of its nominal means a battery that fires no coil.
SUPPLY_GONE = 0.4
# What "the engine ran on" takes: firings, seconds, and the share of the firings expected. Over seconds speed itself may
# halve, and a dead coil gives none at all; over tenths of a second a chattering contact gives many.
MIN_FIRINGS, MIN_LASTING_S = 8, 0.2
RAN_ON_BRIEFLY, RAN_ON = 0.85, 0.6
# Running this long on nothing is impossible: with pulses from the coil, and with pulses from the crank, which a car in
# gear turns for a while with a dead engine.
PATIENCE_S = {False: 4, True: 10}
PUMPLESS_S = 10
AROUND_SAG_NS = 150_000_000
LONG_ENOUGH_NS = NS_PER_S // 10
NO_SPANS = np.empty((0, 2), np.int64)
GAINS_PER_S, HOLDS_PER_S = 0.05, -0.01  # relative; drag and a dead engine take some hundredths (no source)
GAINS_FOR_S = 0.6  # in some of many stretches; a shaft that swings makes any short one gain


def lies(
    name: str, value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene
) -> tuple[BoolArray, BoolArray]:
    """Samples at which a voltage reads too low or too high to be true while the engine runs."""
    judges = {"battery_voltage": _battery, "sensor_supply_voltage": _supply, "pump_feed_voltage": _pump}
    low, high = judges.get(name, _feed)(value, time_ns, limits, scene)
    if name in scene.liars:
        low = low | (value < COIL_DEAD_V)
    return scene.while_running(low, time_ns), scene.while_running(high, time_ns)


def supply_sags(scene: Scene) -> IntArray:
    """Stretches, ns (m, 2), in which the 5 V supply was off, or the battery too low to make it, and 150 ms around: what
    a sensor says there is no fault of its own."""
    for name, enough in (("sensor_supply_voltage", 0.0), ("battery_voltage", REGULATOR_MIN_V)):
        trace = scene.recording.traces.get(name)
        if trace is None or trace.time_ns.size == 0 or np.isnan(trace.value).all():
            continue
        if name == "sensor_supply_voltage":
            nominal = nominal_supply(trace.value)
            off = (trace.value < 0.93 * nominal) | (trace.value > 1.07 * nominal)
        else:
            off = scene.trusted[name].value < enough
        spans = spans_of(off)
        return np.column_stack(
            (trace.time_ns[spans[:, 0]] - AROUND_SAG_NS, trace.time_ns[spans[:, 1] - 1] + AROUND_SAG_NS)
        )
    return np.empty((0, 2), np.int64)


def during(spans_ns: IntArray, time_ns: IntArray) -> BoolArray:
    """Samples (n,) within stretches (m, 2)."""
    inside = np.zeros(time_ns.size, bool)
    for first, last in np.searchsorted(time_ns, spans_ns).tolist():
        inside[first:last] = True
    return inside


def nominal_supply(value: FloatArray) -> float:
    """5 V, or 3.3 V where that is what the sensors are fed with."""
    known = value[:: max(1, value.size // 5000)]
    known = known[~np.isnan(known)]
    return 3.3 if known.size and 3.0 < float(np.median(known)) < 3.6 else 5.0


def _battery(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Below what the coil it feeds shows, or dead with the coil firing on; above any regulator's worst."""
    low = value < 9.0
    at = np.flatnonzero(low)
    # On a steep fall the feed, behind another filter, may be at the battery's level only one sample later.
    beside_ns = max(15_000_000, interval_ns(time_ns) * 5 // 4)
    feed = scene.extreme_near("ignition_feed_voltage", time_ns[at], highest=False, within_ns=beside_ns)
    low[at] = feed > value[at] + 1.5
    low &= ~_falls_silent(low, time_ns, scene)
    low |= _fires_on(value < COIL_DEAD_V, time_ns, scene) & _unanswered(feed, at, value.size)
    high = value > 17.0
    at = np.flatnonzero(high)
    feed = scene.extreme_near("ignition_feed_voltage", time_ns[at], highest=True, within_ns=15_000_000)
    high[at] = (feed < value[at] - 2.5) | (value[at] > limits.high)
    return low, high


def _unanswered(feed: FloatArray, at: IntArray, size: int) -> BoolArray:
    """Samples at which no coil feed was measured that fell too: where it did, the fall is real."""
    unanswered = np.ones(size, bool)
    unanswered[at] = np.isnan(feed)
    return unanswered


def _feed(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Dead at the coil's terminal with battery up and coil firing on; or above the battery."""
    low = value < limits.low
    at = np.flatnonzero(low)
    battery = scene.extreme_near("battery_voltage", time_ns[at], highest=False, within_ns=15_000_000)
    low[at] = ~(battery < 8.0)
    return _fires_on(low, time_ns, scene), _above_battery(value, time_ns, limits, scene)


def _above_battery(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> BoolArray:
    high = value > 16.0
    at = np.flatnonzero(high)
    battery = scene.extreme_near("battery_voltage", time_ns[at], highest=True, within_ns=15_000_000)
    high[at] = (value[at] > battery + 2.0) | (value[at] > limits.high)
    return high


def _pump(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Dead at the pump for longer than an engine runs on what is left in rail or float bowl."""
    low = scene.while_running(value < limits.low, time_ns)
    kept = np.zeros_like(low)
    for start, stop in spans_of(low).tolist():
        kept[start:stop] = time_ns[stop - 1] - time_ns[start] >= PUMPLESS_S * NS_PER_S
    return kept, _above_battery(value, time_ns, limits, scene)


def _supply(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """The 5 V off by a tenth though battery (or, with none known, coil feed) stayed up; or gone under a firing engine.

    For a quarter of a second and more: shorter dips of the battery may hide between its samples.
    """
    nominal = nominal_supply(value)
    low = scene.while_running(value < 0.9 * nominal, time_ns)
    high = value > 1.1 * nominal
    if not low.any():
        return low, high
    at = np.flatnonzero(low)
    up, unknown = np.zeros_like(low), low.copy()
    for source in ("battery_voltage", "ignition_feed_voltage"):
        volts = scene.extreme_near(source, time_ns[at], highest=False, within_ns=300_000_000)
        up[at] |= unknown[at] & (volts > max(REGULATOR_MIN_V, 0.8 * _usual(scene, source)))
        unknown[at] &= np.isnan(volts)
    step_ns = interval_ns(time_ns)
    for start, stop in merge(spans_of(up), 2 * NS_PER_S // step_ns).tolist():
        up[start:stop] &= np.count_nonzero(up[start:stop]) * step_ns >= NS_PER_S // 4
    gone = _fires_on(unknown & (value < SUPPLY_GONE * nominal), time_ns, scene)
    return up | gone, high


def _usual(scene: Scene, channel: str) -> float:
    """Median of a channel's trusted values while the engine runs; 0 where there are none."""
    trace = scene.trusted.get(channel)
    if trace is None:
        return 0.0
    value = scene.running_values(trace.value, trace.time_ns)
    return float(np.nanmedian(value)) if value.size and not np.isnan(value).all() else 0.0


def _fires_on(low: BoolArray, time_ns: IntArray, scene: Scene) -> BoolArray:
    """Of the stretches of a mask keep those through which the ignition fired as before.

    Stretches less than 2 s apart are judged together: either the pulses expected in them came, or the engine ran on
    for PATIENCE_S. Where the tach wire does not hang on the coil its pulses prove nothing; there the latter decides, or
    a crank that gained speed meanwhile.
    """
    kept = np.zeros_like(low)
    spans, spans_ns, came, expected = _firings_in(low, time_ns, scene)
    lasting = spans_ns[:, 1] - spans_ns[:, 0]
    free_crank = scene.engine.tach_far_from_coil
    patience_ns = PATIENCE_S[free_crank] * NS_PER_S
    for start, stop in merge(spans_ns, 2 * NS_PER_S).tolist():
        member = (spans_ns[:, 0] >= start) & (spans_ns[:, 1] <= stop)
        lasted_ns, fired = lasting[member].sum(), came[member].sum()
        share = RAN_ON if lasted_ns > NS_PER_S else RAN_ON_BRIEFLY
        enough = fired >= MIN_FIRINGS and lasted_ns >= MIN_LASTING_S * NS_PER_S
        as_due = not free_crank and enough and fired >= share * expected[member].sum()
        driven = free_crank and _driven(scene, spans_ns[member])
        if as_due or driven or lasted_ns >= patience_ns:
            for first, last in spans[member].tolist():
                kept[first:last] = True
    return kept


def _driven(scene: Scene, spans_ns: IntArray) -> bool:
    """Whether the crank gained speed, or over a second held it, in stretches (m, 2), as no dead engine lets it.

    To gain for longer in some of them, one after the other, tells as much: a tap comes loose while a driver brakes,
    too.
    """
    gained, lasted = gains(scene, spans_ns)
    by_then, since = (np.cumsum(np.append(0.0, part)) for part in (gained, lasted))
    all_in_all = by_then[-1] > GAINS_PER_S * since[-1] and since[-1] > 0.3
    held = by_then[-1] > HOLDS_PER_S * since[-1] and since[-1] > 1.0
    return bool(all_in_all or held or _beyond(by_then - GAINS_PER_S * since, since, GAINS_FOR_S))


def gains(scene: Scene, spans_ns: IntArray) -> tuple[FloatArray, FloatArray]:
    """How much speed the crank gained over each of stretches (m, 2), natural log, and how long they lasted, s, (k,).

    Those too short to tell are left out.
    """
    pulses = scene.recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    gained, lasted = [], []
    for from_ns, to_ns in spans_ns[spans_ns[:, 1] - spans_ns[:, 0] >= LONG_ENOUGH_NS].tolist():
        inside = pulses[slice(*np.searchsorted(pulses, [from_ns, to_ns]))]
        if inside.size >= 6:
            half = inside.size // 2
            early, late = inside[half] - inside[0], inside[-1] - inside[half]
            # Between the middles of its two halves lies half of the stretch.
            gained.append(2.0 * float(np.log(early / half * (inside.size - 1 - half) / late)))
            lasted.append(float(inside[-1] - inside[0]) / NS_PER_S)
    return np.array(gained), np.array(lasted)


def _beyond(total: FloatArray, since_s: FloatArray, least_s: float) -> bool:
    """Whether a running sum, (n,), ever rose above what it was `least_s` or longer before."""
    before = np.searchsorted(since_s, since_s - least_s, side="right") - 1
    asked = before >= 0
    return bool((total[asked] > np.minimum.accumulate(total)[before[asked]]).any())


def _falls_silent(low: BoolArray, time_ns: IntArray, scene: Scene) -> BoolArray:
    """The stretches of a mask, up to 2 s long, in which most of at least three firings expected did not come."""
    silent = np.zeros_like(low)
    spans, spans_ns, came, expected = _firings_in(low, time_ns, scene)
    brief = spans_ns[:, 1] - spans_ns[:, 0] <= 2 * NS_PER_S
    for first, last in spans[brief & (expected >= 3) & (came < 0.5 * expected)].tolist():
        silent[first:last] = True
    return silent


def _firings_in(low: BoolArray, time_ns: IntArray, scene: Scene) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Stretches of a mask while the engine runs, in samples and in ns, (m, 2); firings that came and that were due."""
    spans = spans_of(scene.while_running(low, time_ns))
    step_ns = interval_ns(time_ns)
    spans_ns = time_ns[np.column_stack((spans[:, 0], spans[:, 1] - 1))] + np.array([0, step_ns])
    return spans, spans_ns, *scene.firing_on(spans_ns)
