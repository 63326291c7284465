"""What the virtual car hands out: one power-up of the car as clean signals, and a day of them as an event."""

import math
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


_TIMES = ("onset_s", "engine_onset_s", "end_s", "stopped_s", "t", "from_s", "to_s")


def clipped(drive: Drive, from_s: float, to_s: float) -> Drive:
    """The same drive as a logger sees it that has power only from `from_s` to `to_s`.

    Both are taken down to whole tenths of a second, which every signal's grid contains. Truth outside is dropped.
    """
    start, end = math.floor(from_s * 10.0) / 10.0, math.floor(min(to_s, drive.duration_s) * 10.0) / 10.0

    def moved(rows: list[dict[str, Any]], key: str) -> list[dict[str, Any]]:
        kept = [row for row in rows if start <= row[key] < end]
        return [row | {name: round(row[name] - start, 4) for name in _TIMES if name in row} for row in kept]

    def slices(signal: Signal) -> Signal:
        return Signal(signal.rate_hz, signal.value[round(start * signal.rate_hz) : round(end * signal.rate_hz)])

    truth = dict(drive.truth)
    truth["doing"] = [
        row | {"from_s": round(max(row["from_s"], start) - start, 4), "to_s": round(min(row["to_s"], end) - start, 4)}
        for row in truth.get("doing", [])
        if row["from_s"] < end and row["to_s"] > start
    ]
    for name, key in (("stumbles", "onset_s"), ("distractors", "t"), ("failed_starts", "from_s")):
        truth[name] = moved(truth[name], key)
    hits = [[round(t - start, 3), peak] for t, peak in truth["recording"]["hits"] if start <= t < end]
    truth["recording"] = truth["recording"] | {"duration_s": round(end - start, 2), "hits": hits}
    return Drive(
        drive.name,
        end - start,
        drive.offset_s + start,
        {name: slices(signal) for name, signal in drive.signals.items()},
        {name: times[(times >= start) & (times < end)] - start for name, times in drive.pulses.items()},
        {name: _clipped_steps(times, values, start, end) for name, (times, values) in drive.steps.items()},
        truth,
    )


def _clipped_steps(times: FloatArray, values: FloatArray, start: float, end: float) -> tuple[FloatArray, FloatArray]:
    """A step signal from `start` on, beginning with the value it then has."""
    first = int(np.searchsorted(times, start, side="right")) - 1
    keep = (times > start) & (times < end)
    at_start = values[max(first, 0)]
    return np.concatenate([[0.0], times[keep] - start]), np.concatenate([[at_start], values[keep]])


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
