"""The store: recordings and logbook as one, the only door through which page, worker and commands reach them.

::

    <data_dir>/
      logbook.sqlite            what people entered, what was found
      recordings/*.sqlite       one file per power-up, written by the recorder
      recordings/<event id>/    the recordings of one imported event
"""

import hashlib
import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from logger.errors import StoreError
from logger.event import Correction, Engine, Event, Recording, Repair
from logger.settings import Settings
from logger.store import intake
from logger.store.analysis_version import analysis_version
from logger.store.calibrated import with_calibrations
from logger.store.changes import Changes
from logger.store.commissioning import Commissioning
from logger.store.earlier import taught_before
from logger.store.entries import EventEntry, RecordingEntry, StoredFindings, from_row
from logger.store.logbook import Logbook
from logger.store.on_file import on_file
from logger.store.people import People
from logger.store.recording_reader import RecordingReader
from logger.store.results import Results, told

MOST_NAMED = 8
"""Events that an error names; a season has more than a terminal shows."""

_EVENTS = """
    SELECT e.id AS event_id, e.name, e.kind, e.started_utc, count(r.file) AS n_recordings,
        coalesce(sum(r.state IN ('damaged', 'missing')), 0) AS n_damaged,
        coalesce(max(r.state = 'open'), 0) AS recording_now, e.group_key IS NULL AS imported,
        f.n_stumbles, f.main_cause
    FROM events e LEFT JOIN recordings r ON r.event_id = e.id
        LEFT JOIN findings f INDEXED BY findings_in_short ON f.event_id = e.id
"""


