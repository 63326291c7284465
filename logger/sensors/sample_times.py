"""When was sample k taken? From how many samples a free-running chip had made at the instants it was asked.

A chip with its own oscillator (some per cent off) fills a FIFO that is emptied at irregular instants. Each visit
tells: after n samples, the newest (number n - 1) was already there and number n not yet::

    sample     n-3        n-2        n-1        n
    -----------|----------|----------|--[visit]--|------>  t(k) = phase + period * k
                                      ^ before_ns, after_ns of the transaction

So phase + period * (n - 1) <= after_ns and phase + period * n > before_ns, for every visit. The period is the slope
of the visits by least squares, the phase the middle of what all of them allow. A visit that was slow to return only
loosens its own bounds.
"""

import numpy as np

from logger.event import IntArray

VISITS = 512
"""About ten seconds: long enough for a period good to tens of ppm, short against the oscillator's drift."""

ENOUGH = 8
"""Visits from which the measured period is better than the data sheet's."""


class SampleTimes:
    """Fits one straight run of samples, counted from 0; call `restart` where samples were lost."""

    def __init__(self, nominal_period_ns: float) -> None:
        self.period_ns = nominal_period_ns
        # A ring of columns: made, before, after. A deque would have to be turned into arrays for every fit.
        self._visits = np.zeros((3, VISITS), dtype=np.int64)
        self._n_visits = 0
        self._phase_ns = 0.0
        self._origin_ns = 0
        self.last_ns = -1
        """Time of the latest sample handed out."""

    def restart(self) -> None:
        """Count from 0 again; the period measured so far is kept, times go on rising."""
        self._n_visits = 0

    def visit(self, n_made: int, before_ns: int, after_ns: int) -> None:
        """The chip was asked between these instants and had made `n_made` samples since the start of the run."""
        self._visits[:, self._n_visits % VISITS] = n_made, before_ns, after_ns
        self._n_visits += 1

    def times(self, first: int, count: int) -> IntArray:
        """Times of samples first ... first + count - 1, int64 ns, shape (count,), rising from call to call.

        Needs one visit at least since the start of the run.
        """
        self._fit()
        k = np.arange(first, first + count)
        fitted = self._origin_ns + np.rint(self._phase_ns + self.period_ns * k).astype(np.int64)
        # A better fit may lie a little earlier than what was handed out before.
        times: IntArray = np.maximum(fitted, self.last_ns + 1 + np.arange(count))
        if count:
            self.last_ns = int(times[-1])
        return times

    def _fit(self) -> None:
        n_made, before, after = self._visits[:, : min(self._n_visits, VISITS)]
        self._origin_ns = after.item(0)
        # Relative to one of the visits, so that float64 keeps the nanoseconds.
        earliest = (before - self._origin_ns).astype(np.float64)
        latest = (after - self._origin_ns).astype(np.float64)
        n = n_made.astype(np.float64)
        if n.size >= ENOUGH and n.max() - n.min() >= 2 * ENOUGH:
            x = n - n.mean()
            self.period_ns = float(x @ ((earliest + latest) / 2.0) / (x @ x))
        upper = float(np.min(latest - self.period_ns * (n - 1.0)))
        lower = float(np.max(earliest - self.period_ns * n))
        self._phase_ns = (upper + lower) / 2.0
