"""Medians, several times as fast as NumPy's own: one selection, where that makes three, and the same to the bit.

For whole channels of a long day, and for what is asked at each of many pulses; elsewhere NumPy's own will do.
"""

import numpy as np

from logger.event import FloatArray


def median(value: FloatArray) -> float:
    """The median of values, (n,); NaN where one of them is, or there is none.

    >>> median(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    n = value.size
    if not n or np.isnan(value.max()):
        return float("nan")
    parted = np.partition(value, n // 2)
    upper = parted[n // 2]
    return float(upper) if n % 2 else float(0.5 * (parted[: n // 2].max() + upper))


def row_medians(value: FloatArray) -> FloatArray:
    """The median of each row of a few values, (n, m) to (n,); NaN where one of them is. Raises IndexError for m = 0."""
    ordered = np.sort(value, axis=1)
    m = value.shape[1]
    middle = 0.5 * (ordered[:, (m - 1) // 2] + ordered[:, m // 2])
    return np.asarray(np.where(np.isnan(ordered[:, -1]), np.nan, middle))
