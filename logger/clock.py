"""Time as a parameter: everything that waits or stamps is handed a clock, so that tests and the virtual car can jump.

Monotonic nanoseconds order and space everything; wall-clock time is only ever an annotation, because a car has no
clock that can be trusted.
"""

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the recorder and the sensors need of time."""

    def monotonic_ns(self) -> int:
        """Nanoseconds that never run backwards, counted from some instant before this boot's first sample."""
        ...

    def sleep_until_ns(self, time_ns: int) -> None:
        """Return once `monotonic_ns()` has reached `time_ns`; at once if that is past."""
        ...

    def utc_now(self) -> datetime:
        """The wall clock as the system has it, right or wrong."""
        ...


class SystemClock:
    """CLOCK_MONOTONIC and the system's wall clock."""

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def sleep_until_ns(self, time_ns: int) -> None:
        # time.sleep may return a little early on some kernels' coarse timers; a promise "not before" needs the loop.
        while (left := time_ns - time.monotonic_ns()) > 0:
            time.sleep(left / 1e9)

    def utc_now(self) -> datetime:
        return datetime.now(UTC)

    def __repr__(self) -> str:
        return "SystemClock()"
