"""One SQLite file for each power-up: its tables, opening and creating it.

Every file carries `application_id` 0x53544C52 ("STLR") and `user_version` 1. It is in one of two shapes::

    while recording (WAL, synchronous FULL)                    closed and compacted (no WAL)
    meta(key, crc, value)      'recording', 'lateness', later    'recording', 'closed', 'gaps', 'health'
                               'clock', 'closed'
    seconds(second, crc, summary, data, notes)                  blocks(id, crc, data)
    rollups(second, crc, coarse, data)                          overviews(channel, crc, data)

second    whole seconds since the recording's start, the only key; consecutive from 0, so a row that is missing shows
summary   count, min, mean, max of each channel in that second (`logger.store.summary`)
data      all channels of that second as one packet (`logger.store.blocks`)
notes     JSON, often NULL: gaps that were seen and, now and then, the recorder's health; in second 0 the description
rollups   the summaries of 300 consecutive seconds in one row, for overviews of a recording that is still growing;
          coarse: one for every ten of those seconds
id        (minute + 2**32) * 1024 + channel number: one channel's samples of one minute as a packet
overviews row -1: which blocks there are and samples in each; a channel's number: its summaries second by second;
          number + 1024: one for every ten seconds; -2: the description again
value     UTF-8 JSON. 'recording' is the description (`logger.store.description`), 'closed' {how, rows, duration_ns};
          'clock' {utc, monotonic_ns} one instant on both clocks, if the wall clock was set while recording (compaction
          works it in)
crc       CRC-32 of the key (as text for meta, 8 bytes little-endian otherwise) and then of every blob of the row

Times are nanoseconds since the recording's start. While recording, a row holds what arrived in its second; samples may
be older than that by up to `lateness` (1 s unless the file says more). Blocks are cut by the samples' own times.

Numbers are counts of the ADC or the accelerometer where the description says so; the settings in the description turn
them into SI values. `stumblelog export` gives plain rows to whoever wants them.
"""

import json
import os
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.store.description import RecordingMeta

APPLICATION_ID = 0x53544C52
VERSION = 1
GROWING_PAGE = 512
"""Measured (tests/bench/storage): a commit a second on 512-byte pages writes 13 % less than on 1 KiB and 36 % less than
on 4 KiB pages."""

CLOSED_PAGE = 1024
SUFFIX = ".sqlite"
PARTIAL_SUFFIX = ".partial"

_META = "CREATE TABLE meta (key TEXT PRIMARY KEY, crc INTEGER NOT NULL, value BLOB NOT NULL) WITHOUT ROWID"
GROWING = (
    "CREATE TABLE seconds (second INTEGER PRIMARY KEY, crc INTEGER NOT NULL, summary BLOB NOT NULL,"
    " data BLOB NOT NULL, notes BLOB)",
    "CREATE TABLE rollups (second INTEGER PRIMARY KEY, crc INTEGER NOT NULL, coarse BLOB NOT NULL, data BLOB NOT NULL)",
)
CLOSED = (
    "CREATE TABLE blocks (id INTEGER PRIMARY KEY, crc INTEGER NOT NULL, data BLOB NOT NULL)",
    "CREATE TABLE overviews (channel INTEGER PRIMARY KEY, crc INTEGER NOT NULL, data BLOB NOT NULL)",
)

DESCRIPTION = "recording"
CLOCK = "clock"
DESCRIPTION_COPY = -2
"""Row of `overviews` with a second description, far from the first: without one, a recording is nothing but numbers.
While recording, the notes of second 0 hold it."""


_AS_OWNER = "run this as the user it belongs to, with sudo -u stumblelog where the recorder is a service"
OUT_OF_REACH = {
    sqlite3.SQLITE_READONLY: _AS_OWNER,
    sqlite3.SQLITE_CANTOPEN: _AS_OWNER,
    sqlite3.SQLITE_PERM: _AS_OWNER,
    sqlite3.SQLITE_FULL: "free some space on its disk and try again",
    sqlite3.SQLITE_IOERR: "see that its card or disk is there and still works, and try again",
    sqlite3.SQLITE_BUSY: "another program uses it; try again",
}
"""What to do where the file itself is sound, by SQLite's primary result code."""


class RecordingBusyError(StoreError):
    """The recording is being written or read just now; what was asked for can be done later."""


class RecordingNewerError(StoreError):
    """The recording was made by a newer version of this program."""


def crc_of(key: int | str, *parts: bytes | None) -> int:
    """The check sum of one row."""
    crc = zlib.crc32(key.encode() if isinstance(key, str) else key.to_bytes(8, "little", signed=True))
    for part in parts:
        crc = zlib.crc32(part or b"", crc)
    return crc


def what_to_do(error: sqlite3.Error) -> str:
    """Advice where SQLite could not reach or write a file that may well be sound; empty where it is not that."""
    return OUT_OF_REACH.get(getattr(error, "sqlite_errorcode", 0) & 0xFF, "")


@contextmanager
def sqlite_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into StoreErrors that say which file and what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        if "no such table" in text or "no such column" in text or "malformed" in text:
            raise StoreError(f"{path}: damaged: {text}; run stumblelog work") from error
        raise StoreError("; ".join(filter(None, (f"{path}: {text}", what_to_do(error))))) from error
    except StoreError:
        raise
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {error.strerror or error}; run stumblelog work") from error
    except (sqlite3.Error, OverflowError, UnicodeDecodeError) as error:
        # UnicodeDecodeError, OverflowError: a flipped bit in a text or an integer that the module then cannot hand out.
        raise StoreError(f"{path}: damaged: {error}; run stumblelog work") from error


