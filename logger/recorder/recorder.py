"""The recorder: one loop that samples, cuts seconds, hands them to be stored, and says how it is doing.

Order at the end, each step for a reason: the sensors give what was still on its way, the last second is cut, the
committing thread drains and closes the file, and only then the lamp and live.json say that nothing is recorded.
"""

import math
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

from logger import __version__
from logger.clock import Clock
from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.recorder import place
from logger.recorder.calibrations import CalibrationWatch, Conversions
from logger.recorder.commit import CommitThread, InlineCommit
from logger.recorder.cutter import Cutter, channels_of
from logger.recorder.health import CommitHealth, RecorderHealth, part_dict
from logger.recorder.live import LiveFile, warnings_of
from logger.recorder.notify import Notifier, Watchdog
from logger.recorder.power import PowerHold
from logger.recorder.space import Space, SpaciousWriter
from logger.recorder.viewers import Viewers
from logger.sensors.batch import Batch
from logger.settings import Settings
from logger.store.recording_writer import RecordingWriter
from logger.store.schema import Origin, RecordingMeta

TICK_NS = NS_PER_S
WATCHED_TICK_NS = NS_PER_S // 10
"""While somebody looks at the live values."""

HEAD_START_NS = NS_PER_S - NS_PER_S // 100
"""The recording's zero lies 0.99 s before its first sample, so that the first row is stored after 10 ms already."""

DRAIN_LIMIT_S = 75.0
"""How long a stalled card may hold up a clean stop: the 60 s that the buffer is made for, and some."""

HEALTH_EVERY_S = 60
LATE_NS = 50_000_000


class HardwareLike(Protocol):
    """What the recorder asks of `logger.sensors.hardware.Hardware`."""

    def poll(self, until_ns: int) -> Batch: ...

    def finish(self) -> Batch: ...

    def show(self, state: str) -> None: ...

    def close(self) -> None: ...


