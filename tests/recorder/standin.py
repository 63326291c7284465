"""Hardware for the recorder's own tests: the documented batches, from a clock that jumps, every value known."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from logger.event import Gap
from logger.sensors.batch import Batch, Levels, PartHealth

START_NS = 50_000_000_000
UTC = datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC)


class JumpingClock:
    """Monotonic time that only sleeping moves."""

    def __init__(self, start_ns: int = START_NS) -> None:
        self.now_ns = start_ns

    def monotonic_ns(self) -> int:
        return self.now_ns

    def sleep_until_ns(self, time_ns: int) -> None:
        self.now_ns = max(self.now_ns, time_ns)

    def utc_now(self) -> datetime:
        return UTC + timedelta(microseconds=(self.now_ns - START_NS) // 1000)


class StandInHardware:
    """Battery at 100 Hz whose count is the sample's number modulo 1000, tach at 150 pulses/s, key on from the start.

    `on_poll` is called with the number of each poll before it samples.
    """

    BATTERY_NS = 10_000_000
    PULSE_NS = 6_666_667

    def __init__(self, clock: JumpingClock, on_poll: Callable[[int], None] = lambda number: None) -> None:
        self.clock = clock
        self.shown: list[str] = []
        self.closed = False
        self.health: tuple[PartHealth, ...] = (PartHealth("adc 0x48", "I2C address 0x48", "ok"),)
        self.gaps: tuple[Gap, ...] = ()
        self.silent = False
        self._on_poll = on_poll
        self._n_polls = 0
        self._sampled_ns = clock.monotonic_ns()

    def poll(self, until_ns: int) -> Batch:
        self._on_poll(self._n_polls)
        self._n_polls += 1
        self.clock.sleep_until_ns(until_ns)
        return self._batch()

    def finish(self) -> Batch:
        return self._batch()

    def show(self, state: str) -> None:
        self.shown.append(state)

    def close(self) -> None:
        self.closed = True

    def _batch(self) -> Batch:
        since, until = self._sampled_ns, self.clock.monotonic_ns()
        self._sampled_ns = until
        first = self._n_polls == 1
        number = np.arange(-(-since // self.BATTERY_NS), -(-until // self.BATTERY_NS))
        pulse = np.arange(-(-since // self.PULSE_NS), -(-until // self.PULSE_NS))
        gaps, self.gaps = self.gaps, ()
        if self.silent:
            number, pulse = number[:0], pulse[:0]
        samples = {"battery_voltage": (number * self.BATTERY_NS, (number % 1000).astype(np.int16))}
        return Batch(
            samples=samples if number.size else {},
            pulses={"tach_pulses": pulse * self.PULSE_NS} if pulse.size else {},
            states={"key_sense": (np.array([since]), np.array([1], dtype=np.int8))} if first else {},
            levels=Levels(np.array([until]), np.full((1, 4), 0.25, np.float32), np.full((1, 4), 0.5, np.float32)),
            gaps=gaps,
            health=self.health,
        )
