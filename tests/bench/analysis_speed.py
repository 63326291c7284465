"""How long the analysis of a long event takes, and how much memory beyond the event itself.

    python -m tests.bench.analysis_speed --hours 8

Five channels at 100 Hz, 150 pulses a second on average, 200 gaps in them.
"""

import argparse
import time
import tracemalloc

import numpy as np

from logger.analysis import analyse
from logger.event import NS_PER_S, Engine, Event, Recording, Trace


def long_event(hours: float, seed: int = 1) -> Event:
    """One recording of that many hours, made of noise and slow waves."""
    random = np.random.default_rng(seed)
    seconds = hours * 3600.0
    time_s = np.arange(0.0, seconds, 0.01)
    time_ns = np.rint(time_s * NS_PER_S).astype(np.int64)

    def channel(level: float, swing: float, noise: float) -> Trace:
        return Trace(time_ns, level + swing * np.sin(time_s / 7.0) + random.normal(0.0, noise, time_s.size))

    coarse = np.arange(0.0, seconds, 0.05)
    count = np.concatenate(([0.0], np.cumsum((150.0 + 60.0 * np.sin(coarse[:-1] / 5.0)) * 0.05)))
    pulses = np.interp(np.arange(1.0, count[-1]), count, coarse)
    pulses = np.sort(pulses + random.normal(0.0, 5e-5, pulses.size))
    lost = random.integers(1000, pulses.size - 1000, 200)
    pulses = np.delete(pulses, (lost[:, None] + np.arange(8)).ravel())
    traces = {
        "battery_voltage": channel(13.9, 0.05, 0.02),
        "ignition_feed_voltage": channel(13.5, 0.05, 0.02),
        "fuel_pressure": channel(250.0, 30.0, 2.0),
        "sensor_supply_voltage": channel(5.0, 0.0, 0.004),
        "throttle_position": channel(50.0, 49.0, 0.3),
    }
    edges = np.rint(pulses * NS_PER_S).astype(np.int64)
    recording = Recording("r01", int(seconds * NS_PER_S), traces, {"tach_pulses": edges})
    return Event("long", Engine(4, fuel_system="port_injection", idle_rpm=900, redline_rpm=7000), (recording,))


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the analysis of a long event.")
    parser.add_argument("--hours", type=float, default=8.0)
    options = parser.parse_args()
    for hours in (options.hours / 4.0, options.hours):
        event = long_event(hours)
        begin = time.perf_counter()
        analyse(event)
        took = time.perf_counter() - begin
        tracemalloc.start()
        analyse(event)
        peak = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        print(f"{hours:5.2f} h: {took:5.2f} s, {took / hours:5.2f} s/h, {peak:4.0f} MiB beyond the event")


if __name__ == "__main__":
    main()
