"""Key sense and the lamp: one bit in, one bit out."""

from collections import deque
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from gpiozero import LED, InputDevice

from logger.clock import Clock
from logger.event import IntArray
from logger.sensors.batch import PartHealth
from logger.sensors.pins import NEVER_NS, EdgeInput, pin_errors
from logger.sensors.watch import Watch
from logger.settings import KeySense as KeySettings

BOUNCE_NS = 20_000_000
LampSignal = Literal["recording", "sensor_missing", "not_recording"]
HALF_BLINK_NS = {"recording": 0, "sensor_missing": 700_000_000, "not_recording": 120_000_000}
"""Steady, slow and fast."""


class KeySense(EdgeInput):
    """Whether the ignition is switched on: each change with the kernel's time, contact bounce taken out.

    Wiring: a tap of the switched feed, fused and limited at its source, divided and clamped to 3.3 V (hardware/).
    """

    def __init__(self, settings: KeySettings, pins: Any, clock: Clock) -> None:
        super().__init__("key_sense", settings.pin, settings.pull, pins, clock)
        self._active = 1 if settings.active == "high" else 0
        self._edges: deque[tuple[float, int]] = deque()
        self._rows: list[tuple[int, int]] = []
        self._level: int | None = None
        self._changed_ns = 0

    def _arm(self, device: InputDevice, now_ns: int) -> None:
        device.pin.edges = "both"
        device.pin.when_changed = self._on_edge
        self._change(now_ns, int(device.pin.state))

    def take(self, states: dict[str, tuple[IntArray, npt.NDArray[np.int8]]]) -> None:
        """Move the changes so far into `states`, first of all the state at the start."""
        if self._device is None:
            return
        now_ns = self._clock.monotonic_ns()
        edges = [self._edges.popleft() for _ in range(len(self._edges))]
        try:
            if edges:
                for time_ns, (_, level) in zip(self._times([ticks for ticks, _ in edges]).tolist(), edges, strict=True):
                    self._change(time_ns, level)
            # After a bounce the level may have settled on the other side without another edge being let through.
            self._change(now_ns, int(self._device.pin.state))
        except pin_errors() as error:
            self.watch.bad(now_ns, error)
        else:
            # Also where nothing has changed: a key that stays on for an hour was known all the time.
            self.watch.good(now_ns, 0)
        if self._rows:
            when, levels = zip(*self._rows, strict=True)
            states["key_sense"] = (np.array(when, dtype=np.int64), (np.array(levels) == self._active).astype(np.int8))
            self.watch.samples += len(when)
            self._rows.clear()

    def _on_edge(self, ticks: float, state: int) -> None:
        self._edges.append((ticks, state))

    def _change(self, time_ns: int, level: int) -> None:
        if self._level is None or (level != self._level and time_ns - self._changed_ns >= BOUNCE_NS):
            self._rows.append((time_ns, level))
            self._level, self._changed_ns = level, time_ns


class Lamp:
    """One lamp: steady = recording, slow blink = a sensor is missing, fast blink = not recording.

    Wiring: an LED with its series resistor from the pin to ground, within the pin's few milliamperes; a 12 V bulb
    needs a transistor (hardware/).
    """

    def __init__(self, pin: int, pins: Any, clock: Clock) -> None:
        self.due_ns = clock.monotonic_ns()
        self.watch = Watch("lamp", f"GPIO {pin}", [], self.due_ns)
        self.signal: LampSignal = "not_recording"
        self._pin = pin
        self._pins = pins
        self._clock = clock
        self._led: LED | None = None

    def show(self, signal: LampSignal) -> None:
        if signal != self.signal:
            self.signal = signal
            self.due_ns = min(self.due_ns, self._clock.monotonic_ns())

    def step(self) -> None:
        """Switch the lamp as its signal wants it now."""
        now_ns = self._clock.monotonic_ns()
        half_ns = HALF_BLINK_NS[self.signal]
        try:
            self._led = self._led or LED(self._pin, pin_factory=self._pins)
            self._led.value = 1 if half_ns == 0 else 1 - now_ns // half_ns % 2
            self.watch.state, self.watch.message = "ok", ""
            self.due_ns = NEVER_NS if half_ns == 0 else (now_ns // half_ns + 1) * half_ns
        except pin_errors() as error:
            self.watch.bad(now_ns, error)
            self.due_ns = self.watch.retry_ns

    def health(self) -> PartHealth:
        return self.watch.health(signal=self.signal)

    def close(self) -> None:
        """Switch it off and give the pin back; may be called twice."""
        led, self._led = self._led, None
        if led is not None:
            led.close()

    def __repr__(self) -> str:
        return f"Lamp(GPIO {self._pin}; {'closed' if self._led is None else self.signal})"
