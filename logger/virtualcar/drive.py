"""What the virtual car hands out: one power-up of the car as clean signals, and a day of them as an event."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from logger.event import Engine, EventKind, FloatArray, Repair


@dataclass(frozen=True, slots=True)
class Signal:
    """A quantity on a uniform grid from t = 0, in SI units and free of sensor noise.

    value: float64, shape (n,), or (n, 3) for acceleration; sample k lies at k / rate_hz seconds.
    """

    rate_hz: float
    value: FloatArray

    def at(self, time_s: FloatArray) -> FloatArray:
        """Values at the given times, linear in between and held at the ends; shape (m,) or (m, 3)."""
        place = np.clip(np.asarray(time_s, dtype=np.float64) * self.rate_hz, 0.0, len(self.value) - 1.0)
        low = place.astype(np.int64)
        high = np.minimum(low + 1, len(self.value) - 1)
        part = place - low
        if self.value.ndim == 2:
            part = part[:, None]
        result: FloatArray = self.value[low] * (1.0 - part) + self.value[high] * part
        return result


@dataclass(frozen=True, slots=True)
class Drive:
    """One power-up of the car, from before the key is turned until after it is switched off.

    signals: channel name to Signal. pulses: channel name to float64 times in seconds, sorted. steps: channel name to
    (times, values), each value holding until the next. offset_s: seconds from the event's start to t = 0.
    truth: what really happened, in the words of the contract (see truth.py).
    """

    name: str
    duration_s: float
    offset_s: float
    signals: Mapping[str, Signal]
    pulses: Mapping[str, FloatArray]
    steps: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    truth: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DemoEvent:
    """A day of drives with the engine they belong to, as its owner would describe it."""

    name: str
    engine: Engine
    drives: tuple[Drive, ...]
    kind: EventKind = "competition"
    started_utc: datetime | None = None
    repairs: tuple[Repair, ...] = ()
    truth: Mapping[str, Any] = field(default_factory=dict)
