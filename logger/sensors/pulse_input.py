"""A pin whose edges are counted: tach wire, clamp on the coil lead, injector, crank pick-up.

Wiring: never straight to the pin. The tach wire carries 200 to 400 V flyback; an opto-coupler or the input circuit of
hardware/ stands between, its open collector pulls the pin low for each pulse, the Pi's own pull-up lets it rise.

Each edge carries the kernel's time, handed on by gpiozero as seconds in a float ("ticks"). They are turned into
integer nanoseconds at once; a float holds a boot's nanoseconds exactly for 26 days and to 2 ns for 100.
"""

from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np
from gpiozero import GPIOZeroError, InputDevice

from logger.clock import Clock
from logger.event import IntArray
from logger.sensors.batch import PartHealth
from logger.sensors.edge_clock import EdgeClock
from logger.sensors.watch import Watch

NOISE_EDGES_PER_S = 5000
NOISE_EDGES = 250
"""The rate is judged over so many edges, 50 ms at the limit: a burst of ringing is not yet noise."""

DISARMED_NS = 500_000_000

_NOISE_S = NOISE_EDGES / NOISE_EDGES_PER_S
_PULL_UP = {"up": True, "down": False, "none": None}


class PulseInput:
    """One edge-timed input. Edges are collected on gpiozero's thread; `take` hands them out with the dead time applied.

    Above 5,000 edges/s (noise, a broken shield) the input is disarmed for half a second and the gap is recorded, so
    that nothing else suffers. A pin that cannot be had is retried, see `step`.
    """

    def __init__(self, name: str, pin: int, edge: str, pull: str, dead_time_us: float, pins: Any, clock: Clock) -> None:
        self._pin = pin
        self._edge = edge
        self._pull = pull
        self._dead_ns = round(dead_time_us * 1000)
        self._pins = pins
        self._clock = clock
        self._name = name
        self.due_ns = clock.monotonic_ns()
        self.watch = Watch(name, f"GPIO {pin}", [name], self.due_ns)
        self._device: InputDevice | None = None
