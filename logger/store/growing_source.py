"""A recording file of seconds."""

import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from logger.errors import StoreError
from logger.event import NS_PER_S, FloatArray, Gap, IntArray
from logger.store.blocks import Series, decode
from logger.store.description import RecordingMeta
from logger.store.schema import crc_of, read_meta
from logger.store.sources import Rows, Source, cut, damaged, template_of
from logger.store.summary import COARSE_S, N, SummaryLayout, unpack_rollup


class GrowingSource(Source):
    """A file of seconds: still being written, or closed but not yet compacted."""

    def __init__(self, connection: sqlite3.Connection, path: Path, meta: RecordingMeta) -> None:
        super().__init__(connection, path, meta)
        self.layout = SummaryLayout(meta.channels)
        self._rolled: dict[int, bytes] = {}

    @property
    def n_rows(self) -> int:
        """Seconds recorded so far."""
        # Asked before the rows are counted: the other way round, one that is closed in between would count as damaged.
        closed = read_meta(self._connection, self._path, "closed")
        n_rows = int(self._query("SELECT coalesce(max(second), -1) + 1 FROM seconds")[0][0])
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
        for second, _, _, data, _ in self._window(low, high):
            try:
                for item in decode(data, second * NS_PER_S, channels):
                    parts[item.channel].append(item)
            except StoreError as error:
                damaged(self._path, f"second {second}: {error}")
        whole = {channel: _joined(parts[channel], channel, template_of(self._meta, channel)) for channel in channels}
        return {channel: cut(series, t0_ns, t1_ns) for channel, series in whole.items()}

    def _window(self, low: int, high: int) -> Rows:
        """The rows of the seconds from `low` to `high`, as far as there are any."""
        rows = self._rows("second BETWEEN ? AND ?", (low, high), low)
        # The last row can be missing too: nothing after it would betray that, but the count of the others does.
        if low + len(rows) <= high and low + len(rows) < self.n_rows and low < self.n_rows:
            n_now = self._query("SELECT count(*) FROM seconds WHERE second BETWEEN ? AND ?", (low, high))[0][0]
            if n_now == len(rows):
                damaged(self._path, f"the row of second {low + len(rows)} is missing")
        return rows

    def _rows(self, where: str, arguments: tuple[int, ...] = (), first: int | None = None) -> Rows:
        """(second, crc, summary, data, notes) of these seconds in order, checked; first: the one with which they begin,
        and from which none may be missing."""
        rows = self._query(
            f"SELECT second, crc, summary, data, notes FROM seconds WHERE {where} ORDER BY second", arguments
        )
        for place, (second, crc, *parts) in enumerate(rows):
            if first is not None and second != first + place:
                damaged(self._path, f"the row of second {first + place} is missing")
            self._check(f"second {second}", second, crc, *parts)
        return rows

    def summaries(self, channel: int, width_s: int = 1) -> tuple[IntArray, FloatArray]:
        """(first seconds, shape (n,); count, min, mean, max of each column, shape (n, columns, 4)) of each second, or
        of every `COARSE_S` seconds."""
        size = self.layout.dtype.itemsize
        rolled = self._rolled.get(width_s, b"")
        done = len(rolled) // size * width_s
        pieces = [rolled]
        sql = "SELECT second, crc, coarse, data FROM rollups WHERE second >= ? ORDER BY second"
        for second, crc, coarse, data in self._query(sql, (done,)):
            if second != done:
                damaged(self._path, f"the overview of second {done} is missing")
            self._check(f"the overview of second {second}", second, crc, coarse, data)
            pieces.append(unpack_rollup(data if width_s == 1 else coarse, self.layout))
            done += len(pieces[-1]) // size * width_s
        self._rolled[width_s] = b"".join(pieces)
        # The seconds that no roll-up holds yet.
        tail = b"".join(row[2] for row in self._rows("second >= ?", (done,), done))
        records = self._rolled[width_s] + (tail if width_s == 1 else self.layout.coarsen(tail))
        parsed = self.layout.parse(records)
        return np.arange(parsed.size, dtype=np.int64) * width_s, self.layout.columns(parsed, channel)

    def notes(self) -> list[dict[str, Any]]:
        """The notes of all seconds that have some, in order, each with its "second"."""
        rows = self._rows("notes IS NOT NULL")
        return [{"second": second, **json.loads(notes)} for second, _, _, _, notes in rows]

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

    def _check(self, what: str, key: object, crc: object, *parts: object) -> None:
        # A damaged table definition can hand out a text as a blob, or nothing as a key.
        if not isinstance(key, int) or not all(part is None or isinstance(part, bytes) for part in parts):
            damaged(self._path, f"{what} is not what was stored")
        if crc != crc_of(key, *cast(tuple[bytes | None, ...], parts)):
            damaged(self._path, f"{what} fails its check sum")


def _joined(parts: Sequence[Series], channel: int, template: npt.NDArray[Any] | None) -> Series:
    """Series of one channel, one after the other; `template`: an empty array of the values' kind."""
    if not parts:
        return Series(channel, np.empty(0, np.int64), template)
    if len(parts) == 1:
        return parts[0]
    raw = None if template is None else np.concatenate([part.raw for part in parts if part.raw is not None])
    return Series(channel, np.concatenate([part.time_ns for part in parts]), raw)
