"""Capture folders out: an event written as plain CSV files with a capture.toml, lossless to the last bit.

Times are written as exact decimals from integer nanoseconds, values as the shortest text that reads back as the
same float, so that import, export and import again gives the same arrays.
"""

import json
from collections.abc import Callable
from datetime import UTC
from decimal import Decimal
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from logger.channels import CHANNELS
from logger.event import Event, FloatArray, IntArray, Repair
from logger.store.capture import FORMAT, VERSION, columns_of
from logger.store.exports.placing import whole_folder

MAX_DECIMALS = 9
SLICE_ROWS = 1 << 16
EVERY_RECORDING_HAS = "tach_pulses"


def write_folder(
    event: Event, folder: Path, *, overwrite: bool = False, progress: Callable[[float], None] = lambda share: None
) -> None:
    """Write `event` as a capture folder named `folder`, whole or not at all.

    Raises StoreError where something of that name exists and `overwrite` is not set, or the disk refuses.
    """
    with whole_folder(folder, overwrite=overwrite, is_ours=is_capture, what="a capture folder") as draft:
        for number, recording in enumerate(event.recordings, 1):
            place = draft / recording.name
            place.mkdir()
            times = {EVERY_RECORDING_HAS: np.empty(0, np.int64), **recording.pulses}
            for name, time_ns in times.items():
                with ChannelFile(place, name) as file:
                    file.append(time_ns, None)
            for name, trace in recording.traces.items():
                with ChannelFile(place, name) as file:
                    file.append(trace.time_ns, trace.value)
            progress(number / len(event.recordings))
        (draft / "capture.toml").write_text(capture_toml(event), encoding="utf-8")


def is_capture(folder: Path) -> bool:
    """Whether a folder is a capture folder with nothing of anybody's own in it, which replacing it would take along."""
    others = [entry for entry in folder.iterdir() if entry.name != "capture.toml"]
    return (folder / "capture.toml").is_file() and all(
        entry.is_dir() and all(file.suffix == ".csv" and file.is_file() for file in entry.iterdir()) for entry in others
    )


class ChannelFile:
    """One channel's CSV file in a recording's folder, written stretch by stretch in the order of time."""

    def __init__(self, place: Path, channel: str) -> None:
        self._columns = columns_of(CHANNELS[channel])
        self._decimals = 0
        self._file = (place / f"{channel}.csv").open("wb")
        self._file.write((",".join(self._columns) + "\n").encode())

    def append(self, time_ns: IntArray, value: FloatArray | None) -> None:
        """Write a stretch. `value`: shape (n,) or (n, k), NaN written as an empty field; None for pulses."""
        if not time_ns.size:
            return
        self._decimals = max(self._decimals, decimals_of(time_ns))
        arrays = [exact_seconds(time_ns, self._decimals)]
        if value is not None:
            columns = value.reshape(len(value), -1).T
            arrays += [pa.array(np.ascontiguousarray(column), from_pandas=True) for column in columns]
        options = pa_csv.WriteOptions(include_header=False, batch_size=SLICE_ROWS, quoting_style="none")
        pa_csv.write_csv(pa.table(dict(zip(self._columns, arrays, strict=True))), self._file, options)

    def close(self) -> None:
        """Close the file; may be called twice."""
        self._file.close()

    def __enter__(self) -> "ChannelFile":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def decimals_of(time_ns: IntArray) -> int:
    """How many decimals the finest of these nanoseconds needs as seconds."""
    decimals, unit = MAX_DECIMALS, time_ns
    while decimals and not (unit % 10).any():
        unit, decimals = unit // 10, decimals - 1
    return decimals


def exact_seconds(time_ns: IntArray, decimals: int) -> pa.Array:
    """Nanoseconds, shape (n,), as decimal seconds; `decimals`: enough of them for `decimals_of`."""
    unit = time_ns // 10 ** (MAX_DECIMALS - decimals)
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
