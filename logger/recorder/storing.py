"""Where the seconds go: into one file, or into another one once a card that was full has room again."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from logger import __version__
from logger.clock import Clock
from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.recorder import place
from logger.recorder.calibrations import CalibrationWatch
from logger.recorder.commit import CommitThread, InlineCommit
from logger.recorder.cutter import channels_of
from logger.recorder.health import CommitHealth
from logger.recorder.space import Space, SpaciousWriter
from logger.settings import Settings
from logger.store.description import Origin, RecordingMeta
from logger.store.recording_writer import RecordingWriter, Second

DRAIN_LIMIT_S = 75.0
"""How long a stalled card may hold up a clean stop: the 60 s that the buffer is made for, and some."""


class Storing:
    """The file that is written, from its name and description to its end.

    inline, durable, clock_is_set: as `Recorder` takes them. place: of that file, or of the last one; None until there
    is one. clock_is_set: whether the wall clock could be believed when it was last asked. why_stopped: why the card
    takes no more; empty while it does.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        calibrations: CalibrationWatch,
        say: Callable[[str], None],
        *,
        origin: Origin,
        inline: bool,
        durable: bool,
        clock_is_set: bool | None,
    ) -> None:
        self.place: place.Place | None = None
        self.space = Space(settings.recorder, say)
        self.clock_is_set = place.is_clock_set(clock.utc_now()) if clock_is_set is None else clock_is_set
        self.why_stopped = ""
        self._asks_clock = clock_is_set is None
        self._settings = settings
        self._data_dir = Path(settings.recorder.data_dir)
        self._clock = clock
        self._calibrations = calibrations
        self._say = say
        self._origin: Origin = origin
        self._inline = inline
        self._durable = durable
        self._start_ns = 0
        self._n_seconds = 0
        self._commit: CommitThread | InlineCommit | None = None
        self._last_health = CommitHealth()

    @property
    def is_on(self) -> bool:
        """Whether there is a file, or one to come, that takes seconds."""
        return self._commit is not None

    @property
    def health(self) -> CommitHealth:
        """The committing side's counters as they are now, or as they were when the last file was closed."""
        return self._commit.health if self._commit else self._last_health

    def begin(self, start_ns: int) -> None:
        """Begin a file whose zero is that time on the clock. Raises StoreError where it is written inline and cannot
        be."""
        self._start_ns, self._n_seconds = start_ns, 0
        self.place, self.why_stopped = None, ""
        began = self._clock.utc_now()
        since = timedelta(seconds=(self._clock.monotonic_ns() - start_ns) / NS_PER_S)

        def open_writer() -> SpaciousWriter:
            return SpaciousWriter(self._open_writer(began, began - since), self.space)

        if not self._inline:
            self._commit = CommitThread(open_writer, round(self._settings.recorder.buffer_s))
        elif self.space.look():
            self._commit = InlineCommit(open_writer)
        else:
            self.why_stopped = self.space.text

    def _open_writer(self, began: datetime, started: datetime) -> RecordingWriter:
        """Begin the file, in the committing thread; called again where that failed. Raises StoreError."""
        if not self.space.look():
            raise StoreError(self.space.text)
        if self.place is None:
            self.place = place.prepare(self._data_dir, began, clock_is_set=self.clock_is_set)
        self._calibrations.look()
        meta = RecordingMeta(
            uuid=self.place.uuid,
            channels=channels_of(self._settings),
            boot_id=self.place.boot_id,
            power_up=self.place.power_up,
            started_monotonic_ns=self._start_ns,
            started_utc=started.isoformat(),
            clock_is_set=self.place.clock_is_set,
            origin=self._origin,
            settings=self._settings.to_dict(),
            calibrations=self._calibrations.in_force[1],
            program=f"stumblelog {__version__}",
        )
        return RecordingWriter(self.place.path, meta, durable=self._durable)

    def put(self, second: Second) -> None:
        """Hand over a second, and close the file where the card is full."""
        self._put(replace(second, clock=self._newly_set_clock()))
        if self.space.is_full and self.place is not None:
            self.why_stopped = self.space.text
            self._say(f"recording stopped: {self.why_stopped}")
            self.close()
            self.space.wait_for_room()

    def _put(self, second: Second) -> None:
        assert self._commit is not None
        self._n_seconds = second.index + 1
        self._commit.put(second)

    def _newly_set_clock(self) -> dict[str, Any] | None:
        """One instant on both clocks, once, where the wall clock has been set since the recording began."""
        if self.clock_is_set or not self._asks_clock:
            return None
        now = self._clock.utc_now()
        self.clock_is_set = place.is_clock_set(now)
        return {"utc": now.isoformat(), "monotonic_ns": self._clock.monotonic_ns()} if self.clock_is_set else None

    def close(self, last: Second | None = None) -> None:
        """Hand over what is left, and close the file; nothing where there is none."""
        if last is not None:
            self._put(last)
        commit, self._commit = self._commit, None
        if commit is None:
            return
        closed = commit.close(DRAIN_LIMIT_S)
        self._last_health = commit.health
        where = self.place.path if self.place is not None else self._data_dir
        if closed:
            self._say(f"{where}: closed after {self._n_seconds} s")
        else:
            problem = commit.health.problem or "the card does not answer"
            self._say(f"{where}: not closed cleanly: {problem}; what was stored is safe")

    def told(self, health: CommitHealth) -> Mapping[str, Any] | None:
        """The `recording` entry of live.json; None while nothing is stored."""
        if self._commit is None or self.place is None:
            return None
        return {
            "file": f"recordings/{self.place.path.name}",
            "uuid": self.place.uuid,
            "power_up": self.place.power_up,
            "seconds": round((self._clock.monotonic_ns() - self._start_ns) / NS_PER_S, 1),
            "committed_s": health.committed,
        }
