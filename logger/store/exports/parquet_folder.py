"""Partitioned Parquet: one event, or a season of many events and cars in one folder.

::

    FOLDER/car=CAR/event=EVENT/table=samples/channel=battery_voltage/001.parquet     one file for each recording
                               table=vectors/channel=acceleration/001.parquet
                               table=pulses/channel=tach_pulses/001.parquet
                               table=stumbles/part.parquet                           and the other small tables

Every step of the path is key=value, which DuckDB, Dask and Spark turn into columns. An event is put in place by one
rename, so a season never holds half of one.
"""

import json
import re
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.channels import CHANNELS, Kind
from logger.errors import StoreError
from logger.event import NS_PER_S, FloatArray, IntArray
from logger.store.blocks import Series
from logger.store.description import StoredChannel
from logger.store.exports.columns import Column, Row, typed
from logger.store.exports.contents import Contents
from logger.store.exports.held import Held
from logger.store.exports.placing import whole_folder
from logger.store.exports.samples import Piece, hand_out
from logger.store.exports.tables import TABLES, VERSION, raw_names, sample_columns, value_names

FORMAT = "stumblelog-event"
SMALL_FILE = "part.parquet"
SAMPLE_TABLES: dict[Kind, str] = {
    "sampled": "samples",
    "level": "samples",
    "state": "samples",
    "vector": "vectors",
    "pulses": "pulses",
    "marks": "pulses",
}
_TYPES = {
    "text": pa.string(),
    "json": pa.string(),
    "whole": pa.int64(),
    "number": pa.float64(),
    "flag": pa.bool_(),
    "moment": pa.timestamp("us", "UTC"),
}
_ENCODINGS = {"time_ns": "DELTA_BINARY_PACKED", "time_utc": "DELTA_BINARY_PACKED", "time_s": "BYTE_STREAM_SPLIT"}
MOST_ROWS = 100_000_000
"""Three days of acceleration at 400 Hz. Repeated rows cost a Parquet file nothing, so its size promises nothing."""

MOST_SMALL_ROWS = 1_000_000
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")


