"""One recording of an event that is being exported, held open."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from logger.event import NS_PER_S
from logger.store.entries import RecordingEntry
from logger.store.recording_reader import RecordingReader

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Held:
    """One readable recording of an event that is being exported.

    reader: of a growing recording that of a copy, made at the begin of the export. started_ns: its time 0 in
    nanoseconds since 1970 (UTC), None where no clock was ever known.
    """

    entry: RecordingEntry
    position: int
    reader: RecordingReader
    started_ns: int | None
    offset_ns: int | None

    @property
    def name(self) -> str:
        """Its name in the event."""
        return self.entry.name

    def utc(self, at_s: float) -> datetime | None:
        """A moment of the recording by the wall clock."""
        if self.started_ns is None:
            return None
        seconds, rest_ns = divmod(self.started_ns + round(at_s * NS_PER_S), NS_PER_S)
        return EPOCH + timedelta(seconds=seconds, microseconds=rest_ns / 1000)


def begun_ns(started_utc: datetime | None, offset_ns: int | None) -> int | None:
    """Time 0 of a recording in nanoseconds since 1970, from the event's start and the recording's offset."""
    if started_utc is None or offset_ns is None:
        return None
    return (started_utc - EPOCH) // timedelta(microseconds=1) * 1000 + offset_ns
