"""Capture folders out: an event written as plain CSV files with a capture.toml, lossless to the last bit.

Times are written as exact decimals from integer nanoseconds, values as the shortest text that reads back as the
same float, so that import, export and import again gives the same arrays.
"""

import json
import shutil
from collections.abc import Callable
from datetime import UTC
from decimal import Decimal
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import Event, FloatArray, IntArray, Recording, Repair
from logger.store.capture import FORMAT, VERSION, columns_of

MAX_DECIMALS = 9
SLICE_ROWS = 1 << 16


def write_folder(
    event: Event, folder: Path, *, overwrite: bool = False, progress: Callable[[float], None] | None = None
) -> None:
    """Write `event` as a capture folder named `folder`, whole or not at all.

    Raises StoreError where something of that name exists and `overwrite` is not set, or the disk refuses.
    """
    if folder.exists() and not overwrite:
        raise StoreError(f"{folder}: already exists; choose another folder or say --overwrite")
    if folder.exists() and any(folder.iterdir()) and not (folder / "capture.toml").is_file():
        raise StoreError(f"{folder}: holds other files and no capture.toml; only a capture folder is overwritten")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as error:
        raise StoreError(f"{folder}: cannot be written: {error.strerror}") from error
    try:
        _write_draft(event, draft, progress or (lambda fraction: None))
        _put_in_place(draft, folder)
    except OSError as error:
        raise StoreError(f"{folder}: cannot be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _write_draft(event: Event, draft: Path, progress: Callable[[float], None]) -> None:
    draft.chmod(0o755)  # mkdtemp keeps others out; an export is there to be handed on
    for number, recording in enumerate(event.recordings, 1):
        _write_recording(recording, draft / recording.name)
        progress(number / len(event.recordings))
    (draft / "capture.toml").write_text(capture_toml(event), encoding="utf-8")


def _put_in_place(draft: Path, folder: Path) -> None:
    if not folder.exists():
        draft.rename(folder)
        return
    old = Path(mkdtemp(prefix=f".{folder.name}.old.", dir=folder.parent))
    folder.rename(old)
    try:
        draft.rename(folder)
    except OSError:
        old.rename(folder)
        raise
    shutil.rmtree(old)


def _write_recording(recording: Recording, place: Path) -> None:
    place.mkdir()
    for name, trace in recording.traces.items():
        _write_csv(place / f"{name}.csv", columns_of(CHANNELS[name]), trace.time_ns, trace.value)
    pulses = {"tach_pulses": np.empty(0, np.int64), **recording.pulses}  # the one file that every recording needs
    for name, time_ns in pulses.items():
        _write_csv(place / f"{name}.csv", columns_of(CHANNELS[name]), time_ns, None)


def _write_csv(path: Path, columns: list[str], time_ns: IntArray, value: FloatArray | None) -> None:
    """Write one channel. `value`: shape (n,) or (n, k), NaN written as an empty field; None for pulses."""
    arrays = [exact_seconds(time_ns)]
    if value is not None:
        arrays += [
            pa.array(np.ascontiguousarray(column), from_pandas=True) for column in value.reshape(len(value), -1).T
        ]
    options = pa_csv.WriteOptions(include_header=False, batch_size=SLICE_ROWS, quoting_style="none")
    with path.open("wb") as file:
        file.write((",".join(columns) + "\n").encode())
        if time_ns.size:
            pa_csv.write_csv(pa.table(dict(zip(columns, arrays, strict=True))), file, options)


def exact_seconds(time_ns: IntArray) -> pa.Array:
    """Nanoseconds, shape (n,), as decimal seconds with as many decimals as the finest of them needs."""
    decimals, unit = MAX_DECIMALS, time_ns
    while decimals and not (unit % 10).any():
        unit, decimals = unit // 10, decimals - 1
    words = np.empty((time_ns.size, 2), "<i8")  # decimal128: low word, then the sign's extension
    words[:, 0] = unit
    words[:, 1] = unit >> 63
    return pa.Array.from_buffers(pa.decimal128(19, decimals), time_ns.size, [None, pa.py_buffer(words)])


def capture_toml(event: Event) -> str:
    """The text of capture.toml for `event`."""
    lines = [f'format = "{FORMAT}"', f"version = {VERSION}", "", "[event]"]
    lines += [f"name = {_text(event.name)}", f"kind = {_text(event.kind)}"]
    if event.started_utc is not None:
        moment = event.started_utc.astimezone(UTC).replace(tzinfo=None)
        lines.append(f"started_utc = {moment.isoformat()}Z")
    engine = event.engine
    lines += ["", "[engine]", f"cylinders = {engine.cylinders}", f"strokes = {engine.strokes}"]
    for key in ("tach_pulses_per_revolution", "idle_rpm", "redline_rpm"):
        if (number := getattr(engine, key)) is not None:
            lines.append(f"{key} = {float(number)!r}")
    for key in ("tach_source", "fuel_system"):
        if (word := getattr(engine, key)) is not None:
            lines.append(f"{key} = {_text(word)}")
    for recording in event.recordings:
        lines += ["", "[[recordings]]", f"folder = {_text(recording.name)}"]
        if recording.offset_ns is not None:
            lines.append(f"offset_s = {_seconds(recording.offset_ns)}")
    for repair in event.repairs:
        lines += ["", "[[repairs]]", *_repair_lines(repair)]
    return "\n".join(lines) + "\n"


def _repair_lines(repair: Repair) -> list[str]:
    lines = []
    if repair.offset_ns is not None:
        lines.append(f"offset_s = {_seconds(repair.offset_ns)}")
    if repair.after_recording is not None:
        lines.append(f"after_recording = {_text(repair.after_recording)}")
    lines.append(f"what = {_text(repair.what)}")
    if repair.suspect is not None:
        lines.append(f"suspect = {_text(repair.suspect)}")
    return lines


def _seconds(time_ns: int) -> str:
    return f"{Decimal(time_ns).scaleb(-MAX_DECIMALS).normalize():f}"


def _text(text: str) -> str:
    """A TOML basic string: JSON's escapes, and DEL, which JSON lets through."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
