"""How the recorder's recordings get into events: they are found by looking, described once, and dated."""

import json
import os
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from logger.errors import StoreError
from logger.store.changes import said_of
from logger.store.logbook import Logbook, now_utc
from logger.store.recording_reader import RecordingReader

SAME_EVENT = timedelta(hours=8)
"""Recordings of one name further apart than this belong to two events. A fixed hour of the day would cut a night
stage in two, and nobody's clock agrees on it."""

CLOCK_PLAUSIBLE_SINCE = datetime(2025, 1, 1, tzinfo=UTC)
"""A system clock that says less was never set: a Pi without network starts at 1970 or where it was switched off."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a scan has found: ids of the events it changed, and how long recordings are that still grow."""

    changed: frozenset[str] = frozenset()
    growing_ns: Mapping[str, int] = field(default_factory=dict)


def scan(logbook: Logbook, data_dir: Path) -> Seen:
    """Enter recordings that have appeared in `recordings/`, look again at open ones, mark those that are gone.

    That a recording has grown is not written down: an entry a second would only wear the card.
    """
    known = {row["file"]: row for row in logbook.rows("SELECT file, state, stamp FROM recordings")}
    folders = {"recordings", *(file.rpartition("/")[0] for file in known)}
    there = {f"{folder}/{name}" for folder in folders for name in _names_in(data_dir / folder)}
    new = [file for file in there - known.keys() if file.count("/") == 1 and file.endswith(".sqlite")]
    gone = [file for file, row in known.items() if row["state"] != "missing" and file not in there]
    doubtful = [file for file, row in known.items() if row["state"] != "closed" and file in there]
    again = [file for file in doubtful if _may_have_changed(data_dir / file, known[file])]
    described = {file: _describe(data_dir / file) for file in [*again, *new]}
    growing = {file: row["duration_ns"] for file, (row, _) in described.items() if row["state"] == "open"}
    still_open = [file for file in growing if file in known and known[file]["state"] == "open"]
    changed = {file: described[file] for file in described.keys() - set(still_open)}
    if not changed and not gone:
        return Seen(growing_ns=growing)
    with logbook.transaction() as database:
        for file in gone:
            change = {"state": "missing", "reason": "the file is gone; copy it back to have it again"}
            database.table("recordings").update(file, change)
        for file, (row, event) in sorted(changed.items(), key=_unreadable_last):
            if logbook.row("SELECT 1 FROM recordings WHERE file = ?", [file]):
                database.table("recordings").update(file, row)
            else:
                _adopt(logbook, database, {"file": file, **row}, event)
        date_recordings(logbook)
    return Seen(_events_of(logbook, [*gone, *changed]), growing)


def _names_in(folder: Path) -> list[str]:
    """What lies in a folder, by one look: asking for each of a season's files takes ten times as long."""
    try:
        return os.listdir(folder)
    except (FileNotFoundError, NotADirectoryError):
        return []


def _events_of(logbook: Logbook, files: list[str]) -> frozenset[str]:
    marks = ", ".join("?" * len(files))
    rows = logbook.rows(f"SELECT DISTINCT event_id AS id FROM recordings WHERE file IN ({marks})", files)
    return frozenset(row["id"] for row in rows)


def _unreadable_last(item: tuple[str, tuple[dict[str, Any], dict[str, Any]]]) -> tuple[bool, int, str]:
    """In order of their power-ups; those that say nothing of themselves after the events they may belong to."""
    file, (row, event) = item
    return not event, row["power_up"], file


def _may_have_changed(path: Path, row: dict[str, Any]) -> bool:
    if row["state"] == "damaged":
        return stamp_of(path) != str(row["stamp"])  # salvaged, or put back from a copy
    return row["state"] in ("open", "missing")


def stamp_of(path: Path) -> str:
    """Size and time of change: tells whether a file that could not be read is still the same. Empty: no file."""
    if not path.exists():
        return ""
    status = path.stat()
    return f"{status.st_size} {status.st_mtime_ns}"


