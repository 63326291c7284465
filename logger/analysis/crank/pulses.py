"""From edges on the tach wire to a clean train of firings: what is missing, what is too much, where the engine ran.

A crank has inertia: it cannot lose half its speed between two firings. So an interval near two, three ... times its
neighbours is a lost pulse, a short one an extra edge, and a smoothly growing one a crank that really slows down.

The steps:

1. Intervals far from the median of their neighbours are odd, and those where pulses thin out for long; everything
   else is taken as it is.
2. Around each odd place the crank's phase is laid through the good intervals before and after it (speed changing
   evenly between). Edges near a whole phase are pulses, the others are extra; whole phases without an edge are missing.
3. Where the pulses stay away too long, or return at a speed that the crank cannot have, the stretch ends.

Rests on: tach pulses evenly spaced in crank angle apart from a pattern that repeats each cycle, and one pulse wire.
Does not tell a crank near standstill (below about half the idle speed) from lost pulses: there it claims nothing.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from logger.analysis.channels.scene import spans_of
from logger.analysis.crank import tach_noise, thinned
from logger.analysis.crank.phase import LONG, SAG_MATTERS_BELOW, SHORT, Patch, odd_places, resolve
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray

NumberArray = npt.NDArray[np.int32]

MEDIAN_WIDTH = 15  # intervals; up to seven may be wrong before the median is
FEW_WIDTH = 7  # the same where a pulse comes once in two turns, in which a crank may change its speed by a third
DEFAULT_IDLE_RPM = 850.0


@dataclass(frozen=True, slots=True)
class Firings:
    """The pulse train of one recording, cleaned.

    time_ns: int64 (n,), each pulse that was or should have been there. seen: bool (n,), False where interpolated.
    stretch: int32 (n,), number of the unbroken running stretch the pulse belongs to, rising from 0.
    speed_rps: float64 (n,), crank revolutions per second, smoothed over about a cycle.
    extra_ns: int64, edges that belong to no firing. pulses_per_revolution as used for speed_rps.
    """

    time_ns: IntArray
    seen: BoolArray
    stretch: NumberArray
    speed_rps: FloatArray
    extra_ns: IntArray
    pulses_per_revolution: float

    def bounds(self) -> IntArray:
        """First index of each stretch and, last, the number of pulses: shape (number of stretches + 1,)."""
        return _bounds(self.stretch)

    def missing_runs(self) -> IntArray:
        """Runs of missing pulses: int64 (m, 2), index of the first missing one and of the first one seen after."""
        return spans_of(~self.seen)


def _bounds(stretch: NumberArray) -> IntArray:
    """The same of stretches' numbers, (n,), which never fall: looked up, in a tenth of the time of comparing all."""
    if not stretch.size:
        return np.zeros(1, np.int64)
    begins = np.searchsorted(stretch, np.arange(stretch[0], stretch[-1] + 2, dtype=np.int32))
    return begins[np.diff(begins, prepend=-1) > 0].astype(np.int64)  # no stretch may have that number


def clean(edges_ns: IntArray, engine: Engine, gaps_ns: IntArray | None = None) -> Firings:
    """Turn the tach wire's edges (int64 ns, any order, duplicates allowed) into Firings.

    gaps_ns: stretches in which nothing was recorded, int64 (m, 2), in order; nothing is laid across them.
    """
    edges, repeats = _distinct(edges_ns)
    bounced = tach_noise.bounces(edges, tach_noise.fastest_interval_ns(engine))
    if bounced.any():
        edges, repeats = edges[~bounced], np.concatenate((repeats, edges[bounced]))
    begins = [] if gaps_ns is None else np.searchsorted(edges, gaps_ns[:, 1]).tolist()
    parts = [part for part in np.split(edges, begins) if part.size] or [edges]
    return _join([_clean(part, engine) for part in parts], repeats)


def _clean(edges: IntArray, engine: Engine) -> Firings:
    per_revolution = engine.pulses_per_revolution
    if edges.size < 4:
        empty = np.empty(0, np.int64)
        return Firings(empty, np.empty(0, bool), empty.astype(np.int32), np.empty(0), edges, per_revolution)
    interval = np.diff(edges).astype(np.float64)
    slowest = slowest_running_interval_ns(engine)
    width = MEDIAN_WIDTH if per_revolution >= 1.0 else FEW_WIDTH
    noisy = tach_noise.bursts(interval, tach_noise.fastest_interval_ns(engine))
    noisy |= tach_noise.scatter(interval, noisy, slowest)
    if noisy.any():
        odd = noisy.copy()
        odd[~noisy] = off_median(interval[~noisy], width)
    else:
        odd = off_median(interval, width)
    odd |= tach_noise.chatter(interval, odd, SAG_MATTERS_BELOW * slowest)
    runs = thinned.runs(interval, odd, noisy, SAG_MATTERS_BELOW * slowest, width)
    for run in runs:
        odd[run.first : run.stop] = False
    places = odd_places(interval, odd)
    for run in runs:
        odd[run.first : run.stop] = True  # no measure of the crank's speed for those around
    patches = [run.patch(edges) for run in runs]
    free = 0
    for first, last in places:
        patches.append(resolve(edges, interval, odd, first, last, slowest, free))
        free = patches[-1].last
    return _assemble(edges, sorted(patches, key=lambda patch: patch.first), per_revolution)


