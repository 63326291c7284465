"""Lowest and highest value for each column of pixels: what is drawn of more samples than there are pixels."""

import numpy as np

from logger.event import NS_PER_S, FloatArray, IntArray, Trace


def column_extremes(
    time_ns: IntArray, low: FloatArray, high: FloatArray, t0_ns: int, t1_ns: int, n_columns: int, width_ns: int = 0
) -> tuple[FloatArray, FloatArray]:
    """Group (lowest, highest) pairs by column.

    time_ns: shape (n,), never decreasing; a pair that lasts `width_ns` from its time on goes into the column in which
    it begins, or into the first one where it began before the window. low, high: shape (n,) or (n, k), NaN left out.
    Returns shapes (n_columns,) or (n_columns, k); NaN in columns without any.
    """
    start, stop = np.searchsorted(time_ns, [t0_ns - max(width_ns - 1, 0), t1_ns])
    time_ns, low, high = time_ns[start:stop], low[start:stop], high[start:stop]
    out_low = np.full((n_columns, *low.shape[1:]), np.nan)
    out_high = out_low.copy()
    if time_ns.size:
        # Column i covers [t0 + span * i // n, t0 + span * (i + 1) // n): its edges, not a rounded division, decide.
        edges = t0_ns + (t1_ns - t0_ns) * np.arange(1, n_columns, dtype=np.int64) // n_columns
        firsts = np.concatenate([[0], np.searchsorted(time_ns, edges)])
        filled = firsts < np.append(firsts[1:], time_ns.size)
        out_low[filled] = np.fmin.reduceat(low, firsts[filled])
        out_high[filled] = np.fmax.reduceat(high, firsts[filled])
    return out_low, out_high


def columns_of_samples(trace: Trace, t0_ns: int, t1_ns: int, n_columns: int) -> tuple[FloatArray, FloatArray]:
    """Extremes of a trace's samples."""
    return column_extremes(trace.time_ns, trace.value, trace.value, t0_ns, t1_ns, n_columns)


def columns_of_rates(pulse_ns: IntArray, t0_ns: int, t1_ns: int, n_columns: int) -> tuple[FloatArray, FloatArray]:
    """Extremes of the pulse rate in Hz; each interval counts where its second pulse lies."""
    interval = np.diff(pulse_ns)
    real = interval > 0
    rate = NS_PER_S / interval[real]
    return column_extremes(pulse_ns[1:][real], rate, rate, t0_ns, t1_ns, n_columns)


def columns_of_states(trace: Trace, t0_ns: int, t1_ns: int, n_columns: int) -> tuple[FloatArray, FloatArray]:
    """Extremes of a channel whose value holds from each row to the next, also through columns without a row."""
    edges = t0_ns + (t1_ns - t0_ns) * np.arange(n_columns, dtype=np.int64) // n_columns
    before = np.searchsorted(trace.time_ns, edges, side="right") - 1
    held = np.where(before < 0, np.nan, trace.value[before]) if trace.value.size else np.full(n_columns, np.nan)
    times = np.concatenate([trace.time_ns, edges])
    order = np.argsort(times, kind="stable")
    values = np.concatenate([trace.value, held])[order]
    return column_extremes(times[order], values, values, t0_ns, t1_ns, n_columns)
