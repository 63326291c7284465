"""Small invented drives for the tests of links, repairs, pulls: every number in them can be checked by hand."""

from collections.abc import Sequence

import numpy as np

from logger.analysis.findings import Moved, Stumble
from logger.event import NS_PER_S, Cause, Engine, Event, IntArray, Recording, Repair, Trace

ENGINE = Engine(cylinders=4, tach_pulses_per_revolution=2.0, idle_rpm=900.0, redline_rpm=6500.0)
KNOCK_S = 0.02


def seconds(times: Sequence[float] | np.ndarray) -> IntArray:  # type: ignore[type-arg]
    """Seconds as int64 nanoseconds."""
    return np.rint(np.asarray(times, dtype=float) * NS_PER_S).astype(np.int64)


def steady_pulses(duration_s: float, rpm: float = 4000.0) -> IntArray:
    """Tach pulses at constant speed, two a turn."""
    return seconds(np.arange(0.0, duration_s, 60.0 / rpm / 2.0))


def shaken(
    duration_s: float,
    hits: Sequence[tuple[float, float]] = (),
    *,
    rpm: float = 4000.0,
    vibration_g: float = 0.2,
    mounting: np.ndarray | None = None,  # type: ignore[type-arg]
    rate_hz: float = 400.0,
) -> Trace:
    """1 g of gravity, engine vibration at the firing frequency, and half-sine knocks of 20 ms along z.

    mounting: a 3x3 rotation by which the box sits askew.
    """
    time_s = np.arange(0.0, duration_s, 1.0 / rate_hz)
    value = np.zeros((time_s.size, 3))
    firing = 2 * np.pi * rpm / 60.0 * 2.0 * time_s
    value[:, 0] = vibration_g * 0.6 * np.sin(firing)
    value[:, 2] = 1.0 + vibration_g * 0.8 * np.cos(firing)
    for at_s, level_g in hits:
        inside = (time_s >= at_s) & (time_s < at_s + KNOCK_S)
        value[inside, 2] += level_g * np.sin(np.pi * (time_s[inside] - at_s) / KNOCK_S)
    return Trace(seconds(time_s), value if mounting is None else value @ mounting.T)


def coolant(duration_s: float, from_degc: float, to_degc: float) -> Trace:
    """A straight rise, 5 samples a second."""
    time_s = np.arange(0.0, duration_s + 0.1, 0.2)
    return Trace(seconds(time_s), np.interp(time_s, [0.0, duration_s], [from_degc, to_degc]))


def run(
    name: str,
    hits: Sequence[tuple[float, float]] = (),
    degc: tuple[float, float] = (80.0, 90.0),
    *,
    duration_s: float = 60.0,
    offset_s: float | None = None,
) -> Recording:
    """A minute of driving at 4,000 rev/min."""
    return Recording(
        name=name,
        duration_ns=round(duration_s * NS_PER_S),
        traces={
            "acceleration": shaken(duration_s, hits, vibration_g=0.0, rate_hz=200.0),
            "coolant_temperature": coolant(duration_s, *degc),
        },
        pulses={"tach_pulses": steady_pulses(duration_s)},
        offset_ns=None if offset_s is None else round(offset_s * NS_PER_S),
    )


def stumble(
    recording: str, onset_s: float, lasts_s: float = 0.3, cause: Cause = "ignition_primary", doubt_s: float = 0.004
) -> Stumble:
    """A stumble whose numbers besides time and cause do not matter here."""
    return Stumble(
        recording, onset_s, onset_s, onset_s + lasts_s, cause, {cause: 1.0}, "tach_pulses",
        [Moved("tach_pulses", onset_s, doubt_s)], "cutout", 12, 0.8,
    )  # fmt: skip


def event(recordings: Sequence[Recording], repairs: Sequence[Repair] = ()) -> Event:
    """An event of the invented car."""
    return Event("Larch Hollow hill climb", ENGINE, tuple(recordings), repairs=tuple(repairs))


def running(of: Event) -> list[list[tuple[float, float]]]:
    """The engine ran all the time."""
    return [[(0.0, recording.duration_ns / NS_PER_S)] for recording in of.recordings]
