"""A few seconds of one engine, drawn by hand, as the detectors see it: speed in straight lines, traces as given."""

from collections.abc import Mapping

import numpy as np

from logger.analysis.crank import pulses, states
from logger.analysis.crank.states import View
from logger.event import NS_PER_S, Engine, IntArray, Recording, Trace
from tests.analysis.array_car import STEP_S, nanoseconds

FOUR = Engine(
    cylinders=4, tach_pulses_per_revolution=2.0, fuel_system="port_injection", idle_rpm=900.0, redline_rpm=6500.0
)


def turned(*points: tuple[float, float], engine: Engine = FOUR) -> IntArray:
    """Tach pulses of a crank whose speed goes straight between (second, rev/min)."""
    at, rpm = np.array(points).T
    time = np.arange(at[0], at[-1], STEP_S)
    turns = np.cumsum(np.interp(time, at, rpm) / 60.0) * STEP_S * engine.pulses_per_revolution
    return nanoseconds(np.interp(np.arange(1.0, np.floor(turns[-1]) + 1.0), turns, time))


def drawn(until_s: float, *points: tuple[float, float], rate_hz: float = 100.0) -> Trace:
    """A trace whose value goes straight between (second, value)."""
    time = np.arange(0.0, until_s, 1.0 / rate_hz)
    at, value = np.array(points).T
    return Trace(nanoseconds(time), np.interp(time, at, value))


def seen(tach: IntArray, until_s: float, traces: Mapping[str, Trace], engine: Engine = FOUR) -> View:
    """The view of it; a throttle from 0 to 100 shows load where it is among the traces, else nothing does."""
    recording = Recording("r01", round(until_s * NS_PER_S), traces, {"tach_pulses": tach})
    firings = pulses.clean(tach, engine)
    scale = states.LoadScale("throttle_position" if "throttle_position" in traces else None, 0.0, 100.0, 0)
    return states.view(recording, engine, firings, traces, scale, np.empty((0, 2), np.int64))