def connect(path: Path, *, write: bool = False) -> sqlite3.Connection:
    """Open a recording that exists, and make sure that it is one of ours and not newer than this program.

    Readers open `mode=ro`, never as immutable, which would hide what is still in the WAL. Nothing here opens the file
    but SQLite: closing any other descriptor of it would take away the locks of a writer in the same process. Raises
    StoreError.
    """
    mode = "mode=rw" if write else "mode=ro"
    with sqlite_errors(path):
        if not path.is_file():
            raise StoreError(f"{path}: there is no such recording")
        if path.stat().st_size == 0:
            raise StoreError(
                f"{path}: the file is empty (0 bytes), not a recording; it holds nothing and can be deleted"
            )
        connection = sqlite3.connect(
            f"{path.resolve().as_uri()}?{mode}", uri=True, isolation_level=None, check_same_thread=False, timeout=5.0
        )
        try:
            _check_identity(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def _check_identity(connection: sqlite3.Connection, path: Path) -> None:
    try:
        application = connection.execute("PRAGMA application_id").fetchone()[0]
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.DatabaseError as error:
        if "not a database" in str(error):
            raise StoreError(f"{path}: not an SQLite file, or its first page is damaged") from error
        raise
    if application != APPLICATION_ID:
        raise StoreError(f"{path}: an SQLite file, but not a recording of stumblelog (application_id {application:#x})")
    if version > VERSION:
        raise RecordingNewerError(
            f"{path}: a recording of format {version}; this program reads up to {VERSION}, install a newer stumblelog"
        )
    if version < 1:
        raise StoreError(f"{path}: a recording of format {version}, which never existed; the file is damaged")


def create(path: Path, meta: RecordingMeta) -> sqlite3.Connection:
    """Create an empty growing recording at `path`, which must not exist, and return a connection that writes to it.

    The file appears under its name only once it is whole, so that no power cut leaves half a description behind.
    Raises StoreError.
    """
    if path.exists():
        raise StoreError(f"{path}: exists already; a recording is never written over")
    partial = partial_of(path)
    with sqlite_errors(path):
        connection = initialise(partial, meta, GROWING)
        try:
            write_meta(connection, "lateness", NS_PER_S)
            connection.execute("PRAGMA journal_mode = WAL").fetchall()
        finally:
            connection.close()
        os.rename(partial, path)
        try:
            sync_directory(path.parent)
            return connect(path, write=True)
        except BaseException:
            # Whoever tries again must find the name free.
            path.unlink(missing_ok=True)
            raise


def create_closed(path: Path, meta: RecordingMeta) -> sqlite3.Connection:
    """Begin a file of blocks under the partial name of `path`; `put_in_place` ends it."""
    with sqlite_errors(path):
        return initialise(partial_of(path), meta, CLOSED)


def partial_of(path: Path) -> Path:
    """The name under which a file is prepared; whoever finds one left over by a power cut may delete it."""
    return path.with_name(path.name + PARTIAL_SUFFIX)


def initialise(partial: Path, meta: RecordingMeta, tables: tuple[str, ...]) -> sqlite3.Connection:
    """A new file with its description and empty tables, on stable storage."""
    for leftover in (partial, Path(f"{partial}-wal"), Path(f"{partial}-shm"), Path(f"{partial}-journal")):
        leftover.unlink(missing_ok=True)
    connection = sqlite3.connect(partial, isolation_level=None)
    try:
        connection.execute(f"PRAGMA page_size = {GROWING_PAGE if tables is GROWING else CLOSED_PAGE}")
        connection.execute("PRAGMA journal_mode = OFF").fetchall()
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("BEGIN")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
        for statement in (_META, *tables):
            connection.execute(statement)
        write_meta(connection, DESCRIPTION, meta.to_json())
        connection.execute("COMMIT")
    except BaseException:
        connection.close()
        raise
    return connection


def put_in_place(partial: Path, path: Path) -> None:
    """Give a finished file its name: on stable storage first, then renamed, then the folder."""
    descriptor = os.open(partial, os.O_RDWR)  # Windows syncs only what is open for writing
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    os.replace(partial, path)
    sync_directory(path.parent)


def sync_directory(folder: Path) -> None:
    """Make renames in a folder last through a power cut; Windows opens no folders and sees to that by itself."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_meta(connection: sqlite3.Connection, key: str, value: object) -> None:
    """Insert or replace one entry of `meta`."""
    data = json.dumps(value, separators=(",", ":"), allow_nan=False).encode()
    connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?, ?)", (key, crc_of(key, data), data))


def read_meta(connection: sqlite3.Connection, path: Path, key: str) -> Any:
    """One entry of `meta`, or None where there is none. Raises StoreError where it is damaged."""
    with sqlite_errors(path):
        row = connection.execute("SELECT crc, value FROM meta WHERE key = ?", (key,)).fetchone()
    if row is None:
        return None
    crc, data = row
    if not isinstance(data, bytes) or crc != crc_of(key, data):
        raise StoreError(f"{path}: damaged: its entry {key!r} fails its check sum; run stumblelog work")
    return json.loads(data)


def read_recording_meta(connection: sqlite3.Connection, path: Path) -> RecordingMeta:
    """The recording's description. Raises StoreError where it is missing or damaged."""
    document = read_meta(connection, path, DESCRIPTION)
    if document is None:
        raise StoreError(f"{path}: damaged: its description is missing")
    return RecordingMeta.from_json(document).dated(read_meta(connection, path, CLOCK))
