"""When a level changed: one break in the mean by least squares, and the cumulative sum chart.

Least squares over one break is the maximum-likelihood estimate for a mean shift in white normal noise (D. V. Hinkley,
Biometrika 57 (1970) 1-17, from memory); the tabular cumulative sum is E. S. Page's (Biometrika 41 (1954) 100-115).
"""

import numpy as np

from logger.event import FloatArray


def mean_shift(x: FloatArray) -> int:
    """Number of values before the break that best splits x (n,) into two levels; from 1 to n - 1.

    Raises ValueError for fewer than 2 values.

    >>> mean_shift(np.array([0.0, 0.1, -0.1, 5.0, 5.1]))
    3
    """
    n = x.size
    if n < 2:
        raise ValueError(f"mean_shift needs at least 2 values, got {n}")
    before = np.cumsum(x)[:-1]
    k = np.arange(1, n)
    after = x.sum() - before
    # The explained sum of squares: maximal where the remaining one is minimal.
    explained = before**2 / k + after**2 / (n - k)
    return int(np.argmax(explained)) + 1


def tabular_cusum(x: FloatArray, target: float, slack: float) -> tuple[FloatArray, FloatArray]:
    """Page's upper and lower sums of x (n,): each (n,), above a limit where the mean left target by more than slack."""
    upper, lower = np.empty(x.size), np.empty(x.size)
    high = low = 0.0
    for k, value in enumerate(x.tolist()):
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        upper[k], lower[k] = high, low
    return upper, lower
