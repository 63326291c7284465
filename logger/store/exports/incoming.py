"""Event files into the store: whatever form they come in, nothing of it is believed before it has been looked at."""

import json
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, cast, get_args

import numpy as np

from logger.channels import CHANNELS
from logger.circumstances import checked
from logger.errors import CaptureError, SettingsError, StoreError
from logger.event import CAUSES, Engine, EventKind, Gap
from logger.rules import take_table
from logger.settings import ENGINE_RULES, Settings
from logger.store import schema
from logger.store.analysis_version import analysis_version
from logger.store.blocks import Series
from logger.store.bundle import is_bundle, unpack
from logger.store.compaction import BlockWriter, minutes_of
from logger.store.entries import RunAction
from logger.store.exports.stored_findings import findings_of
from logger.store.exports.tables import Row
from logger.store.imports import Arrival, settle
from logger.store.intake import stamp_of
from logger.store.recording import RecordingReader
from logger.store.salvage import salvage
from logger.store.schema import RecordingMeta
from logger.store.store import Store

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,99}")
MOST_NAME = 200


@dataclass(frozen=True, slots=True)
class Incoming:
    """One event on its way in: the rows of its small tables, and how a recording of it is written as a file.

    known: further names of recordings that its entries may speak of, which do not come along.
    """

    where: Path
    tables: Mapping[str, Sequence[Row]]
    write: Callable[[Row, RecordingMeta, Path], None]
    known: Sequence[str] = ()

    @property
    def recordings(self) -> list[Row]:
        """The rows of the recordings that are in it."""
        return [row for row in self.tables["recordings"] if row["unreadable"] is None]


def take_in(store: Store, path: Path, progress: Callable[[float], None] = lambda share: None) -> list[str]:
    """Take in a capture folder, a bundle, an event's SQLite file, or a folder of partitioned Parquet.

    Returns the ids of the events that came in: of a season those that were not in the store yet. Each comes whole or
    not at all. Raises StoreError or CaptureError, naming what is wrong.
    """
    if (path / "capture.toml").is_file():
        return [store.import_folder(path, progress)]
    events = []
    with incoming(path) as found:
        fresh = [one for one in found if twin_of(store, one) is None] if len(found) > 1 else found
        for number, one in enumerate(fresh):

            def share(done: float, number: int = number) -> None:
                progress((number + done) / len(fresh))

            events.append(keep(store, one, progress=share))
    return events


@contextmanager
def incoming(path: Path) -> Iterator[list[Incoming]]:
    """The events in a file or folder that is no capture folder, open until the block ends. Raises StoreError."""
    if path.is_dir():
        yield list(_from_parquet(path))
        return
    if not path.is_file():
        raise StoreError(f"{path}: no such file or folder")
    from logger.store.exports.sqlite_file import is_sqlite, reading

    if is_sqlite(path):
        with reading(path) as event:

            def series(row: Row, channel: schema.StoredChannel, number: int) -> Series:
                return event.series(row["recording"], channel, number)

            yield [Incoming(path, event.tables, _writer(path, event.tables, series))]
    elif is_bundle(path):
        with TemporaryDirectory(prefix="stumblelog-") as name:
            tables = unpack(path, Path(name))

            def write(row: Row, meta: RecordingMeta, to: Path) -> None:
                adopt(path, tables, Path(name) / f"{row['position']:03d}.sqlite", row, meta, to)

            yield [Incoming(path, tables, write)]
    else:
        raise StoreError(f"{path}: neither a bundle nor an exported SQLite file; give one of these, or a folder")


def _from_parquet(folder: Path) -> Iterator[Incoming]:
    from logger.store.exports.parquet_folder import events_in, read_series, read_tables

    places = events_in(folder)
    if not places:
        raise CaptureError(f"{folder}: no capture.toml in it, and no exported event (car=.../event=...) either")
    for place in places:
        tables = read_tables(place)

        def series(row: Row, channel: schema.StoredChannel, number: int, place: Path = place) -> Series:
            return read_series(place, row["position"], channel, number)

        yield Incoming(place, tables, _writer(place, tables, series))


