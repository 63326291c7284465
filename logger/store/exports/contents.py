"""What goes into an event file: the event's recordings, held open, and the rows of its small tables."""

import json
import shutil
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from logger import __version__
from logger.channels import CHANNELS
from logger.circumstances import CIRCUMSTANCES
from logger.errors import StoreError
from logger.event import NS_PER_S, Event
from logger.settings import Settings
from logger.store import schema
from logger.store.entries import RecordingEntry, StoredFindings
from logger.store.exports.findings_rows import finding_rows
from logger.store.exports.placing import STALE_S
from logger.store.exports.tables import TABLES, Row
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import leave_wal
from logger.store.schema import RecordingMeta
from logger.store.store import Store

COPIES = ".copies"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Held:
    """One readable recording of an event that is being exported.

    started_ns: its time 0 in nanoseconds since 1970 (UTC), None where no clock was ever known. path: the file that is
    read, which of a growing recording is a copy made at the begin of the export.
    """

    entry: RecordingEntry
    position: int
    reader: RecordingReader
    started_ns: int | None
    offset_ns: int | None
    path: Path

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
            started_ns = _started_ns(outline.started_utc, offset_ns)
            held.append(Held(entry, position, reader, started_ns, offset_ns, reader.path))
        if not held:
            reasons = "; ".join(refused.values()) or "it has no recordings"
            raise StoreError(f"{event_id}: nothing to export: {reasons}")
        tables = _entered_rows(store, event_id, outline)
        tables |= _recording_rows(store, entries, held, refused)
        tables |= finding_rows(outline, tuple(held), store.findings(event_id))
        tables["event"] = [_event_row(event_id, outline, store.stored_findings(event_id))]
        yield Contents(event_id, outline, tuple(held), {name: tables[name] for name in TABLES if name in tables})


@contextmanager
def _copies(store: Store, is_needed: bool) -> Iterator[Path]:
    """A folder for copies of growing recordings: on the card, since on a Pi /tmp may be its memory."""
    place = store.data_dir / COPIES
    if not is_needed:
        yield place
        return
    place.mkdir(exist_ok=True)
    for left in place.iterdir():
        if time.time() - left.stat().st_mtime > STALE_S:
            shutil.rmtree(left, ignore_errors=True)
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


def _started_ns(started_utc: datetime | None, offset_ns: int | None) -> int | None:
    if started_utc is None or offset_ns is None:
        return None
    return (started_utc - EPOCH) // timedelta(microseconds=1) * 1000 + offset_ns


def _event_row(event_id: str, event: Event, found: StoredFindings | None) -> Row:
    findings = found.findings if found else {}
    return {
        "event_id": event_id,
        "name": event.name,
        "kind": event.kind,
        "started_utc": event.started_utc,
        **asdict(event.engine),
        "main_cause": findings.get("main_cause"),
        "linked_heat": findings.get("linked_heat"),
        "linked_shock": findings.get("linked_shock"),
        "summary": findings.get("summary"),
        "analysis_version": found.analysis_version if found else None,
        "analysed_utc": found.computed_utc if found else None,
        "findings": json.dumps(findings) if found else None,
        "exported_utc": datetime.now(UTC).replace(microsecond=0),
        "program": f"stumblelog {__version__}",
    }