def write_parquet(
    contents: Contents,
    folder: Path,
    *,
    car: str = "car",
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> Path:
    """Add the event to a folder of partitioned Parquet, whole or not at all; returns the event's own folder.

    car: tells the cars of one season apart. Raises StoreError where the event is there already.
    """
    if not _WORD.fullmatch(car):
        raise StoreError(f"car is {car!r}; use letters, digits, - and _")
    if (folder / "capture.toml").exists():
        raise StoreError(f"{folder}: is a capture folder; choose another folder")
    place = folder / f"car={car}" / f"event={contents.event_id}"
    with whole_folder(place, overwrite=overwrite, is_ours=_is_event, what="an event exported before") as draft:
        counts = hand_out(contents, lambda stack, held: _begin(stack, held, draft), progress)
        tables = {**contents.tables, "channels": contents.channel_rows(counts)}
        for name in TABLES:
            table = pa.Table.from_pylist(tables[name], schema=small_schema(name))
            (draft / f"table={name}").mkdir()
            pq.write_table(table, draft / f"table={name}" / SMALL_FILE)
    return place


def small_schema(name: str) -> pa.Schema:
    """The schema of a small table, its columns described in their metadata."""
    fields = [_field(column, _TYPES[column.kind]) for column in TABLES[name].columns]
    return pa.schema(fields, metadata=_metadata(table=TABLES[name].meaning))


def sample_schema(channel: StoredChannel, held: Held | None = None) -> pa.Schema:
    """The schema of a channel's samples; of a given recording, with its calibration and begin in the metadata."""
    unit = CHANNELS[channel.name].unit
    types = {"recording": pa.dictionary(pa.int8(), pa.string()), "time_utc": pa.timestamp("ns", "UTC")}
    types |= dict.fromkeys(raw_names(channel.kind), pa.int16())
    fields = []
    for column in sample_columns(channel.kind):
        known = Column(column.name, column.kind, column.meaning, unit) if column.name == "value" else column
        fields.append(_field(known, types.get(column.name, _TYPES[column.kind])))
    about: dict[str, Any] = {"channel": channel.name, "unit": unit, "meaning": CHANNELS[channel.name].meaning}
    if held is not None:
        about |= {"recording": held.name, "calibration": _calibration(channel, held)}
        about |= {"started_utc": None if held.started_ns is None else str(np.datetime64(held.started_ns, "ns")) + "Z"}
    return pa.schema(fields, metadata=_metadata(**about))


def read_tables(place: Path) -> dict[str, list[Row]]:
    """The small tables of one event's folder. Raises StoreError."""
    tables = {}
    for name, table in TABLES.items():
        path = place / f"table={name}" / SMALL_FILE
        rows = _read(path, [column.name for column in table.columns], MOST_SMALL_ROWS).to_pylist()
        try:
            tables[name] = [typed(table, row) for row in rows]
        except (TypeError, ValueError) as error:
            raise StoreError(f"{path}: not as it should be: {error}; copy it again") from error
    return tables


def read_series(place: Path, position: int, channel: StoredChannel, number: int) -> Series:
    """A channel of the recording at that place of the event, as it was stored. Raises StoreError."""
    path = place / f"table={SAMPLE_TABLES[channel.kind]}" / f"channel={channel.name}" / f"{position:03d}.parquet"
    names = [] if channel.is_pulses else raw_names(channel.kind) if channel.counts else value_names(channel.kind)
    table = _read(path, ["time_ns", *names], MOST_ROWS)
    time_ns = table.column("time_ns").to_numpy()
    if not names:
        return Series(number, time_ns)
    columns = [table.column(name).to_numpy() for name in names]
    if channel.counts and any(column.dtype != np.int16 for column in columns):
        raise StoreError(f"{path}: counts are missing in it; export the event again")
    return Series(number, time_ns, columns[0] if len(columns) == 1 else np.column_stack(columns))


def events_in(folder: Path) -> list[Path]:
    """The event folders in or at `folder`, in order."""
    if _is_event(folder):
        return [folder]
    return sorted(path for path in folder.glob("car=*/event=*") if _is_event(path))


def _is_event(folder: Path) -> bool:
    return (folder / "table=event" / SMALL_FILE).is_file()


def _read(path: Path, columns: list[str], most_rows: int) -> pa.Table:
    if not path.is_file():
        raise StoreError(f"{path}: is missing; copy the event's folder again, whole")
    try:
        # As one file, not as a data set: the keys of the path would come in as columns.
        with pq.ParquetFile(path) as file:
            about = json.loads((file.schema_arrow.metadata or {}).get(b"stumblelog", b"{}"))
            if about.get("format") != FORMAT:
                raise StoreError(f"{path}: not written by stumblelog")
            if about.get("version", 0) > VERSION:
                raise StoreError(f"{path}: written by a newer stumblelog; update this one to read it")
            if file.metadata.num_rows > most_rows:
                raise StoreError(f"{path}: refused: it holds {file.metadata.num_rows} rows, more than any recording")
            return file.read(columns)
    except StoreError:
        raise
    except (pa.ArrowException, AttributeError, KeyError, OSError, TypeError, ValueError) as error:
        raise StoreError(f"{path}: cannot be read: {' '.join(str(error).split())}; copy it again") from error


def _begin(stack: ExitStack, held: Held, draft: Path) -> Callable[[Piece], None]:
    """One file for each channel of a recording, also for those that gave nothing: an import finds them all."""
    writers = {}
    for channel in held.reader.meta.channels:
        folder = draft / f"table={SAMPLE_TABLES[channel.kind]}" / f"channel={channel.name}"
        folder.mkdir(parents=True, exist_ok=True)
        writers[channel.name] = stack.enter_context(
            pq.ParquetWriter(
                folder / f"{held.position:03d}.parquet",
                sample_schema(channel, held),
                compression="zstd",
                compression_level=1,
                use_dictionary=_dictionaries(channel),
                column_encoding=_ENCODINGS,
            )
        )
    return lambda piece: writers[piece.channel.name].write_table(_table(piece))


def _dictionaries(channel: StoredChannel) -> list[str]:
    """Values made from counts repeat: a dictionary of them is small. What came as text does so mostly, too."""
    return ["recording", *raw_names(channel.kind), *value_names(channel.kind)]


def _table(piece: Piece) -> pa.Table:
    """One piece as rows; absent values are NULL, so that an average leaves them out."""
    schema = sample_schema(piece.channel)
    time_ns = piece.series.time_ns
    columns: dict[str, Any] = {
        "recording": pa.DictionaryArray.from_arrays(np.zeros(time_ns.size, np.int8), [piece.held.name]),
        "time_ns": pa.array(time_ns),
        "time_s": pa.array(time_ns / NS_PER_S),
        "time_utc": _utc(time_ns, piece.held.started_ns),
    }
    columns |= _columns(raw_names(piece.channel.kind), piece.counts)
    columns |= _columns(value_names(piece.channel.kind), piece.value)
    arrays = [
        pa.nulls(time_ns.size, field.type) if columns[field.name] is None else columns[field.name] for field in schema
    ]
    return pa.Table.from_arrays(arrays, schema=schema)


def _columns(names: list[str], values: "IntArray | FloatArray | Any") -> dict[str, Any]:
    if values is None:
        return dict.fromkeys(names)
    by_column = values.reshape(len(values), -1).T
    return {
        name: pa.array(np.ascontiguousarray(column), from_pandas=column.dtype.kind == "f")
        for name, column in zip(names, by_column, strict=True)
    }


def _utc(time_ns: IntArray, started_ns: int | None) -> Any:
    if started_ns is None:
        return None
    return pa.array(time_ns + started_ns).view(pa.timestamp("ns", "UTC"))


def _field(column: Column, kind: Any) -> pa.Field:
    about = {"meaning": column.meaning, **({"unit": column.unit} if column.unit else {})}
    return pa.field(column.name, kind, metadata=about)


def _metadata(**about: Any) -> dict[str, str]:
    return {"stumblelog": json.dumps({"format": FORMAT, "version": VERSION, **about})}


def _calibration(channel: StoredChannel, held: Held) -> Any:
    if not channel.counts or channel.kind == "state":
        return None
    document = held.reader.settings.to_dict()
    return document["accelerometer"] if channel.kind == "vector" else document["channels"][channel.name]
