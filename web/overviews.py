"""Long views without waiting: the one-second summaries of finished recordings, kept for the next zoom step."""

import threading
from collections import OrderedDict

import numpy as np

from logger.event import NS_PER_S, FloatArray, IntArray
from logger.store.overview import column_extremes
from logger.store.recording_reader import RecordingReader

Extremes = tuple[IntArray, FloatArray, FloatArray]
MAX_KEPT = 24
"""Eight hours of one channel take 0.7 MB, of acceleration 1.6 MB."""


class Overviews:
    """Remembers what was read last; safe across threads.

    `version` stands for the calibrations in force: with another one everything is read anew.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, int, int, str, str], Extremes] = OrderedDict()
        self._lock = threading.Lock()

    def columns(
        self, reader: RecordingReader, version: str, channel: str, t0_ns: int, t1_ns: int, n_columns: int
    ) -> Extremes:
        """As `RecordingReader.overview`, for columns of at least a second each."""
        if not reader.is_compacted:
            return reader.overview(channel, t0_ns, t1_ns, n_columns)
        time_ns, low, high = self._seconds(reader, version, channel)
        edges = t0_ns + (t1_ns - t0_ns) * np.arange(n_columns, dtype=np.int64) // n_columns
        return edges, *column_extremes(time_ns, low, high, t0_ns, t1_ns, n_columns, width_ns=NS_PER_S)

    def _seconds(self, reader: RecordingReader, version: str, channel: str) -> Extremes:
        file = reader.path.stat()
        key = (str(reader.path), file.st_mtime_ns, file.st_size, version, channel)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        n_seconds = reader.duration_ns // NS_PER_S + 1
        found = reader.overview(channel, 0, n_seconds * NS_PER_S, n_seconds)
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > MAX_KEPT:
                self._kept.popitem(last=False)
        return found
