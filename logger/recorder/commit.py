"""The committing side: one thread that owns the open recording, and the queue in front of it."""

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, Protocol

from logger.event import NS_PER_S, Gap
from logger.recorder.health import CommitHealth
from logger.store.recording_writer import Second

RETRY_S = 0.5
STALLED = "the card did not take data for longer than the buffer lasts"


class Writer(Protocol):
    """What is asked of `logger.store.recording_writer.RecordingWriter`."""

    def append(self, second: Second) -> None: ...

    def close(self) -> None: ...


OpenWriter = Callable[[], Writer]


class InlineCommit:
    """Commits in the caller's thread, so that virtual time waits for the disk. Errors are raised at once."""

    def __init__(self, open_writer: OpenWriter) -> None:
        self._writer = open_writer()
        self._health = CommitHealth(max_buffered=1)

    @property
    def health(self) -> CommitHealth:
        return self._health

    def put(self, second: Second) -> None:
        """Store a second. Raises StoreError."""
        begun = time.perf_counter()
        self._writer.append(second)
        self._health = _committed(self._health, time.perf_counter() - begun)

    def close(self, limit_s: float) -> bool:
        """Close the recording."""
        self._writer.close()
        return True


class CommitThread:
    """Commits in a thread of its own. `put` never waits and never raises: a card that stalls fills the queue, and
    only what no longer fits is lost, counted and noted as a gap; that the clock was set, which is said once, is not."""

    def __init__(self, open_writer: OpenWriter, max_buffered: int) -> None:
        self._open_writer = open_writer
        self._queue: deque[Second] = deque()
        self._changed = threading.Condition()
        self._closing = False
        self._deadline = float("inf")
        self._health = CommitHealth(max_buffered=max_buffered)
        self._lost_from: int | None = None
        self._lost_clock: Mapping[str, Any] | None = None
        self._writer: Writer | None = None
        self._thread = threading.Thread(target=self._run, name="commit", daemon=True)
        self._thread.start()

    @property
    def health(self) -> CommitHealth:
        """The counters as they are now."""
        with self._changed:
            health = replace(self._health, buffered=len(self._queue))
        if not health.problem and not self._closing and not self._thread.is_alive():
            return replace(health, problem="the committing thread has died")
        return health

    def put(self, second: Second) -> None:
        """Hand over a second."""
        with self._changed:
            if len(self._queue) >= self._health.max_buffered:
                self._lost_from = second.index if self._lost_from is None else self._lost_from
                self._lost_clock = second.clock or self._lost_clock
                self._health = replace(self._health, dropped=self._health.dropped + 1)
                return
            if self._lost_from is not None:
                gap = Gap("all", self._lost_from * NS_PER_S, second.index * NS_PER_S, STALLED)
                second = replace(second, gaps=(gap, *second.gaps), clock=second.clock or self._lost_clock)
                self._lost_from = self._lost_clock = None
            self._queue.append(second)
            self._health = replace(self._health, peak_buffered=max(self._health.peak_buffered, len(self._queue)))
            self._changed.notify()

    def close(self, limit_s: float) -> bool:
        """Commit what waits and close the recording, for at most so long. Returns whether that was done."""
        with self._changed:
            self._closing = True
            self._deadline = time.monotonic() + limit_s
            self._changed.notify()
        self._thread.join(limit_s)
        return not self._thread.is_alive() and not self.health.problem

    def _run(self) -> None:
        if not self._try(self._open):
            return
        assert self._writer is not None
        while (second := self._wait_for_second()) is not None:
            begun = time.perf_counter()
            try:
                stored = self._try(partial(self._writer.append, second))
            except ValueError as error:
                # A second that makes no sense costs itself, never those that follow.
                stored = self._try(partial(self._writer.append, self._refused(second, error)))
            if not stored:
                break
            with self._changed:
                self._queue.popleft()
                self._health = _committed(self._health, time.perf_counter() - begun)
        self._try(self._writer.close)

    def _refused(self, second: Second, error: ValueError) -> Second:
        """The empty second, with a gap that says why, in place of one that the writer does not take."""
        with self._changed:
            self._health = replace(self._health, failures=self._health.failures + 1)
        whole = Gap("all", second.index * NS_PER_S, (second.index + 1) * NS_PER_S, f"could not be stored: {error}")
        return Second(second.index, gaps=(*second.gaps, whole), clock=second.clock)

    def _open(self) -> None:
        self._writer = self._open_writer()

    def _wait_for_second(self) -> Second | None:
        with self._changed:
            while not self._queue and not self._closing:
                self._changed.wait()
            return self._queue[0] if self._queue else None

    def _try(self, action: Callable[[], None]) -> bool:
        """Do it, again and again while the card refuses; False once closing has taken too long."""
        while True:
            try:
                action()
            except OSError as error:  # StoreError is one
                with self._changed:
                    self._health = replace(self._health, failures=self._health.failures + 1, problem=str(error))
                    # A file that never came to be will not come to be while the machine shuts down.
                    if self._closing and (self._writer is None or time.monotonic() > self._deadline - RETRY_S):
                        return False
                    self._changed.wait(RETRY_S)
            else:
                with self._changed:
                    self._health = replace(self._health, problem="")
                return True


def _committed(health: CommitHealth, seconds: float) -> CommitHealth:
    ms = seconds * 1e3
    return replace(
        health,
        committed=health.committed + 1,
        last_commit_ms=ms,
        peak_commit_ms=max(health.peak_commit_ms, ms),
    )
