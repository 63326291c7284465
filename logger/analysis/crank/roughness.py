"""How evenly the crank turns, firing by firing: lost combustion while the tach wire is sound.

Segment times, from one firing to the next, are the classical way to see misfire: the time differences are turned into
an angular acceleration of each segment, and a firing that was not lit shows as a dip. The cubed form (T2 - T1) / T1^3
is usual (M. Plapp, M. Klenk and W. Moser, SAE Technical Paper 900232, 1990, from memory); for a constant acceleration
it over-reads at low speed, so the exact one is used here, see `segment_acceleration`.

The edges of a tach wire jitter far more than one lost firing changes the speed. A firing that is lost takes its share
of torque away and the crank keeps the lower speed: a ramp in the logarithm of the intervals while firings are lost.
So losses are found with matched filters: the summed log intervals y (whose jitter is white, since each edge enters
two intervals with opposite signs) are fitted by least squares over a window with

    y[k] = a + b k + c k^2 + d r_n(k)
    r_n(k) = 0 up to the onset, k (k + 1) / 2 over n lost firings, then straight on

and d, the relative speed lost per pulse, comes out as one fixed set of weights on y: a finite impulse response
filter (linear regression; S. M. Kay, "Fundamentals of Statistical Signal Processing: Detection Theory", 1998, from
memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import ndimage

from logger.analysis.crank.pulses import Firings
from logger.analysis.medians import row_medians
from logger.event import NS_PER_S, FloatArray, IntArray

BEFORE = 24  # pulses of baseline before the onset
CORNER_LENGTHS = (3, 4, 6, 8, 12, 16, 24)  # pulses
CORNER_NS = (25_000_000, 130_000_000)


def segment_acceleration(time_ns: IntArray, per_revolution: float) -> FloatArray:
    """Crank acceleration over each pair of neighbouring segments, rad/s2, (n - 2,), exact for constant acceleration.

    With segment angle phi and times T1, T2: alpha = -2 phi (T2 - T1) / (T1 T2 (T1 + T2)); from equations of motion
    written for the two segments.
    """
    segment = np.diff(time_ns) / NS_PER_S
    first, second = segment[:-1], segment[1:]
    angle = 2.0 * np.pi / per_revolution
    return np.asarray(-2.0 * angle * (second - first) / (first * second * (first + second)))


def log_intervals(firings: Firings) -> FloatArray:
    """Natural logarithm of the intervals in ns, (n - 1,); 0 where one stretch ends and the next begins."""
    log_interval = np.log(np.maximum(np.diff(firings.time_ns).astype(np.float64), 1.0))
    log_interval[firings.bounds()[1:-1] - 1] = 0.0
    return np.asarray(log_interval)


def speed_loss(firings: Firings, length: int, after: int = 0) -> tuple[FloatArray, FloatArray]:
    """Run one matched filter over all stretches.

    Returns, at each pulse, float64 (n,): the relative speed lost per pulse if `length` pulses from there on had lost
    their firing, and that over its standard error from edge jitter. Both 0 within reach of a stretch's ends.
    """
    (both,) = speed_losses(firings, (length,), after)
    return both


def speed_losses(firings: Firings, lengths: Sequence[int], after: int = 0) -> Iterator[tuple[FloatArray, FloatArray]]:
    """The same with several filters, one after the other."""
    n = firings.time_ns.size
    if n < 4:
        yield from ((np.zeros(n), np.zeros(n)) for _ in lengths)
        return
    log_interval = log_intervals(firings)
    summed = np.concatenate(([0.0], np.cumsum(log_interval)))
    jitter = edge_jitter(log_interval)
    bounds = firings.bounds().tolist()
    for length in lengths:
        weights, spread = matched_filter(length, BEFORE, after)
        # correlate1d centres its window; origin shifts it so that the onset's pulse carries the result.
        lost = ndimage.correlate1d(summed, weights, mode="nearest", origin=BEFORE - weights.size // 2)
        for edge in bounds:
            lost[max(0, edge - length - after) : edge + BEFORE] = 0.0
        yield lost, lost / (spread * jitter)


@cache
def matched_filter(length: int, before: int, after: int) -> tuple[FloatArray, float]:
    """Weights that give d from y over `before` + `length` + `after` pulses, and d's spread for unit noise in y."""
    k = np.arange(-before, length + after, dtype=np.float64)
    basis = np.column_stack((*_smooth_basis(k), _ramp(k, length)))
    weights = np.linalg.pinv(basis)[3]
    return weights, float(np.sqrt(weights @ weights))