def off_median(interval: FloatArray, width: int) -> BoolArray:
    """Which intervals are far from the median of the `width` ones around them, (n,).

    A median is asked for only where it matters: most intervals, and all around them, are too like each other.
    """
    block = 2 * width
    n_blocks = interval.size // block
    least, most = np.zeros(n_blocks + 2), np.full(n_blocks + 2, np.inf)  # what comes first and last is always asked
    if n_blocks:
        whole, begins = interval[: n_blocks * block], np.arange(0, n_blocks * block, block)
        least[1:-1], most[1:-1] = np.minimum.reduceat(whole, begins), np.maximum.reduceat(whole, begins)
    least, most = (ndimage.minimum_filter1d(least, 3), ndimage.maximum_filter1d(most, 3))
    unlike = ((most > LONG * least) | (least < SHORT * most))[1:]
    odd = np.zeros(interval.size, bool)
    for first, last in spans_of(unlike).tolist():
        low, high = max(0, first * block - width), last * block + width
        typical = ndimage.median_filter(interval[low:high], width, mode="nearest")
        far = (interval[low:high] < SHORT * typical) | (interval[low:high] > LONG * typical)
        span = slice(first * block, last * block)
        odd[span] = far[span.start - low : span.stop - low]
    return odd


def _join(parts: list[Firings], extra_ns: IntArray) -> Firings:
    """Put trains that follow each other together, each with its own stretches."""
    if len(parts) == 1 and not extra_ns.size:
        return parts[0]
    stretch, begin = [], 0
    for part in parts:
        stretch.append(part.stretch + np.int32(begin))
        begin += int(part.stretch[-1]) + 1 if part.stretch.size else 0
    return Firings(
        np.concatenate([part.time_ns for part in parts]),
        np.concatenate([part.seen for part in parts]),
        np.concatenate(stretch),
        np.concatenate([part.speed_rps for part in parts]),
        np.sort(np.concatenate([extra_ns, *(part.extra_ns for part in parts)])),
        parts[0].pulses_per_revolution,
    )


def split(firings: Firings, silences: list[tuple[int, int]]) -> Firings:
    """End the stretch at each silence (first missing pulse, first seen after): the engine stood, nothing was lost."""
    keep = np.ones(firings.time_ns.size, bool)
    begins = np.zeros(firings.time_ns.size, np.int32)
    for first, stop in silences:
        keep[first:stop] = False
        begins[stop] = 1
    stretch = firings.stretch + np.cumsum(begins, dtype=np.int32)
    time_ns, stretch = firings.time_ns[keep], stretch[keep]
    speed = smooth_speed(time_ns, stretch, firings.pulses_per_revolution)
    return Firings(time_ns, firings.seen[keep], stretch, speed, firings.extra_ns, firings.pulses_per_revolution)


def slowest_running_interval_ns(engine: Engine) -> float:
    """The interval between pulses at half the idle speed, below which an engine is cranking, stalling or still."""
    rpm = 0.5 * (engine.idle_rpm or DEFAULT_IDLE_RPM)
    return 60.0 * NS_PER_S / (rpm * engine.pulses_per_revolution)


def _distinct(edges_ns: IntArray) -> tuple[IntArray, IntArray]:
    edges = np.asarray(edges_ns, np.int64)
    if (edges[1:] > edges[:-1]).all():
        return edges, edges[:0]
    edges = np.sort(edges)
    repeat = np.concatenate(([False], np.diff(edges) == 0))
    return edges[~repeat], edges[repeat]


def _assemble(edges: IntArray, patches: list[Patch], per_revolution: float) -> Firings:
    times, seens, stops, extras = [], [], [], [np.empty(0, np.int64)]
    done = length = 0
    for patch in patches:
        times += [edges[done : patch.first], patch.time_ns]
        seens += [np.ones(patch.first - done, bool), patch.seen]
        length += patch.first - done
        if patch.stop:
            stops.append(length)
        length += patch.time_ns.size
        extras.append(patch.extra_ns)
        done = patch.last
    times.append(edges[done:])
    seens.append(np.ones(edges.size - done, bool))
    time_ns = np.concatenate(times)
    stretch = np.zeros(time_ns.size, np.int32)
    stretch[[stop for stop in stops if stop < time_ns.size]] = 1
    stretch = np.cumsum(stretch, dtype=np.int32)
    firings_speed = smooth_speed(time_ns, stretch, per_revolution)
    return Firings(
        time_ns, np.concatenate(seens), stretch, firings_speed, np.sort(np.concatenate(extras)), per_revolution
    )


def smooth_speed(time_ns: IntArray, stretch: NumberArray, per_revolution: float, half: int = 3) -> FloatArray:
    """Crank speed in rev/s at each pulse, (n,): the intervals from `half` pulses before to `half` after.

    At the ends of a stretch the span shrinks; a stretch of a single pulse has speed 0.
    """
    speed = np.zeros(time_ns.size)
    edges = _bounds(stretch)
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        time, part = time_ns[first:last], speed[first:last]
        if time.size > 2 * half:
            np.divide(2 * half * NS_PER_S / per_revolution, time[2 * half :] - time[: -2 * half], out=part[half:-half])
        for k in {*range(min(half, time.size)), *range(max(0, time.size - half), time.size)}:
            low, high = max(0, k - half), min(time.size - 1, k + half)
            if high > low:
                part[k] = (high - low) * NS_PER_S / per_revolution / max(1, int(time[high] - time[low]))
    return speed
