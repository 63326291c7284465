"""What goes into an event file: the event's recordings, held open, and the rows of its small tables."""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import Event
from logger.store import schema
from logger.store.entries import RecordingEntry
from logger.store.exports.columns import Row
from logger.store.exports.findings_rows import finding_rows
from logger.store.exports.held import Held, begun_ns
from logger.store.exports.logbook_rows import entered_rows, event_row, recording_rows
from logger.store.exports.placing import remove_stale
from logger.store.exports.tables import TABLES
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import leave_wal
from logger.store.store import Store

COPIES = ".copies"


@dataclass(frozen=True, slots=True)
class Contents:
    """An event held open for export: its recordings in order and the rows of every small table but `channels`."""

    event_id: str
    event: Event
    recordings: tuple[Held, ...]
    tables: Mapping[str, list[Row]]

    def channel_rows(self, n_samples: Mapping[tuple[str, str], int] | None = None) -> list[Row]:
        """Rows of table `channels`; n_samples: of each (recording, channel) that gave some, where they were counted."""
        return [
            {
                "recording": held.name,
                "channel": stored.name,
                "kind": stored.kind,
                "unit": CHANNELS[stored.name].unit,
                "label": CHANNELS[stored.name].label,
                "meaning": CHANNELS[stored.name].meaning,
                "stored_as": "times" if stored.is_pulses else "counts" if stored.counts else "values",
                "n_samples": None if n_samples is None else n_samples.get((held.name, stored.name), 0),
            }
            for held in self.recordings
            for stored in held.reader.meta.channels
        ]


@contextmanager
def opened(store: Store, event_id: str, *, growing: bool = True) -> Iterator[Contents]:
    """Hold an event open for export.

    Recordings that still grow are copied first, with every second committed so far; the recorder notices nothing.
    growing: False leaves them out, as if they could not be read. Raises StoreError where the event is unknown or holds
    nothing that can be read.
    """
    store.scan()
    outline = store.outline(event_id)
    with ExitStack() as stack:
        held: list[Held] = []
        refused: dict[str, str] = {}
        entries = store.recordings(event_id)
        copies = stack.enter_context(_copies(store, any(entry.state == "open" for entry in entries) and growing))
        offsets = {recording.name: recording.offset_ns for recording in outline.recordings}
        for position, entry in enumerate(entries, 1):
            if entry.state == "open" and not growing:
                refused[entry.name] = "it is still being recorded"
                continue
            try:
                reader = stack.enter_context(_reader(store, event_id, entry, copies / f"{position:03d}.sqlite"))
            except StoreError as error:
                refused[entry.name] = str(error)
                continue
            offset_ns = offsets.get(entry.name)
            started_ns = begun_ns(outline.started_utc, offset_ns)
            held.append(Held(entry, position, reader, started_ns, offset_ns))
        if not held:
            reasons = "; ".join(refused.values()) or "it has no recordings"
            raise StoreError(f"{event_id}: nothing to export: {reasons}")
        tables = entered_rows(store, event_id, outline)
        tables |= recording_rows(store, entries, held, refused)
        tables |= finding_rows(outline, tuple(held), store.findings(event_id))
        tables["event"] = [event_row(event_id, outline, store.stored_findings(event_id))]
        yield Contents(event_id, outline, tuple(held), {name: tables[name] for name in TABLES if name in tables})


@contextmanager
def _copies(store: Store, is_needed: bool) -> Iterator[Path]:
    """A folder for copies of growing recordings: on the card, since on a Pi /tmp may be its memory."""
    place = store.data_dir / COPIES
    if not is_needed:
        yield place
        return
    place.mkdir(exist_ok=True)
    remove_stale(place.iterdir())
    try:
        with TemporaryDirectory(dir=place) as name:
            yield Path(name)
    finally:
        with suppress(OSError):  # another export's copies lie there
            place.rmdir()


def snapshot(path: Path, to: Path) -> None:
    """Copy a recording as of this moment, growing or not, to a file that stands alone. Raises StoreError."""
    with schema.sqlite_errors(path), closing(schema.connect(path)) as source, closing(sqlite3.connect(to)) as target:
        source.backup(target)
        leave_wal(target)


def _reader(store: Store, event_id: str, entry: RecordingEntry, copy: Path) -> RecordingReader:
    reader = store.reader(event_id, entry.name)
    if entry.state == "closed":
        return reader
    with reader:
        settings = reader.settings if any(channel.counts for channel in reader.meta.channels) else None
        snapshot(reader.path, copy)
    return RecordingReader(copy, settings)
