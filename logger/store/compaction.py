"""Closed recordings as blocks: one channel's minute in each, plus what overviews are drawn from.

::

    x.sqlite (seconds) --> x.sqlite.partial (blocks) --> read back, compared --> fsync --> renamed over x.sqlite

A power cut at any instant leaves the one file or the other under the name, whole; a left-over partial file is made
anew. Capture folders are written in the same shape, without ever having been seconds.
"""

import itertools
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import NS_PER_S, FloatArray, Gap, IntArray, Recording
from logger.store import schema
from logger.store.blocks import Series, encode
from logger.store.closed_source import BLOCK_NS, COARSE, INDEX, block_id
from logger.store.description import RecordingMeta, stored_channel
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import fold
from logger.store.schema import crc_of, sqlite_errors
from logger.store.sources import cut
from logger.store.summary import COARSE_S, MEAN, coarse_of, pulse_rates, summary_of_values

LEVEL = 9
"""zstd level of closed blocks: measured, higher ones save less than 1 % and take many times as long."""


def compact(path: Path) -> None:
    """Replace a closed recording by its compacted copy, once that has been read back and found the same; one that is
    compacted already is left alone.

    Raises StoreError where the recording is still open or damaged, RecordingBusyError where somebody reads it so that
    its WAL cannot be folded in; it is then left as it was.
    """
    with RecordingReader(path) as reader:
        if reader.is_compacted:
            return
        if not reader.is_closed:
            raise StoreError(f"{path}: still recording, or its power was cut; only closed recordings are compacted")
    fold(path)
    partial = schema.partial_of(path)
    try:
        with RecordingReader(path) as reader:
            _copy(reader, path)
            _verify(reader, partial)
        schema.put_in_place(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def write_recording(path: Path, meta: RecordingMeta, recording: Recording) -> None:
    """Write a recording that exists as arrays (a capture folder's) as a closed file. Raises StoreError.

    The channels of `meta` are those of `meta_of(recording)`: values are kept as float64, bit by bit.
    """
    if path.exists():
        raise StoreError(f"{path}: exists already; a recording is never written over")
    partial = schema.partial_of(path)
    try:
        with BlockWriter(path, meta) as writer:
            for number, channel in enumerate(meta.channels):
                if channel.is_pulses:
                    series = Series(number, recording.pulses[channel.name])
                else:
                    trace = recording.traces[channel.name]
                    series = Series(number, trace.time_ns, np.asarray(trace.value, dtype=np.float64))
                for minute, part in minutes_of(series):
                    writer.add(minute, part)
            writer.finish("imported", recording.duration_ns, recording.gaps, ())
        schema.put_in_place(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def meta_of(recording: Recording, uuid: str, **more: Any) -> RecordingMeta:
    """The description of a recording that exists as arrays; `more`: other fields of RecordingMeta."""
    names = [name for name in CHANNELS if name in recording.traces or name in recording.pulses]
    return RecordingMeta(uuid, tuple(stored_channel(name) for name in names), **{"origin": "import", **more})


class BlockWriter:
    """Fills a closed file under its partial name. Blocks of a channel come in order of their minutes."""

    def __init__(self, path: Path, meta: RecordingMeta) -> None:
        self.path = path
        self._meta = meta
        self._connection = schema.create_closed(path, meta)
        with sqlite_errors(path):
            # Nobody knows the partial file, and it is synced before it is renamed: no journal, no sync on the way.
            self._connection.execute("PRAGMA synchronous = OFF")
            self._connection.execute("BEGIN")
        self._index: dict[int, list[tuple[int, int]]] = {}
        self._summaries: dict[int, list[tuple[np.ndarray[Any, Any], FloatArray]]] = {}
        self._last_pulse_ns: dict[int, int] = {}

    def add(self, minute: int, series: Series) -> None:
        """Store what one channel gave in one minute; nothing where it gave nothing."""
        if not series.time_ns.size:
            return
        channel = series.channel
        identifier = block_id(minute, channel)
        data = encode([series], minute * BLOCK_NS, LEVEL)
        with sqlite_errors(self.path):
            row = (identifier, crc_of(identifier, data), data)
            self._connection.execute("INSERT INTO blocks VALUES (?, ?, ?)", row)
        self._index.setdefault(channel, []).append((minute, series.time_ns.size))
        self._summaries.setdefault(channel, []).append(self._summarise(series))

    def _summarise(self, series: Series) -> tuple[np.ndarray[Any, Any], FloatArray]:
        """(seconds, summaries of shape (seconds, columns, 4)) of one block."""
        second = series.time_ns // NS_PER_S
        starts = np.flatnonzero(np.diff(second, prepend=second[0] - 1))
        if series.raw is None:
            bounds = [*starts.tolist(), second.size]
            parts = [Series(series.channel, series.time_ns[a:b]) for a, b in itertools.pairwise(bounds)]
            rates = np.array([pulse_rates(part, self._last_pulse_ns) for part in parts])
            return second[starts], rates[:, None, :]
        values = np.asarray(series.raw, dtype=np.float64).reshape(second.size, -1)
        return second[starts], summary_of_groups(values, starts)

    def finish(self, how: str, duration_ns: int, gaps: Sequence[Gap], health: Sequence[Mapping[str, Any]]) -> None:
        """Write the list of blocks, the overviews and the closing entry."""
        index = []
        for channel, entries in sorted(self._index.items()):
            minutes, sizes = np.array(entries, dtype=np.int64).T
            index.append(Series(channel, minutes * BLOCK_NS, sizes.astype(np.float64)))
        description = json.dumps(self._meta.to_json()).encode()
        rows = [(INDEX, encode(index, 0, LEVEL)), (schema.DESCRIPTION_COPY, description)]
        for channel in sorted(self._summaries):
            second = np.concatenate([part[0] for part in self._summaries[channel]])
            summary = np.concatenate([part[1] for part in self._summaries[channel]])
            are_rates = self._meta.channels[channel].is_pulses
            tens, coarse = coarse_of(summary, second // COARSE_S, are_rates=are_rates)
            rows.append((channel, self._overview(channel, second, summary)))
            rows.append((channel + COARSE, self._overview(channel, tens * COARSE_S, coarse)))
        n_blocks = sum(len(entries) for entries in self._index.values())
        with sqlite_errors(self.path):
            self._connection.executemany(
                "INSERT INTO overviews VALUES (?, ?, ?)", [(key, crc_of(key, data), data) for key, data in rows]
            )
            schema.write_meta(self._connection, "gaps", [[g.channel, g.from_ns, g.to_ns, g.why] for g in gaps])
            schema.write_meta(self._connection, "health", list(health))
            schema.write_meta(self._connection, "closed", {"how": how, "rows": n_blocks, "duration_ns": duration_ns})
            self._connection.execute("COMMIT")

    def _overview(self, channel: int, second: IntArray, summary: FloatArray) -> bytes:
        stored = self._meta.channels[channel]
        kept: np.ndarray[Any, Any]
        if stored.is_pulses:
            kept = np.round(summary, 3)
        elif stored.counts:
            kept = np.rint(summary).astype(np.int16)
        else:
            # The mean is for reading, the extremes are exact: rounding it keeps the packet small.
            kept = summary.copy()
            with np.errstate(over="ignore", invalid="ignore"):
                kept[..., MEAN] = np.round(kept[..., MEAN], 4)
        columns = [Series(k, second * NS_PER_S, np.ascontiguousarray(kept[:, k])) for k in range(kept.shape[1])]
        return encode(columns, 0, LEVEL)

    def __enter__(self) -> "BlockWriter":
        return self

    def __exit__(self, *exc: object) -> None:
        self._connection.close()


def minutes_of(series: Series) -> Iterable[tuple[int, Series]]:
    """A series cut into minutes, those with samples in order."""
    if not series.time_ns.size:
        return
    for minute in np.unique(series.time_ns // BLOCK_NS).tolist():
        yield minute, cut(series, minute * BLOCK_NS, (minute + 1) * BLOCK_NS)


def summary_of_groups(values: FloatArray, starts: np.ndarray[Any, Any]) -> FloatArray:
    """Summaries of consecutive groups of rows that begin at `starts`; values (n, columns), NaN left out."""
    absent = np.isnan(values)
    if bool(absent.any()):
        bounds = [*starts.tolist(), len(values)]
        return np.stack([summary_of_values(values[a:b]) for a, b in itertools.pairwise(bounds)])
    sizes = np.diff(np.append(starts, len(values)))[:, None]
    with np.errstate(over="ignore"):
        total = np.add.reduceat(values, starts)
    lowest, highest = np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)
    return np.stack([np.broadcast_to(sizes, total.shape), lowest, total / sizes, highest], axis=-1)


def _copy(reader: RecordingReader, path: Path) -> None:
    with BlockWriter(path, reader.meta) as writer:
        for minute in range(_n_minutes(reader)):
            for series in reader.raws(reader.channels, *_window(minute)).values():
                writer.add(minute, series)
        writer.finish(reader.how_closed or "closed", reader.duration_ns, reader.gaps(), reader.health())


def _verify(reader: RecordingReader, copy: Path) -> None:
    """Read the copy back and compare it with the original, sample by sample. Raises StoreError."""
    with RecordingReader(copy) as other:
        same = other.meta == reader.meta and other.gaps() == reader.gaps() and other.health() == reader.health()
        same = same and other.duration_ns == reader.duration_ns
        for minute in range(_n_minutes(reader)):
            ours, theirs = (r.raws(reader.channels, *_window(minute)) for r in (reader, other))
            same = same and all(_equal(ours[name], theirs[name]) for name in reader.channels)
    if not same:
        raise StoreError(f"{reader.path}: its compacted copy came out different; the original stays as it is")


def _equal(one: Series, other: Series) -> bool:
    if not np.array_equal(one.time_ns, other.time_ns):
        return False
    if one.raw is None or other.raw is None:
        return one.raw is other.raw
    return one.raw.dtype == other.raw.dtype and np.array_equal(one.raw, other.raw, equal_nan=one.raw.dtype.kind == "f")


def _window(minute: int) -> tuple[int, int]:
    return minute * BLOCK_NS, (minute + 1) * BLOCK_NS


def _n_minutes(reader: RecordingReader) -> int:
    return max(reader.n_seconds * NS_PER_S, reader.duration_ns + 1) // BLOCK_NS + 1
