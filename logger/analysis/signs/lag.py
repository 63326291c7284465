"""A reading that comes smoothed, about first order, as of a probe in the exhaust: its lag told and undone."""

import numpy as np
from scipy import ndimage

from logger.event import NS_PER_S, FloatArray, Trace

USUAL_TAU_S = 0.125
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


def lag_s(above: FloatArray, step_s: float) -> float:
    """Time constant from the way high readings decay: median of -step / ln(ratio) over long smooth falls."""
    n_steps = max(2, round(0.12 / step_s))
    start, end = above[:-n_steps], above[n_steps:]
    falling = ndimage.maximum_filter1d(np.diff(above), n_steps, origin=-(n_steps // 2))[: start.size] < 0.0
    smooth = falling & (start > 2.0) & (end > 0.4)
    if np.count_nonzero(smooth) < 20:
        return USUAL_TAU_S
    tau = -n_steps * step_s / np.log(end[smooth] / start[smooth])
    return float(np.clip(np.median(tau), 0.02, 0.5))
