"""Recordings written second by second, and closed so that the one file is all there is.

The file itself is described in `logger.store.schema`. A writer is used by one thread; readers may look on meanwhile.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.event import NS_PER_S, Gap
from logger.store import schema
from logger.store.blocks import Series, encode
from logger.store.description import RecordingMeta
from logger.store.schema import RecordingBusyError, sqlite_errors
from logger.store.summary import ROLLUP_SECONDS, SummaryLayout, pack_rollup


@dataclass(frozen=True, slots=True)
class Second:
    """What arrived in one second of a recording. A channel may be absent; times must not fall behind its last one.

    clock: one instant on both clocks, {utc, monotonic_ns}, in the second in which the wall clock was found to be set.
    """

    index: int
    series: Sequence[Series] = ()
    gaps: Sequence[Gap] = ()
    health: Mapping[str, Any] | None = None
    clock: Mapping[str, Any] | None = None


class RecordingWriter:
    """Appends seconds to a new recording, one durable transaction for each; `close()` or `with` ends it.

    Raises StoreError where the file cannot be created or written. A second that raised has not been stored, and may be
    appended again. `durable`: False lets the system sync when it likes, for recordings that can be made again.
    """

    def __init__(self, path: Path, meta: RecordingMeta, *, durable: bool = True) -> None:
        self.path = path
        self.meta = meta
        self._layout = SummaryLayout(meta.channels)
        self._connection: sqlite3.Connection | None = schema.create(path, meta)
        with sqlite_errors(path):
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'OFF'}")
        self._next = 0
        self._pending: list[bytes] = []
        self._last_pulse_ns: dict[int, int] = {}
        self._last_ns: dict[int, int] = {}
        self._lateness_ns = NS_PER_S

    @property
    def n_seconds(self) -> int:
        """Seconds stored so far."""
        return self._next

    def append(self, second: Second) -> None:
        """Store one second for good. Seconds that were skipped before it become empty rows."""
        if self._connection is None:
            raise ValueError(f"{self.path}: the recording is closed")
        if second.index < self._next:
            raise ValueError(f"second {second.index} comes after {self._next - 1} had been stored")
        earliest, last_ns = self._span(second)
        last_pulse_ns = dict(self._last_pulse_ns)
        rows = [self._row(Second(index), last_pulse_ns) for index in range(self._next, second.index)]
        rows.append(self._row(second, last_pulse_ns))
        pending = self._pending + [row[2] for row in rows]
        rollups = []
        start = second.index + 1 - len(pending)
        while len(pending) >= ROLLUP_SECONDS:
            fine = b"".join(pending[:ROLLUP_SECONDS])
            coarse, data = (pack_rollup(part, self._layout) for part in (self._layout.coarsen(fine), fine))
            rollups.append((start, schema.crc_of(start, coarse, data), coarse, data))
            del pending[:ROLLUP_SECONDS]
            start += ROLLUP_SECONDS
        late = max(self._lateness_ns, second.index * NS_PER_S - earliest)
        entries: dict[str, object] = {"lateness": late} if late > self._lateness_ns else {}
        if second.clock is not None:
            entries[schema.CLOCK] = dict(second.clock)
        self._commit(rows, rollups, entries)
        self._lateness_ns = late
        self._pending = pending
        self._last_pulse_ns = last_pulse_ns
        self._last_ns = last_ns
        self._next = second.index + 1

    def _span(self, second: Second) -> tuple[int, dict[int, int]]:
        """The earliest time in it, and each channel's last one including it."""
        earliest = second.index * NS_PER_S
        last_ns = dict(self._last_ns)
        for item in second.series:
            if item.time_ns.size:
                first = int(item.time_ns[0])
                if first < last_ns.get(item.channel, 0):
                    name = self.meta.channels[item.channel].name
                    raise ValueError(f"{name}: time runs backwards in second {second.index}")
                last_ns[item.channel] = int(item.time_ns[-1])
                earliest = min(earliest, first)
        return earliest, last_ns

    def _row(self, second: Second, last_pulse_ns: dict[int, int]) -> tuple[int, int, bytes, bytes, bytes | None]:
        summary = self._layout.summarise(second.series, last_pulse_ns)
        data = encode(second.series, second.index * NS_PER_S)
        said: dict[str, Any] = {} if second.index else {schema.DESCRIPTION: self.meta.to_json()}
        if second.gaps:
            said["gaps"] = [[gap.channel, gap.from_ns, gap.to_ns, gap.why] for gap in second.gaps]
        if second.health is not None:
            said["health"] = dict(second.health)
        notes = json.dumps(said, separators=(",", ":"), allow_nan=False).encode() if said else None
        return second.index, schema.crc_of(second.index, summary, data, notes), summary, data, notes

    def _commit(self, rows: Sequence[Any], rollups: Sequence[Any], entries: Mapping[str, object]) -> None:
        assert self._connection is not None
        with sqlite_errors(self.path):
            if len(rows) == 1 and not rollups and not entries:
                self._connection.execute("INSERT INTO seconds VALUES (?, ?, ?, ?, ?)", rows[0])
                return
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                self._connection.executemany("INSERT INTO seconds VALUES (?, ?, ?, ?, ?)", rows)
                self._connection.executemany("INSERT INTO rollups VALUES (?, ?, ?, ?)", rollups)
                for key, value in entries.items():
                    schema.write_meta(self._connection, key, value)
                self._connection.execute("COMMIT")
            except sqlite3.Error:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def close(self) -> None:
        """Write the closing entry and fold the WAL in. May be called twice."""
        if self._connection is None:
            return
        duration_ns = max([0, *self._last_ns.values()])
        try:
            with sqlite_errors(self.path):
                finish(self._connection, {"how": "closed", "rows": self._next, "duration_ns": duration_ns})
        finally:
            self._connection.close()
            self._connection = None

    def __enter__(self) -> "RecordingWriter":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def __repr__(self) -> str:
        state = "closed" if self._connection is None else f"{self._next} s"
        return f"RecordingWriter({str(self.path)!r}, {state})"


def finish(connection: sqlite3.Connection, closed: Mapping[str, Any]) -> None:
    """Note that a recording is complete, and fold its WAL in so that the one file is all there is."""
    schema.write_meta(connection, "closed", dict(closed))
    connection.execute("PRAGMA busy_timeout = 200").fetchall()
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    # Where a reader has the file open it stays in WAL mode, which costs nothing and ends with compaction.
    leave_wal(connection)


def leave_wal(connection: sqlite3.Connection) -> bool:
    """Give up WAL mode, which takes the WAL away; False where another connection has the file open."""
    try:
        return bool(connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0] == "delete")
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            return False
        raise


def fold(path: Path) -> bool:
    """Fold the WAL of a file that nobody has open into it and take it away; whether the recording was closed.

    Left beside a file that then replaces this one, SQLite would play the WAL into that. Raises RecordingBusyError.
    """
    connection = schema.connect(path, write=True)
    try:
        with sqlite_errors(path):
            connection.execute("PRAGMA busy_timeout = 200").fetchall()
            if not leave_wal(connection):
                raise RecordingBusyError(f"{path}: being recorded or read just now; try again later")
            return schema.read_meta(connection, path, "closed") is not None
    finally:
        connection.close()