def twin_of(store: Store, one: Incoming) -> str | None:
    """The event of the store with the same recordings of the same lengths, if there is one."""
    wanted = {(row["uuid"], row["duration_ns"]) for row in one.recordings}
    held: dict[str, set[tuple[str, int]]] = {}
    for row in store.logbook.rows("SELECT event_id, uuid, duration_ns FROM recordings WHERE uuid != ''"):
        held.setdefault(row["event_id"], set()).add((row["uuid"], row["duration_ns"]))
    return next((event_id for event_id, recordings in held.items() if wanted and wanted <= recordings), None)


def keep(
    store: Store, one: Incoming, into: str | None = None, progress: Callable[[float], None] = lambda share: None
) -> str:
    """Put one event into the store, whole or not at all; returns its id.

    into: an event that is there already, to which the recordings are added and entries that it does not have. Raises
    StoreError where something is not as it should be, or the recordings are in the store already.
    """

    def refuse() -> None:
        twin = twin_of(store, one)
        if twin is not None:
            raise StoreError(
                f"{one.where}: its recordings are in the store already, as event {twin}; nothing was changed"
            )

    (row,) = one.tables["event"]
    try:
        arrival = arrival_of(one)
        findings = json.loads(row["findings"] or "null")
        if findings is not None:
            findings_of(findings, one.where)
    except (KeyError, TypeError, ValueError, SettingsError) as error:
        raise StoreError(f"{one.where}: not as it should be: {error}; export the event again") from error
    event_id = settle(
        store.logbook, store.data_dir, arrival, lambda draft: write_recordings(one, draft, progress), refuse, into
    )
    if findings is not None and into is None:
        # Kept until they are made anew: those of another version count as stale.
        made_here = row["analysis_version"] == analysis_version()
        store.save_findings(event_id, findings, store.input_fingerprint(event_id) if made_here else "")
    return event_id


def arrival_of(one: Incoming) -> Arrival:
    """The event and its entries as rows of the logbook. Raises ValueError, naming what cannot be."""
    (row,) = one.tables["event"]
    if row["kind"] not in get_args(EventKind):
        raise ValueError(f"kind is {row['kind']!r}")
    if not row["name"]:
        raise ValueError("the event has no name")
    given = {name: row[name] for name in ENGINE_RULES if row[name] is not None}
    engine = Engine(**take_table(str(one.where), "engine", given, ENGINE_RULES))
    names = [recording["recording"] for recording in one.tables["recordings"]] + list(one.known)
    event = {
        "name": row["name"][:MOST_NAME],
        "kind": row["kind"],
        "engine": json.dumps(asdict(engine)),
        "started_utc": _utc_text(row["started_utc"]),
        "import_fingerprint": None,
    }
    entries = {
        "repairs": [_repair(entry, names) for entry in one.tables["repairs"]],
        "notes": [
            {**_only(entry, "text", "at_ns"), "recording": _known(entry["recording"], names), **_entered(entry)}
            for entry in one.tables["notes"]
        ],
        "circumstances": [_circumstance(entry) for entry in one.tables["circumstances"]],
        "run_corrections": [
            {
                **_only(entry, "from_ns", "to_ns"),
                "recording": _known(entry["recording"], names),
                "action": _word(entry["action"], get_args(RunAction)),
                **_entered(entry),
            }
            for entry in one.tables["run_corrections"]
        ],
    }
    wanted = row["event_id"] if _ID.fullmatch(row["event_id"] or "") else None
    return Arrival(one.where, event, wanted, entries)


def write_recordings(one: Incoming, draft: Path, progress: Callable[[float], None]) -> list[dict[str, Any]]:
    """Write the event's recordings into a folder; returns their rows of the logbook. Raises StoreError."""
    rows = []
    names: set[str] = set()
    (event,) = one.tables["event"]
    for number, row in enumerate(one.recordings, 1):
        name = row["recording"]
        if not name or Path(name).name != name or name in (".", "..") or "\\" in name or "\0" in name or name in names:
            raise StoreError(f"{one.where}: a recording is called {name!r:.80}; names must be plain and differ")
        names.add(name)
        meta = _meta(one.where, row)
        path = draft / f"{number:03d}.sqlite"
        one.write(row, meta, path)
        with RecordingReader(path) as reader:
            duration_ns = reader.duration_ns
        rows.append(
            {
                "file": path.name,
                "name": name,
                "uuid": meta.uuid,
                "state": "closed",
                "reason": "",
                "duration_ns": duration_ns,
                "boot_id": meta.boot_id,
                "power_up": meta.power_up,
                "monotonic_ns": meta.started_monotonic_ns,
                "clock_is_set": event["started_utc"] is not None,
                "started_utc": _utc_text(row["started_utc"]),
                "offset_ns": row["offset_ns"],
                "stamp": stamp_of(path),
            }
        )
        progress(number / len(one.recordings))
    return rows


