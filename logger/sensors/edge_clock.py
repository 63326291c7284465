"""Which clock the kernel's edge times are on, found out from the first edges, and the same instants on ours.

Since Linux 5.7 edges are stamped with CLOCK_MONOTONIC, before that with the wall clock::

    monotonic   0 (boot) ----------- 41 s -------------------->
    wall        1970 ......... 2026-05-09 08:02:11 ----------->

An edge that has just been handed over cannot lie in the future nor further back than the longest stall, which tells
the two apart. The wall clock may be set while we run, so its offset is taken anew for each batch of edges.
"""

from typing import Literal

from logger.clock import Clock
from logger.event import NS_PER_S, IntArray

LONGEST_STALL_NS = 120 * NS_PER_S
FUTURE_NS = 50_000_000
"""Edges stamped with a wall clock are compared with ours read a moment later or earlier."""


class EdgeClock:
    """`name` is "unknown" before the first edge, then "monotonic" or "wall"."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.name: Literal["unknown", "monotonic", "wall"] = "unknown"

    def to_monotonic(self, stamps_ns: IntArray) -> IntArray:
        """Edge times as they came, shape (n,), on the monotonic clock. Raises OSError where no known clock fits."""
        now_ns = self._clock.monotonic_ns()
        if self._just_now(stamps_ns, now_ns):
            self.name = "monotonic"
            return stamps_ns
        wall_ns = round(self._clock.utc_now().timestamp() * 1e6) * 1000
        if self._just_now(stamps_ns, wall_ns):
            self.name = "wall"
            return stamps_ns + (now_ns - wall_ns)
        raise OSError("edge times are on no clock that is known here; report the kernel's version")

    @staticmethod
    def _just_now(stamps_ns: IntArray, now_ns: int) -> bool:
        return bool(now_ns - LONGEST_STALL_NS <= stamps_ns[0] and stamps_ns[-1] <= now_ns + FUTURE_NS)
