"""One SQLite file with plain tables: the small ones, and one for each channel, a row for each sample.

`SELECT * FROM battery_voltage` gives all there is to know of a sample; `SELECT * FROM readme` explains every column.
"""

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np

from logger.channels import CHANNELS, Channel
from logger.errors import StoreError
from logger.store.blocks import Series
from logger.store.description import StoredChannel
from logger.store.exports.columns import Column, Row, Table, plain, typed
from logger.store.exports.contents import Contents
from logger.store.exports.placing import whole_file
from logger.store.exports.samples import Piece, pieces
from logger.store.exports.tables import TABLES, VERSION, raw_names, sample_columns, value_names

APPLICATION_ID = 0x53544C45  # "STLE" in the file's header
_TYPES = {
    "text": "TEXT",
    "json": "TEXT",
    "whole": "INTEGER",
    "number": "REAL",
    "flag": "INTEGER",
    "moment": "TEXT",
}
README = Table(
    "readme",
    "what the tables of this file hold",
    (
        Column("table_name", "text", "name of the table"),
        Column("column_name", "text", "name of the column; NULL: the row is about the table"),
        Column("unit", "text", "unit of the column"),
        Column("meaning", "text", "what it holds"),
    ),
)
UNIX_NS = Column("unix_ns", "whole", "time_utc in nanoseconds since 1970; NULL where that was never known", "ns")
TIME_UTC = "time_utc TEXT AS (strftime('%Y-%m-%dT%H:%M:%fZ', unix_ns / 1e9, 'unixepoch'))"
ROWS_AT_A_TIME = 50
"""Rows in one INSERT. Measured: one at a time takes twice as long, more than 50 gain nothing."""


