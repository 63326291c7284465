"""Normal bands of the sampled channels, learned from the same event and bounded by the trade's absolute values.

A voltage is compared with its own running median over some seconds, which follows the alternator's warm-up and a slow
discharge; that those themselves stay healthy is judged against absolute values. Rail pressure is compared with the
lowest level that a healthy event shows at closed throttle, which manifold vacuum cannot undercut.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.analysis.channels.scene import spans_of
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import IDLE_BAND, State, View
from logger.analysis.medians import median, row_medians
from logger.event import NS_PER_S, BoolArray, FloatArray, Trace

DIP_V = {"battery_voltage": 1.0, "ignition_feed_voltage": 1.0, "sensor_supply_voltage": 0.15}
WEAK_BATTERY_V = 11.0  # while running: below the open-circuit voltage of a flat battery (common practice, no source)
# A coil fed with less no longer charges in the dwell that high speed leaves (common practice, no source).
WEAK_COIL_V = 9.0
FEED_DROP_V = 0.5  # a sound coil feed lies about this much below the battery
BASELINE_S = 4.0
MOST_LOOKED_AT = 2000
FEWEST_SAMPLES, ENOUGH_SAMPLES = 50, 20_000  # of the rail in one view
NEAR_NS = NS_PER_S // 10  # of a firing: the engine ran


@dataclass(frozen=True, slots=True)
class Excursion:
    """A channel out of its band: times of the first and last sample outside, last good sample before, and how far."""

    channel: str
    from_ns: int
    to_ns: int
    last_good_ns: int
    depth: float
    lowest: float


def supply(view: View) -> Trace | None:
    """The battery's voltage; where it is not recorded, what the coil's feed tells of it; else None.

    A feed that never shows a sound battery tells nothing of it: behind a ballast resistor it reads 6 to 9 V all day.
    """
    if "battery_voltage" in view.traces:
        return view.traces["battery_voltage"]
    feed = view.traces.get("ignition_feed_voltage")
    thin = slice(None, None, max(1, view.running.size // MOST_LOOKED_AT))  # asked again for every stumble
    at_ns = view.firings.time_ns[thin][view.running[thin]]
    if feed is None or not feed.time_ns.size or not at_ns.size:
        return None
    volts = view.sampled("ignition_feed_voltage", at_ns) + FEED_DROP_V
    sound = float(np.percentile(volts, 95)) > WEAK_BATTERY_V
    return Trace(feed.time_ns, feed.value + FEED_DROP_V) if sound else None


def baseline(trace: Trace, seconds: float = BASELINE_S) -> FloatArray:
    """Running median over `seconds`, float64 (n,), of a uniformly sampled trace; by medians of blocks, to be fast."""
    n = trace.time_ns.size
    if n < 16:
        return np.full(n, median(trace.value))
    rate = NS_PER_S / max(1.0, median(np.diff(trace.time_ns[:2000])))
    block = max(1, round(0.1 * rate))
    n_blocks = n // block
    if n_blocks < 3:
        return np.full(n, median(trace.value))
    coarse = row_medians(trace.value[: n_blocks * block].reshape(n_blocks, block))
    smooth = ndimage.median_filter(coarse, max(3, round(seconds * rate / block) | 1), mode="nearest")
    centre = (np.arange(n_blocks) + 0.5) * block - 0.5
    return np.asarray(np.interp(np.arange(n), centre, smooth), np.float64)


def noise(value: FloatArray) -> float:
    """Standard deviation of a trace's white noise from its first differences' median: robust against dips and drift."""
    if value.size < 3:
        return 0.0
    step = np.abs(np.diff(value[:: max(1, value.size // 50_000)] if value.size < 50_000 else value[:50_000]))
    return float(1.4826 * median(step) / np.sqrt(2.0))


def voltage_dips(channel: str, trace: Trace) -> list[Excursion]:
    """Where a voltage lies more than DIP_V (and six times its noise) below its running median."""
    if trace.time_ns.size < 16:
        return []
    below = baseline(trace) - trace.value
    limit = max(DIP_V.get(channel, 1.0), 6.0 * noise(trace.value))
    return excursions(channel, trace, below, below > limit)


def excursions(channel: str, trace: Trace, below: FloatArray, outside: BoolArray) -> list[Excursion]:
    """Runs of samples outside, as Excursions; below: how far under the band's reference each sample lies."""
    found = []
    for first, stop in spans_of(outside).tolist():
        found.append(
            Excursion(
                channel,
                int(trace.time_ns[first]),
                int(trace.time_ns[stop - 1]),
                int(trace.time_ns[max(first - 1, 0)]),
                float(below[first:stop].max()),
                float(trace.value[first:stop].min()),
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class PressureBand:
    """The rail's normal levels in one event, kPa: at closed throttle, at full load, and the floor it keeps above."""

    closed: float
    full: float
    floor: float
    noise: float


def pressure_band(
    closed_values: FloatArray, all_values: FloatArray, noise_kpa: float, idle_values: FloatArray
) -> PressureBand | None:
    """Learn the band. Rail pressure with closed throttle while running, all while running, and at idle.

    None where too little is known. The floor leaves room for noise and for a tenth of the level. Where a rail is short
    for most of the driving, and stands for the load itself, what it reads is closed throttle's by mistake; at idle,
    where hardly any fuel is drawn, it shows what it should be.
    """
    if all_values.size < 100:
        return None
    high = float(np.percentile(all_values, 95))
    sound = closed_values[closed_values > 0.5 * high]
    closed = float(np.percentile(sound, 40)) if sound.size >= 50 else float(np.percentile(all_values, 25))
    spread = float(np.percentile(sound, 40) - np.percentile(sound, 5)) if sound.size >= 50 else 0.05 * closed
    if idle_values.size >= 50:
        closed = max(closed, float(np.median(idle_values)) - BELOW_IDLE_KPA)
    spread = min(spread, 0.08 * closed)
    floor = closed - spread - max(5.0 * noise_kpa, 0.05 * closed)
    return PressureBand(closed, high, floor, noise_kpa)


def taught_pressure(views: Sequence[View]) -> PressureBand | None:
    """Learn the rail's band from an event's views, of each as much as tells it; None where too little is known."""
    closed, everything, idle, spread = [], [], [], []
    for view in views:
        trace = view.traces.get("fuel_pressure")
        if trace is None or trace.time_ns.size < FEWEST_SAMPLES or not view.firings.time_ns.size:
            continue
        step = max(1, trace.time_ns.size // ENOUGH_SAMPLES)
        time_ns, value = trace.time_ns[::step], trace.value[::step]
        place = np.clip(np.searchsorted(view.firings.time_ns, time_ns), 0, view.firings.time_ns.size - 1)
        running = (np.abs(view.firings.time_ns[place] - time_ns) < NEAR_NS) & view.running[place]
        closed.append(value[running & (view.state[place] != State.PULLING)])
        everything.append(value[running])
        # By speed alone: where the rail stands for the load, what state an engine is in hangs on what is learned here.
        slow_rps = IDLE_BAND * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
        idle.append(value[running & (view.firings.speed_rps[place] < slow_rps)])
        spread.append(noise(trace.value))
    if not everything:
        return None
    return pressure_band(
        np.concatenate(closed), np.concatenate(everything), median(np.array(spread)), np.concatenate(idle)
    )


BELOW_IDLE_KPA = 20.0  # what a manifold may fall to behind a shut throttle at speed (common practice, no source)
STEADY_NS = NS_PER_S * 3 // 20  # before a fall, over which the level is taken
LEFT_BAND = 0.07  # of the level before: regulators hold a rail within a few per cent (common practice, no source)
LEAN_LIMIT = 0.45  # of the level before: below it the mixture no longer lights (see misfires_at)


def fall(trace: Trace, crossed_ns: int, band: PressureBand) -> tuple[int, float]:
    """When the fall that crossed the floor at crossed_ns left the level before by LEFT_BAND, ns; and that level, kPa.

    The level is the highest that a mean over three samples reached in the half second before, so a rail that was still
    rising counts with what it had reached.
    """
    first, cross = np.searchsorted(trace.time_ns, [crossed_ns - NS_PER_S // 2, crossed_ns])
    value = trace.value[first : cross + 1]
    if value.size < 6:
        return crossed_ns, band.closed
    smooth = ndimage.uniform_filter1d(value, 3, mode="nearest")
    steep = int(np.argmin(np.diff(smooth)))
    step_ns = float(np.median(np.diff(trace.time_ns[first : cross + 1])))
    before = smooth[max(0, steep - max(2, round(STEADY_NS / step_ns))) : steep + 1]
    level = float(np.median(before[before > before.max() - max(4.0 * band.noise, 0.05 * before.max())]))
    limit = level * (1.0 - LEFT_BAND)
    above = np.flatnonzero(value > limit)
    left = int(above[-1]) if above.size else 0
    if left + 1 >= value.size:
        return crossed_ns, level
    # Linear between the last sample above and the first below.
    share = (value[left] - limit) / max(value[left] - value[left + 1], 1e-9)
    step = float(trace.time_ns[first + left + 1] - trace.time_ns[first + left])
    return int(trace.time_ns[first + left] + min(1.0, share) * step), level


def misfires_at(trace: Trace, left_ns: int, to_ns: int, level: float) -> tuple[int | None, int | None]:
    """From when and until when the rail was too low for the mixture to light, ns; None where it never was.

    Flow through an injector goes with the root of the pressure across it (Bernoulli). At LEAN_LIMIT of the usual
    pressure the mixture is half as lean again, where petrol no longer burns reliably (common practice: lambda 1.4-1.5).
    """
    first, last = np.searchsorted(trace.time_ns, [left_ns, to_ns + 1])
    below = np.flatnonzero(trace.value[first:last] < LEAN_LIMIT * level)
    if not below.size:
        return None, None
    return int(trace.time_ns[first + below[0]]), int(trace.time_ns[first + below[-1]])