def _recording_rows(
    store: Store, entries: list[RecordingEntry], held: list[Held], refused: Mapping[str, str]
) -> dict[str, list[Row]]:
    by_name = {one.name: one for one in held}
    entered = {entry.channel: entry for entry in store.calibrations() if entry.removed_utc is None}
    recordings: list[Row] = []
    calibrations: list[Row] = []
    gaps: list[Row] = []
    for position, entry in enumerate(entries, 1):
        row: Row = {"recording": entry.name, "position": position, "uuid": entry.uuid}
        one = by_name.get(entry.name)
        if one is None:
            recordings.append(row | {"unreadable": refused.get(entry.name) or entry.reason})
            continue
        meta, in_force = one.reader.meta, settings_in_force(one.reader)
        duration_ns = one.reader.duration_ns
        recordings.append(
            row
            | {
                "started_utc": entry.started_utc or one.utc(0.0),
                "offset_ns": one.offset_ns,
                "offset_s": None if one.offset_ns is None else one.offset_ns / NS_PER_S,
                "duration_ns": duration_ns,
                "duration_s": duration_ns / NS_PER_S,
                "power_up": meta.power_up,
                "boot_id": meta.boot_id,
                "origin": meta.origin,
                "how_closed": one.reader.how_closed,
                "unreadable": None,
                "description": json.dumps(meta.to_json() | {"settings": in_force}),
                "health": json.dumps(one.reader.health()),
            }
        )
        calibrations += _calibration_rows(entry.name, meta, in_force, entered)
        gaps += [
            {
                "recording": entry.name,
                **asdict(gap),
                "from_s": gap.from_ns / NS_PER_S,
                "to_s": gap.to_ns / NS_PER_S,
            }
            for gap in one.reader.gaps()
        ]
    return {"recordings": recordings, "calibrations": calibrations, "gaps": gaps}


def settings_in_force(reader: RecordingReader) -> dict[str, Any]:
    """The recording's own settings, with the conversions of its channels replaced where others are in force."""
    document = dict(reader.meta.settings)
    if not any(channel.counts for channel in reader.meta.channels):
        return document
    own = Settings.from_dict(document, str(reader.path))
    changed = [name for name, channel in reader.settings.channels.items() if channel != own.channels.get(name)]
    if changed:
        in_force = reader.settings.to_dict()["channels"]
        document["channels"] = {**document["channels"], **{name: in_force[name] for name in changed}}
    return document


def _calibration_rows(
    name: str, meta: RecordingMeta, in_force: Mapping[str, Any], entered: Mapping[str, Any]
) -> list[Row]:
    rows: list[Row] = []
    for stored in meta.channels:
        if not stored.counts or stored.kind == "state":
            continue
        if stored.kind == "vector":
            now = before = meta.settings.get("accelerometer", {})
            word, unit = "mounting", "g"
        else:
            now = in_force.get("channels", {}).get(stored.name, {})
            before = meta.settings.get("channels", {}).get(stored.name, {})
            word, unit = now.get("convert"), now.get("unit")
        entry = entered.get(stored.name) if now != before else None
        rows.append(
            {
                "recording": name,
                "channel": stored.name,
                "convert": word,
                "unit": unit,
                "in_force": json.dumps(now),
                "as_recorded": json.dumps(before),
                "entered_utc": entry.entered_utc if entry else None,
                "why": entry.why if entry else None,
            }
        )
    return rows


def _entered_rows(store: Store, event_id: str, event: Event) -> dict[str, list[Row]]:
    """What people entered, as they entered it. The verdicts beside the repairs come with the findings."""
    rows = {
        table: store.logbook.rows(
            f"SELECT * FROM {table} WHERE event_id = ? AND removed_utc IS NULL ORDER BY id", [event_id]
        )
        for table in ("repairs", "notes", "circumstances", "run_corrections")
    }
    for row in (row for table in rows.values() for row in table):
        row["entered_utc"] = datetime.fromisoformat(row["entered_utc"])
    verdicts = (store.findings(event_id) or {}).get("repairs", [])
    judged = ("verdict", "rate_before_per_h", "rate_after_per_h", "confidence_fixed", "sentence", "needed")
    for number, row in enumerate(rows["repairs"]):
        start, offset_ns = event.started_utc, row["offset_ns"]
        known = start is not None and offset_ns is not None
        row["done_utc"] = start + timedelta(microseconds=offset_ns / 1000) if known and start else None
        verdict = verdicts[number] if number < len(verdicts) and verdicts[number]["what"] == row["what"] else {}
        row |= {key: verdict.get(key) for key in judged}
    for row in rows["circumstances"]:
        row["unit"] = CIRCUMSTANCES[row["name"]].unit
    for row in rows["notes"]:
        row["at_s"] = None if row["at_ns"] is None else row["at_ns"] / NS_PER_S
    return {
        table: [{column.name: row[column.name] for column in TABLES[table].columns} for row in found]
        for table, found in rows.items()
    }