def write_sqlite(
    contents: Contents,
    path: Path,
    *,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> None:
    """Write the event as one SQLite file, whole or not at all. Raises StoreError."""
    with whole_file(path, overwrite=overwrite) as draft:
        try:
            with closing(sqlite3.connect(draft, isolation_level=None)) as connection:
                _fill(connection, contents, progress)
        except sqlite3.Error as error:
            raise StoreError(f"{path}: cannot be written: {error}") from error


def _fill(connection: sqlite3.Connection, contents: Contents, progress: Callable[[float], None]) -> None:
    # Nobody knows the draft yet, and it is synced before it gets its name.
    connection.execute("PRAGMA journal_mode = OFF").fetchall()
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
    connection.execute("BEGIN")
    names = {channel.name for held in contents.recordings for channel in held.reader.meta.channels}
    channels = [channel for channel in CHANNELS.values() if channel.name in names]
    for channel in channels:
        connection.execute(create_samples(channel))
    counts: dict[tuple[str, str], int] = {}
    for _, window, share in pieces(contents):
        for piece in window:
            _insert(connection, piece)
            key = (piece.held.name, piece.channel.name)
            counts[key] = counts.get(key, 0) + piece.series.time_ns.size
        progress(share)
    begun = {held.name: held.started_ns for held in contents.recordings}
    for channel in channels:
        for statement in add_clock(channel, begun):
            connection.execute(statement)
    tables = {**contents.tables, "channels": contents.channel_rows(counts), "readme": list(readme(channels))}
    for table in (*TABLES.values(), README):
        connection.execute(create_small(table))
        marks = ", ".join("?" * len(table.columns))
        rows = (list(plain(table, row).values()) for row in tables[table.name])
        connection.executemany(f"INSERT INTO {table.name} VALUES ({marks})", rows)
    connection.execute("COMMIT")


def create_small(table: Table) -> str:
    """The statement that makes a small table."""
    columns = ", ".join(f"{column.name} {_TYPES[column.kind]}" for column in table.columns)
    return f"CREATE TABLE {table.name} ({columns})"


def create_samples(channel: Channel) -> str:
    """The statement that makes a channel's table, but for its wall clock.

    Values have no declared type: SQLite would turn -0.0 into 0.0 in a REAL column.
    """
    columns = ["recording TEXT", "time_ns INTEGER", "time_s REAL AS (time_ns / 1e9)"]
    columns += [f"{name} INTEGER" for name in raw_names(channel.kind)]
    columns += value_names(channel.kind)
    return f"CREATE TABLE {channel.name} ({', '.join(columns)})"


def add_clock(channel: Channel, begun: Mapping[str, int | None]) -> Iterator[str]:
    """The statements that add the wall clock to a filled table, worked out when it is read; begun: ns since 1970.

    Not before it is filled: SQLite works out every generated column of a row that it inserts, and writing the date of
    each would take longer than all the rest.
    """
    known = [f"WHEN {_quoted(name)} THEN time_ns + {ns}" for name, ns in begun.items() if ns is not None]
    unix_ns = f"CASE recording {' '.join(known)} END" if known else "NULL"
    yield f"ALTER TABLE {channel.name} ADD COLUMN {UNIX_NS.name} INTEGER AS ({unix_ns})"
    yield f"ALTER TABLE {channel.name} ADD COLUMN {TIME_UTC}"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def readme(channels: list[Channel]) -> Iterator[Row]:
    """Rows of the readme: each table, then its columns."""
    for table in (README, *TABLES.values()):
        yield _line(table.name, None, "", f"one row: {table.meaning}" if table is not README else table.meaning)
        for column in table.columns:
            yield _line(table.name, column.name, column.unit, column.meaning)
    for channel in channels:
        yield _line(channel.name, None, channel.unit, f"one row: a sample of {channel.label}: {channel.meaning}")
        for column in (*sample_columns(channel.kind), UNIX_NS):
            unit = channel.unit if column.name == "value" else column.unit
            yield _line(channel.name, column.name, unit, column.meaning)


def _line(table: str, column: str | None, unit: str, meaning: str) -> Row:
    return {"table_name": table, "column_name": column, "unit": unit, "meaning": meaning}


def _insert(connection: sqlite3.Connection, piece: Piece) -> None:
    kind = piece.channel.kind
    n = piece.series.time_ns.size
    names = ["recording", "time_ns", *raw_names(kind), *value_names(kind)]
    columns = [[piece.held.name] * n, piece.series.time_ns.tolist()]
    columns += _columns(piece.counts, len(raw_names(kind)), n)
    columns += _columns(piece.value, len(value_names(kind)), n)
    rows = zip(*columns, strict=True)
    insert = f"INSERT INTO {piece.channel.name} ({', '.join(names)}) VALUES "
    marks = f"({', '.join('?' * len(names))})"
    numbers = chain.from_iterable(islice(rows, n - n % ROWS_AT_A_TIME))
    batches = zip(*[numbers] * (ROWS_AT_A_TIME * len(names)), strict=True)
    connection.executemany(insert + ", ".join([marks] * ROWS_AT_A_TIME), batches)
    connection.executemany(insert + marks, rows)  # what is left of them


def _columns(values: Any, n_columns: int, n: int) -> list[list[Any]]:
    """Columns of Python numbers. The sqlite3 module writes NaN as NULL, which is what an absent value is here."""
    if values is None:
        return [[None] * n] * n_columns
    return [column.tolist() for column in values.reshape(n, -1).T]


@contextmanager
def reading(path: Path) -> Iterator["SqliteEvent"]:
    """Open an event file for reading. Raises StoreError where it is none, or a newer one."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            # It may come from a stranger: no function of ours or SQLite's runs because its schema says so.
            connection.execute("PRAGMA trusted_schema = OFF")
            (application_id,) = connection.execute("PRAGMA application_id").fetchone()
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if application_id != APPLICATION_ID:
                raise StoreError(f"{path}: an SQLite file, but not an exported event")
            if version > VERSION:
                raise StoreError(f"{path}: written by a newer stumblelog; update this one to read it")
            yield SqliteEvent(path, connection)
    except sqlite3.Error as error:
        raise StoreError(f"{path}: cannot be read: {error}; copy it again") from error


class SqliteEvent:
    """An event file that is open."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self._path = path
        self._connection = connection
        made = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND sql LIKE 'CREATE TABLE %'")
        self._tables = {str(name) for (name,) in made}  # a view or a virtual table could do anything
        self.tables = {name: self._rows(table) for name, table in TABLES.items()}
        self._first = self._first_rows()

    def series(self, recording: str, channel: StoredChannel, number: int) -> Series:
        """A channel of a recording as it was stored. Raises StoreError."""
        first, n = self._first.get((recording, channel.name), (1, 0))
        stored = [] if channel.is_pulses else raw_names(channel.kind) if channel.counts else value_names(channel.kind)
        self._need(channel.name)
        rows = self._connection.execute(
            f"SELECT time_ns, {', '.join(stored) or 'NULL'} FROM {channel.name}"
            " WHERE rowid BETWEEN ? AND ? AND recording = ? ORDER BY rowid",
            (first, first + n - 1, recording),
        )
        kind = np.int16 if channel.counts else np.float64
        dtype = np.dtype([("time_ns", np.int64), ("raw", kind, (max(1, len(stored)),))])
        try:
            found = np.fromiter(((row[0], _raw(row[1:], kind)) for row in rows), dtype)
        except (TypeError, ValueError, OverflowError) as error:
            raise StoreError(f"{self._path}: table {channel.name}: {error}; export the event again") from error
        if found.size != n:
            raise StoreError(f"{self._path}: table {channel.name} holds {found.size} rows of {recording}, not {n}")
        raw = None if not stored else found["raw"][:, 0] if len(stored) == 1 else found["raw"]
        return Series(number, found["time_ns"].copy(), None if raw is None else raw.copy())

    def _first_rows(self) -> Mapping[tuple[str, str], tuple[int, int]]:
        """(first rowid, rows) of each (recording, channel): a table holds one recording after the other."""
        first: dict[tuple[str, str], tuple[int, int]] = {}
        used: dict[str, int] = {}
        for row in self.tables["channels"]:
            channel, n = row["channel"], row["n_samples"]
            if n is None:
                raise StoreError(f"{self._path}: table channels: n_samples is missing; export the event again")
            first[row["recording"], channel] = (used.get(channel, 0) + 1, n)
            used[channel] = used.get(channel, 0) + n
        return first

    def _rows(self, table: Table) -> list[Row]:
        self._need(table.name)
        names = [column.name for column in table.columns]
        rows = self._connection.execute(f"SELECT {', '.join(names)} FROM {table.name} ORDER BY rowid")
        try:
            return [typed(table, dict(zip(names, row, strict=True))) for row in rows]
        except (TypeError, ValueError) as error:
            raise StoreError(f"{self._path}: table {table.name}: {error}; export the event again") from error

    def _need(self, table: str) -> None:
        if table not in self._tables:
            raise StoreError(f"{self._path}: has no table {table}; export the event again")


def _raw(values: tuple[Any, ...], kind: type) -> tuple[Any, ...]:
    return values if kind is np.int16 else tuple(np.nan if value is None else value for value in values)


def is_sqlite(path: Path) -> bool:
    """Whether a file begins like an SQLite file."""
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\x00"
