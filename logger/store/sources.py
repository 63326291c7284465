"""The two shapes of a recording file behind one set of questions: rows of seconds while it grows, blocks once closed.

Both check every row they hand out against its check sum, and that none is missing where there should be one.
"""

import json
import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NoReturn, cast

import numpy as np
import numpy.typing as npt

from logger.errors import StoreError
from logger.event import NS_PER_S, FloatArray, Gap, IntArray
from logger.store.blocks import Series, decode
from logger.store.schema import RecordingMeta, crc_of, read_meta, sqlite_errors
from logger.store.summary import COARSE_S, N, SummaryLayout, unpack_rollup

BLOCK_NS = 60 * NS_PER_S
_MOST_CHANNELS = 1024
_MINUTE_ZERO = 1 << 32
COARSE = 1024
"""Row of `overviews` with a channel's coarse summaries: its number and this."""

INDEX = -1
"""Row of `overviews` that lists the blocks: for each channel the minutes and how many samples each of them holds."""

Rows = list[tuple[Any, ...]]


def block_id(minute: int, channel: int) -> int:
    """The key of one channel's minute."""
    return (minute + _MINUTE_ZERO) * _MOST_CHANNELS + channel


def minute_of(identifier: int) -> int:
    """The minute of a key."""
    return identifier // _MOST_CHANNELS - _MINUTE_ZERO


def cut(series: Series, t0_ns: int | None, t1_ns: int | None) -> Series:
    """The part of a series with t0 <= time < t1; None is open."""
    low = 0 if t0_ns is None else int(np.searchsorted(series.time_ns, t0_ns))
    high = series.time_ns.size if t1_ns is None else int(np.searchsorted(series.time_ns, t1_ns))
    if low == 0 and high == series.time_ns.size:
        return series
    return Series(series.channel, series.time_ns[low:high], None if series.raw is None else series.raw[low:high])


def joined(parts: Sequence[Series], channel: int, template: npt.NDArray[Any] | None) -> Series:
    """Series of one channel, one after the other; `template`: an empty array of the values' kind."""
    if not parts:
        return Series(channel, np.empty(0, np.int64), template)
    if len(parts) == 1:
        return parts[0]
    raw = None if template is None else np.concatenate([part.raw for part in parts if part.raw is not None])
    return Series(channel, np.concatenate([part.time_ns for part in parts]), raw)


def template_of(meta: RecordingMeta, channel: int) -> npt.NDArray[Any] | None:
    """An empty array of a channel's stored kind; None for pulses."""
    stored = meta.channels[channel]
    if stored.is_pulses:
        return None
    return np.empty((0, 3) if stored.n_columns == 3 else 0, np.int16 if stored.counts else np.float64)


def damaged(path: Path, what: str) -> NoReturn:
    """Raise the error for a damaged file."""
    raise StoreError(f"{path}: damaged: {what}; run stumblelog work")


