"""What all parts on pins share: opening one through gpiozero, the errors that this can give, and the times of edges.

Each edge carries the kernel's time, which gpiozero hands on as seconds in a float ("ticks"). They become integer
nanoseconds as soon as they are taken: a float holds the nanoseconds of the first 26 days after boot exactly.
"""

import sys
from collections.abc import Sequence
from typing import Any

import numpy as np
from gpiozero import GPIOZeroError, InputDevice

from logger.clock import Clock
from logger.event import IntArray
from logger.sensors.batch import PartHealth
from logger.sensors.edge_clock import EdgeClock
from logger.sensors.watch import Watch

NEVER_NS = 1 << 62
"""A due time that does not come."""

_PULL_UP = {"up": True, "down": False, "none": None}


def open_input(pin: int, pull: str, pins: Any) -> InputDevice:
    """An input with the Pi's own resistor set; its `pin` then takes `edges` and `when_changed`.

    Raises one of `pin_errors()` where the pin does not exist or somebody has it already.
    """
    active = None if pull != "none" else True
    return InputDevice(pin, pull_up=_PULL_UP[pull], active_state=active, pin_factory=pins)


def pin_errors() -> tuple[type[Exception], ...]:
    """gpiozero's errors, the system's, and those of lgpio, which have a base of their own, where it is in use."""
    lgpio = sys.modules.get("lgpio")
    return (GPIOZeroError, OSError) if lgpio is None else (GPIOZeroError, OSError, lgpio.error)


class EdgeInput:
    """A pin whose edges are timed: opened once it can be had, watched, given back.

    One that cannot be had is tried again: call `step` when `due_ns` has come.
    """

    def __init__(self, name: str, pin: int, pull: str, pins: Any, clock: Clock) -> None:
        self.name = name
        self.due_ns = clock.monotonic_ns()
        self.watch = Watch(name, f"GPIO {pin}", [name], self.due_ns)
        self._pin = pin
        self._pull = pull
        self._pins = pins
        self._clock = clock
        self._edge_clock = EdgeClock(clock)
        self._device: InputDevice | None = None

    def step(self) -> None:
        """Open the pin if it is not open yet, and listen to it, again after a pause too."""
        now_ns = self._clock.monotonic_ns()
        self.due_ns = NEVER_NS
        try:
            if self._device is None:
                self._device = open_input(self._pin, self._pull, self._pins)
            self._arm(self._device, now_ns)
        except pin_errors() as error:
            self.watch.bad(now_ns, error)
            self.due_ns = self.watch.retry_ns
        else:
            # Heard from now on: an engine that stands still for an hour gives no edge that would end the gap.
            self.watch.good(now_ns, 0)

    def _arm(self, device: InputDevice, now_ns: int) -> None:
        """Listen to the pin. Raises one of `pin_errors()`."""
        raise NotImplementedError

    def _times(self, ticks: Sequence[float]) -> IntArray:
        """Edges' ticks as int64 monotonic ns, shape (n,), n > 0. Raises OSError where they are on no known clock."""
        return self._edge_clock.to_monotonic(np.rint(np.array(ticks) * 1e9).astype(np.int64))

    def finish(self) -> None:
        self.watch.finish(self._clock.monotonic_ns())

    def health(self) -> PartHealth:
        return self.watch.health(edge_clock=self._edge_clock.name)

    def close(self) -> None:
        """Give the pin back; may be called twice."""
        device, self._device = self._device, None
        if device is not None:
            device.close()

    def __repr__(self) -> str:
        state = "closed" if self._device is None else self.watch.state
        return f"{type(self).__name__}({self.name}, GPIO {self._pin}; {state})"
