"""Vibration levels from acceleration samples: RMS and peak over stretches of 50 ms, without static gravity."""

import math

import numpy as np

from logger.conversion import COUNTS_PER_G
from logger.event import FloatArray, IntArray
from logger.sensors.batch import Counts, Levels

STRETCH_S = 0.05
GRAVITY_TIME_CONSTANT_S = 2.0
"""Slower than any bump, faster than the car's attitude on a hill matters."""


class LevelMeter:
    """Takes counts as they come and gives one row of levels for each full 50 ms.

    Gravity is followed as a slow mean (time constant 2 s) of the samples themselves, so it needs no calibration; a
    steady cornering force vanishes with it after some seconds.
    """

    def __init__(self, rate_hz: float, rotation: FloatArray) -> None:
        self._n = max(1, round(rate_hz * STRETCH_S))
        self._rotation = rotation / COUNTS_PER_G
        self._share = 1.0 - math.exp(-STRETCH_S / GRAVITY_TIME_CONSTANT_S)
        self._gravity: FloatArray | None = None
        self._times = np.empty(0, dtype=np.int64)
        self._counts = np.empty((0, 3), dtype=np.int16)

    def add(self, time_ns: IntArray, counts: Counts) -> Levels | None:
        """Levels of the stretches that are now complete; None where none is."""
        times = np.concatenate([self._times, time_ns])
        waiting = np.concatenate([self._counts, counts])
        n_rows = times.size // self._n
        used = n_rows * self._n
        self._times, self._counts = times[used:], waiting[used:]
        if not n_rows:
            return None
        stretches = (waiting[:used] @ self._rotation.T).reshape(n_rows, self._n, 3)
        moving = stretches - self._follow_gravity(stretches.mean(axis=1))[:, None, :]
        resultant = np.sqrt((moving**2).sum(axis=2, keepdims=True))
        size = np.concatenate([np.abs(moving), resultant], axis=2)
        rms = np.sqrt((size**2).mean(axis=1))
        return Levels(times[self._n - 1 : used : self._n], rms.astype(np.float32), size.max(axis=1).astype(np.float32))

    def _follow_gravity(self, means: FloatArray) -> FloatArray:
        """Gravity as known at each stretch, shape (n, 3), from the stretches' means."""
        gravity = means[0] if self._gravity is None else self._gravity
        rows = np.empty_like(means)
        for row, mean in enumerate(means):
            gravity = gravity + self._share * (mean - gravity)
            rows[row] = gravity
        self._gravity = gravity
        return rows