class Store(People, Changes, Commissioning, Results):
    """Everything kept under one data directory. Close it, or use it in a `with` block; safe across threads.

    Raises StoreError where the logbook cannot be used, an event is unknown, or an entry makes no sense.
    """

    def __init__(self, data_dir: Path) -> None:
        self.data_dir = data_dir
        try:
            (data_dir / "recordings").mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{data_dir}: cannot be used as data directory ({error.strerror}); choose another with --data-dir"
            ) from error
        self.logbook = Logbook(data_dir / "logbook.sqlite")
        self._growing_ns: Mapping[str, int] = {}

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the logbook; may be called twice."""
        self.logbook.close()

    def scan(self) -> frozenset[str]:
        """Enter recordings that have appeared, and look again at those still open; cheap where nothing changed.

        Returns the ids of the events that this has changed.
        """
        seen = intake.scan(self.logbook, self.data_dir)
        self._growing_ns = seen.growing_ns
        return seen.changed

    def events(self, *, look: bool = True) -> list[EventEntry]:
        """All events, the newest first; `look`: after a scan."""
        if look:
            self.scan()
        return [
            from_row(EventEntry, row) for row in self.logbook.rows(f"{_EVENTS} GROUP BY e.id ORDER BY e.rowid DESC")
        ]

    def find(self, text: str) -> str:
        """The id of the event that `text` means: its id or the unique beginning of it, its name, or "latest"."""
        entries = self.events()
        if text == "latest" and entries:
            return entries[0].event_id
        for same in (
            [entry.event_id for entry in entries if entry.event_id == text],
            [entry.event_id for entry in entries if entry.name.casefold() == text.casefold()],
            [entry.event_id for entry in entries if text and entry.event_id.startswith(text)],
        ):
            if len(same) == 1:
                return same[0]
            if same:
                raise StoreError(f"{text!r} could be {', '.join(same)}; give the whole id")
        if not entries:
            raise StoreError(f"{self.data_dir}: no event is here yet; record one, or take one in with import")
        known = ", ".join(entry.event_id for entry in entries[:MOST_NAMED])
        more = f" and {len(entries) - MOST_NAMED} older" if len(entries) > MOST_NAMED else ""
        raise StoreError(f"no event {text!r} in {self.data_dir}; the events are: {known}{more}")

    def look_again(self, recording: RecordingEntry) -> None:
        """Let the next scan read a damaged recording anew, although its file looks unchanged."""
        with self.logbook.transaction() as database:
            database.table("recordings").update(recording.file, {"stamp": ""})

    def recordings(self, event_id: str) -> list[RecordingEntry]:
        """The event's recordings in order, damaged ones included, each with its reason."""
        rows = self.logbook.rows("SELECT * FROM recordings WHERE event_id = ? ORDER BY position", [event_id])
        return [
            from_row(RecordingEntry, {**row, "duration_ns": self._growing_ns.get(row["file"], row["duration_ns"])})
            for row in rows
        ]

    def outline(self, event_id: str) -> Event:
        """The event as far as the logbook knows it: recordings with their times, but without any samples."""
        row = self._row(event_id)
        started_utc = datetime.fromisoformat(row["started_utc"]) if row["started_utc"] else None
        return Event(
            name=row["name"],
            engine=self._engine(row),
            recordings=tuple(
                Recording(stored.name, stored.duration_ns, offset_ns=_offset_ns(stored, started_utc))
                for stored in self.recordings(event_id)
                if stored.readable
            ),
            kind=row["kind"],
            started_utc=started_utc,
            repairs=tuple(
                Repair(repair.what, repair.offset_ns, repair.after_recording, repair.suspect)
                for repair in self.repairs(event_id)
            ),
            circumstances=self.circumstances(event_id),
            corrections=tuple(
                Correction(one.recording, one.action, one.from_ns, one.to_ns) for one in self.run_corrections(event_id)
            ),
        )

    def event(self, event_id: str, only: Collection[str] | None = None) -> Event:
        """The event as arrays, or `only` these of its recordings. Those that cannot be read are left out; `recordings`
        names them with a reason."""

        def read(stored: RecordingEntry, name: str, offset_ns: int | None) -> Recording:
            with self._open(stored) as reader:
                return reader.recording(name, offset_ns)

        return self._event(event_id, only, read)

    def event_on_file(self, event_id: str) -> Event:
        """The same with recordings that are read part by part when they are asked for: for days that memory need not
        hold. Parts raise UnreadableError where the file turns out damaged; `leave_out` names it then."""
        return self._event(
            event_id,
            None,
            lambda one, name, offset_ns: on_file(
                self.data_dir / one.file, self._settings_in_force(one), name, offset_ns
            ),
        )

    def _event(
        self,
        event_id: str,
        only: Collection[str] | None,
        read: Callable[[RecordingEntry, str, int | None], Recording],
    ) -> Event:
        self.scan()
        outline = self.outline(event_id)
        stored = {one.name: one for one in self.recordings(event_id)}
        recordings: list[Recording] = []
        for known in outline.recordings:
            if only is not None and known.name not in only:
                continue
            try:
                recordings.append(read(stored[known.name], known.name, known.offset_ns))
            except StoreError as error:
                self.leave_out(event_id, known.name, str(error))
        return replace(outline, recordings=tuple(recordings))

    def leave_out(self, event_id: str, recording: str, why: str) -> None:
        """Name a recording as unreadable, with its reason, so that the event stands without it."""
        intake.mark_damaged(self.logbook, self.data_dir, event_id, recording, why)

    def reader(self, event_id: str, recording: str) -> RecordingReader:
        """Open one recording by its name in the event, with the calibrations in force; the caller closes it."""
        for stored in self.recordings(event_id):
            if stored.name == recording:
                if not stored.readable:
                    raise StoreError(f"{recording} of {event_id} cannot be read: {stored.reason}")
                return self._open(stored)
        raise StoreError(f"event {event_id!r} has no recording {recording!r}")

    def _open(self, stored: RecordingEntry) -> RecordingReader:
        return RecordingReader(self.data_dir / stored.file, self._settings_in_force(stored))

    def calibrated(self, settings: Settings) -> Settings:
        """These settings with the calibrations and the engine data that people entered."""
        calibrated = with_calibrations(settings, self.calibrations_in_force())
        return replace(calibrated, engine=self.changed_engine(settings.engine))

    def _settings_in_force(self, stored: RecordingEntry) -> Settings | None:
        """The recording's own settings with the logbook's calibrations; None where the logbook says nothing.

        The recording knows those of its day too; they count for channels that this logbook has never heard of.
        """
        entered = self.calibrations()
        if not entered:
            return None
        with RecordingReader(self.data_dir / stored.file) as reader:
            meta = reader.meta
        if not meta.settings.get("channels"):
            return None
        known = {entry.channel for entry in entered}
        own = {channel: table for channel, table in meta.calibrations.items() if channel not in known}
        return with_calibrations(
            Settings.from_dict(meta.settings, stored.file), {**own, **self.calibrations_in_force()}
        )

    def import_folder(self, folder: Path, progress: Callable[[float], None] | None = None) -> str:
        """Take a capture folder in as one event, whole or not at all; returns the event's id.

        Raises CaptureError where the folder is not as it should be, StoreError where it was imported before.
        """
        from logger.store.imports import import_folder

        return import_folder(self.logbook, self.data_dir, folder, progress or (lambda fraction: None))

    def input_fingerprint(self, event_id: str) -> str:
        """A digest of everything the findings depend on: recordings, calibrations, engine, entries, version, and what
        the car's earlier events taught."""
        inputs = [
            analysis_version(),
            asdict(self.engine(event_id)),
            [[r.uuid, r.name, r.state, r.duration_ns, str(r.started_utc)] for r in self.recordings(event_id)],
            [asdict(repair) for repair in self.repairs(event_id)],
            [asdict(correction) for correction in self.run_corrections(event_id)],
            self.circumstances(event_id),
            self.calibrations_in_force(),
            event_id in self.commissioned(),
            self.earlier(event_id),
        ]
        return hashlib.sha256(json.dumps(inputs, default=str, sort_keys=True).encode()).hexdigest()

    def has_fresh_findings(self, event_id: str) -> bool:
        """Whether there are findings and nothing that they depend on has changed since."""
        row = self.logbook.row("SELECT input_fingerprint FROM findings WHERE event_id = ?", [event_id])
        return row is not None and row["input_fingerprint"] == self.input_fingerprint(event_id)

    def stored_findings(self, event_id: str) -> StoredFindings | None:
        """The findings with their provenance, or None where the event was never analysed."""
        row = self.logbook.row("SELECT * FROM findings WHERE event_id = ?", [event_id])
        if row is None:
            return None
        fresh = row["input_fingerprint"] == self.input_fingerprint(event_id)
        return from_row(StoredFindings, {**row, "findings": told(row), "fresh": fresh})

    def earlier(self, event_id: str) -> list[dict[str, Any]]:
        """What the car's earlier events taught, the oldest first (`logger.store.earlier`)."""
        return taught_before(self.logbook, event_id, self.engine)

    def engine(self, event_id: str) -> Engine:
        """The event's engine, with what people entered since it was recorded."""
        return self._engine(self._row(event_id))

    def _engine(self, row: Mapping[str, Any]) -> Engine:
        recorded = Engine(**json.loads(row["engine"]))
        return self.changed_engine(recorded, row["id"], is_imported=row["group_key"] is None)

    def recorded_engine(self, event_id: str) -> Engine:
        """The event's engine as its recordings describe it, whatever people entered since."""
        return Engine(**json.loads(self._row(event_id)["engine"]))

    def _row(self, event_id: str) -> dict[str, Any]:
        row = self.logbook.row("SELECT * FROM events WHERE id = ?", [event_id])
        if row is None:
            raise StoreError(f"no event {event_id!r} in {self.data_dir}; it may have been removed")
        return row


def _offset_ns(stored: RecordingEntry, started_utc: datetime | None) -> int | None:
    if stored.offset_ns is not None or stored.started_utc is None or started_utc is None:
        return stored.offset_ns
    return (stored.started_utc - started_utc) // timedelta(microseconds=1) * 1000
