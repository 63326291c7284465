"""A pin whose edges are counted: tach wire, clamp on the coil lead, injector, crank pick-up, mark button.

Wiring: never straight to the pin. The tach wire carries some 200 to 400 V of flyback; an opto-coupler or the input
circuit of hardware/ stands between, its open collector pulls the pin low for each pulse, the Pi's pull-up lifts it.
"""

import math
from collections import deque
from typing import Any

import numpy as np
from gpiozero import InputDevice

from logger.clock import Clock
from logger.event import IntArray
from logger.sensors.pins import EdgeInput

NOISE_EDGES_PER_S = 5000
NOISE_EDGES = 250
"""The rate is judged over so many edges, 50 ms at the limit: a short burst of ringing is not noise yet."""

DISARMED_NS = 500_000_000
NOISE = f"more than {NOISE_EDGES_PER_S} edges a second; look at the wire's route and its ground"

_NOISE_S = NOISE_EDGES / NOISE_EDGES_PER_S
LONG_AGO = (-math.inf,) * NOISE_EDGES


class PulseInput(EdgeInput):
    """One edge-timed input. Edges gather on gpiozero's thread; `take` hands them out with the dead time applied.

    The dead time runs from the last edge that was let through, not from the last one seen: ringing can never hold the
    input shut, and real pulses further apart than the dead time all come through. Above 5,000 edges/s (a broken
    shield) the input is disarmed for half a second and the gap is recorded, so that nothing else suffers.
    """

    def __init__(self, name: str, pin: int, edge: str, pull: str, dead_time_us: float, pins: Any, clock: Clock) -> None:
        super().__init__(name, pin, pull, pins, clock)
        self._edge = edge
        self._dead_ns = round(dead_time_us * 1000)
        self._ticks: deque[float] = deque()
        self._recent = deque(LONG_AGO, NOISE_EDGES)
        self._kept: list[IntArray] = []
        self._disarmed = False
        self._last_ns = -(1 << 62)

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
        ticks = [self._ticks.popleft() for _ in range(len(self._ticks))]
        if not ticks:
            return
        try:
            time_ns = self._times(ticks)
        except OSError as error:
            self.watch.bad(self._clock.monotonic_ns(), error)
            return
        kept = self._after_dead_time(time_ns)
        self.watch.errors += time_ns.size - kept.size
        if kept.size:
            self._last_ns = int(kept[-1])
            self.watch.good(self._last_ns, kept.size)
            self._kept.append(kept)

    def _arm(self, device: InputDevice, now_ns: int) -> None:
        if self._disarmed:
            self._collect()  # the gap begins after the last edge that came
            self.watch.lost(self._last_ns, now_ns, NOISE)
        self._disarmed = False
        self._recent.extend(LONG_AGO)
        # gpiozero keeps only a weak reference to a bound method; this object outlives it.
        device.pin.edges = self._edge
        device.pin.when_changed = self._on_edge

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
