"""A reading that comes smoothed, about first order, as of a probe in the exhaust: its lag told and undone."""

from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from logger.event import NS_PER_S, FloatArray, Trace

USUAL_TAU_S = 0.125
SLOWEST_TAU_S = 0.5
FEWEST_FALLS = 8
HOLE_STEPS = 2.5  # samples further apart have nothing to do with each other


def undo_lag(trace: Trace, step_s: float, tau_s: float) -> FloatArray:
    """Invert a first-order lag sampled every step_s: value + tau * slope, the slope over one step either way, (n,).

    At the edge of a hole, where the reading was a lie or absent, the slope is that of the side that is known.
    """
    change = np.diff(trace.value)
    known = np.diff(trace.time_ns) < HOLE_STEPS * step_s * NS_PER_S
    change, sides = np.where(known, change, 0.0), known.astype(np.float64)
    total, count = (np.append(part, 0.0) + np.insert(part, 0, 0.0) for part in (change, sides))
    return np.asarray(trace.value + tau_s * total / (np.maximum(count, 1.0) * step_s), np.float64)


def lag_s(readings: Sequence[tuple[FloatArray, float]]) -> float:
    """Time constant of an event's probe from the way its high readings decay, -step / ln(ratio) over long smooth falls.

    readings: of each recording the values above the usual, (n,), and their step in seconds. Each fall counts once,
    however long what is in the exhaust may take to clear.
    """
    falls = np.concatenate([_falls(above, step_s) for above, step_s in readings])
    return float(np.median(falls)) if falls.size >= FEWEST_FALLS else USUAL_TAU_S


def _falls(above: FloatArray, step_s: float) -> FloatArray:
    """The median of each fall of a recording, (m,) s."""
    n_steps = max(2, round(0.12 / step_s))
    start, end = above[:-n_steps], above[n_steps:]
    falling = ndimage.maximum_filter1d(np.diff(above), n_steps, origin=-(n_steps // 2))[: start.size] < 0.0
    smooth = falling & (start > 2.0) & (end > 0.4) & (end < start * np.exp(-n_steps * step_s / SLOWEST_TAU_S))
    tau = np.full(start.size, SLOWEST_TAU_S)
    tau[smooth] = -n_steps * step_s / np.log(end[smooth] / start[smooth])
    which, n_falls = ndimage.label(smooth)
    return np.asarray(ndimage.median(tau, which, np.arange(1, n_falls + 1)), np.float64)
