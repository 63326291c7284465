"""The recorder: one loop that samples, cuts seconds, hands them to be stored, and says how it is doing.

Order at the end, each step for a reason: the sensors give what was still on its way, the last second is cut, the
committing thread drains and closes the file, and only then the lamp and live.json say that nothing is recorded.
"""

import math
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from logger.clock import Clock
from logger.event import NS_PER_S
from logger.recorder import place
from logger.recorder.calibrations import CalibrationWatch, Conversions
from logger.recorder.cutter import Cutter, channels_of
from logger.recorder.health import CommitHealth, RecorderHealth, part_dict
from logger.recorder.live import LiveFile, warnings_of
from logger.recorder.notify import Notifier, Watchdog
from logger.recorder.place import Place
from logger.recorder.power import PowerHold
from logger.recorder.storing import Storing
from logger.recorder.viewers import Viewers
from logger.sensors.batch import Batch
from logger.settings import Settings
from logger.store.description import Origin
from logger.store.recording_writer import Second

TICK_NS = NS_PER_S
WATCHED_TICK_NS = NS_PER_S // 10
"""While somebody looks at the live values."""

HEAD_START_NS = NS_PER_S - NS_PER_S // 100
"""The recording's zero lies 0.99 s before its first sample, so that the first row is stored after 10 ms already."""

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
    wants_power_off: the power hold is over, the machine should be shut down.
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
        self._inline = inline
        self._notifier = notifier or Notifier({})
        self._watchdog = Watchdog(self._notifier, settings.recorder.buffer_s)
        self._say = say
        self._live = LiveFile(Path(settings.recorder.run_dir), settings, clock)
        self._viewers = Viewers(Path(settings.recorder.run_dir))
        self.wants_power_off = False
        self._boot_id = place.boot_id()
        self._calibrations = CalibrationWatch(settings, self.data_dir)
        self._storing = Storing(
            settings,
            clock,
            self._calibrations,
            say,
            origin=origin,
            inline=inline,
            durable=durable,
            clock_is_set=clock_is_set,
        )
        # A car that does not exist has no machine to shut down.
        after_min = settings.recorder.power_off_after_min if origin == "recorder" else 0.0
        self._power_hold = PowerHold(after_min, settings.recorder.power_off_at_latest_min)
        self._told = ""
        self._live_conversions: Conversions = {}
        self._start_ns = 0
        self._cutter: Cutter | None = None
        self._health = RecorderHealth(CommitHealth())
        self._next_second = 0
        self._stopping = False
        self._why_ending = ""
        self._lamp = ""
        self._parts: dict[str, str] = {}

    @property
    def place(self) -> Place | None:
        """Name and numbers of the file that is written, or of the last one; None until there is one."""
        return self._storing.place

    @property
    def health(self) -> RecorderHealth:
        """The counters as they are now."""
        cutter = self._cutter
        return replace(
            self._health,
            commit=self._storing.health,
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
        self._storing.begin(self._start_ns)
        if not self._inline:
            self._calibrations.start()

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
            self._why_ending = f"the key has been off for {self._power_hold.after_min:g} min; the machine shuts down"
            self.wants_power_off = self._stopping = True

    def _cut(self, index: int, batch: Batch) -> None:
        """Hand over the second that has ended, and look after everything that needs looking after once a second."""
        assert self._cutter is not None
        second = self._cutter.take(index, self._noted_health(index, batch))
        self._next_second = index + 1
        if self._storing.is_on:
            self._storing.put(second)
        # What this asks may wait for the card, but while nothing is stored nothing can be lost.
        elif self._storing.space.look():
            self._store_again()
        self._follow_calibrations()
        self._watchdog.feed(self.health, self._why_stopped, self._clock.monotonic_ns())

    @property
    def _why_stopped(self) -> str:
        return self._why_ending or self._storing.why_stopped

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

    def _store_again(self) -> None:
        """Begin another recording, from the second that begins now."""
        assert self._cutter is not None
        self._start_ns += self._next_second * NS_PER_S
        self._cutter = self._cutter.anew(self._start_ns)
        self._next_second = 0
        self._say("there is room again: recording goes on in a new file")
        self._storing.begin(self._start_ns)

    def _tell(self, problem: str) -> None:
        if problem and problem != self._told:
            self._say(f"not recording: {problem}")
        self._told = problem

    def _show(self, batch: Batch, commit: CommitHealth) -> None:
        if not self._storing.is_on or commit.problem or commit.is_losing:
            lamp = "not_recording"
        else:
            wanting = any(part.state in ("missing", "noisy") for part in batch.health)
            lamp = "sensor_missing" if wanting or commit.is_stalling or self._storing.space.is_low else "recording"
        if lamp != self._lamp:
            self._lamp = lamp
            self._hardware.show(lamp)

    def _publish(self, batch: Batch | None, health: RecorderHealth) -> None:
        space, recording = self._storing.space, self._storing.told(health.commit)
        why = self._why_stopped or health.commit.problem
        status = {
            "pid": os.getpid(),
            "boot_id": self._boot_id,
            "state": "recording" if recording and not why else "not_recording",
            "why": why,
            "recording": recording,
            "clock_is_set": self._storing.clock_is_set,
            "calibrations": self._live_conversions,
            "lamp": self._lamp,
            "health": health.to_dict(),
            "warnings": warnings_of(batch, health.commit, space.warnings),
        }
        if not math.isnan(space.free_mb):
            status["free_mb"] = round(space.free_mb, 1)
        self._live.write(batch, status)

    def _end(self) -> None:
        self._notifier.stopping()
        last: Batch | None = None
        left: Second | None = None
        try:
            if self._cutter is not None:
                last = self._hardware.finish()
                self._cutter.add(last)
                if self._storing.is_on:
                    index = max(self._next_second, (self._clock.monotonic_ns() - self._start_ns) // NS_PER_S)
                    left = self._cutter.take(index, self._noted_health(0, last))
                    self._next_second = index + 1
            self._storing.close(left)
        finally:
            self._calibrations.stop()
            self._why_ending = self._why_stopped or "the recorder was stopped"
            self._lamp = "not_recording"
            self._hardware.show(self._lamp)
            self._publish(last, self.health)
            self._hardware.close()
            self._notifier.close()
