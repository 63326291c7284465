"""Event files into the store: whatever form they come in, nothing of it is believed before it has been looked at."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.errors import CaptureError, SettingsError, StoreError
from logger.event import NS_PER_S
from logger.store.analysis_version import analysis_version
from logger.store.blocks import Series
from logger.store.bundle import is_bundle, looks_zipped, unpack
from logger.store.description import RecordingMeta, StoredChannel
from logger.store.exports.columns import Row
from logger.store.exports.entries_in import arrival_of
from logger.store.exports.forms import MDF_SUFFIX
from logger.store.exports.recordings_in import Incoming, adopt, lengthen, recalibrate, write_recordings, writer_of
from logger.store.exports.stored_findings import findings_of
from logger.store.imports import settle
from logger.store.store import Store


def take_in(store: Store, path: Path, progress: Callable[[float], None] = lambda share: None) -> list[str]:
    """Take in a capture folder, a bundle, an event's SQLite file, or a folder of partitioned Parquet.

    Returns the ids of the events that came in: of a season those that were not in the store yet, or not all of them.
    Each comes whole or not at all; one that is here in part is completed. Raises StoreError or CaptureError, naming
    what is wrong.
    """
    if (path / "capture.toml").is_file():
        return [store.import_folder(path, progress)]
    with incoming(path) as found:
        homes = [home_of(store, one) for one in found]
        fresh = [(into, rest) for into, rest in homes if rest.recordings]
        if len(found) == 1 and not fresh and homes[0][0] is not None:
            raise _here_already(found[0], homes[0][0])
        if len(found) == 1:
            fresh = homes
        events = []
        for number, (into, rest) in enumerate(fresh):

            def share(done: float, number: int = number) -> None:
                progress((number + done) / len(fresh))

            events.append(keep(store, rest, into, share))
    return events


@contextmanager
def incoming(path: Path) -> Iterator[list[Incoming]]:
    """The events in a file or folder that is no capture folder, open until the block ends. Raises StoreError."""
    if path.suffix == MDF_SUFFIX or any(path.glob(f"*{MDF_SUFFIX}")):
        raise StoreError(f"{path}: MDF is not read back; give the event as bundle, SQLite, Parquet or CSV")
    if path.is_dir():
        yield list(_from_parquet(path))
        return
    if not path.is_file():
        raise StoreError(f"{path}: no such file or folder")
    from logger.store.exports.sqlite_file import is_sqlite, reading

    if is_sqlite(path):
        with reading(path) as event:

            def series(row: Row, channel: StoredChannel, number: int) -> Series:
                return event.series(row["recording"], channel, number)

            yield [Incoming(path, event.tables, writer_of(path, event.tables, series))]
    elif is_bundle(path):
        with TemporaryDirectory(prefix="stumblelog-") as name:
            tables = unpack(path, Path(name))

            def write(row: Row, meta: RecordingMeta, to: Path) -> None:
                adopt(path, tables, Path(name) / f"{row['position']:03d}.sqlite", row, meta, to)

            yield [Incoming(path, tables, write)]
    elif looks_zipped(path):
        raise StoreError(f"{path}: a .zip that breaks off; copy or download it again")
    else:
        raise StoreError(f"{path}: neither a bundle nor an exported SQLite file; give one of these, or a folder")


def _from_parquet(folder: Path) -> Iterator[Incoming]:
    from logger.store.exports.parquet_folder import events_in, read_series, read_tables

    if not folder.exists():
        raise CaptureError(f"{folder}: no such file or folder")
    places = events_in(folder)
    if not places:
        raise CaptureError(f"{folder}: no capture.toml in it, and no exported event (car=.../event=...) either")
    for place in places:
        tables = read_tables(place)

        def series(row: Row, channel: StoredChannel, number: int, place: Path = place) -> Series:
            return read_series(place, row["position"], channel, number)

        yield Incoming(place, tables, writer_of(place, tables, series))


@dataclass(frozen=True, slots=True)
class Known:
    """A recording of the store: which event it is in, and how much of it is here, None while it is being recorded."""

    event_id: str
    duration_ns: int | None

    def reaches(self, duration_ns: int) -> bool:
        """Whether that much of it is here, or soon will be."""
        return self.duration_ns is None or self.duration_ns >= duration_ns


NOWHERE = Known("", -1)


def held_in(store: Store) -> dict[str, Known]:
    """The recordings of the store by their uuid."""
    rows = store.logbook.rows("SELECT event_id, uuid, state, duration_ns FROM recordings WHERE uuid != ''")
    return {row["uuid"]: Known(row["event_id"], None if row["state"] == "open" else row["duration_ns"]) for row in rows}


def _least_ns(row: Row) -> int:
    """How long a recording is at the least: while it grows, its length is known in whole seconds, rounded up. Where it
    is missing, which is refused later, 0."""
    return int(row["duration_ns"] or 0) - (0 if row["how_closed"] else NS_PER_S)


def home_of(store: Store, one: Incoming) -> tuple[str | None, Incoming]:
    """The event of the store that some of these recordings are in, if any, and what of them is not here yet.

    A recording may have come while it was still growing: then the rest of it is not here yet.
    """
    held = held_in(store)
    coming = [row for row in one.recordings if not held.get(row["uuid"], NOWHERE).reaches(_least_ns(row))]
    here = [row for row in one.tables["recordings"] if row not in coming]
    into = next((held[row["uuid"]].event_id for row in one.recordings if row["uuid"] in held), None)
    return into, replace(one, tables={**one.tables, "recordings": coming}, here=[*one.here, *here])


def _here_already(one: Incoming, event_id: str) -> StoreError:
    return StoreError(f"{one.where}: its recordings are in the store already, as event {event_id}; nothing was changed")


def keep(
    store: Store, one: Incoming, into: str | None = None, progress: Callable[[float], None] = lambda share: None
) -> str:
    """Put one event into the store, whole or not at all; returns its id.

    into: an event that is there already, to which the recordings are added, and which follows what has changed where
    it comes from since it last came (`logger.store.imports.follow`); never one that was recorded here. Raises
    StoreError where something is not as it should be, or the recordings are in the store already.
    """
    if into is not None and store.logbook.row("SELECT 1 FROM events WHERE id = ? AND group_key IS NOT NULL", [into]):
        raise StoreError(f"{one.where}: was recorded here, as event {into}, and what was recorded here is not changed")
    files = {} if into is None else {entry.uuid: entry.file for entry in store.recordings(into) if entry.readable}
    longer = [row for row in one.recordings if row["uuid"] in files]
    fresh = [row for row in one.recordings if row["uuid"] not in files]
    one = replace(one, tables={**one.tables, "recordings": fresh}, here=[*one.here, *longer])

    def refuse() -> None:
        for row in fresh:
            known = store.logbook.row("SELECT event_id FROM recordings WHERE uuid = ?", [row["uuid"]])
            if known is not None:
                raise _here_already(one, known["event_id"])

    (event,) = one.tables["event"]
    try:
        arrival = arrival_of(one)
        findings = json.loads(event["findings"] or "null")
        if findings is not None:
            findings_of(findings, one.where)
    except (KeyError, TypeError, ValueError, SettingsError) as error:
        raise StoreError(f"{one.where}: not as it should be: {error}; export the event again") from error
    for row in longer:
        duration_ns = lengthen(one, row, store.data_dir / files[row["uuid"]])
        with store.logbook.transaction() as database:
            database.table("recordings").update(files[row["uuid"]], {"duration_ns": duration_ns})
    event_id = settle(
        store.logbook, store.data_dir, arrival, lambda draft: write_recordings(one, draft, progress), refuse, into
    )
    for row in one.here:
        if row["unreadable"] is None and row["uuid"] in files:
            recalibrate(one, row, store.data_dir / files[row["uuid"]])
    if findings is not None and into is None:
        # Kept until they are made anew: those of another version count as stale.
        made_here = event["analysis_version"] == analysis_version()
        store.save_findings(event_id, findings, store.input_fingerprint(event_id) if made_here else "")
    return event_id
