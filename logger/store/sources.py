"""What the two shapes of a recording file have in common: rows of seconds while it grows, blocks once closed.

Both check every row they hand out against its check sum, and that none is missing where there should be one.
"""

import sqlite3
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import numpy.typing as npt

from logger.errors import StoreError
from logger.store.blocks import Series
from logger.store.description import RecordingMeta
from logger.store.schema import read_meta, sqlite_errors

Rows = list[tuple[Any, ...]]


def cut(series: Series, t0_ns: int | None, t1_ns: int | None) -> Series:
    """The part of a series with t0 <= time < t1; None is open."""
    low = 0 if t0_ns is None else int(np.searchsorted(series.time_ns, t0_ns))
    high = series.time_ns.size if t1_ns is None else int(np.searchsorted(series.time_ns, t1_ns))
    if low == 0 and high == series.time_ns.size:
        return series
    return Series(series.channel, series.time_ns[low:high], None if series.raw is None else series.raw[low:high])


def template_of(meta: RecordingMeta, channel: int) -> npt.NDArray[Any] | None:
    """An empty array of a channel's stored kind; None for pulses."""
    stored = meta.channels[channel]
    if stored.is_pulses:
        return None
    return np.empty((0, 3) if stored.n_columns == 3 else 0, np.int16 if stored.counts else np.float64)


def damaged(path: Path, what: str) -> NoReturn:
    """Raise the error for a damaged file."""
    raise StoreError(f"{path}: damaged: {what}; run stumblelog work")


class Source:
    """A recording file of either shape."""

    def __init__(self, connection: sqlite3.Connection, path: Path, meta: RecordingMeta) -> None:
        self._connection = connection
        self._path = path
        self._meta = meta

    def _need(self, key: str) -> Any:
        """An entry of `meta` without which the file is damaged."""
        value = read_meta(self._connection, self._path, key)
        if value is None:
            damaged(self._path, f"its entry {key!r} is missing")
        return value

    def _query(self, sql: str, arguments: tuple[object, ...] = ()) -> Rows:
        with sqlite_errors(self._path):
            return self._connection.execute(sql, arguments).fetchall()
