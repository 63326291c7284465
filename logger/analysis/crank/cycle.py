"""The engine's cycle on the tach wire: which place of it each pulse has, and how unevenly the crank turns through it.

A distributor's lobes, a crank's teeth and cylinders that differ give every engine a standing pattern that repeats each
cycle. The pattern also tells the places apart: where pulses were lost or the engine was started again, the count of
them may have slipped, and the turn of the pattern that fits best says by how many.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import signal

from logger.analysis.crank.pulses import Firings
from logger.analysis.medians import median
from logger.event import BoolArray, Engine, FloatArray, IntArray

SMOOTH_CYCLES = 3  # over which the crank's own change of speed is fitted
SMOOTH_LEAST = 9  # pulses
SMOOTH_DEGREE = 3  # a drive shaft's swing, some 5 Hz, is followed; a pattern that repeats each cycle is not
PIECE = 1 << 17  # pulses that are worked on at once
SOME = 240  # pulses, a whole number of cycles for most engines
ENOUGH = 100_000  # pulses that a pattern is taken from, evenly over the day: as good as millions
FEWEST_CYCLES = 12  # between two gaps: fewer have no places of their own
SURE_TURN = 9.0  # log-likelihood by which a turn of the pattern must beat the others
UNLIKELY_TURN = 3.0  # by which another turn beats the count that goes on over lost pulses, so that it has slipped
MATCHED = 0  # group of the pulses whose places are known by the span that all are matched with
MOST_LOST = 8  # pulses lost in a row, over which they can be counted on


SingleArray = npt.NDArray[np.float32]
PlaceArray = npt.NDArray[np.uint8]
GroupArray = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Folded:
    """One recording's pulses laid on the engine's cycle, (n,) each.

    uneven: how late each pulse comes against a smoothly turning crank, as share of an interval. place: 0 to places - 1.
    group: pulses of one number share their places with each other; -1 where the place is not known. valid: whether
    `uneven` rests on pulses that were all seen.
    """

    uneven: SingleArray
    place: PlaceArray
    group: GroupArray
    valid: BoolArray

    def groups(self, span: slice = slice(None)) -> list[int]:
        """The groups that pulses of a span belong to, in order."""
        found: list[int] = np.flatnonzero(np.bincount(self.group[span] + 1)[1:]).tolist()
        return found


def spread_out(chosen: BoolArray, every: int) -> IntArray:
    """Indices of the chosen pulses, (m,); of those, by pieces of some cycles, only one piece in `every`."""
    if every > 1:
        chosen = chosen & np.repeat(np.arange(chosen.size // SOME + 1) % every == 0, SOME)[: chosen.size]
    return np.flatnonzero(chosen)


def places(engine: Engine, firings: Firings) -> int:
    """Pulses in one cycle of the engine (two revolutions of a four-stroke, one of a two-stroke); 0 where not whole."""
    count = firings.pulses_per_revolution * engine.strokes / 2
    return round(count) if abs(count - round(count)) < 1e-6 else 0


def unevenness(firings: Firings, count: int) -> tuple[SingleArray, BoolArray]:
    """How late each pulse comes against a smoothly turning crank, as share of an interval, (n,); and where it is valid.

    The summed log intervals less a cubic fitted over three cycles around each pulse (A. Savitzky and M. J. E. Golay,
    Analytical Chemistry 36 (1964) 1627-1639, from memory), which a pattern that repeats each cycle passes whole.
    """
    n, width = firings.time_ns.size, _width(count)
    uneven = np.zeros(n, np.float32)
    if n < 2 * width:
        return uneven, np.zeros(n, bool)
    begins = firings.bounds()[1:-1]
    # A long day piece by piece, each with what the fit reaches on either side.
    for begin in range(0, n, PIECE):
        low, high = max(0, begin - width), min(n, begin + PIECE + width)
        if high - low < 2 * width:
            low = high - 2 * width
        log_interval = np.log(np.maximum(np.diff(firings.time_ns[low:high]).astype(np.float64), 1.0))
        log_interval[begins[(begins > low) & (begins < high)] - 1 - low] = 0.0
        summed = np.concatenate(([0.0], np.cumsum(log_interval - log_interval.mean())))  # the fit takes a slope out
        rest = summed - signal.savgol_filter(summed, width, SMOOTH_DEGREE, mode="nearest")
        uneven[begin : begin + PIECE] = rest[begin - low : begin - low + PIECE]
    valid, reach = firings.seen.copy(), width // 2 + 1
    for first, stop in [
        *firings.missing_runs().tolist(),
        *((edge - 1, edge + 1) for edge in firings.bounds().tolist()),
    ]:
        valid[max(0, first - reach) : stop + reach] = False
    return uneven, valid


@cache
def kept(count: int) -> tuple[float, float]:
    """What is left of white edge jitter and of a wave of one cycle in `unevenness`, both as shares of their size.

    The fit takes up the rest: of jitter its own part, of the wave its response at that frequency.
    """
    weights = signal.savgol_coeffs(_width(count), SMOOTH_DEGREE)
    middle = weights.size // 2
    response = float(weights @ np.cos(2.0 * np.pi * (np.arange(weights.size) - middle) / count))
    return float(np.sqrt(1.0 - weights[middle])), 1.0 - response


def _width(count: int) -> int:
    return max(SMOOTH_CYCLES * count + 1, SMOOTH_LEAST) | 1


def fold(
    trains: Sequence[Firings], chosen: Sequence[BoolArray], count: int, known: "Span | None" = None
) -> tuple[list[Folded], "Span | None"]:
    """Lay the pulses of an event's recordings on one cycle of `count` places.

    chosen: bool (n,) of each recording, which pulses show the standing pattern by which the places are matched. known:
    the span that others are matched with, where an earlier call chose it. Returns that span, too (None: no span).
    """
    parts = [unevenness(firings, count) for firings in trains]
    places = [np.zeros(firings.time_ns.size, np.uint8) for firings in trains]
    groups = [np.full(firings.time_ns.size, -1, np.int32) for firings in trains]
    spans = [
        Span(number, first, stop, *_pattern(*parts[number], use, count, first, stop))
        for number, (firings, use) in enumerate(zip(trains, chosen, strict=True))
        for first, stop in _spans(firings, FEWEST_CYCLES * count)
    ]
    longest = known or max(spans, key=lambda span: float(span.weight.min()), default=None)
    group, turn, before = MATCHED, 0, None
    for number, span in enumerate(spans):
        misfit = _misfit(span, longest or span)
        best, second = np.argsort(misfit)[:2].tolist() if count > 1 else (0, 0)
        sure = span is longest or misfit[second] - misfit[best] > SURE_TURN
        if sure or before is None or not _goes_on(trains, before, span) or misfit[turn] - misfit[best] > UNLIKELY_TURN:
            group, turn = MATCHED if sure else number + 1, best
        before = span
        own = slice(span.first, span.stop)
        groups[span.recording][own] = group
        cycles = np.tile(np.arange(count, dtype=np.uint8), (span.stop - span.first) // count + 2)
        places[span.recording][own] = cycles[(span.first + turn) % count :][: span.stop - span.first]
    folded = [
        Folded(uneven, place, group, valid & (group >= 0))
        for (uneven, valid), place, group in zip(parts, places, groups, strict=True)
    ]
    return folded, longest


@dataclass(frozen=True, slots=True)
class Span:
    """Pulses first..stop-1 of a recording: their mean pattern by index modulo the places, and its weight."""

    recording: int
    first: int
    stop: int
    mean: FloatArray
    weight: FloatArray


def _spans(firings: Firings, fewest: int) -> list[tuple[int, int]]:
    # Where pulses are missing, or edges were taken out, the count may have slipped.
    doubtful = np.searchsorted(firings.time_ns, firings.extra_ns).tolist()
    cuts = sorted({*firings.bounds().tolist(), *firings.missing_runs()[:, 1].tolist(), *doubtful})
    return [(a, b) for a, b in pairwise(cuts) if b - a >= fewest]


def _pattern(
    uneven: SingleArray, valid: BoolArray, use: BoolArray, count: int, first: int, stop: int
) -> tuple[FloatArray, FloatArray]:
    """The mean of `uneven` by index modulo count, and one over the square of its standard error; (count,) each."""
    index = spread_out(use[first:stop] & valid[first:stop], (stop - first) // ENOUGH) + first
    place, value = index % count, uneven[index].astype(np.float64)
    number = np.bincount(place, minlength=count)
    if number.min() < 3:
        return np.zeros(count), np.zeros(count)
    value -= median(value)
    limit = 4.0 * 1.4826 * median(np.abs(value))
    value = np.clip(value, -limit, limit)
    mean = np.bincount(place, value, minlength=count) / number
    variance = np.bincount(place, value**2, minlength=count) / number - mean**2
    return mean, number / np.maximum(variance, 1e-10)


def _misfit(span: Span, longest: Span) -> FloatArray:
    """How badly a span lies on the longest one if turned by 0, 1, ... places: negative log-likelihoods, (count,)."""
    count = span.mean.size
    turned = (np.arange(count)[:, None] + np.arange(count)) % count
    mean, weight = longest.mean[turned], longest.weight[turned]
    both = span.weight * weight / np.maximum(span.weight + weight, 1e-10)
    return np.asarray(0.5 * (both * (span.mean - mean) ** 2).sum(axis=1))


def _goes_on(trains: Sequence[Firings], before: Span, span: Span) -> bool:
    """Whether pulses can be counted on from one span to the next: few were lost between them, the engine ran on."""
    firings = trains[span.recording]
    if before.recording != span.recording or firings.stretch[before.first] != firings.stretch[span.first]:
        return False
    return int(np.count_nonzero(~firings.seen[before.first : span.first])) <= MOST_LOST
