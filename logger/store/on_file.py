"""Recordings that stay on their files: what is asked for is read when it is asked for, and nothing is kept.

The analysis goes through a long day part by part, so that it needs no more memory than one part takes.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from logger.errors import StoreError, UnreadableError
from logger.event import IntArray, Recording, Trace, part_of
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader

Read = TypeVar("Read")
Channel = TypeVar("Channel")


class _Channels(Mapping[str, Channel]):
    """Channels by name, each read anew whenever it is looked up."""

    def __init__(self, names: tuple[str, ...], read: Callable[[str], Channel]) -> None:
        self._names = names
        self._read = read

    def __getitem__(self, name: str) -> Channel:
        if name not in self._names:
            raise KeyError(name)
        return self._read(name)

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


@dataclass(frozen=True, slots=True)
class _File:
    """Where a recording lies, and the settings that turn its counts into values."""

    path: Path
    settings: Settings | None
    name: str

    def read(self, work: Callable[[RecordingReader], Read]) -> Read:
        """Open it, do this, close it. Raises UnreadableError where it is damaged."""
        try:
            with RecordingReader(self.path, self.settings) as reader:
                return work(reader)
        except StoreError as error:
            raise UnreadableError(self.name, str(error)) from error


@dataclass(frozen=True, slots=True)
class RecordingOnFile(Recording):
    """A recording whose parts are read from its file. until_ns: where it ended as it was opened, if it still grows."""

    file: _File | None = None
    until_ns: int | None = None

    def part(self, from_ns: int, to_ns: int | None) -> Recording:
        """What lies from from_ns up to to_ns (None: its end), read into memory."""
        assert self.file is not None
        window = from_ns if from_ns > 0 else None, self.until_ns if to_ns is None else to_ns
        read = self.file.read(lambda reader: reader.recording(self.name, self.offset_ns, *window))
        return Recording(self.name, traces=read.traces, pulses=read.pulses, **part_of(self, from_ns, to_ns))

    def pulses_between(self, channel: str, from_ns: int, to_ns: int | None) -> IntArray:
        """The times of a pulse channel from from_ns up to to_ns; none where it is absent."""
        assert self.file is not None
        if channel not in self.pulses:
            return super(RecordingOnFile, self).pulses_between(channel, from_ns, to_ns)
        return self.file.read(lambda reader: reader.pulses(channel, from_ns if from_ns > 0 else None, to_ns))


def on_file(path: Path, settings: Settings | None, name: str, offset_ns: int | None) -> RecordingOnFile:
    """A recording of an event as it lies on its file. Raises UnreadableError where that is damaged."""
    file = _File(path, settings, name)

    def described(reader: RecordingReader) -> RecordingOnFile:
        pulsed = tuple(channel.name for channel in reader.meta.channels if channel.is_pulses)
        sampled = tuple(channel for channel in reader.given if channel not in pulsed)
        return RecordingOnFile(
            name,
            reader.duration_ns,
            _Channels[Trace](sampled, lambda channel: file.read(lambda again: again.read(channel))),
            _Channels[IntArray](
                tuple(channel for channel in reader.given if channel in pulsed),
                lambda channel: file.read(lambda again: again.pulses(channel)),
            ),
            offset_ns,
            reader.gaps(),
            file=file,
            until_ns=None if reader.is_closed else reader.duration_ns,
        )

    return file.read(described)