class GrowingSource:
    """A file of seconds: still being written, or closed but not yet compacted."""

    def __init__(self, connection: sqlite3.Connection, path: Path, meta: RecordingMeta) -> None:
        self._connection = connection
        self._path = path
        self._meta = meta
        self.layout = SummaryLayout(meta.channels)
        self._rolled: dict[int, bytes] = {}

    @property
    def n_rows(self) -> int:
        """Seconds recorded so far."""
        n_rows = int(self._query("SELECT coalesce(max(second), -1) + 1 FROM seconds")[0][0])
        closed = read_meta(self._connection, self._path, "closed")
        if closed and closed["rows"] != n_rows:
            damaged(self._path, f"{n_rows} seconds where {closed['rows']} were stored")
        return n_rows

    @property
    def duration_ns(self) -> int:
        """Time of the last sample once closed; until then the whole seconds recorded."""
        closed = read_meta(self._connection, self._path, "closed")
        return int(closed["duration_ns"]) if closed else self.n_rows * NS_PER_S

    def series(self, channels: Sequence[int], t0_ns: int | None, t1_ns: int | None) -> dict[int, Series]:
        """What each channel gave with t0 <= time < t1."""
        late_s = -(-int(self._need("lateness")) // NS_PER_S)
        low = 0 if t0_ns is None else max(0, t0_ns // NS_PER_S)
        high = (1 << 62) if t1_ns is None else (t1_ns - 1) // NS_PER_S + late_s
        parts: dict[int, list[Series]] = {channel: [] for channel in channels}
        for second, data in self._packets(low, high):
            try:
                for item in decode(data, second * NS_PER_S, channels):
                    parts[item.channel].append(item)
            except StoreError as error:
                damaged(self._path, f"second {second}: {error}")
        whole = {channel: joined(parts[channel], channel, template_of(self._meta, channel)) for channel in channels}
        return {channel: cut(series, t0_ns, t1_ns) for channel, series in whole.items()}

    def _packets(self, low: int, high: int) -> Iterable[tuple[int, bytes]]:
        rows = self._query(
            "SELECT second, crc, summary, data, notes FROM seconds WHERE second BETWEEN ? AND ? ORDER BY second",
            (low, high),
        )
        for expected, (second, crc, summary, data, notes) in enumerate(rows, low):
            if second != expected:
                damaged(self._path, f"the row of second {expected} is missing")
            self._check(f"second {second}", second, crc, summary, data, notes)
            yield second, data
        # The last row can be missing too: nothing after it would betray that, but the count of the others does.
        if low + len(rows) <= high and low + len(rows) < self.n_rows and low < self.n_rows:
            n_now = self._query("SELECT count(*) FROM seconds WHERE second BETWEEN ? AND ?", (low, high))[0][0]
            if n_now == len(rows):
                damaged(self._path, f"the row of second {low + len(rows)} is missing")

    def summaries(self, channel: int, width_s: int = 1) -> tuple[IntArray, FloatArray]:
        """(first seconds, shape (n,); count, min, mean, max of each column, shape (n, columns, 4)) of each second, or
        of every `COARSE_S` seconds."""
        size = self.layout.dtype.itemsize
        column = "data" if width_s == 1 else "coarse"
        rolled = self._rolled.get(width_s, b"")
        done = len(rolled) // size * width_s
        pieces = [rolled]
        sql = "SELECT second, crc, coarse, data FROM rollups WHERE second >= ? ORDER BY second"
        for second, crc, coarse, data in self._query(sql, (done,)):
            if second != done:
                damaged(self._path, f"the overview of second {done} is missing")
            self._check(f"the overview of second {second}", second, crc, coarse, data)
            pieces.append(unpack_rollup(data if column == "data" else coarse, self.layout))
            done += len(pieces[-1]) // size * width_s
        self._rolled[width_s] = b"".join(pieces)
        tail = self._tail(done)
        records = self._rolled[width_s] + (tail if width_s == 1 else self.layout.coarsen(tail))
        parsed = self.layout.parse(records)
        return np.arange(parsed.size, dtype=np.int64) * width_s, self.layout.columns(parsed, channel)

    def _tail(self, done: int) -> bytes:
        """The summaries of the seconds from `done` on, which no roll-up holds yet."""
        sql = "SELECT second, crc, summary, data, notes FROM seconds WHERE second >= ? ORDER BY second"
        rows = self._query(sql, (done,))
        for expected, (second, crc, summary, data, notes) in enumerate(rows, done):
            if second != expected:
                damaged(self._path, f"the row of second {expected} is missing")
            self._check(f"second {second}", second, crc, summary, data, notes)
        return b"".join(row[2] for row in rows)

    def notes(self) -> list[dict[str, Any]]:
        """The notes of all seconds that have some, in order, each with its "second"."""
        rows = self._query(
            "SELECT second, crc, summary, data, notes FROM seconds WHERE notes IS NOT NULL ORDER BY second"
        )
        out = []
        for second, crc, summary, data, notes in rows:
            self._check(f"second {second}", second, crc, summary, data, notes)
            out.append({"second": second, **json.loads(notes)})
        return out

    def gave(self, channel: int) -> bool:
        """Whether a channel gave anything."""
        _, summary = self.summaries(channel, COARSE_S)
        return bool(summary.size) and bool((summary[..., N] > 0).any())

    def gaps(self) -> list[Gap]:
        """Gaps as they were noted, second by second."""
        return [Gap(*gap) for note in self.notes() for gap in note.get("gaps", ())]

    def health(self) -> list[dict[str, Any]]:
        """The recorder's health as it was noted, each with its "second"."""
        return [{"second": note["second"], **note["health"]} for note in self.notes() if "health" in note]

    def _need(self, key: str) -> Any:
        value = read_meta(self._connection, self._path, key)
        if value is None:
            damaged(self._path, f"its entry {key!r} is missing")
        return value

    def _check(self, what: str, key: object, crc: object, *parts: object) -> None:
        # A damaged table definition can hand out a text as a blob, or nothing as a key.
        if not isinstance(key, int) or not all(part is None or isinstance(part, bytes) for part in parts):
            damaged(self._path, f"{what} is not what was stored")
        if crc != crc_of(key, *cast(tuple[bytes | None, ...], parts)):
            damaged(self._path, f"{what} fails its check sum")

    def _query(self, sql: str, arguments: tuple[object, ...] = ()) -> Rows:
        with sqlite_errors(self._path):
            return self._connection.execute(sql, arguments).fetchall()


class _Filling:
    """One channel's arrays at their full size, filled block by block: half the memory of joining the blocks."""

    def __init__(self, size: int, meta: RecordingMeta, channel: int) -> None:
        self.size = size
        self.n = 0
        template = template_of(meta, channel)
        raw = None if template is None else np.empty((size, *template.shape[1:]), template.dtype)
        self.series = Series(channel, np.empty(size, np.int64), raw)

    @property
    def is_full(self) -> bool:
        return self.n == self.size

    def add(self, part: Series) -> None:
        """The next block. Raises ValueError where it does not fit."""
        end = self.n + part.time_ns.size
        self.series.time_ns[self.n : end] = part.time_ns
        if self.series.raw is not None and part.raw is not None:
            self.series.raw[self.n : end] = part.raw
        self.n = end


class ClosedSource:
    """A compacted or imported file of blocks."""

    def __init__(self, connection: sqlite3.Connection, path: Path, meta: RecordingMeta) -> None:
        self._connection = connection
        self._path = path
        self._meta = meta
        self._index: dict[int, Series] | None = None

    @property
    def duration_ns(self) -> int:
        """Time of the last sample."""
        return int(self._need("closed")["duration_ns"])

    @property
    def index(self) -> dict[int, Series]:
        """For each channel with samples: minutes (time_ns) and samples in each (raw, float64)."""
        if self._index is None:
            data = self._overview_row(INDEX, True)
            self._index = {item.channel: item for item in decode(data or b"", 0)}
        return self._index

    def series(self, channels: Sequence[int], t0_ns: int | None, t1_ns: int | None) -> dict[int, Series]:
        """What each channel gave with t0 <= time < t1."""
        low = -_MINUTE_ZERO if t0_ns is None else t0_ns // BLOCK_NS
        high = _MINUTE_ZERO if t1_ns is None else (t1_ns - 1) // BLOCK_NS
        wanted = f"id & {_MOST_CHANNELS - 1} IN ({','.join(str(int(channel)) for channel in channels)})"
        rows = self._query(
            f"SELECT id, crc, data FROM blocks WHERE id BETWEEN ? AND ? AND {wanted} ORDER BY id",
            (block_id(low, 0), block_id(high, _MOST_CHANNELS - 1)),
        )
        whole = {channel: _Filling(self._expected(channel, low, high), self._meta, channel) for channel in channels}
        for identifier, crc, data in rows:
            minute, channel = minute_of(identifier), identifier % _MOST_CHANNELS
            what = f"minute {minute} of {self._meta.channels[channel].name}"
            self._check(what, identifier, crc, data)
            try:
                [part] = decode(data, minute * BLOCK_NS)
                whole[channel].add(part)
            except (StoreError, ValueError) as error:
                damaged(self._path, f"{what}: {error}")
        for channel, filling in whole.items():
            if not filling.is_full:
                name = self._meta.channels[channel].name
                damaged(self._path, f"{name} has {filling.n} samples where {filling.size} were stored")
        return {channel: cut(filling.series, t0_ns, t1_ns) for channel, filling in whole.items()}

    def _expected(self, channel: int, low: int, high: int) -> int:
        """How many samples the blocks of these minutes hold."""
        entry = self.index.get(channel)
        if entry is None or entry.raw is None:
            return 0
        a, b = np.searchsorted(entry.time_ns, [low * BLOCK_NS, (high + 1) * BLOCK_NS])
        return int(entry.raw[a:b].sum())

    def summaries(self, channel: int, width_s: int = 1) -> tuple[IntArray, FloatArray]:
        """(first seconds, shape (n,); count, min, mean, max of each column, shape (n, columns, 4)) of each second with
        samples, or of every `COARSE_S` seconds."""
        key = channel if width_s == 1 else channel + COARSE
        data = self._overview_row(key, channel in self.index)
        if data is None:
            return np.empty(0, np.int64), np.empty((0, max(1, self._meta.channels[channel].n_columns), 4))
        columns = decode(data, 0)
        raw = [np.asarray(column.raw, dtype=np.float64) for column in columns]
        return columns[0].time_ns // NS_PER_S, np.stack(raw, axis=1)

    def gave(self, channel: int) -> bool:
        """Whether a channel gave anything."""
        return channel in self.index

    def gaps(self) -> list[Gap]:
        """Gaps, merged."""
        return [Gap(*gap) for gap in self._need("gaps")]

    def health(self) -> list[dict[str, Any]]:
        """The recorder's health as it was noted, each with its "second"."""
        return list(self._need("health"))

    def _overview_row(self, key: int, is_expected: bool) -> bytes | None:
        rows = self._query("SELECT crc, data FROM overviews WHERE channel = ?", (key,))
        what = "the list of its blocks" if key == INDEX else f"the overview of {self._meta.channels[key % COARSE].name}"
        if not rows and is_expected:
            damaged(self._path, f"{what} is missing")
        if not rows:
            return None
        crc, data = rows[0]
        self._check(what, key, crc, data)
        return bytes(data)

    def _need(self, key: str) -> Any:
        value = read_meta(self._connection, self._path, key)
        if value is None:
            damaged(self._path, f"its entry {key!r} is missing")
        return value

    def _check(self, what: str, key: int, crc: object, data: object) -> None:
        if not isinstance(data, bytes) or crc != crc_of(key, data):
            damaged(self._path, f"{what} fails its check sum")

    def _query(self, sql: str, arguments: tuple[object, ...] = ()) -> Rows:
        with sqlite_errors(self._path):
            return self._connection.execute(sql, arguments).fetchall()
