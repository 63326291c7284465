"""This car's own last healthy start: what it read with the key on and at idle, from the newest recordings."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from logger.check.line import worst
from logger.check.observation import TACH, Observation, of_recording
from logger.errors import StoreError
from logger.event import NS_PER_S, Engine, FloatArray
from logger.settings import Settings
from logger.store.entries import RecordingEntry
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store

LOOK_BACK = 8
"""Recordings that are tried; older ones say little of the car as it is today."""

FIRST_S = 40
CRANKING_S = 4.0
"""From the first pulse until an engine surely idles; what is read at idle comes from the three seconds after."""

IDLE_S = 3.0


@dataclass(frozen=True, slots=True)
class Reference:
    """One start. standing, idle: median SI value of each channel before the first pulse, and at idle. gravity: g, car
    axes, shape (3,), NaN without an accelerometer. peak_kpa: the highest pressure before the engine turned.
    last_coolant: what coolant read at the end of the newest recording."""

    name: str
    standing: dict[str, float]
    idle: dict[str, float]
    gravity: FloatArray = field(default_factory=lambda: np.full(3, np.nan))
    peak_kpa: float = float("nan")
    last_coolant: float = float("nan")


def last_healthy_start(store: Store, settings: Settings, *, without: str = "") -> Reference | None:
    """The newest start in which nothing said stop, of this logger and an engine described alike; None without one.

    without: file of the recording being made, which cannot be its own measure.
    """
    coolant = float("nan")
    for number, (entry, name) in enumerate(_newest(store, without)):
        if number >= LOOK_BACK:
            break
        try:
            with RecordingReader(store.data_dir / entry.file) as reader:
                recorded = store.calibrated(Settings.from_dict(reader.meta.settings, entry.file))
                if recorded.engine.cylinders != settings.engine.cylinders:
                    continue
                if np.isnan(coolant):
                    coolant = _last_coolant(reader, recorded)
                found = of_start(reader, recorded, name, coolant)
        except StoreError:
            continue  # a damaged recording is the worker's business and no measure of anything
        if found is not None:
            return found
    return None


def of_start(reader: RecordingReader, settings: Settings, name: str, last_coolant: float) -> Reference | None:
    """The start at the beginning of a recording; None where there was none, or something then said stop."""
    from logger.check import lines  # they judge each other

    first_ns = _first_pulse(reader)
    if first_ns is None:
        return None
    standing = of_recording(reader, settings, max(0, first_ns - 20 * NS_PER_S), first_ns)
    idle_ns = first_ns + round(CRANKING_S * NS_PER_S)
    idle = of_recording(reader, settings, idle_ns, idle_ns + round(IDLE_S * NS_PER_S))
    idled = _idled(idle, settings.engine)
    judged = [*lines(standing, settings), *(lines(idle, settings) if idled else [])]
    if worst(judged) == "stop" or not standing.traces:
        return None
    pressure = standing.values("fuel_pressure", 20.0)
    pressure = pressure[np.isfinite(pressure)]
    return Reference(
        name,
        {channel: standing.now(channel, 1.0) for channel in settings.channels},
        {channel: idle.now(channel) for channel in settings.channels} if idled else {},
        standing.gravity,
        float(np.percentile(pressure, 99)) if pressure.size else float("nan"),
        last_coolant,
    )


def _idled(idle: Observation, engine: Engine) -> bool:
    times = idle.pulses.get(TACH, np.empty(0))
    if times.size < 4 or not idle.is_running(engine):
        return False
    intervals = np.diff(times)
    return bool(np.percentile(intervals, 95) < 1.6 * np.percentile(intervals, 5))


def _first_pulse(reader: RecordingReader) -> int | None:
    """When the engine began to turn; a single pulse as the key is turned does not count."""
    if TACH not in reader.channels:
        return None
    times = reader.raw(TACH, 0, FIRST_S * NS_PER_S).time_ns
    together = np.flatnonzero(times[2:] - times[:-2] < NS_PER_S) if times.size > 2 else np.empty(0, dtype=np.int64)
    return int(times[together[0]]) if together.size else None


def _last_coolant(reader: RecordingReader, settings: Settings) -> float:
    end_ns = reader.duration_ns
    return of_recording(reader, settings, max(0, end_ns - 10 * NS_PER_S), end_ns).now("coolant_temperature", 10.0)


def _newest(store: Store, without: str) -> Iterator[tuple[RecordingEntry, str]]:
    """Closed recordings of this logger, the newest first, each with a name for people."""
    for event in store.events():
        if event.imported:
            continue
        for entry in reversed(store.recordings(event.event_id)):
            if entry.state == "closed" and entry.file != without:
                yield entry, f"{entry.name} of {event.name}"