def _smooth_basis(k: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    scaled = k / k.size
    return np.ones_like(k), scaled, scaled**2


def _ramp(k: FloatArray, length: int) -> FloatArray:
    lost = np.clip(k, 0, length)
    return np.asarray(lost * (lost + 1) / 2 + np.maximum(k - length, 0) * length)


def edge_jitter(log_interval: FloatArray, width: int = 201) -> FloatArray:
    """Standard deviation of the edges' jitter over the interval, float (n + 1,), from neighbouring intervals.

    For white edge jitter s the second difference of the intervals has variance 20 s^2 (1, -3, 3, -1 squared); its
    median size over `width` pulses, times 1.4826, is robust against the odd lost firing.
    """
    if log_interval.size < 3:
        return np.full(log_interval.size + 1, 1e-2)
    second = np.abs(np.diff(log_interval, 2, prepend=log_interval[:1], append=log_interval[-1:]))
    step = 8 if second.size >= 16 else second.size
    coarse = second[: second.size // step * step].reshape(-1, step)
    typical = ndimage.median_filter(row_medians(coarse), max(3, width // step), mode="nearest")
    spread = 1.4826 * np.repeat(typical, step) / np.sqrt(20.0)
    spread = np.concatenate((spread, np.full(log_interval.size + 1 - spread.size, spread[-1])))
    return np.asarray(np.maximum(spread, 1e-4))


@dataclass(frozen=True, slots=True)
class GapLoss:
    """Speed lost over a run of missing pulses: relative loss per pulse and its standard error."""

    lost_per_pulse: float
    error: float


def jitter_before(firings: Firings, first: int) -> float:
    """Standard deviation of the edges' jitter over the interval, from the 200 pulses before pulse `first`."""
    interval = np.diff(firings.time_ns[max(0, first - 200) : first]).astype(np.float64)
    return float(edge_jitter(np.log(np.maximum(interval, 1.0)))[-1])


def loss_over_gap(firings: Firings, first: int, stop: int, jitter: float, side: int = 20) -> GapLoss | None:
    """Fit the matched filter's model around missing pulses first..stop-1, using only pulses that were seen.

    If the firings were really lost, the crank slowed meanwhile; if only the wire lost them, it did not.
    jitter: from jitter_before. None where fewer than 6 pulses were seen on either side.
    """
    low, high = max(0, first - side), min(firings.time_ns.size, stop + side)
    index = np.arange(low, high)
    keep = firings.seen[low:high] & (firings.stretch[low:high] == firings.stretch[first - 1])
    before = index[keep & (index < first)]
    if before.size < 6 or np.count_nonzero(keep & (index >= stop)) < 6:
        return None
    usual = float(firings.time_ns[before[-1]] - firings.time_ns[before[0]]) / (before[-1] - before[0])
    y = (firings.time_ns[low:high] - firings.time_ns[first - 1])[keep] / usual
    k = (index - first + 1.0)[keep]
    basis = np.column_stack((*_smooth_basis(k), _ramp(k, stop - first)))
    solution, *_ = np.linalg.lstsq(basis, y, rcond=None)
    residual = y - basis @ solution
    spread = max(float(np.sqrt(residual @ residual / max(1, k.size - 4))), jitter)
    error = spread * float(np.sqrt(np.linalg.inv(basis.T @ basis)[3, 3]))
    return GapLoss(float(solution[3]), error)


def corners(firings: Firings) -> tuple[FloatArray, FloatArray]:
    """How sharply the crank's acceleration falls and rises at each pulse, in standard errors, each (n,), never below 0.

    The sharpest over the lengths that last a quarter to half of a drive shaft's swing, some 30 to 130 ms.
    """
    fall = np.zeros(firings.time_ns.size)
    rise = np.zeros(firings.time_ns.size)
    interval = NS_PER_S / np.maximum(firings.speed_rps * firings.pulses_per_revolution, 1e-3)
    for length, (_, score) in zip(CORNER_LENGTHS, speed_losses(firings, CORNER_LENGTHS), strict=True):
        fits = (length * interval > CORNER_NS[0]) & (length * interval < CORNER_NS[1])
        fall = np.where(fits, np.maximum(fall, score), fall)
        rise = np.where(fits, np.maximum(rise, -score), rise)
    return fall, rise
