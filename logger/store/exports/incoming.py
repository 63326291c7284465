"""Event files into the store: whatever form they come in, nothing of it is believed before it has been looked at."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.errors import CaptureError, SettingsError, StoreError
from logger.store import schema
from logger.store.analysis_version import analysis_version
from logger.store.blocks import Series
from logger.store.bundle import is_bundle, unpack
from logger.store.exports.entries_in import arrival_of
from logger.store.exports.recordings_in import Incoming, adopt, recalibrate, write_recordings, writer_of
from logger.store.exports.stored_findings import findings_of
from logger.store.exports.tables import Row
from logger.store.imports import settle
from logger.store.schema import RecordingMeta
from logger.store.store import Store


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

            yield [Incoming(path, event.tables, writer_of(path, event.tables, series))]
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

        yield Incoming(place, tables, writer_of(place, tables, series))


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

    into: an event that is there already, to which the recordings are added, and which follows what has changed where
    it comes from since it last came (`logger.store.imports.follow`). Raises StoreError where something is not as it
    should be, or the recordings are in the store already.
    """

    def refuse() -> None:
        twin = twin_of(store, one)
        if twin is not None:
            raise StoreError(
                f"{one.where}: its recordings are in the store already, as event {twin}; nothing was changed"
            )

    (event,) = one.tables["event"]
    try:
        arrival = arrival_of(one)
        findings = json.loads(event["findings"] or "null")
        if findings is not None:
            findings_of(findings, one.where)
    except (KeyError, TypeError, ValueError, SettingsError) as error:
        raise StoreError(f"{one.where}: not as it should be: {error}; export the event again") from error
    event_id = settle(
        store.logbook, store.data_dir, arrival, lambda draft: write_recordings(one, draft, progress), refuse, into
    )
    files = {entry.uuid: store.data_dir / entry.file for entry in store.recordings(event_id) if entry.readable}
    for row in one.here:
        if row["unreadable"] is None and row["uuid"] in files:
            recalibrate(one, row, files[row["uuid"]])
    if findings is not None and into is None:
        # Kept until they are made anew: those of another version count as stale.
        made_here = event["analysis_version"] == analysis_version()
        store.save_findings(event_id, findings, store.input_fingerprint(event_id) if made_here else "")
    return event_id
