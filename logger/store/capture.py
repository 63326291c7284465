"""Capture folders: plain CSV files with a capture.toml, in and out.

Reading is strict: a folder is taken whole or refused with the file, the line and what to do, so that a typing error
never becomes a quiet gap in somebody's data.
"""

import math
import tomllib
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from logger.channels import CHANNELS, Channel
from logger.errors import CaptureError
from logger.event import (
    CAUSES,
    NS_PER_S,
    Cause,
    Engine,
    Event,
    EventKind,
    FuelSystem,
    IntArray,
    Recording,
    Repair,
    TachSource,
    Trace,
)

FORMAT = "capture-folder"
VERSION = 1


def columns_of(channel: Channel) -> list[str]:
    """The header of a channel's CSV file."""
    if channel.kind in ("pulses", "marks"):
        return ["time_s"]
    if channel.kind == "vector":
        return ["time_s", "x_g", "y_g", "z_g"]
    return ["time_s", "value"]


def read_folder(folder: Path) -> Event:
    """Read a capture folder into arrays.

    Raises CaptureError, naming file and line or key, where anything in it cannot be taken at its word.
    """
    toml_path = folder / "capture.toml"
    if not folder.exists():
        raise CaptureError(f"{folder}: no such folder; give the folder that holds capture.toml")
    if not toml_path.is_file():
        raise CaptureError(f"{folder}: no capture.toml in it; give the folder that holds capture.toml")
    try:
        document = tomllib.loads(toml_path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CaptureError(f"{toml_path}: not valid TOML: {error}") from error
    reader = _Toml(toml_path, document)
    if document.get("format") != FORMAT:
        raise CaptureError(f'{toml_path}: format is {document.get("format")!r}; expected "{FORMAT}"')
    if document.get("version") != VERSION:
        raise CaptureError(f"{toml_path}: version is {document.get('version')!r}; this program reads version {VERSION}")
    event = reader.table("event")
    tables = document.get("recordings")
    if not isinstance(tables, list) or not tables:
        raise CaptureError(f"{toml_path}: no [[recordings]]; add one table for each sub-folder of CSV files")
    recordings = tuple(_read_recording(folder, reader, number, table) for number, table in enumerate(tables, 1))
    names = [recording.name for recording in recordings]
    for name in names:
        if names.count(name) > 1:
            raise CaptureError(f'{toml_path}: [[recordings]] names folder "{name}" twice; each may appear once')
    return Event(
        name=reader.text(event, "event.name", folder.name),
        kind=cast(EventKind, reader.word(event, "event.kind", get_args(EventKind), "competition")),
        started_utc=_utc(toml_path, event.get("started_utc")),
        engine=_read_engine(reader),
        recordings=recordings,
        repairs=tuple(_read_repair(reader, table, names) for table in reader.tables("repairs")),
    )


class _Toml:
    """Typed look-ups in one capture.toml whose errors name the file and the key."""

    def __init__(self, path: Path, document: dict[str, Any]) -> None:
        self.path = path
        self.document = document

    def table(self, key: str) -> dict[str, Any]:
        value = self.document.get(key, {})
        if not isinstance(value, dict):
            raise CaptureError(f"{self.path}: {key} must be a table, [{key}]")
        return value

    def tables(self, key: str) -> list[dict[str, Any]]:
        value = self.document.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise CaptureError(f"{self.path}: {key} must be a list of tables, [[{key}]]")
        return value

    def text(self, table: dict[str, Any], key: str, default: str | None = None) -> str:
        value = table.get(key.rpartition(".")[2], default)
        if not isinstance(value, str) or not value:
            raise CaptureError(f"{self.path}: {key} must be a text, got {value!r}")
        return value

    def word(self, table: dict[str, Any], key: str, allowed: tuple[str, ...], default: str | None) -> str | None:
        value = table.get(key.rpartition(".")[2], default)
        if value is not None and value not in allowed:
            raise CaptureError(f"{self.path}: {key} is {value!r}; allowed are {', '.join(allowed)}")
        return cast(str | None, value)

    def number(self, table: dict[str, Any], key: str, low: float, high: float) -> float | None:
        value = table.get(key.rpartition(".")[2])
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise CaptureError(f"{self.path}: {key} is {value!r}; expected a number from {low:g} to {high:g}")
        return float(value)


def _read_engine(reader: _Toml) -> Engine:
    table = reader.table("engine")
    cylinders = reader.number(table, "engine.cylinders", 1, 16)
    if cylinders is None or cylinders != int(cylinders):
        raise CaptureError(f"{reader.path}: engine.cylinders is missing or not whole; write how many the engine has")
    strokes = reader.number(table, "engine.strokes", 2, 4)
    if strokes not in (None, 2, 4):
        raise CaptureError(f"{reader.path}: engine.strokes is {strokes:g}; allowed are 2 and 4")
    return Engine(
        cylinders=int(cylinders),
        strokes=int(strokes or 4),
        tach_pulses_per_revolution=reader.number(table, "engine.tach_pulses_per_revolution", 0.25, 120),
        tach_source=cast(TachSource | None, reader.word(table, "engine.tach_source", get_args(TachSource), None)),
        fuel_system=cast(FuelSystem | None, reader.word(table, "engine.fuel_system", get_args(FuelSystem), None)),
        idle_rpm=reader.number(table, "engine.idle_rpm", 100, 5000),
        redline_rpm=reader.number(table, "engine.redline_rpm", 1000, 25000),
    )


def _read_repair(reader: _Toml, table: dict[str, Any], names: list[str]) -> Repair:
    offset_s = reader.number(table, "repairs.offset_s", -1e9, 1e9)
    after = table.get("after_recording")
    if after is not None and after not in names:
        raise CaptureError(
            f"{reader.path}: repairs.after_recording is {after!r}; the recordings are {', '.join(names)}"
        )
    if offset_s is None and after is None:
        raise CaptureError(f"{reader.path}: a repair needs offset_s or after_recording, to say when it was done")
    return Repair(
        what=reader.text(table, "repairs.what"),
        offset_ns=None if offset_s is None else round(offset_s * NS_PER_S),
        after_recording=after,
        suspect=cast(Cause | None, reader.word(table, "repairs.suspect", CAUSES, None)),
    )


def _utc(path: Path, value: object) -> datetime | None:
    if value is None:
        return None
    if not isinstance(value, datetime):
        raise CaptureError(f"{path}: event.started_utc is {value!r}; write it as 2026-05-09T08:02:11Z, without quotes")
    return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def _read_recording(folder: Path, reader: _Toml, number: int, table: object) -> Recording:
    if not isinstance(table, dict):
        raise CaptureError(f"{reader.path}: [[recordings]] number {number} is not a table")
    name = reader.text(table, "recordings.folder")
    place = folder / name
    if Path(name).name != name or name in (".", ".."):
        raise CaptureError(f"{reader.path}: recordings.folder {name!r} must be a plain folder name in {folder}")
    if not place.is_dir():
        raise CaptureError(f"{reader.path}: recordings.folder {name!r} does not exist in {folder}")
    for path in sorted(place.glob("*.csv")):
        if path.stem not in CHANNELS:
            raise CaptureError(f"{path}: unknown channel {path.stem!r}; known are {', '.join(CHANNELS)}")
    if not (place / "tach_pulses.csv").is_file():
        raise CaptureError(f"{place}: no tach_pulses.csv in it; it is the one file that every recording needs")
    traces: dict[str, Trace] = {}
    pulses: dict[str, IntArray] = {}
    last = 0
    for channel in CHANNELS.values():
        path = place / f"{channel.name}.csv"
        if not path.is_file():
            continue
        time_ns, value = read_channel(path, channel)
        last = max(last, int(time_ns[-1]) if time_ns.size else 0)
        if channel.kind in ("pulses", "marks"):
            pulses[channel.name] = time_ns
        else:
            traces[channel.name] = Trace(time_ns, value)
    offset_s = reader.number(table, "recordings.offset_s", -1e9, 1e9)
    return Recording(name, last, traces, pulses, None if offset_s is None else round(offset_s * NS_PER_S))


def read_channel(path: Path, channel: Channel) -> tuple[IntArray, np.ndarray[Any, np.dtype[np.float64]]]:
    """Read one CSV file: times (int64 ns, shape (n,)) and values (float64, (n,), (n, 3), or (n, 0) for pulses).

    An empty field becomes NaN; a file of one header line becomes empty arrays.
    """
    expected = columns_of(channel)
    if path.stat().st_size == 0:
        raise CaptureError(f"{path}: the file is empty; it needs at least the header line {','.join(expected)}")
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            header = file.readline().rstrip("\r\n")
    except UnicodeDecodeError as error:
        raise CaptureError(f"{path}: line 1: not UTF-8 text") from error
    columns = [name.strip().strip('"') for name in header.split(",")]
    missing = [name for name in expected if name not in columns]
    if missing:
        raise CaptureError(f"{path}: line 1: column {missing[0]} is missing; the header must be {','.join(expected)}")
    twice = [name for name in expected if columns.count(name) > 1]
    if twice:
        raise CaptureError(f"{path}: line 1: column {twice[0]} is there twice; leave one of the two out")
    try:
        table = pa_csv.read_csv(
            path,
            read_options=pa_csv.ReadOptions(column_names=columns, skip_rows=1, use_threads=True),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(expected, pa.float64()), include_columns=expected, null_values=[""]
            ),
        )
    except pa.ArrowInvalid as error:
        said = " ".join(str(error).split())
        raise CaptureError(_locate_bad_row(path, columns, expected) or f"{path}: {said}") from error
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read: {error}") from error
    times = table.column("time_s")
    if times.null_count:
        row = int(np.flatnonzero(pc.is_null(times).to_numpy())[0])
        raise CaptureError(f"{path}: line {_line_of(path, row)}: time_s is empty; every row needs its time")
    time_s = times.to_numpy()
    wrong = np.flatnonzero(~np.isfinite(time_s) | (np.abs(time_s) > 1e9))
    if wrong.size:
        raise CaptureError(
            f"{path}: line {_line_of(path, int(wrong[0]))}: time_s is {time_s[wrong[0]]}; expected seconds from the "
            "start"
        )
    back = np.flatnonzero(np.diff(time_s) < 0)
    if back.size:
        row = int(back[0]) + 1
        raise CaptureError(
            f"{path}: line {_line_of(path, row)}: time runs backwards, {time_s[row]:g} s after {time_s[row - 1]:g} s; "
            "sort the rows by time or split the recording"
        )
    values = [table.column(name).to_numpy() for name in expected[1:]]
    time_ns = np.rint(time_s * NS_PER_S).astype(np.int64)
    if len(values) == 1:
        value = np.ascontiguousarray(values[0])
    else:
        value = np.column_stack(values) if values else np.empty((time_ns.size, 0))
    infinite = np.flatnonzero(np.isinf(value).reshape(time_ns.size, -1).any(axis=1)) if value.size else np.empty(0)
    if infinite.size:
        line = _line_of(path, int(infinite[0]))
        raise CaptureError(f"{path}: line {line}: a value is infinite; leave the field empty instead")
    return time_ns, value


def _line_of(path: Path, row: int) -> int:
    """The line of a row of numbers, empty lines counted; only ever run on a file that is refused."""
    with path.open(encoding="utf-8", errors="replace") as file:
        lines = (number for number, text in enumerate(file, 1) if text.strip("\n"))
        return next(islice(lines, row + 1, None))


def _locate_bad_row(path: Path, columns: list[str], expected: list[str]) -> str | None:
    """Find the first row that is not numbers, to name its line; only ever run on a file that was refused."""
    with path.open(encoding="utf-8", errors="replace", newline="") as file:
        next(file)
        for line, text in enumerate(file, 2):
            fields = text.rstrip("\r\n").split(",")
            if fields == [""]:
                continue
            if len(fields) != len(columns):
                return f"{path}: line {line}: {len(fields)} fields where the header has {len(columns)}"
            for name, field in zip(columns, fields, strict=True):
                if name in expected and field and not _is_number(field):
                    return f"{path}: line {line}: {name} is {field!r}; expected a number or an empty field"
    return None


def _is_number(field: str) -> bool:
    text = field.strip()
    if len(text) > 1 and text[0] == text[-1] == '"':
        text = text[1:-1]
    try:
        return not math.isnan(float(text))
    except ValueError:
        return False
