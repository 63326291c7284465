"""A pin whose edges are counted: tach wire, clamp on the coil lead, injector, crank pick-up, mark button.

Wiring: never straight to the pin. The tach wire carries some 200 to 400 V of flyback; an opto-coupler or the input
circuit of hardware/ stands between, its open collector pulls the pin low for each pulse, the Pi's pull-up lifts it.

Each edge carries the kernel's time, which gpiozero hands on as seconds in a float ("ticks"). They become integer
nanoseconds as soon as they are taken: a float holds the nanoseconds of the first 26 days after boot exactly.
"""

import math
from collections import deque
from typing import Any

import numpy as np
from gpiozero import InputDevice

from logger.clock import Clock
from logger.event import IntArray
from logger.sensors.batch import PartHealth
from logger.sensors.edge_clock import EdgeClock
from logger.sensors.pins import NEVER_NS, open_input, pin_errors
from logger.sensors.watch import Watch

NOISE_EDGES_PER_S = 5000
NOISE_EDGES = 250
"""The rate is judged over so many edges, 50 ms at the limit: a short burst of ringing is not noise yet."""

DISARMED_NS = 500_000_000
NOISE = f"more than {NOISE_EDGES_PER_S} edges a second; look at the wire's route and its ground"

_NOISE_S = NOISE_EDGES / NOISE_EDGES_PER_S
LONG_AGO = (-math.inf,) * NOISE_EDGES


class PulseInput:
    """One edge-timed input. Edges gather on gpiozero's thread; `take` hands them out with the dead time applied.

    The dead time runs from the last edge that was let through, not from the last one seen: ringing can never hold the
    input shut, and real pulses further apart than the dead time all come through. Above 5,000 edges/s (a broken
    shield) the input is disarmed for half a second and the gap is recorded, so that nothing else suffers. A pin that
    cannot be had is tried again: call `step` when `due_ns` has come.
    """

    def __init__(self, name: str, pin: int, edge: str, pull: str, dead_time_us: float, pins: Any, clock: Clock) -> None:
        self.name = name
        self.due_ns = clock.monotonic_ns()
        self.watch = Watch(name, f"GPIO {pin}", [name], self.due_ns)
        self._pin = pin
        self._edge = edge
        self._pull = pull
        self._dead_ns = round(dead_time_us * 1000)
        self._pins = pins
        self._clock = clock
        self._edge_clock = EdgeClock(clock)
        self._device: InputDevice | None = None
        self._ticks: deque[float] = deque()
        self._recent = deque(LONG_AGO, NOISE_EDGES)
        self._kept: list[IntArray] = []
        self._disarmed = False
        self._last_ns = -(1 << 62)

    def step(self) -> None:
        """Open the pin, or arm it again after noise."""
        now_ns = self._clock.monotonic_ns()
        self.due_ns = NEVER_NS
        try:
            if self._device is None:
                self._device = open_input(self._pin, self._pull, self._pins)
            self._arm(self._device, now_ns)
        except pin_errors() as error:
            self.watch.bad(now_ns, error)
            self.due_ns = self.watch.retry_ns

    def take(self, pulses: dict[str, IntArray]) -> None:
        """Move the edges so far into `pulses`: int64 monotonic ns, rising."""
        self._collect()
        if self._kept:
            pulses[self.name] = np.concatenate(self._kept)
            self._kept = []
        if self._disarmed:
            self.watch.state, self.watch.message = "noisy", NOISE

    def _collect(self) -> None:
        # popleft is atomic, so edges that arrive meanwhile stay for the next time.
        ticks = np.array([self._ticks.popleft() for _ in range(len(self._ticks))])
        if not ticks.size:
            return
        try:
            time_ns = self._edge_clock.to_monotonic(np.rint(ticks * 1e9).astype(np.int64))
        except OSError as error:
            self.watch.bad(self._clock.monotonic_ns(), error)
            return
        kept = self._after_dead_time(time_ns)
        self.watch.errors += ticks.size - kept.size
        if kept.size:
            self._last_ns = int(kept[-1])
            self.watch.good(self._last_ns, kept.size)
            self._kept.append(kept)

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
        return f"PulseInput({self.name}, GPIO {self._pin}; {'closed' if self._device is None else self.watch.state})"

    def _arm(self, device: InputDevice, now_ns: int) -> None:
        if self._disarmed:
            self._collect()  # the gap begins after the last edge that came
            self.watch.lost(self._last_ns, now_ns, NOISE)
        self._disarmed = False
        self._recent.extend(LONG_AGO)
        # gpiozero keeps only a weak reference to a bound method; this object outlives it.
        device.pin.edges = self._edge
        device.pin.when_changed = self._on_edge
        self.watch.state, self.watch.message = "ok", ""

    def _on_edge(self, ticks: float, state: int) -> None:
        self._ticks.append(ticks)
        recent = self._recent
        recent.append(ticks)
        if ticks - recent[0] < _NOISE_S and not self._disarmed:
            self._disarm()

    def _disarm(self) -> None:
        # Here and not in `take`: at 20,000 edges a second the next poll is too far away.
        self._disarmed = True
        if self._device is not None:
            self._device.pin.when_changed = None
        self.due_ns = self._clock.monotonic_ns() + DISARMED_NS

    def _after_dead_time(self, time_ns: IntArray) -> IntArray:
        dead_ns = self._dead_ns
        if time_ns.item(0) - self._last_ns >= dead_ns and (time_ns[1:] - time_ns[:-1] >= dead_ns).all():
            return time_ns
        kept = []
        last_ns = self._last_ns
        for edge_ns in time_ns.tolist():
            if edge_ns - last_ns >= self._dead_ns:
                kept.append(edge_ns)
                last_ns = edge_ns
        return np.array(kept, dtype=np.int64)