class Recorder:
    """Records one power-up: in one file, or in another one once a card that was full has room again.

    `inline`: commit in the sampling thread, which makes virtual time wait for the disk and its results repeatable; a
    data directory that cannot be written then raises StoreError, otherwise it is waited for. `durable`: False leaves
    the syncing to the system; only for cars that do not exist. Raises StoreError where there can be no run directory.
    wants_power_off: the power hold is over, the machine should be shut down. place: None until there is a file.
    """

    def __init__(
        self,
        settings: Settings,
        hardware: HardwareLike,
        clock: Clock,
        *,
        origin: Origin = "recorder",
        inline: bool = False,
        durable: bool = True,
        clock_is_set: bool | None = None,
        notifier: Notifier | None = None,
        say: Callable[[str], None] = lambda text: print(text, file=sys.stderr, flush=True),
    ) -> None:
        self.settings = settings
        self.data_dir = Path(settings.recorder.data_dir)
        self._hardware = hardware
        self._clock = clock
        self._origin: Origin = origin
        self._inline = inline
        self._durable = durable
        self._notifier = notifier or Notifier({})
        self._watchdog = Watchdog(self._notifier, settings.recorder.buffer_s)
        self._say = say
        self._live = LiveFile(Path(settings.recorder.run_dir), settings, clock)
        self._viewers = Viewers(Path(settings.recorder.run_dir))
        self.place: place.Place | None = None
        self.wants_power_off = False
        self._clock_is_set = place.is_clock_set(clock.utc_now()) if clock_is_set is None else clock_is_set
        self._asks_clock = clock_is_set is None
        self._boot_id = place.boot_id()
        self._calibrations = CalibrationWatch(settings, self.data_dir)
        # A car that does not exist has no machine to shut down.
        after_min = settings.recorder.power_off_after_min if origin == "recorder" else 0.0
        self._power_hold = PowerHold(after_min, settings.recorder.power_off_at_latest_min)
        self._space = Space(settings.recorder, say)
        self._told = ""
        self._live_conversions: Conversions = {}
        self._start_ns = 0
        self._cutter: Cutter | None = None
        self._commit: CommitThread | InlineCommit | None = None
        self._health = RecorderHealth(CommitHealth())
        self._next_second = 0
        self._stopping = False
        self._why_stopped = ""
        self._lamp = ""
        self._parts: dict[str, str] = {}

    @property
    def health(self) -> RecorderHealth:
        """The counters as they are now."""
        cutter, commit = self._cutter, self._commit
        return replace(
            self._health,
            commit=commit.health if commit else self._health.commit,
            samples=cutter.n_samples if cutter else 0,
            pulses=cutter.n_pulses if cutter else 0,
            seconds=self._next_second,
        )

    def stop(self) -> None:
        """Ask for a clean stop; may be called from a signal handler. The loop ends within a second."""
        self._stopping = True

    def run(self, until_ns: int | None = None) -> RecorderHealth:
        """Record until `stop()`, or until that time on the clock. Returns the final counters."""
        try:
            self._begin()
            tick_ns = self._start_ns + NS_PER_S
            while not self._stopping and (until_ns is None or tick_ns <= until_ns):
                self._tick(tick_ns)
                tick_ns = self._next_tick_ns(tick_ns)
            if until_ns is not None and not self._stopping and self._clock.monotonic_ns() < until_ns:
                self._tick(until_ns)
        finally:
            self._end()
        return self.health

    def _next_tick_ns(self, tick_ns: int) -> int:
        """The next on the grid of whole seconds, or of tenths; after a stall from now on, rather than racing after the
        lost ticks."""
        now_ns = max(tick_ns, self._clock.monotonic_ns())
        step_ns = WATCHED_TICK_NS if self._viewers.are_looking(now_ns) else TICK_NS
        return self._start_ns + ((now_ns - self._start_ns) // step_ns + 1) * step_ns

    def _begin(self) -> None:
        self._start_ns = self._clock.monotonic_ns() - HEAD_START_NS
        self._cutter = Cutter(channels_of(self.settings), self._start_ns)
        self._start_storing()
        if not self._inline:
            self._calibrations.start()

    def _start_storing(self) -> None:
        began = self._clock.utc_now()
        since = timedelta(seconds=(self._clock.monotonic_ns() - self._start_ns) / NS_PER_S)

        def open_writer() -> SpaciousWriter:
            return SpaciousWriter(self._open_writer(began, began - since), self._space)

        if not self._inline:
            self._commit = CommitThread(open_writer, round(self.settings.recorder.buffer_s))
        elif self._space.look():
            self._commit = InlineCommit(open_writer)
        else:
            self._why_stopped = self._space.text

    def _open_writer(self, began: datetime, started: datetime) -> RecordingWriter:
        """Begin the file, in the committing thread; called again where that failed. Raises StoreError."""
        if not self._space.look():
            raise StoreError(self._space.text)
        if self.place is None:
            self.place = place.prepare(self.data_dir, began, clock_is_set=self._clock_is_set)
        self._calibrations.look()
        meta = RecordingMeta(
            uuid=self.place.uuid,
            channels=channels_of(self.settings),
            boot_id=self.place.boot_id,
            power_up=self.place.power_up,
            started_monotonic_ns=self._start_ns,
            started_utc=started.isoformat(),
            clock_is_set=self.place.clock_is_set,
            origin=self._origin,
            settings=self.settings.to_dict(),
            calibrations=self._calibrations.in_force[1],
            program=f"stumblelog {__version__}",
        )
        return RecordingWriter(self.place.path, meta, durable=self._durable)

    def _tick(self, until_ns: int) -> None:
        assert self._cutter is not None
        batch = self._hardware.poll(until_ns)
        self._cutter.add(batch)
        self._live.latest.add(batch)
        now_ns = self._clock.monotonic_ns()
        late_ns = now_ns - until_ns
        if late_ns > LATE_NS:
            peak = max(self._health.peak_late_ms, late_ns / 1e6)
            self._health = replace(self._health, late_polls=self._health.late_polls + 1, peak_late_ms=peak)
        index = (now_ns - self._start_ns) // NS_PER_S
        if index > self._next_second:
            self._cut(index - 1, batch)
        health = self.health
        self._tell(health.commit.problem)
        self._show(batch, health.commit)
        self._publish(batch, health)
        if self._power_hold.is_over(batch, now_ns, self._viewers.last_ns):
            self._why_stopped = f"the key has been off for {self._power_hold.after_min:g} min; the machine shuts down"
            self.wants_power_off = self._stopping = True

    def _cut(self, index: int, batch: Batch) -> None:
        """Hand over the second that has ended, and look after everything that needs looking after once a second."""
        assert self._cutter is not None
        second = self._cutter.take(index, self._noted_health(index, batch))
        self._next_second = index + 1
        if self._commit is not None:
            self._commit.put(replace(second, clock=self._newly_set_clock()))
            if self._space.is_full and self.place is not None:
                self._stop_storing(self._space.text)
        # What this asks may wait for the card, but while nothing is stored nothing can be lost.
        elif self._space.look():
            self._store_again()
        self._follow_calibrations()
        self._watchdog.feed(index, self.health, self._why_stopped, self._clock.monotonic_ns())

    def _noted_health(self, index: int, batch: Batch) -> dict[str, Any] | None:
        """What goes into the recording: every minute, and whenever a part's state has changed."""
        parts: dict[str, str] = {part.part: part.state for part in batch.health}
        if parts == self._parts and index % HEALTH_EVERY_S:
            return None
        self._parts = parts
        return {**self.health.to_dict(), "parts": [part_dict(part) for part in batch.health]}

    def _follow_calibrations(self) -> None:
        if self._inline:
            self._calibrations.look()
        settings, self._live_conversions = self._calibrations.in_force
        if self._live.latest.settings is not settings:
            self._live.latest.use(settings)

    def _newly_set_clock(self) -> dict[str, Any] | None:
        """One instant on both clocks, once, where the wall clock has been set since the recording began."""
        if self._clock_is_set or not self._asks_clock:
            return None
        now = self._clock.utc_now()
        self._clock_is_set = place.is_clock_set(now)
        return {"utc": now.isoformat(), "monotonic_ns": self._clock.monotonic_ns()} if self._clock_is_set else None

    def _stop_storing(self, why: str) -> None:
        self._why_stopped = why
        self._say(f"recording stopped: {why}")
        self._close_file()
        self._space.wait_for_room()

    def _store_again(self) -> None:
        """Begin another recording, from the second that begins now."""
        assert self._cutter is not None
        self._start_ns += self._next_second * NS_PER_S
        self._cutter = self._cutter.anew(self._start_ns)
        self._next_second = 0
        self.place, self._why_stopped = None, ""
        self._say("there is room again: recording goes on in a new file")
        self._start_storing()

    def _close_file(self) -> None:
        commit, self._commit = self._commit, None
        if commit is None:
            return
        closed = commit.close(DRAIN_LIMIT_S)
        self._health = replace(self._health, commit=commit.health)
        where = self.place.path if self.place is not None else self.data_dir
        if closed:
            self._say(f"{where}: closed after {self._next_second} s")
        else:
            problem = commit.health.problem or "the card does not answer"
            self._say(f"{where}: not closed cleanly: {problem}; what was stored is safe")

    def _tell(self, problem: str) -> None:
        if problem and problem != self._told:
            self._say(f"not recording: {problem}")
        self._told = problem

    def _show(self, batch: Batch, commit: CommitHealth) -> None:
        if self._commit is None or commit.problem or commit.is_losing:
            lamp = "not_recording"
        else:
            wanting = any(part.state in ("missing", "noisy") for part in batch.health)
            lamp = "sensor_missing" if wanting or commit.is_stalling or self._space.is_low else "recording"
        if lamp != self._lamp:
            self._lamp = lamp
            self._hardware.show(lamp)

    def _publish(self, batch: Batch | None, health: RecorderHealth) -> None:
        recording = None
        if self._commit is not None and self.place is not None:
            recording = {
                "file": f"recordings/{self.place.path.name}",
                "uuid": self.place.uuid,
                "power_up": self.place.power_up,
                "seconds": round((self._clock.monotonic_ns() - self._start_ns) / NS_PER_S, 1),
                "committed_s": health.commit.committed,
            }
        why = self._why_stopped or health.commit.problem
        status = {
            "pid": os.getpid(),
            "boot_id": self._boot_id,
            "state": "recording" if recording and not why else "not_recording",
            "why": why,
            "recording": recording,
            "clock_is_set": self._clock_is_set,
            "calibrations": self._live_conversions,
            "lamp": self._lamp,
            "health": health.to_dict(),
            "warnings": warnings_of(batch, health.commit, self._space.warnings),
        }
        if not math.isnan(self._space.free_mb):
            status["free_mb"] = round(self._space.free_mb, 1)
        self._live.write(batch, status)

    def _end(self) -> None:
        self._notifier.stopping()
        last: Batch | None = None
        try:
            if self._cutter is not None:
                last = self._hardware.finish()
                self._cutter.add(last)
                if self._commit is not None:
                    index = max(self._next_second, (self._clock.monotonic_ns() - self._start_ns) // NS_PER_S)
                    self._commit.put(self._cutter.take(index, self._noted_health(0, last)))
                    self._next_second = index + 1
            self._close_file()
        finally:
            self._calibrations.stop()
            self._why_stopped = self._why_stopped or "the recorder was stopped"
            self._lamp = "not_recording"
            self._hardware.show(self._lamp)
            self._publish(last, self.health)
            self._hardware.close()
            self._notifier.close()
