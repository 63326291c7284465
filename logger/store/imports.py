"""Events into the store, capture folders and others: whole or not at all."""

import hashlib
import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from uuid import uuid4

from sqlite_utils import Database

from logger import __version__
from logger.errors import StoreError
from logger.event import Event, Recording
from logger.store.capture import read_folder
from logger.store.compaction import meta_of, write_recording
from logger.store.exports.placing import remove_stale
from logger.store.intake import free_id, stamp_of
from logger.store.logbook import Logbook, now_utc
from logger.store.schema import sync_directory

FOLLOWED = ("name", "kind", "engine")
"""Columns of an event that follow where it came from until somebody here changes them."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """An event on its way into the store.

    where: what it comes from, for errors. event: a row of the logbook's table, without id and time of entry.
    wanted_id: the id it had elsewhere, given again where it is free. entries: rows of repairs, notes, circumstances and
    run_corrections, without the event's id. places: the order and time of all its recordings, by uuid, as columns of
    their rows.
    """

    where: Path
    event: Mapping[str, Any]
    wanted_id: str | None = None
    entries: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    places: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def import_folder(logbook: Logbook, data_dir: Path, folder: Path, progress: Callable[[float], None]) -> str:
    """Take a capture folder in, whole or not at all.

    Raises CaptureError where the folder is not as it should be, StoreError where it was imported before or the disk
    refuses. Nothing that is stored already is touched.
    """
    event = read_folder(folder)
    fingerprint = folder_fingerprint(folder)
    row = {
        "name": event.name,
        "kind": event.kind,
        "engine": json.dumps(asdict(event.engine)),
        "started_utc": event.started_utc.isoformat() if event.started_utc else None,
        "import_fingerprint": fingerprint,
    }
    repairs = [{**asdict(repair), "entered_utc": now_utc()} for repair in event.repairs]
    arrival = Arrival(folder, row, entries={"repairs": repairs})
    refuse = partial(_refuse_twice, logbook, folder, fingerprint)
    return settle(logbook, data_dir, arrival, lambda draft: _write_recordings(event, draft, progress), refuse)


def settle(
    logbook: Logbook,
    data_dir: Path,
    arrival: Arrival,
    write: Callable[[Path], list[dict[str, Any]]],
    refuse: Callable[[], None],
    into: str | None = None,
) -> str:
    """Put an event in, whole or not at all: written beside the store, then moved into place by one rename.

    write: fills a folder with recordings and returns their rows of the logbook, in order, each with the `file` in that
    folder. refuse: raises StoreError where the event is in the store already. into: the event to which recordings are
    added and which follows what has changed, instead of making one. Returns the event's id.
    """
    refuse()
    remove_stale((data_dir / "recordings").glob(".import-*"))
    try:
        draft = place = Path(mkdtemp(prefix=".import-", dir=data_dir / "recordings"))
        try:
            draft.chmod(0o755)  # mkdtemp keeps others out; the page may run as another user
            rows = write(draft)
            with logbook.transaction() as database:
                refuse()
                event_id = into or _new_event(logbook, database, arrival)
                place = _free_place(data_dir / "recordings", event_id)
                enter_recordings(database, event_id, place.relative_to(data_dir), rows)
                if into:
                    follow(database, event_id, arrival)
                else:
                    _enter(database, event_id, arrival.entries)
                _remember(database, event_id, arrival)
                if rows:
                    draft.rename(place)
                    sync_directory(place.parent)  # before the logbook says for good that they are there
        except BaseException:
            shutil.rmtree(place, ignore_errors=True)
            raise
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except StoreError:
        raise
    except OSError as error:
        raise StoreError(f"{data_dir}: cannot take {arrival.where} in: {error.strerror or error}") from error
    return event_id


def _new_event(logbook: Logbook, database: Database, arrival: Arrival) -> str:
    event_id = _event_id(logbook, arrival)
    database.table("events").insert({"id": event_id, **arrival.event, "created_utc": now_utc()})
    return event_id


def _enter(database: Database, event_id: str, entries: Mapping[str, Sequence[Mapping[str, Any]]]) -> None:
    """Enter what people wrote."""
    for table, rows in entries.items():
        database.table(table).insert_all({"event_id": event_id, **row} for row in rows)


def follow(database: Database, event_id: str, arrival: Arrival) -> None:
    """Let an event follow the one that it came from, except where somebody here has changed the same.

    What is new there comes, what was taken back there is taken back here, what was put back is put back: seen from
    what last came. An event that came before this was remembered only gets what is new. Clocks are set there alone.
    """
    (now,) = database.query("SELECT * FROM events WHERE id = ?", [event_id])
    last = json.loads(now["last_arrival"] or "null")
    theirs = {name: value for name, value in arrival.event.items() if name in FOLLOWED}
    untouched = {name for name in theirs if last and now[name] == last["event"][name]}
    changes = {name: theirs[name] for name in untouched} | {"started_utc": arrival.event["started_utc"]}
    database.table("events").update(event_id, changes)
    for uuid, place in arrival.places.items():
        database.execute(
            "UPDATE recordings SET position = ?, started_utc = ?, offset_ns = ? WHERE event_id = ? AND uuid = ?",
            [place["position"], place["started_utc"], place["offset_ns"], event_id, uuid],
        )
    for table, entries in arrival.entries.items():
        before = None if last is None else last["entries"].get(table, [])
        for entry in entries:
            if not _rows_like(database, table, event_id, entry):
                _enter(database, event_id, {table: [entry]})
            elif before is not None and entry not in before:
                _set_removed(database, table, event_id, entry, None)
        for entry in before or []:
            if entry not in entries:
                _set_removed(database, table, event_id, entry, now_utc())


def _remember(database: Database, event_id: str, arrival: Arrival) -> None:
    """Keep what came, to see the next time what has changed since."""
    event = {name: arrival.event[name] for name in FOLLOWED}
    came = json.dumps({"event": event, "entries": {name: list(rows) for name, rows in arrival.entries.items()}})
    database.table("events").update(event_id, {"last_arrival": came})


def _rows_like(database: Database, table: str, event_id: str, entry: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows that say the same, also those that were taken back."""
    same = " AND ".join(f"{column} IS ?" for column in ("event_id", *entry))
    return list(database.query(f"SELECT * FROM {table} WHERE {same}", [event_id, *entry.values()]))


