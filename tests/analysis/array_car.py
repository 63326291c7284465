"""A car made of arrays: a speed profile, integrated to crank angle, gives the pulses; the channels follow from it."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from logger.analysis import analyse
from logger.analysis.findings import Findings
from logger.event import NS_PER_S, Engine, Event, FloatArray, IntArray, Recording, Trace

STEP_S = 0.001
# (seconds, rev/min, throttle %): the profile is drawn straight between these. Cranking from 2.0 s, idle, two runs up
# through the gears with a lift between, overrun, idle, key off at 66 s.
RUN = (
    (0.0, 2300, 3), (0.6, 2600, 100), (2.4, 6000, 100), (2.45, 6000, 2), (2.70, 3900, 2), (2.75, 3900, 100),
    (5.0, 6000, 100), (5.05, 6000, 2), (5.30, 4350, 2), (5.35, 4350, 100), (8.0, 5600, 100), (8.1, 5600, 2),
    (10.0, 3900, 2), (10.1, 3900, 60), (12.0, 4900, 60), (12.1, 4900, 2), (14.0, 3500, 2), (14.05, 3500, 100),
    (17.0, 5500, 100), (17.1, 5500, 2), (20.0, 2300, 2),
)  # fmt: skip
START = ((0.0, 0, 2), (1.9, 0, 2), (2.0, 200, 2), (3.2, 210, 2), (3.6, 1250, 2), (4.6, 900, 2), (10.0, 900, 2))
STOP_S, END_S = 66.0, 68.0
NATURAL = Engine(
    cylinders=4, tach_source="coil_negative", fuel_system="port_injection", idle_rpm=900, redline_rpm=6500
)  # fmt: skip


def profile(*, top_rpm: float = 1e9) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time (n,), speed in rev/min (n,) and throttle in % (n,) every millisecond."""
    points = [*START]
    for begin in (14.0, 38.0):
        points += [(begin + t, rpm, throttle) for t, rpm, throttle in RUN]
        points += [(begin + 20.8, 900, 2), (begin + 23.5, 900, 2)]
    points += [(STOP_S, 900, 2), (STOP_S + 0.6, 0, 2), (END_S, 0, 2)]
    at, rpm, throttle = np.array(points).T
    time = np.arange(0.0, END_S, STEP_S)
    return time, np.minimum(np.interp(time, at, rpm), top_rpm), np.interp(time, at, throttle)


@dataclass
class Drive:
    """One power-up under construction: `rpm` and `throttle` every STEP_S; `silent` times lose their pulses."""

    engine: Engine = NATURAL
    time: FloatArray = field(default_factory=lambda: profile()[0])
    rpm: FloatArray = field(default_factory=lambda: profile()[1])
    throttle: FloatArray = field(default_factory=lambda: profile()[2])
    silent: list[tuple[float, float]] = field(default_factory=list)
    pulses_per_revolution: float | None = None
    rail: Callable[["Drive", FloatArray, FloatArray], FloatArray] | None = None
    changes: dict[str, Trace] = field(default_factory=dict)

    def load(self, at_s: FloatArray) -> FloatArray:
        """Manifold pressure as a share of the atmosphere's, with the lag of a plenum."""
        share = 0.3 + 0.7 * np.clip(self.throttle / 70, 0, 1)
        lagged = np.convolve(share, np.ones(60) / 60)[: share.size]
        return np.interp(at_s, self.time, lagged)

    def running(self, at_s: FloatArray) -> FloatArray:
        return np.interp(at_s, self.time, self.rpm) * ((at_s > 3.4) & (at_s < STOP_S)) > 300

    def pulses(self) -> FloatArray:
        per_revolution = self.pulses_per_revolution or self.engine.pulses_per_revolution
        turns = np.cumsum(self.rpm / 60) * STEP_S * per_revolution
        due = np.arange(1.0, np.floor(turns[-1]))
        at_s = np.interp(due, turns, self.time)
        random = np.random.default_rng(11)
        interval = np.gradient(at_s)
        at_s = at_s + interval * 0.004 * random.standard_normal(at_s.size)
        for start, stop in self.silent:
            at_s = at_s[(at_s < start) | (at_s >= stop)]
        return np.sort(at_s[(at_s > 2.0) & (at_s < STOP_S)])

    def recording(self) -> Recording:
        random = np.random.default_rng(12)
        time = np.arange(0.0, END_S, 0.01)
        key = (time > 0.8) & (time < STOP_S)
        cranking = (time > 2.0) & (time < 3.4)
        alternator = self.running(time)
        battery = np.where(cranking, 10.2, np.where(alternator, 13.9, 12.5)) + 0.015 * random.standard_normal(time.size)
        feed = np.where(key, battery - 0.4, 0.0)
        for start, stop in self.silent:
            feed[(time >= start) & (time < stop)] = 0.0
        throttle = np.interp(time, self.time, self.throttle) + 0.2 * random.standard_normal(time.size)
        pressure = (self.rail or injection_rail)(self, time, np.where(key, 1.0, 0.0))
        coolant_s = np.arange(0.0, END_S, 0.2)
        shaken_s = np.arange(0.0, END_S, 0.005)
        made = {
            "battery_voltage": (time, battery),
            "ignition_feed_voltage": (time, feed + 0.01 * random.standard_normal(time.size)),
            "sensor_supply_voltage": (time, 4.99 + 0.003 * random.standard_normal(time.size)),
            "fuel_pressure": (time, pressure),
            "throttle_position": (time, throttle),
            "coolant_temperature": (coolant_s, 70 + 0.3 * coolant_s + 0.1 * random.standard_normal(coolant_s.size)),
            "acceleration": (shaken_s, random.normal((0, 0, 1), 0.15, (shaken_s.size, 3))),
            "key_sense": (np.array([0.0, 0.8, STOP_S]), np.array([0.0, 1.0, 0.0])),
        }  # fmt: skip
        traces = {name: Trace(nanoseconds(at), np.round(value, 4)) for name, (at, value) in made.items()}
        return Recording(
            "r01", int(END_S * NS_PER_S), traces | self.changes, {"tach_pulses": nanoseconds(self.pulses())}
        )

    def findings(self) -> Findings:
        return analyse(Event("robust", self.engine, (self.recording(),)))


def nanoseconds(at_s: FloatArray) -> IntArray:
    return np.rint(at_s * NS_PER_S).astype(np.int64)


def injection_rail(drive: Drive, time: FloatArray, key: FloatArray) -> FloatArray:
    """300 kPa over the manifold's pressure, ripple of 3 kPa."""
    primed = np.clip((time - 0.8) / 0.4, 0, 1)
    return (200 + 100 * drive.load(time)) * primed + 3 * np.random.default_rng(13).standard_normal(time.size)
