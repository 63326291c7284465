"""Normal bands of the sampled channels, learned from the same event and bounded by the trade's absolute values.

A voltage is compared with its own running median over some seconds, which follows the alternator's warm-up and a slow
discharge; that those themselves stay healthy is judged against absolute values. Rail pressure is compared with the
lowest level that a healthy event shows at closed throttle, which manifold vacuum cannot undercut.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray, Trace

DIP_V = {"battery_voltage": 1.0, "ignition_feed_voltage": 1.0, "sensor_supply_voltage": 0.15}
WEAK_BATTERY_V = 11.0  # while running: below the open-circuit voltage of a flat battery (common practice, no source)
BASELINE_S = 4.0


@dataclass(frozen=True, slots=True)
class Excursion:
    """A channel out of its band: times of the first and last sample outside, last good sample before, and how far."""

    channel: str
    from_ns: int
    to_ns: int
    last_good_ns: int
    depth: float
    lowest: float


def baseline(trace: Trace, seconds: float = BASELINE_S) -> FloatArray:
    """Running median over `seconds`, float64 (n,), of a uniformly sampled trace; from medians of blocks, so it is fast."""
    n = trace.time_ns.size
    if n < 16:
        return np.full(n, float(np.median(trace.value)) if n else np.nan)
    rate = NS_PER_S / max(1.0, float(np.median(np.diff(trace.time_ns[:2000]))))
    block = max(1, round(0.1 * rate))
    n_blocks = n // block
    if n_blocks < 3:
        return np.full(n, float(np.median(trace.value)))
    coarse = np.median(trace.value[: n_blocks * block].reshape(n_blocks, block), axis=1)
    smooth = ndimage.median_filter(coarse, max(3, round(seconds * rate / block) | 1), mode="nearest")
    centre = (np.arange(n_blocks) + 0.5) * block - 0.5
    return np.asarray(np.interp(np.arange(n), centre, smooth), np.float64)


def noise(value: FloatArray) -> float:
    """Standard deviation of a trace's white noise from its first differences' median: robust against dips and drift."""
    if value.size < 3:
        return 0.0
    step = np.abs(np.diff(value[:: max(1, value.size // 50_000)] if value.size < 50_000 else value[:50_000]))
    return float(1.4826 * np.median(step) / np.sqrt(2.0))


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
    for first, stop in _runs(outside).tolist():
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


def _runs(mask: BoolArray) -> IntArray:
    change = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return np.column_stack((np.flatnonzero(change == 1), np.flatnonzero(change == -1))).astype(np.int64)


@dataclass(frozen=True, slots=True)
class PressureBand:
    """The rail's normal levels in one event, kPa: at closed throttle, at full load, and the floor below which it fell."""

    closed: float
    full: float
    floor: float
    noise: float


def pressure_band(closed_values: FloatArray, all_values: FloatArray, noise_kpa: float) -> PressureBand | None:
    """Learn the band. closed_values: rail pressure with closed throttle while running; all_values: all while running.

    None where too little is known. The floor leaves room for noise and for a tenth of the level.
    """
    if all_values.size < 100:
        return None
    high = float(np.percentile(all_values, 95))
    sound = closed_values[closed_values > 0.5 * high]
    closed = float(np.percentile(sound, 40)) if sound.size >= 50 else float(np.percentile(all_values, 25))
    spread = float(np.percentile(sound, 40) - np.percentile(sound, 5)) if sound.size >= 50 else 0.05 * closed
    spread = min(spread, 0.08 * closed)
    floor = closed - spread - max(5.0 * noise_kpa, 0.05 * closed)
    return PressureBand(closed, high, floor, noise_kpa)


def fall_begins(trace: Trace, crossed_ns: int, band: PressureBand) -> int:
    """When the fall that crossed the floor at crossed_ns began.

    The straight line through the steepest part of the fall, drawn back to the level before it; not earlier than half a
    second before the crossing. For a fall out of a sound level this is good to about a sample.
    """
    first, cross = np.searchsorted(trace.time_ns, [crossed_ns - NS_PER_S // 2, crossed_ns])
    value = trace.value[first : cross + 1]
    if value.size < 4:
        return crossed_ns
    smooth = ndimage.uniform_filter1d(value, 3, mode="nearest")
    rising = np.flatnonzero(np.diff(smooth) > -max(0.5 * band.noise, 0.002 * band.closed))
    begin = int(rising[-1]) + 1 if rising.size else 0
    return int(trace.time_ns[first + min(begin, value.size - 1)])
