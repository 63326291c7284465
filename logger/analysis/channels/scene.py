"""What the rest of the car was doing while one sensor's reading is judged: was the engine running, did it fire on?"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray, Recording, Trace


def spans_of(mask: BoolArray) -> IntArray:
    """Stretches of True in a mask, shape (n,): indices [start, stop), shape (m, 2).

    >>> spans_of(np.array([False, True, True, False, True])).tolist()
    [[1, 3], [4, 5]]
    """
    if not mask.any():
        return np.empty((0, 2), np.int64)
    edges = np.flatnonzero(np.diff(mask))
    starts, stops = mask[0], mask[-1]
    bounds = np.concatenate(([-1] if starts else [], edges, [mask.size - 1] if stops else [])).astype(np.int64) + 1
    return bounds.reshape(-1, 2)


def merge(spans: IntArray, within: int) -> IntArray:
    """Join sorted spans, shape (m, 2), of which one starts no more than `within` after the end of the one before."""
    if len(spans) < 2:
        return spans
    new = np.flatnonzero(spans[1:, 0] - spans[:-1, 1] > within)
    return np.column_stack((spans[np.r_[0, new + 1], 0], spans[np.r_[new, len(spans) - 1], 1]))


def interval_ns(time_ns: IntArray) -> int:
    """The usual time between two samples, at least a nanosecond; a second where there are not two."""
    return max(1, int(usual_step_ns(time_ns[:2000]))) if time_ns.size > 1 else NS_PER_S


def usual_step_ns(time_ns: IntArray) -> float:
    """The median of the steps between times (n,), n > 1; by sorting, in a quarter of the time that np.median takes."""
    step = np.sort(np.diff(time_ns))
    return float(step[(step.size - 1) // 2] + step[step.size // 2]) / 2.0


def running_spans(recording: Recording, engine: Engine) -> IntArray:
    """Where the engine runs by itself, judged by its tach pulses alone: nanoseconds [from, to), shape (m, 2).

    A crank turning at half of idle speed or more, for at least a second, with no more than 0.7 s between two pulses.
    """
    pulses = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    slowest_rpm = 0.5 * (engine.idle_rpm or 900.0)
    longest_ns = 60.0 / (slowest_rpm * engine.pulses_per_revolution) * NS_PER_S
    fast = spans_of(np.diff(pulses) <= longest_ns)
    if not len(fast):
        return np.empty((0, 2), np.int64)
    spans = merge(np.column_stack((pulses[fast[:, 0]], pulses[fast[:, 1]])), int(0.7 * NS_PER_S))
    return spans[spans[:, 1] - spans[:, 0] >= NS_PER_S]


@dataclass(frozen=True, slots=True)
class Scene:
    """A recording with what is known of its engine while a channel is judged.

    running_ns: [from, to), shape (m, 2). trusted: traces of channels already judged, NaN where they lied.
    liars: voltages whose wire is known to come off (taps.py).
    """

    recording: Recording
    engine: Engine
    running_ns: IntArray
    trusted: Mapping[str, Trace]
    liars: frozenset[str] = frozenset()

    def running_samples(self, time_ns: IntArray) -> IntArray:
        """Sample indices [start, stop), shape (m, 2), at which the engine ran."""
        spans = np.searchsorted(time_ns, self.running_ns)
        return spans[spans[:, 1] > spans[:, 0]]

    def while_running(self, mask: BoolArray, time_ns: IntArray) -> BoolArray:
        """The part of a mask over samples that lies where the engine ran."""
        kept = np.zeros_like(mask)
        for start, stop in self.running_samples(time_ns):
            kept[start:stop] = mask[start:stop]
        return kept

    def running_values(self, value: FloatArray, time_ns: IntArray, most: int = 20_000) -> FloatArray:
        """Values taken while the engine ran, shape (m,), thinned evenly to about `most` of them."""
        spans = self.running_samples(time_ns)
        step = max(1, int((spans[:, 1] - spans[:, 0]).sum()) // most)
        return np.concatenate([value[start:stop:step] for start, stop in spans.tolist()] or [value[:0]])

    def extreme_near(self, channel: str, time_ns: IntArray, highest: bool, within_ns: int) -> FloatArray:
        """Highest or lowest trusted value of another channel within +/- within_ns of each time, shape (n,); or NaN."""
        trace = self.trusted.get(channel)
        if trace is None or trace.time_ns.size == 0 or time_ns.size == 0:
            return np.full(time_ns.size, np.nan)
        first = np.searchsorted(trace.time_ns, time_ns - within_ns)
        last = np.maximum(np.searchsorted(trace.time_ns, time_ns + within_ns, side="right"), first + 1)
        blank = -np.inf if highest else np.inf
        value = np.append(np.where(np.isnan(trace.value), blank, trace.value), blank)
        bounds = np.column_stack((first, np.minimum(last, trace.time_ns.size))).ravel()
        picked = (np.maximum if highest else np.minimum).reduceat(value, bounds)[::2]
        return np.where(np.isfinite(picked), picked, np.nan)

    def firing_on(self, spans_ns: IntArray) -> tuple[FloatArray, FloatArray]:
        """Tach pulses seen in each span of nanoseconds, and those expected from the half second on either side."""
        pulses = self.recording.pulses.get("tach_pulses", np.empty(0, np.int64))
        start, stop = spans_ns[:, 0], spans_ns[:, 1]
        half = NS_PER_S // 2
        inside = np.searchsorted(pulses, [start, stop])
        outside = np.searchsorted(pulses, [start - half, stop + half])
        around = (inside[0] - outside[0]) + (outside[1] - inside[1])
        return (inside[1] - inside[0]).astype(float), around * (stop - start) / NS_PER_S

    def pulls(self, from_ns: int, to_ns: int) -> bool:
        """Whether the speed rises for a second on end, 3 % and more a quarter second, as it does under power only."""
        pulses = self.recording.pulses.get("tach_pulses", np.empty(0, np.int64))
        counted_at = np.arange(from_ns, to_ns, NS_PER_S // 4)
        if counted_at.size < 6:
            return False
        place = np.interp(counted_at, pulses, np.arange(pulses.size)) if pulses.size else np.zeros(counted_at.size)
        speed = np.diff(place)
        rising = spans_of(speed[1:] > 1.03 * np.maximum(speed[:-1], 1.0))
        return bool(len(rising)) and int((rising[:, 1] - rising[:, 0]).max()) >= 4