def _set_removed(
    database: Database, table: str, event_id: str, entry: Mapping[str, Any], removed_utc: str | None
) -> None:
    """Take back every row that says this, or put it back; one that was taken back here keeps its date."""
    for row in _rows_like(database, table, event_id, entry):
        if (row["removed_utc"] is None) != (removed_utc is None):
            database.table(table).update(row["id"], {"removed_utc": removed_utc})


def _event_id(logbook: Logbook, arrival: Arrival) -> str:
    wanted = arrival.wanted_id
    if wanted and not logbook.row("SELECT 1 FROM events WHERE id = ?", [wanted]):
        return wanted
    started_utc = arrival.event["started_utc"]
    return free_id(logbook, arrival.event["name"], datetime.fromisoformat(started_utc) if started_utc else None)


def enter_recordings(database: Database, event_id: str, place: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Enter recordings that lie in `place` (relative to the data directory), after those that are there already."""
    last = "SELECT coalesce(max(position), 0) FROM recordings WHERE event_id = ?"
    (after,) = database.execute(last, [event_id]).fetchone()
    for position, row in enumerate(rows, after + 1):
        file = (place / row["file"]).as_posix()
        database.table("recordings").insert({**row, "file": file, "event_id": event_id, "position": position})


def folder_fingerprint(folder: Path) -> str:
    """A digest of what a capture folder says, wherever it lies and whatever it is called."""
    digest = hashlib.sha256()
    for path in sorted([folder / "capture.toml", *folder.glob("*/*.csv")]):
        digest.update(f"{path.relative_to(folder).as_posix()}\0{path.stat().st_size}\0".encode())
        with path.open("rb") as file:
            while chunk := file.read(1 << 20):
                digest.update(chunk)
    return digest.hexdigest()


def _write_recordings(event: Event, draft: Path, progress: Callable[[float], None]) -> list[dict[str, Any]]:
    """Write each recording as a file that stands alone; returns what the logbook keeps of them."""
    settings = {
        "engine": {key: value for key, value in asdict(event.engine).items() if value is not None},
        "event": {"name": event.name, "kind": event.kind},
    }
    rows = []
    for number, recording in enumerate(event.recordings, 1):
        meta = meta_of(recording, str(uuid4()), power_up=number, settings=settings, program=f"stumblelog {__version__}")
        file = f"{number:03d}.sqlite"  # not the name given: whatever it holds, it is a name in the logbook only
        write_recording(draft / file, meta, recording)
        rows.append(
            {
                "file": file,
                "name": recording.name,
                "uuid": meta.uuid,
                "state": "closed",
                "reason": "",
                "duration_ns": recording.duration_ns,
                "boot_id": "",
                "power_up": number,
                "monotonic_ns": 0,
                "clock_is_set": event.started_utc is not None,
                "started_utc": _started(event, recording),
                "offset_ns": recording.offset_ns,
                "stamp": stamp_of(draft / file),
            }
        )
        progress(number / len(event.recordings))
    return rows


def _started(event: Event, recording: Recording) -> str | None:
    if event.started_utc is None or recording.offset_ns is None:
        return None
    return (event.started_utc + timedelta(microseconds=recording.offset_ns / 1000)).isoformat()


def _refuse_twice(logbook: Logbook, folder: Path, fingerprint: str) -> None:
    row = logbook.row("SELECT id, name FROM events WHERE import_fingerprint = ?", [fingerprint])
    if row is not None:
        raise StoreError(f'{folder}: imported already, as event {row["id"]} ("{row["name"]}"); nothing was changed')


def _free_place(recordings: Path, event_id: str) -> Path:
    """A folder name not in use: the event's id, unless a lost logbook has left recordings of that name behind."""
    number, place = 1, recordings / event_id
    while place.exists():
        number += 1
        place = recordings / f"{event_id}.{number}"
    return place
