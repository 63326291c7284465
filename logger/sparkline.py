"""A trace as one line of text: block letters that keep every dip, and what its ends are."""

import math

import numpy as np

from logger.event import NS_PER_S, FloatArray, IntArray

LEVELS = "▁▂▃▄▅▆▇█"


def sparkline(values: FloatArray, least_span: float = 0.0) -> str:
    """One block per value, shape (n,), lowest to highest of those given; a blank where there is none (NaN).

    Values that span less than `least_span` are drawn around the middle, so that noise is not blown up to a fault.
    """
    known = values[np.isfinite(values)]
    if not known.size:
        return " " * values.size
    low, high = float(known.min()), float(known.max())
    if high - low <= least_span:
        low, high = (low + high - least_span) / 2, (low + high + least_span) / 2
    step = (high - low) / len(LEVELS) or 1.0
    return "".join(
        LEVELS[min(int((value - low) / step), len(LEVELS) - 1)] if np.isfinite(value) else " " for value in values
    )


def columns_of_extremes(time_ns: IntArray, value: FloatArray, from_ns: int, to_ns: int, n_columns: int) -> FloatArray:
    """For each of `n_columns` of the window the value furthest from the window's median, so that no dip is lost.

    NaN where a column holds no value.
    """
    columns = np.full(n_columns, np.nan)
    inside = (time_ns >= from_ns) & (time_ns < to_ns) & np.isfinite(value)
    if not inside.any():
        return columns
    shown = value[inside]
    column = (time_ns[inside] - from_ns) * n_columns // (to_ns - from_ns)
    nearest_first = np.argsort(np.abs(shown - np.median(shown)), kind="stable")
    columns[column[nearest_first]] = shown[nearest_first]  # the last one written stays
    return columns


def speed_from_pulses(pulses_ns: IntArray, pulses_per_revolution: float) -> tuple[IntArray, FloatArray]:
    """Speed in rev/min at the end of each interval between tach pulses; a lost pulse shows as a fall."""
    interval_ns = np.diff(pulses_ns)
    turning = interval_ns > 0
    return pulses_ns[1:][turning], 60.0 * NS_PER_S / (interval_ns[turning] * pulses_per_revolution)


def ends_of(low: float, high: float) -> str:
    """Both to the place that gives the greater four digits."""
    decimals = max(0, 3 - math.floor(math.log10(max(abs(low), abs(high), 1e-3))))
    return " to ".join(f"{round(float(end), decimals) + 0.0:g}" for end in (low, high))
