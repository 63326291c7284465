"""Recordings on their way in: as files or as rows of samples, checked, and written as files of the store."""

import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import Gap
from logger.settings import Settings
from logger.store import schema
from logger.store.blocks import Series
from logger.store.compaction import BlockWriter, minutes_of
from logger.store.description import RecordingMeta, StoredChannel
from logger.store.exports.columns import Row
from logger.store.intake import stamp_of
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage


@dataclass(frozen=True, slots=True)
class Incoming:
    """One event on its way in: the rows of its small tables, and how a recording of it is written as a file.

    here: rows of further recordings of the event, which do not come along: most are in the store already.
    """

    where: Path
    tables: Mapping[str, Sequence[Row]]
    write: Callable[[Row, RecordingMeta, Path], None]
    here: Sequence[Row] = ()

    @property
    def recordings(self) -> list[Row]:
        """The rows of the recordings that are in it."""
        return [row for row in self.tables["recordings"] if row["unreadable"] is None]


def write_recordings(one: Incoming, draft: Path, progress: Callable[[float], None]) -> list[dict[str, Any]]:
    """Write the event's recordings into a folder; returns their rows of the logbook. Raises StoreError."""
    rows = []
    names: set[str] = set()
    (event,) = one.tables["event"]
    for number, row in enumerate(one.recordings, 1):
        name = row["recording"]
        if not name or Path(name).name != name or name in (".", "..") or "\\" in name or "\0" in name or name in names:
            raise StoreError(f"{one.where}: a recording is called {name!r:.80}; names must be plain and differ")
        names.add(name)
        meta = meta_in(one.where, row)
        path = draft / f"{number:03d}.sqlite"
        one.write(row, meta, path)
        with RecordingReader(path) as reader:
            duration_ns = reader.duration_ns
        rows.append(
            {
                "file": path.name,
                "name": name,
                "uuid": meta.uuid,
                "state": "closed",
                "reason": "",
                "duration_ns": duration_ns,
                "boot_id": meta.boot_id,
                "power_up": meta.power_up,
                "monotonic_ns": meta.started_monotonic_ns,
                "clock_is_set": event["started_utc"] is not None,
                "started_utc": utc_text(row["started_utc"]),
                "offset_ns": row["offset_ns"],
                "stamp": stamp_of(path),
            }
        )
        progress(number / len(one.recordings))
    return rows


def meta_in(where: Path, row: Row) -> RecordingMeta:
    """The recording's description, checked. Raises StoreError."""
    try:
        meta = RecordingMeta.from_json(json.loads(row["description"]))
        for channel in meta.channels:
            if CHANNELS[channel.name].kind != channel.kind:
                raise ValueError(f"{channel.name} is {channel.kind}")
        if len({channel.name for channel in meta.channels}) != len(meta.channels):
            raise ValueError("a channel is named twice")
        if any(channel.counts for channel in meta.channels):
            Settings.from_dict(meta.settings, str(where))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise StoreError(f"{where}: the description of {row['recording']} is not as it should be: {error}") from error
    return meta


def writer_of(
    where: Path,
    tables: Mapping[str, Sequence[Row]],
    series: Callable[[Row, StoredChannel, int], Series],
) -> Callable[[Row, RecordingMeta, Path], None]:
    """How a recording that came as rows becomes a file again."""

    def write(row: Row, meta: RecordingMeta, path: Path) -> None:
        gaps = [
            Gap(gap["channel"], gap["from_ns"], gap["to_ns"], gap["why"] or "")
            for gap in tables["gaps"]
            if gap["recording"] == row["recording"]
        ]
        health = json.loads(row["health"] or "[]")
        partial = schema.partial_of(path)
        with BlockWriter(path, meta) as writer:
            for number, channel in enumerate(meta.channels):
                found = series(row, channel, number)
                if found.time_ns.size and bool((np.diff(found.time_ns) < 0).any()):
                    raise StoreError(f"{where}: {channel.name} of {row['recording']} runs backwards in time")
                for minute, part in minutes_of(found):
                    writer.add(minute, part)
            writer.finish(row["how_closed"] or "recovered", row["duration_ns"], gaps, health)
        schema.put_in_place(partial, path)

    return write


def adopt(
    where: Path, tables: Mapping[str, Sequence[Row]], unpacked: Path, row: Row, meta: RecordingMeta, to: Path
) -> None:
    """Put an unpacked recording in its place, closed; written anew where a calibration of the logbook was in force."""
    with RecordingReader(unpacked) as reader:
        if replace(reader.meta, settings=meta.settings) != meta:
            raise StoreError(f"{where}: {row['recording']} is another recording than its logbook says")
        closed, recalibrated = reader.is_closed, reader.meta != meta
        if recalibrated:
            writer_of(where, tables, lambda row, channel, number: reader.raw(channel.name))(row, meta, to)
            return
    if not closed:
        salvage(unpacked)
    partial = schema.partial_of(to)
    shutil.move(unpacked, partial)
    schema.put_in_place(partial, to)


def lengthen(one: Incoming, row: Row, path: Path) -> int:
    """Put a recording in the place of its begin, which came at `path` while it was still growing; returns its duration.

    Raises StoreError where what is here is not how it begins: nothing that came is given up for something else.
    """
    fresh = path.with_name(f"{path.name}.new")
    one.write(row, meta_in(one.where, row), fresh)
    with RecordingReader(path) as begin, RecordingReader(fresh) as whole:
        duration_ns = whole.duration_ns
        goes_on = begin.channels == whole.channels and all(
            _goes_on(begin.raw(name), whole.raw(name)) for name in begin.channels
        )
    if not goes_on:
        fresh.unlink()
        raise StoreError(f"{one.where}: {row['recording']} does not begin like the one here; nothing was changed")
    os.replace(fresh, path)
    return duration_ns


def _goes_on(begin: Series, whole: Series) -> bool:
    n = begin.time_ns.size
    if begin.raw is None or whole.raw is None:
        return begin.raw is whole.raw and np.array_equal(begin.time_ns, whole.time_ns[:n])
    same = begin.raw.dtype == whole.raw.dtype and begin.raw.tobytes() == whole.raw[:n].tobytes()
    return same and np.array_equal(begin.time_ns, whole.time_ns[:n])


def recalibrate(one: Incoming, row: Row, path: Path) -> None:
    """Give a recording that is here already, at `path`, the calibrations that have been put in force where it comes
    from: they stand in its description."""
    meta = meta_in(one.where, row)
    fresh = path.with_name(f"{path.name}.new")
    with RecordingReader(path) as reader:
        if reader.meta == meta or replace(reader.meta, settings=meta.settings) != meta:
            return
        writer_of(one.where, one.tables, lambda row, channel, number: reader.raw(channel.name))(row, meta, fresh)
    os.replace(fresh, path)


def utc_text(moment: datetime | None) -> str | None:
    """A moment as the logbook writes it."""
    return None if moment is None else moment.isoformat()
