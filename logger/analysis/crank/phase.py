"""The crank's phase through an odd place in the pulses: which edges are pulses, which extra, and what is missing.

Speed goes evenly from what it was before to what it is after; edges near a whole phase are pulses.
"""

from dataclasses import dataclass

import numpy as np

from logger.analysis.medians import median
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

# Of the neighbours' median: nearer to one half and to two than jitter and cylinder spread reach.
SHORT, LONG = 0.62, 1.55
GOOD_RUN = 3  # good intervals in a row that part two odd places
NEIGHBOURS = 9  # good intervals on either side from which the crank's speed is taken
PHASE_TOLERANCE = 0.30  # of an interval, between an edge and the phase at which it is due
SILENCE_S = 0.6  # from which a gap is judged by itself: the engine may have stood meanwhile
LONGEST_LOSS_S = 3.0  # a rolling car keeps its crank turning; longer silence is a stop
FASTEST_RISE_PER_S = 8.0  # relative; a free-revving engine with a light flywheel (no source: bound above what is seen)
SAG = 1.15  # interval growth over a few firings near idle that only a dragged crank shows
SAG_MATTERS_BELOW = 0.33  # of the slowest running interval: up to one and a half times idle speed


def odd_places(interval: FloatArray, odd: BoolArray) -> list[tuple[int, int]]:
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
class Patch:
    """What an odd place becomes: edges first..last-1 are replaced; `stop` where the stretch ends instead."""

    first: int
    last: int
    time_ns: IntArray
    seen: BoolArray
    extra_ns: IntArray
    stop: bool


def _unchanged(place: int) -> Patch:
    return Patch(place, place, np.empty(0, np.int64), np.empty(0, bool), np.empty(0, np.int64), False)


def _stop(place: int) -> Patch:
    return Patch(place, place, np.empty(0, np.int64), np.empty(0, bool), np.empty(0, np.int64), True)


def resolve(
    edges: IntArray, interval: FloatArray, odd: BoolArray, first: int, last: int, slowest_ns: float, free: int = 0
) -> Patch:
    """Decide what an odd place (intervals first..last) is: nothing to mend, a stop, or pulses missing and too many.

    free: the first interval that belongs to no place before.
    """
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
    left = first - 1 if first - 1 >= free and not odd[first - 1] else first
    right = last + 1 if last + 1 < interval.size and not odd[last + 1] else last
    return _lay_phase(edges, *_widened(interval, (first, last), (left, right), before, after), before, after)


def _smooth(interval: FloatArray) -> bool:
    """Whether intervals change from each to the next by no more than a crank near standstill can."""
    ratio = interval[1:] / interval[:-1]
    return bool(ratio.max(initial=1.0) < LONG and ratio.min(initial=1.0) > 1.0 / LONG)


def _widened(
    interval: FloatArray, place: tuple[int, int], most: tuple[int, int], before: float, after: float
) -> tuple[int, int]:
    """Take in a neighbour where that makes the place a whole number of firings: an extra edge cuts one interval in two.

    Its longer piece can pass for good; only a place with a piece too short is widened, and no farther than to `most`.
    """
    (first, last), (left, right) = place, most
    usual = 2.0 / (1.0 / before + 1.0 / after)
    if float(interval[first : last + 1].min()) > SHORT * usual:
        return first, last
    spans = [(first, last), (first, right), (left, last), (left, right)]

    def misfit(span: tuple[int, int]) -> float:
        total = float(interval[span[0] : span[1] + 1].sum()) / usual
        return abs(total - max(1, round(total)))

    best = min(spans, key=misfit)
    return best if misfit(best) < misfit((first, last)) - 0.1 else (first, last)


def _lay_phase(edges: IntArray, first: int, last: int, before: float, after: float) -> Patch:
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
    return Patch(first + 1, last + 1, time_ns, seen, inner[is_extra], False)


def _sagging(interval: FloatArray, first: int) -> bool:
    """Whether the intervals before an odd one already grew: a crank dragged down, not pulses lost."""
    usual = median(interval[max(0, first - 9) : max(1, first - 2)])
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
    return median(good) if good.size >= GOOD_RUN else None
