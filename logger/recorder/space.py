"""Room on the card: looked at before each commit, by the committing thread, for even asking may wait for the card."""

import math
from collections.abc import Callable
from pathlib import Path

from logger.errors import StoreError
from logger.recorder.place import free_mb
from logger.settings import RecorderSettings
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.schema import SUFFIX

RESUME_MB = 20.0
"""Room for some hours beyond the reserve: with less than that a recording that stopped is not followed by another,
or a card on the brink would fill with short ones."""

MARGIN = 2.0
"""Room is made for so many times the reserve, so that not every second deletes."""


class Space:
    """What is left, and what is done about it. free_mb: NaN where the card does not say. deleted: names of recordings
    given up for this one, which only `when_full = "delete_oldest"` allows."""

    def __init__(self, settings: RecorderSettings, say: Callable[[str], None]) -> None:
        self.free_mb = math.nan
        self.deleted: list[str] = []
        self._settings = settings
        self._data_dir = Path(settings.data_dir)
        self._say = say
        self._problem = ""
        self._wanted_mb = settings.reserve_mb

    @property
    def is_full(self) -> bool:
        """Whether recording has to stop, or to wait."""
        return self.free_mb < self._wanted_mb

    @property
    def is_low(self) -> bool:
        """Whether somebody should fetch and delete."""
        return self.free_mb < self._settings.warn_mb or bool(self.deleted)

    @property
    def text(self) -> str:
        """Why recording stopped."""
        return (
            f"only {self.free_mb:.1f} MB free in {self._data_dir}; fetch and delete old recordings: with "
            f"{self._settings.reserve_mb + RESUME_MB:.0f} MB recording goes on by itself"
        )

    @property
    def warnings(self) -> list[str]:
        """What the page shows."""
        out = [f"deleted to make room: {name}" for name in self.deleted]
        if self.free_mb < self._settings.warn_mb:
            out.append(f"{self.free_mb:.0f} MB left on the card; fetch and delete old recordings")
        return out

    def look(self, current: Path | None = None) -> bool:
        """Ask the card, and make room if that is wanted; whether there is enough to record. `current`: the recording
        that is being written."""
        self._ask()
        if self.is_full and self._settings.when_full == "delete_oldest":
            self._make_room(current)
        if self.is_full:
            return False
        self._wanted_mb = self._settings.reserve_mb
        return True

    def wait_for_room(self) -> None:
        """Recording has stopped: call the card full until there is room for some hours."""
        self._wanted_mb = self._settings.reserve_mb + RESUME_MB

    def _ask(self) -> None:
        try:
            self.free_mb, problem = free_mb(self._data_dir), ""
        except FileNotFoundError:
            self.free_mb, problem = math.nan, ""  # not made yet
        except OSError as error:
            # Gone: the commits say so, and what is in memory waits for it.
            self.free_mb, problem = math.nan, f"{self._data_dir}: {error.strerror or error}"
        if problem and problem != self._problem:
            self._say(problem)
        self._problem = problem

    def _make_room(self, current: Path | None) -> None:
        for path in closed_by_age(self._data_dir / "recordings"):
            if path == current:
                continue
            path.unlink()
            self.deleted.append(path.name)
            self._say(f"{path}: deleted to make room, as recorder.when_full asks")
            self._ask()
            if self.free_mb >= max(MARGIN * self._settings.reserve_mb, self._wanted_mb):
                return


def closed_by_age(recordings: Path) -> list[Path]:
    """The recorder's files that nobody writes any more, the oldest power-up first; what cannot be read is nobody's to
    delete."""
    ages = []
    for path in recordings.glob(f"*{SUFFIX}"):
        try:
            with RecordingReader(path) as reader:
                if reader.is_closed:
                    ages.append((reader.meta.power_up, path))
        except StoreError:
            continue
    return [path for _, path in sorted(ages)]


class SpaciousWriter:
    """A writer that looks after the room on the card before each commit."""

    def __init__(self, writer: RecordingWriter, space: Space) -> None:
        self._writer = writer
        self._space = space

    def append(self, second: Second) -> None:
        """Store one second."""
        self._space.look(self._writer.path)
        self._writer.append(second)

    def close(self) -> None:
        """End the recording."""
        self._writer.close()
