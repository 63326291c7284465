"""A real recorder in a process of its own, on emulated chips and pins in real time; killed by tests and benchmarks.

Usage: python -m tests.recorder.rig_process DATA_DIR RUN_DIR
"""

import gc
import sys
import time

if __name__ == "__main__":
    gc.disable()  # as `stumblelog record` does before it loads the recorder
from dataclasses import replace

import numpy as np

from logger import settings
from logger.clock import Clock
from logger.recorder.daemon import record
from logger.sensors.hardware import Hardware
from logger.settings import Settings

IMPORTED_S = time.perf_counter()  # what follows is the emulated car's
from logger.virtualcar.drive import Drive, Signal  # noqa: E402
from logger.virtualcar.rig import Rig  # noqa: E402

CAR_IMPORTED_S = time.perf_counter()
RIG_READY = "the emulated car took"

DURATION_S = 120.0
"""Longer than any test lets it live; the edges of an hour would take a second to prepare."""
PULSES_HZ = 200.0
CHANNELS = ("battery_voltage", "fuel_pressure", "sensor_supply_voltage")
LEVELS = {"battery_voltage": 13.9, "fuel_pressure": 300.0, "sensor_supply_voltage": 5.0}


def steady_drive(duration_s: float = DURATION_S) -> Drive:
    """An engine that runs on and on at one speed, shaking a little."""
    signals = {name: Signal(1.0, np.full(2, level)) for name, level in LEVELS.items()}
    signals["acceleration"] = Signal(1.0, np.tile([0.0, 0.0, 1.0], (2, 1)))
    pulses = {"tach_pulses": np.arange(0.0, duration_s, 1.0 / PULSES_HZ)}
    steps = {"key_sense": (np.array([0.0]), np.array([1.0]))}
    return Drive("steady", duration_s, 0.0, signals, pulses, steps)


def wiring(data_dir: str, run_dir: str) -> Settings:
    """Three channels at 100 Hz, the accelerometer at 400 Hz, a tach wire."""
    default = settings.default()
    return replace(
        default,
        channels={name: default.channels[name] for name in CHANNELS},
        recorder=replace(default.recorder, data_dir=data_dir, run_dir=run_dir),
    )


def open_rig(settings: Settings, clock: Clock) -> Hardware:
    """The rig's bus and pins under the real drivers, playing from now on."""
    begun = time.perf_counter()
    # Pulses begin once the inputs are armed, so that every one of them counts.
    rig = Rig(steady_drive(), settings, clock, lead_s=1.0)
    rig.play()
    took_s = CAR_IMPORTED_S - IMPORTED_S + time.perf_counter() - begun
    print(RIG_READY, took_s, file=sys.stderr, flush=True)
    return Hardware(settings, rig.bus, rig.pins, clock)


if __name__ == "__main__":
    raise SystemExit(record(wiring(*sys.argv[1:3]), open_rig))
