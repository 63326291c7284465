"""How evenly the crank turns, pulse by pulse: lost combustion while the tach wire is sound.

A firing that is not lit takes its share of torque away: the crank slows by a small, equal step at each lost firing and
keeps the lower speed afterwards. In the logarithm of the intervals that is a ramp while firings are lost, a level after.
Cyclic torque steps seen in the crank's segment times are the classical way to find misfire in production engines:
M. B. Ribbens and G. Rizzoni, "Onboard diagnosis of engine misfires", SAE Technical Paper 901768 (1990), from memory.

The tach edge jitters far more than one lost firing changes the speed, so steps are found with a bank of matched filters:
the summed log intervals y (their jitter is white, because each edge's jitter enters two intervals with opposite signs)
are fitted by least squares over a window with

    y[k] = a + b k + c k^2 + d r_n(k),    r_n(k) = 0 up to the onset, k (k + 1) / 2 over n lost firings, then straight on

and d, the relative speed lost per pulse, comes out as one fixed set of weights on y: a finite impulse response filter.
Standard linear regression; see S. M. Kay, "Fundamentals of Statistical Signal Processing: Detection Theory" (1998), ch. 4.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import ndimage

from logger.analysis.pulses import Firings
from logger.event import FloatArray

LENGTHS = (4, 8, 16, 32)  # lost firings that the filters are matched to
BEFORE = 24  # pulses of baseline before the onset
AFTER = 12  # pulses of level after the last lost firing


@dataclass(frozen=True, slots=True)
class Deficit:
    """Result of one matched filter at every pulse.

    lost_per_pulse: float32 (n,), relative speed lost per pulse if `length` pulses from here on had lost their firing.
    score: float32 (n,), the same over its standard error from edge jitter; 0 within reach of a stretch's ends.
    """

    length: int
    lost_per_pulse: FloatArray
    score: FloatArray


def deficits(firings: Firings) -> list[Deficit]:
    """Run the bank of filters over all stretches, one Deficit for each of LENGTHS."""
    n = firings.time_ns.size
    if n < 2:
        return []
    interval = np.diff(firings.time_ns).astype(np.float64)
    broken = np.diff(firings.stretch) != 0
    log_interval = np.log(np.maximum(interval, 1.0))
    log_interval[broken] = 0.0
    summed = np.concatenate(([0.0], np.cumsum(log_interval)))
    jitter = edge_jitter(log_interval)
    found = []
    for length in LENGTHS:
        weights, spread = matched_filter(length)
        # correlate1d centres its window; origin shifts it so that the onset's pulse carries the result.
        origin = BEFORE - weights.size // 2
        lost = ndimage.correlate1d(summed, weights, mode="nearest", origin=origin)
        reach = np.zeros(n, bool)
        for edge in firings.bounds().tolist():
            reach[max(0, edge - weights.size + BEFORE) : edge + BEFORE] = True
        lost[reach] = 0.0
        found.append(Deficit(length, lost, lost / (spread * jitter)))
    return found


@cache
def matched_filter(length: int, before: int = BEFORE, after: int = AFTER) -> tuple[FloatArray, float]:
    """Weights that give d from y over `before` + `length` + `after` pulses, and d's spread for unit white noise in y."""
    k = np.arange(-before, length + after, dtype=np.float64)
    lost = np.clip(k, 0, length)
    ramp = lost * (lost + 1) / 2 + np.maximum(k - length, 0) * length
    scale = float(k.size)
    basis = np.column_stack((np.ones_like(k), k / scale, (k / scale) ** 2, ramp))
    weights = np.linalg.pinv(basis)[3]
    return weights, float(np.sqrt(weights @ weights))


def edge_jitter(log_interval: FloatArray, width: int = 201) -> FloatArray:
    """Standard deviation of the edges' jitter over the interval, float (n + 1,), from neighbouring intervals.

    For white edge jitter s the second difference of the intervals has variance 20 s^2 (1, -3, 3, -1 squared); its
    median size over `width` pulses, times 1.4826, is robust against the odd lost firing.
    """
    second = np.abs(np.diff(log_interval, 2, prepend=log_interval[:1], append=log_interval[-1:]))
    step = 8
    coarse = second[: second.size // step * step].reshape(-1, step) if second.size >= 2 * step else second[None, :]
    typical = ndimage.median_filter(np.median(coarse, axis=1), max(3, width // step), mode="nearest")
    spread = 1.4826 * np.repeat(typical, coarse.shape[1]) / np.sqrt(20.0)
    spread = np.concatenate((spread, np.full(log_interval.size + 1 - spread.size, spread[-1])))
    return np.maximum(spread, 1e-4)


@dataclass(frozen=True, slots=True)
class GapLoss:
    """Speed lost over a run of missing pulses: relative loss per pulse and its standard error."""

    lost_per_pulse: float
    error: float


def loss_over_gap(firings: Firings, first: int, stop: int, jitter: FloatArray, side: int = 20) -> GapLoss | None:
    """Fit the matched filter's model around missing pulses first..stop-1, using only pulses that were seen.

    If the firings were really lost, the crank slowed meanwhile; if only the wire lost them, it did not.
    None where fewer than 6 pulses were seen on either side. jitter: from edge_jitter, shape (n,).
    """
    low, high = max(0, first - side), min(firings.time_ns.size, stop + side)
    index = np.arange(low, high)
    keep = firings.seen[low:high] & (firings.stretch[low:high] == firings.stretch[first - 1])
    if np.count_nonzero(keep & (index < first)) < 6 or np.count_nonzero(keep & (index >= stop)) < 6:
        return None
    before = index[keep & (index < first)]
    usual = float(firings.time_ns[before[-1]] - firings.time_ns[before[0]]) / (before[-1] - before[0])
    y = (firings.time_ns[low:high] - firings.time_ns[first - 1])[keep] / usual
    k = (index - first + 1.0)[keep]
    lost = np.clip(k, 0, stop - first)
    ramp = lost * (lost + 1) / 2 + np.maximum(k - (stop - first), 0) * (stop - first)
    scale = float(high - low)
    basis = np.column_stack((np.ones_like(k), k / scale, (k / scale) ** 2, ramp))
    solution, *_ = np.linalg.lstsq(basis, y, rcond=None)
    residual = y - basis @ solution
    spread = max(float(np.sqrt(residual @ residual / max(1, k.size - 4))), float(jitter[first]))
    error = spread * float(np.sqrt(np.linalg.inv(basis.T @ basis)[3, 3]))
    return GapLoss(float(solution[3]), error)
