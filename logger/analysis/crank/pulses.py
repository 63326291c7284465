"""From edges on the tach wire to a clean train of firings: what is missing, what is too much, where the engine ran.

A crank has inertia: it cannot lose half its speed between two firings. So an interval near two, three ... times its
neighbours is a lost pulse, a short one an extra edge, and a smoothly growing one a crank that really slows down.

The steps:

1. Intervals far from the median of their neighbours are odd; everything else is taken as it is.
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

from logger.analysis.crank import tach_noise
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray

NumberArray = npt.NDArray[np.int32]

MEDIAN_WIDTH = 15  # intervals; up to seven may be wrong before the median is
FEW_WIDTH = 7  # the same where a pulse comes once in two turns, in which a crank may change its speed by a third
SHORT, LONG = (
    0.62,
    1.55,
)  # of the neighbours' median: nearer to one half and to two than jitter and cylinder spread reach
GOOD_RUN = 3  # good intervals in a row that part two odd places
NEIGHBOURS = 9  # good intervals on either side from which the crank's speed is taken
PHASE_TOLERANCE = 0.30  # of an interval, between an edge and the phase at which it is due
SILENCE_S = 0.6  # from which a gap is judged by itself: the engine may have stood meanwhile
LONGEST_LOSS_S = 3.0  # a rolling car keeps its crank turning; longer silence is a stop
FASTEST_RISE_PER_S = 8.0  # relative; a free-revving engine with a light flywheel (no source: bound above what is seen)
DEFAULT_IDLE_RPM = 850.0
SAG = 1.15  # interval growth over a few firings near idle that only a dragged crank shows
SAG_MATTERS_BELOW = 0.33  # of the slowest running interval: up to one and a half times idle speed


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
        if not self.time_ns.size:
            return np.zeros(1, np.int64)
        return np.concatenate(([0], np.flatnonzero(np.diff(self.stretch)) + 1, [self.time_ns.size])).astype(np.int64)

    def missing_runs(self) -> IntArray:
        """Runs of missing pulses: int64 (m, 2), index of the first missing one and of the first one seen after."""
        change = np.diff(np.concatenate(([0], (~self.seen).astype(np.int8), [0])))
        return np.column_stack((np.flatnonzero(change == 1), np.flatnonzero(change == -1))).astype(np.int64)


def clean(edges_ns: IntArray, engine: Engine, gaps_ns: IntArray | None = None) -> Firings:
    """Turn the tach wire's edges (int64 ns, any order, duplicates allowed) into Firings.

    gaps_ns: stretches in which nothing was recorded, int64 (m, 2), in order; nothing is laid across them.
    """
    edges, repeats = _distinct(edges_ns)
    bounced = tach_noise.bounces(edges, tach_noise.fastest_interval_ns(engine))
    extra = np.concatenate((repeats, edges[bounced]))
    begins = [] if gaps_ns is None else np.searchsorted(edges[~bounced], gaps_ns[:, 1]).tolist()
    return _join([_clean(part, engine) for part in np.split(edges[~bounced], begins)], extra)


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
        typical = np.full(interval.size, np.inf)
        if not noisy.all():
            typical[~noisy] = ndimage.median_filter(interval[~noisy], width, mode="nearest")
    else:
        typical = ndimage.median_filter(interval, width, mode="nearest")
    odd = noisy | (interval < SHORT * typical) | (interval > LONG * typical)
    odd |= tach_noise.chatter(interval, odd, SAG_MATTERS_BELOW * slowest)
    patches = [_resolve(edges, interval, odd, first, last, slowest) for first, last in _odd_places(interval, odd)]
    return _assemble(edges, patches, per_revolution)


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
    edges = np.sort(np.asarray(edges_ns, np.int64))
    repeat = np.concatenate(([False], np.diff(edges) == 0)) if edges.size else np.empty(0, bool)
    return edges[~repeat], edges[repeat]


def _odd_places(interval: FloatArray, odd: BoolArray) -> list[tuple[int, int]]:
    """Runs of odd intervals, first and last index, joined where fewer than GOOD_RUN good ones lie between.

    A silence that may be a stop stands alone, so that what is odd on its two sides is judged on its own side.
    """
    places: list[tuple[int, int]] = []
    joinable = False
    for index in np.flatnonzero(odd).tolist():
        silence = interval[index] > SILENCE_S * NS_PER_S
        if joinable and not silence and index - places[-1][1] <= GOOD_RUN:
            places[-1] = (places[-1][0], index)
        else:
            places.append((index, index))
        joinable = not silence
    return places


@dataclass(frozen=True, slots=True)
class _Patch:
    """What an odd place becomes: edges first..last-1 are replaced; `stop` where the stretch ends instead."""

    first: int
    last: int
    time_ns: IntArray
    seen: BoolArray
    extra_ns: IntArray
    stop: bool


def _unchanged(place: int) -> _Patch:
    return _Patch(place, place, np.empty(0, np.int64), np.empty(0, bool), np.empty(0, np.int64), False)


def _stop(place: int) -> _Patch:
    return _Patch(place, place, np.empty(0, np.int64), np.empty(0, bool), np.empty(0, np.int64), True)


def _resolve(edges: IntArray, interval: FloatArray, odd: BoolArray, first: int, last: int, slowest_ns: float) -> _Patch:
    """Decide what an odd place (intervals first..last) is: nothing to mend, a stop, or pulses missing and too many."""
    before = _good_interval(interval, odd, first, -1)
    after = _good_interval(interval, odd, last, +1)
    elapsed = float(edges[last + 1] - edges[first])
    longest = first + int(np.argmax(interval[first : last + 1]))
    if before is None and after is None:
        return _unchanged(first + 1)
    if before is None or after is None or elapsed > LONGEST_LOSS_S * NS_PER_S:
        stopped = True
    else:
        # What comes first after a long silence decides: an engine started again cranks only for some firings.
        first_after = _good_interval(interval, odd, last, +1, GOOD_RUN) if elapsed > 8.0 * before else None
        after = first_after or after
        risen = before / after - 1.0 > 0.25 + FASTEST_RISE_PER_S * elapsed / NS_PER_S
        cranked = after > slowest_ns and elapsed > 4.0 * before
        stopped = risen or cranked
    if stopped or before is None or after is None:
        real = interval[longest] >= 3.0 * (before or after or 0.0) or interval[longest] >= slowest_ns
        return _stop(longest + 1) if real else _unchanged(first + 1)
    slowest = max(before, after)
    if slowest > slowest_ns and elapsed < 3.0 * (last + 1 - first) * slowest:
        return _unchanged(first + 1)
    if _sagging(interval, first) and slowest > SAG_MATTERS_BELOW * slowest_ns:
        return _unchanged(first + 1) if interval[longest] < 8.0 * before else _stop(longest + 1)
    around = interval[max(0, first - 1) : last + 2]
    if float(around.max()) > SAG_MATTERS_BELOW * slowest_ns and _smooth(around):
        return _unchanged(first + 1)  # the crank itself sagged and picked up again
    return _lay_phase(edges, *_widened(interval, first, last, before, after), before, after)


def _smooth(interval: FloatArray) -> bool:
    """Whether intervals change from each to the next by no more than a crank near standstill can."""
    ratio = interval[1:] / interval[:-1]
    return bool(ratio.max(initial=1.0) < LONG and ratio.min(initial=1.0) > 1.0 / LONG)


def _widened(interval: FloatArray, first: int, last: int, before: float, after: float) -> tuple[int, int]:
    """Take in a neighbour where that makes the place a whole number of firings: an extra edge cuts one interval in two.

    Its longer piece can pass for good; only a place with a piece too short is widened.
    """
    usual = 2.0 / (1.0 / before + 1.0 / after)
    if float(interval[first : last + 1].min()) > SHORT * usual:
        return first, last
    spans = [(first, last), (first, last + 1), (first - 1, last), (first - 1, last + 1)]
    inside = [(a, b) for a, b in spans if a >= 0 and b < interval.size]

    def misfit(span: tuple[int, int]) -> float:
        total = float(interval[span[0] : span[1] + 1].sum()) / usual
        return abs(total - max(1, round(total)))

    best = min(inside, key=misfit)
    return best if misfit(best) < misfit((first, last)) - 0.1 else (first, last)


def _lay_phase(edges: IntArray, first: int, last: int, before: float, after: float) -> _Patch:
    """Lay the crank's phase through intervals first..last and sort the edges: in phase, or extra; the rest is missing.

    Speed goes evenly from 1/before to 1/after, so phase is a parabola; it is scaled to end on a whole pulse.
    """
    start, elapsed = int(edges[first]), float(edges[last + 1] - edges[first])
    inner = edges[first + 1 : last + 1]
    count = max(1, round(elapsed * 0.5 * (1.0 / before + 1.0 / after)))
    slope = (1.0 / after - 1.0 / before) / (1.0 / after + 1.0 / before)
    at = (inner - start) / elapsed
    phase = count * (at * (1.0 - slope) + slope * at**2)
    due = np.rint(phase).astype(np.int64)
    off = np.abs(phase - due)
    off[(due < 1) | (due > count - 1)] = np.inf
    order = np.lexsort((off, due))
    best = order[np.concatenate(([True], np.diff(due[order]) != 0))] if order.size else order
    best = best[off[best] <= PHASE_TOLERANCE]
    time_ns = start + np.rint(_time_at_phase(np.arange(1, count), count, slope) * elapsed).astype(np.int64)
    seen = np.zeros(count - 1, bool)
    time_ns[due[best] - 1] = inner[best]
    seen[due[best] - 1] = True
    if inner.size > 2 * count:
        # Among so much noise some edge is near every phase: the phase itself dates the pulse better.
        time_ns = start + np.rint(_time_at_phase(np.arange(1, count), count, slope) * elapsed).astype(np.int64)
    is_extra = np.ones(inner.size, bool)
    is_extra[best] = False
    return _Patch(first + 1, last + 1, time_ns, seen, inner[is_extra], False)


def _sagging(interval: FloatArray, first: int) -> bool:
    """Whether the intervals before an odd one already grew: a crank dragged down, not pulses lost."""
    usual = float(np.median(interval[max(0, first - 9) : max(1, first - 2)]))
    return first >= 4 and float(interval[first - 1]) > SAG * usual


def _time_at_phase(phase: IntArray, count: int, slope: float) -> FloatArray:
    """Invert phase = count * (x * (1 - slope) + slope * x**2) for x in 0..1."""
    share = phase / count
    if abs(slope) < 1e-9:
        return share
    linear = 1.0 - slope
    return np.asarray(2.0 * share / (linear + np.sqrt(linear**2 + 4.0 * slope * share)), np.float64)


def _good_interval(interval: FloatArray, odd: BoolArray, place: int, step: int, most: int = NEIGHBOURS) -> float | None:
    """Median of up to `most` good intervals on one side of an odd place, ns; None where there are under three."""
    reach = 4 * NEIGHBOURS
    side = slice(max(0, place - reach), place) if step < 0 else slice(place + 1, place + 1 + reach)
    good = interval[side][~odd[side]]
    good = good[-most:] if step < 0 else good[:most]
    return float(np.median(good)) if good.size >= GOOD_RUN else None


def _assemble(edges: IntArray, patches: list[_Patch], per_revolution: float) -> Firings:
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
    edges = np.concatenate(([0], np.flatnonzero(np.diff(stretch)) + 1, [time_ns.size]))
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        time, part = time_ns[first:last], speed[first:last]
        if time.size > 2 * half:
            np.divide(2 * half * NS_PER_S / per_revolution, time[2 * half :] - time[: -2 * half], out=part[half:-half])
        for k in {*range(min(half, time.size)), *range(max(0, time.size - half), time.size)}:
            low, high = max(0, k - half), min(time.size - 1, k + half)
            if high > low:
                part[k] = (high - low) * NS_PER_S / per_revolution / max(1, int(time[high] - time[low]))
    return speed