def _meta(where: Path, row: Row) -> RecordingMeta:
    """The recording's description, checked. Raises StoreError."""
    try:
        meta = RecordingMeta.from_json(json.loads(row["description"]))
        for channel in meta.channels:
            if CHANNELS[channel.name].kind != channel.kind:
                raise ValueError(f"{channel.name} is {channel.kind}")
        if len({channel.name for channel in meta.channels}) != len(meta.channels):
            raise ValueError("a channel is named twice")
        if any(channel.counts for channel in meta.channels):
            Settings.from_dict(meta.settings, str(where))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise StoreError(f"{where}: the description of {row['recording']} is not as it should be: {error}") from error
    return meta


def _writer(
    where: Path,
    tables: Mapping[str, Sequence[Row]],
    series: Callable[[Row, schema.StoredChannel, int], Series],
) -> Callable[[Row, RecordingMeta, Path], None]:
    """How a recording that came as rows becomes a file again."""

    def write(row: Row, meta: RecordingMeta, path: Path) -> None:
        gaps = [
            Gap(gap["channel"], gap["from_ns"], gap["to_ns"], gap["why"] or "")
            for gap in tables["gaps"]
            if gap["recording"] == row["recording"]
        ]
        health = json.loads(row["health"] or "[]")
        partial = schema.partial_of(path)
        with BlockWriter(path, meta) as writer:
            for number, channel in enumerate(meta.channels):
                found = series(row, channel, number)
                if found.time_ns.size and bool((np.diff(found.time_ns) < 0).any()):
                    raise StoreError(f"{where}: {channel.name} of {row['recording']} runs backwards in time")
                for minute, part in minutes_of(found):
                    writer.add(minute, part)
            writer.finish(row["how_closed"] or "recovered", row["duration_ns"], gaps, health)
        schema.put_in_place(partial, path)

    return write


def adopt(
    where: Path, tables: Mapping[str, Sequence[Row]], unpacked: Path, row: Row, meta: RecordingMeta, to: Path
) -> None:
    """Put an unpacked recording in its place, closed; written anew where a calibration of the logbook was in force."""
    with RecordingReader(unpacked) as reader:
        if replace(reader.meta, settings=meta.settings) != meta:
            raise StoreError(f"{where}: {row['recording']} is another recording than its logbook says")
        closed, recalibrated = reader.is_closed, reader.meta != meta
        if recalibrated:
            _writer(where, tables, lambda row, channel, number: reader.raw(channel.name))(row, meta, to)
            return
    if not closed:
        salvage(unpacked)
    shutil.move(unpacked, to)


def _repair(entry: Row, names: list[str]) -> dict[str, Any]:
    if not entry["what"]:
        raise ValueError("a repair says nothing")
    return {
        **_only(entry, "what", "offset_ns"),
        "after_recording": _known(entry["after_recording"], names),
        "suspect": _word(entry["suspect"], CAUSES),
        **_entered(entry),
    }


def _circumstance(entry: Row) -> dict[str, Any]:
    ((name, value),) = checked({entry["name"]: json.loads(entry["value"])}).items()
    return {"name": name, "value": json.dumps(value), **_entered(entry)}


def _only(row: Row, *names: str) -> dict[str, Any]:
    return {name: row[name] for name in names}


def _known(name: str | None, names: list[str]) -> str | None:
    if name is not None and name not in names:
        raise ValueError(f"there is no recording {name!r:.80}")
    return name


def _word(word: str | None, words: tuple[str, ...]) -> str | None:
    if word is not None and word not in words:
        raise ValueError(f"{word!r:.80} is none of {', '.join(words)}")
    return word


def _entered(entry: Row) -> dict[str, str]:
    return {"entered_utc": cast(str, _utc_text(entry["entered_utc"]))}


def _utc_text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
