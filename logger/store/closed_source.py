"""A recording file of blocks."""

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from logger.errors import StoreError
from logger.event import NS_PER_S, FloatArray, Gap, IntArray
from logger.store.blocks import Series, decode
from logger.store.description import RecordingMeta
from logger.store.schema import crc_of
from logger.store.sources import Source, cut, damaged, template_of

BLOCK_NS = 60 * NS_PER_S
_MOST_CHANNELS = 1024
_MINUTE_ZERO = 1 << 32
COARSE = 1024
"""Row of `overviews` with a channel's coarse summaries: its number and this."""

INDEX = -1
"""Row of `overviews` that lists the blocks: for each channel the minutes and how many samples each of them holds."""


def block_id(minute: int, channel: int) -> int:
    """The key of one channel's minute."""
    return (minute + _MINUTE_ZERO) * _MOST_CHANNELS + channel


def minute_of(identifier: int) -> int:
    """The minute of a key."""
    return identifier // _MOST_CHANNELS - _MINUTE_ZERO


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


class ClosedSource(Source):
    """A compacted or imported file of blocks."""

    def __init__(self, connection: sqlite3.Connection, path: Path, meta: RecordingMeta) -> None:
        super().__init__(connection, path, meta)
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

    def _check(self, what: str, key: int, crc: object, data: object) -> None:
        if not isinstance(data, bytes) or crc != crc_of(key, data):
            damaged(self._path, f"{what} fails its check sum")