def _describe(path: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the logbook keeps of a recorder's file, and the event and engine of its settings' snapshot."""
    stamp = stamp_of(path)
    try:
        with RecordingReader(path) as reader:
            meta = reader.meta
            if "engine" not in meta.settings:
                return _damaged(f"{path}: does not say which engine it belongs to", stamp), {}
            row = {
                "uuid": meta.uuid,
                "state": "closed" if reader.is_closed else "open",
                "reason": "",
                "duration_ns": reader.duration_ns,
                "boot_id": meta.boot_id,
                "power_up": meta.power_up,
                "monotonic_ns": meta.started_monotonic_ns,
                "system_utc": _plausible(meta.started_utc),
                "clock_is_set": meta.clock_is_set,
                "stamp": stamp,
            }
            return row, {"engine": meta.settings["engine"], **meta.settings.get("event", {})}
    except StoreError as error:
        return _damaged(str(error), stamp), {}


def _damaged(reason: str, stamp: str) -> dict[str, Any]:
    nothing = {
        "uuid": "",
        "duration_ns": 0,
        "boot_id": "",
        "power_up": 0,
        "monotonic_ns": 0,
        "system_utc": None,
        "clock_is_set": False,
    }
    return {**nothing, "state": "damaged", "reason": reason, "stamp": stamp}


def mark_damaged(logbook: Logbook, data_dir: Path, event_id: str, name: str, reason: str) -> None:
    """Name a recording as unreadable, with its reason, so that the event stands without it."""
    with logbook.transaction() as database:
        for row in logbook.rows("SELECT file FROM recordings WHERE event_id = ? AND name = ?", [event_id, name]):
            change = {"state": "damaged", "reason": reason, "stamp": stamp_of(data_dir / row["file"])}
            database.table("recordings").update(row["file"], change)


def _adopt(logbook: Logbook, database: Database, row: dict[str, Any], event: dict[str, Any]) -> None:
    """Put a new recording into the event it belongs to, making that event where there is none."""
    twin = logbook.row("SELECT file FROM recordings WHERE uuid = ? AND uuid != ''", [row["uuid"]])
    if twin is not None:
        row |= {"state": "damaged", "reason": f"a copy of {twin['file']}, which is in the store already"}
    if event:
        event = {**event, **_said(logbook, event)}
    started_utc = _started(row, _clock_fixes(logbook).get(row["boot_id"]))
    near_utc = _text(started_utc) or row["system_utc"]  # a clock nobody vouches for still tells days apart
    event_id = _event_of(logbook, event, near_utc) if event else _event_beside(logbook, row["file"])
    if event_id is None and not event:
        return  # nothing is known of it, and there is no event beside which to name it
    if event_id is None:
        event_id = _new_event(logbook, database, event, started_utc)
    (counted,) = logbook.rows("SELECT count(*) AS n FROM recordings WHERE event_id = ?", [event_id])
    number = counted["n"] + 1
    place = {"event_id": event_id, "name": f"r{number:02d}", "position": number}
    database.table("recordings").insert({**row, **place, "started_utc": _text(started_utc), "offset_ns": None})


def _said(logbook: Logbook, event: Mapping[str, Any]) -> dict[str, Any]:
    """Name and kind that people chose on the page for recordings to come that say these (logger/store/changes.py)."""
    rows = logbook.rows("SELECT * FROM changes WHERE section = 'event' AND removed_utc IS NULL ORDER BY id")
    return said_of({"name": event.get("name", ""), "kind": event.get("kind", "competition")}, rows)


def _event_of(logbook: Logbook, event: dict[str, Any], near_utc: str | None) -> str | None:
    """The event to which a recording of these settings and this time belongs; without a time, the newest of them."""
    for row in logbook.rows(
        "SELECT e.id, min(coalesce(r.started_utc, r.system_utc)) AS first, max(coalesce(r.started_utc, r.system_utc))"
        " AS last FROM events e LEFT JOIN recordings r ON r.event_id = e.id WHERE e.group_key = ?"
        " GROUP BY e.id ORDER BY e.rowid DESC",
        [_group_key(event)],
    ):
        if near_utc is None or row["first"] is None:
            return str(row["id"])
        first, near, last = (datetime.fromisoformat(text) for text in (row["first"], near_utc, row["last"]))
        if first - SAME_EVENT <= near <= last + SAME_EVENT:
            return str(row["id"])
    return None


def _event_beside(logbook: Logbook, file: str) -> str | None:
    """For a recording that cannot be read: the event of its neighbour by name, names being times or boots."""
    row = logbook.row(
        "SELECT event_id FROM recordings JOIN events e ON e.id = event_id WHERE group_key IS NOT NULL"
        " ORDER BY file < ? DESC, CASE WHEN file < ? THEN file END DESC, file",
        [file, file],
    )
    return row["event_id"] if row else None


def _group_key(event: dict[str, Any]) -> str:
    return json.dumps([event.get("name", ""), event.get("kind", "competition")])


def _new_event(logbook: Logbook, database: Database, event: dict[str, Any], started_utc: datetime | None) -> str:
    name = event.get("name") or (f"Event of {started_utc:%Y-%m-%d}" if started_utc else "Event without a date")
    event_id = free_id(logbook, name, started_utc)
    row = {"name": name, "kind": event.get("kind", "competition"), "engine": json.dumps(event["engine"])}
    database.table("events").insert(
        {"id": event_id, **row, "group_key": _group_key(event), "started_utc": None, "created_utc": now_utc()}
    )
    return event_id


def free_id(logbook: Logbook, name: str, started_utc: datetime | None) -> str:
    """An id for a new event that reads like its name, such as 2026-05-09-larch-hollow-hill-climb."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
    wanted = "-".join(part for part in (f"{started_utc:%Y-%m-%d}" if started_utc else "", words) if part) or "event"
    number, event_id = 1, wanted
    while logbook.row("SELECT 1 FROM events WHERE id = ?", [event_id]):
        number += 1
        event_id = f"{wanted}-{number}"
    return event_id


def date_recordings(logbook: Logbook) -> None:
    """Work out anew when the recorder's recordings and their events began, from clock fixes or the system clock."""
    fixes = _clock_fixes(logbook)
    with logbook.transaction() as database:
        for row in logbook.rows(
            "SELECT r.* FROM recordings r JOIN events e ON e.id = r.event_id WHERE group_key IS NOT NULL"
        ):
            started_utc = _text(_started(row, fixes.get(row["boot_id"])))
            if started_utc != row["started_utc"]:
                database.table("recordings").update(row["file"], {"started_utc": started_utc})
        database.conn.execute(
            "UPDATE events SET started_utc = (SELECT min(r.started_utc) FROM recordings r WHERE r.event_id = events.id)"
            " WHERE group_key IS NOT NULL"
        )


def _clock_fixes(logbook: Logbook) -> dict[str, dict[str, Any]]:
    rows = logbook.rows("SELECT * FROM clock_fixes WHERE removed_utc IS NULL ORDER BY id")
    return {row["boot_id"]: row for row in rows}  # the newest of a boot stands


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _started(row: dict[str, Any], fix: dict[str, Any] | None) -> datetime | None:
    """When a recording began: by a clock fix of its boot, else by the system's clock where that had been set."""
    if fix is not None:
        before = timedelta(microseconds=(fix["monotonic_ns"] - row["monotonic_ns"]) / 1000)
        return datetime.fromisoformat(fix["utc"]) - before
    return datetime.fromisoformat(row["system_utc"]) if row["clock_is_set"] and row["system_utc"] else None


def _plausible(system_utc: str | None) -> str | None:
    if system_utc is None:
        return None
    said = datetime.fromisoformat(system_utc)
    said = said.replace(tzinfo=UTC) if said.tzinfo is None else said.astimezone(UTC)
    return said.isoformat() if said >= CLOCK_PLAUSIBLE_SINCE else None
