"""A clock that is moved by those who wait for it: whoever sleeps jumps it forward, whoever uses the bus spends it."""

import heapq
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

BOOTED_UTC = datetime(2026, 5, 9, 8, 0, tzinfo=UTC)


class VirtualClock:
    """Monotonic time that only `sleep_until_ns` and `spend` move, and things that happen at set times on the way.

    A callback runs with the clock standing at its time, in the order of times. Meant for one thread that moves it;
    others may read it.
    """

    def __init__(self, start_ns: int = 30_000_000_000, utc: datetime = BOOTED_UTC) -> None:
        self._now_ns = start_ns
        self._utc_at_zero = utc - timedelta(microseconds=start_ns / 1000)
        self._agenda: list[tuple[int, int, Callable[[], None]]] = []
        self._n_entries = 0

    def monotonic_ns(self) -> int:
        return self._now_ns

    def utc_now(self) -> datetime:
        return self._utc_at_zero + timedelta(microseconds=self._now_ns // 1000)

    def set_utc(self, utc: datetime) -> None:
        """Step the wall clock, as a time server or a person would; monotonic time goes on undisturbed."""
        self._utc_at_zero = utc - timedelta(microseconds=self._now_ns // 1000)

    def sleep_until_ns(self, time_ns: int) -> None:
        agenda = self._agenda
        while agenda and agenda[0][0] <= time_ns:
            due_ns, _, happen = heapq.heappop(agenda)
            self._now_ns = max(self._now_ns, due_ns)
            happen()
        if time_ns > self._now_ns:
            self._now_ns = time_ns

    def spend(self, duration_ns: int) -> None:
        """Let time pass because something took it."""
        self.sleep_until_ns(self._now_ns + duration_ns)

    def call_at(self, time_ns: int, happen: Callable[[], None]) -> None:
        """Run `happen` when the clock gets to that time; at the next move if it is past."""
        self._n_entries += 1
        heapq.heappush(self._agenda, (time_ns, self._n_entries, happen))

    def __repr__(self) -> str:
        return f"VirtualClock({self._now_ns / 1e9:.6f} s)"
