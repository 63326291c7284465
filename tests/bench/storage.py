"""Storing and reading back: our recordings beside rows in SQLite and beside plain arrays on disk.

    python -m tests.bench.storage [--hours 8] [--json FILE]

plain: one row per sample with an index (channel, time), as most loggers do it. limit: int16 and int32 numbers appended
to files and synced once a second; read back through a memory map. CPU times are medians of five. The plain way is read
over one hour and scaled to all of them, since its cost is strictly proportional.
"""

import os
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.event import NS_PER_S
from logger.store.compaction import compact
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from tests.bench import workload
from tests.bench.measure import REPEATS, Row, cold_cpu_s, cpu_s, json_path_of, show, written_bytes
from tests.bench.workload import CHANNELS, RAW_BYTES_PER_S, SAMPLED, TACH

WRITE_S = 600
PIXELS = 2000
WINDOW_S = 10


class Ours:
    """RecordingWriter, as the recorder uses it."""

    def __init__(self, path: Path) -> None:
        self.writer = RecordingWriter(path, workload.meta())

    def append(self, second: Second) -> None:
        self.writer.append(second)

    def close(self) -> None:
        self.writer.close()


class Sql:
    """What both row layouts share: WAL, synchronous FULL, one commit a second."""

    tables: tuple[str, ...] = ()

    def __init__(self, path: Path) -> None:
        self.connection = sqlite3.connect(path, isolation_level=None)
        self.connection.execute("PRAGMA journal_mode = WAL").fetchall()
        self.connection.execute("PRAGMA synchronous = FULL")
        for statement in self.tables:
            self.connection.execute(statement)

    def append(self, second: Second) -> None:
        self.connection.execute("BEGIN")
        self.insert(second)
        self.connection.execute("COMMIT")

    def insert(self, second: Second) -> None:
        raise NotImplementedError

    def close(self) -> None:
        self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self.connection.close()


class RowPerSample(Sql):
    tables = (
        "CREATE TABLE samples (channel INTEGER, time INTEGER, value INTEGER)",
        "CREATE INDEX by_channel ON samples (channel, time)",
    )

    def insert(self, second: Second) -> None:
        for series in second.series:
            values = [None] * series.time_ns.size if series.raw is None else series.raw.tolist()
            rows = zip([series.channel] * len(values), series.time_ns.tolist(), values, strict=True)
            self.connection.executemany("INSERT INTO samples VALUES (?, ?, ?)", rows)


class WideRows(Sql):
    tables = (
        "CREATE TABLE samples (time INTEGER PRIMARY KEY, a, b, c, d, e, f, g, h)",
        "CREATE TABLE pulses (time INTEGER PRIMARY KEY)",
    )

    def insert(self, second: Second) -> None:
        columns = []
        for series in second.series[:TACH]:
            assert series.raw is not None
            column: list[int | None] = [None] * 100
            column[:: 100 // series.raw.size] = series.raw.tolist()
            columns.append(column)
        rows = zip(second.series[0].time_ns.tolist(), *columns, strict=True)
        self.connection.executemany("INSERT INTO samples VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        pulses = ((time,) for time in second.series[TACH].time_ns.tolist())
        self.connection.executemany("INSERT INTO pulses VALUES (?)", pulses)


class Append:
    """The same numbers as int16 and int32 at the end of one file, fdatasync once a second."""

    def __init__(self, path: Path) -> None:
        self.file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        self.last_ns = 0

    def append(self, second: Second) -> None:
        pulses = second.series[TACH].time_ns
        intervals = np.diff(pulses, prepend=self.last_ns) // 1000
        self.last_ns = int(pulses[-1])
        parts = [series.raw for series in second.series[:TACH] if series.raw is not None]
        os.write(self.file, np.concatenate(parts).tobytes() + intervals.astype(np.int32).tobytes())
        os.fdatasync(self.file)

    def close(self) -> None:
        os.close(self.file)


def measure_writing(folder: Path, quick: bool) -> list[Row]:
    """Disk, written bytes and CPU of recording, per hour."""
    duration_s = 15 if quick else WRITE_S
    seconds = [workload.second(index) for index in range(duration_s)]
    kinds = (Ours, RowPerSample, WideRows, Append)
    measured: dict[str, list[tuple[float, float, float]]] = {kind.__name__: [] for kind in kinds}
    # In turns, so that whatever else the machine is doing weighs on all alike.
    for kind in kinds * (1 if quick else REPEATS):
        path = folder / kind.__name__
        sink = kind(path)
        before = written_bytes()
        cpu = cpu_s(lambda sink=sink: [sink.append(second) for second in seconds], 1)  # type: ignore[misc]
        sink.close()
        measured[kind.__name__].append((float(path.stat().st_size), float(written_bytes() - before), cpu))
        path.unlink()
    per_hour = 3600 / duration_s
    figures = {name: [float(x) * per_hour for x in np.median(rows, axis=0)] for name, rows in measured.items()}
    ours, rows, wide, limit = (figures[name] for name in ("Ours", "RowPerSample", "WideRows", "Append"))
    disk, written, cpu = ([value / 1e6 for value in column] for column in zip(ours, rows, wide, limit, strict=True))
    return [
        Row("disk while recording against rows", "MB/h", disk[0], disk[1], disk[3], 1 / 20, "plain", "disk"),
        Row("disk while recording against wide rows", "MB/h", disk[0], disk[2], disk[3], 1 / 4, "plain", "disk"),
        Row("written, FULL, a commit a second", "MB/h", written[0], written[1], written[3], 1.5, key="written"),
        Row("CPU of storing", "s/h", 1e6 * cpu[0], 1e6 * cpu[1], 1e6 * cpu[3], 1.8, key="storing"),
    ]


def measure_reading(folder: Path, quick: bool) -> list[Row]:
    """Size once closed, and CPU of reading everything, a window and an overview."""
    return reading(folder, 0.25 if quick else 8.0, 1 if quick else REPEATS)


def reading(folder: Path, hours: float, repeats: int = REPEATS) -> list[Row]:
    """Everything is read with files out of the page cache, windows and overviews again and again, as zooming does."""
    n_seconds = round(hours * 3600)
    growing, closed = folder / "growing.sqlite", folder / "closed.sqlite"
    for path in (closed, growing):
        writer = RecordingWriter(path, workload.meta(), durable=False)
        for index in range(n_seconds):
            writer.append(workload.second(index))
        if path == closed:
            writer.close()
    compact(closed)
    arrays = write_arrays(folder, n_seconds)
    rows, scale = write_rows(folder, min(n_seconds, 3600)), max(1.0, n_seconds / 3600)
    middle = n_seconds // 2
    raw_bytes = RAW_BYTES_PER_S * n_seconds

    def whole_raw() -> object:
        with RecordingReader(closed) as reader:
            return reader.raws(reader.channels)

    def whole() -> object:
        with RecordingReader(closed) as reader:
            return reader.recording()

    def mapped_raw() -> object:
        return [np.array(np.load(path, mmap_mode="r")) for path in arrays]

    def mapped() -> object:
        """What the analysis works on: SI values with the time of each sample, int64 ns."""
        wiring = workload.wiring()
        out = []
        supply = wiring.channels["sensor_supply_voltage"].calibration.to_si(np.load(arrays[3], mmap_mode="r"))
        for path, (name, (rate, *_)) in zip(arrays, SAMPLED.items(), strict=False):
            counts = np.load(path, mmap_mode="r")
            calibration = wiring.channels[name].calibration
            value = calibration.to_si(counts, supply[:: 100 // rate] if calibration.needs_supply else None)
            out.append((np.arange(counts.size, dtype=np.int64) * (NS_PER_S // rate), value))
        return out, np.load(arrays[TACH], mmap_mode="r") * 1000

    def whole_rows() -> object:
        sql = "SELECT time, value FROM samples"
        with sqlite3.connect(rows) as connection:
            return [
                np.array(connection.execute(f"{sql} WHERE channel = ? ORDER BY time", (k,)).fetchall())
                for k in range(TACH + 1)
            ]

    def window() -> object:
        with RecordingReader(closed) as reader:
            return reader.raws(reader.channels, middle * NS_PER_S, (middle + WINDOW_S) * NS_PER_S)

    def window_mapped() -> object:
        out = []
        for path, (rate, *_) in zip(arrays, SAMPLED.values(), strict=False):
            out.append(np.array(np.load(path, mmap_mode="r")[middle * rate : (middle + WINDOW_S) * rate]))
        pulses = np.load(arrays[TACH], mmap_mode="r")
        low, high = np.searchsorted(pulses, [middle * 10**6, (middle + WINDOW_S) * 10**6])
        return [*out, np.array(pulses[low:high])]

    def window_rows() -> object:
        at = min(middle, 1800) * NS_PER_S
        with sqlite3.connect(rows) as connection:
            sql = "SELECT time, value FROM samples WHERE channel = ? AND time >= ? AND time < ? ORDER BY time"
            return [
                np.array(connection.execute(sql, (k, at, at + WINDOW_S * NS_PER_S)).fetchall()) for k in range(TACH + 1)
            ]

    def overview(path: Path) -> object:
        with RecordingReader(path) as reader:
            return [reader.overview(channel, n_columns=PIXELS) for channel in reader.channels]

    def overview_mapped() -> object:
        out = []
        for path in arrays[:TACH]:
            values = np.load(path, mmap_mode="r")
            starts = np.arange(PIXELS) * values.size // PIXELS
            out.append((np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)))
        pulses = np.load(arrays[TACH], mmap_mode="r")
        starts = np.searchsorted(pulses, np.arange(PIXELS) * n_seconds * 10**6 // PIXELS)
        intervals = pulses[1:] - pulses[:-1]
        return [*out, (np.minimum.reduceat(intervals, starts[:-1]), np.maximum.reduceat(intervals, starts[:-1]))]

    def overview_rows() -> object:
        width = 3600 * NS_PER_S * scale // PIXELS
        with sqlite3.connect(rows) as connection:
            sql = "SELECT min(value), max(value) FROM samples WHERE channel = ? GROUP BY time / ?"
            return [connection.execute(sql, (k, width)).fetchall() for k in range(TACH)]

    def ms(work: Callable[[], object]) -> float:
        return cpu_s(work, repeats) * 1e3

    def cold_ms(work: Callable[[], object], *paths: Path) -> float:
        return cold_cpu_s(work, paths, repeats) * 1e3

    map_ms, rows_overview = ms(overview_mapped), ms(overview_rows) * scale
    raw_ms, rows_ms, si_ms = cold_ms(whole_raw, closed), cold_ms(whole_rows, rows) * scale, cold_ms(whole, closed)
    si_map_ms, raw_map_ms = cold_ms(mapped, *arrays), cold_ms(mapped_raw, *arrays)
    everything, shown = f"whole {hours:g} h into arrays", f"overview of all channels, {hours:g} h"
    closed_ms, growing_ms = ms(lambda: overview(closed)), ms(lambda: overview(growing))
    window_ms = (ms(window), ms(window_rows), ms(window_mapped))
    table = [
        Row(f"{hours:g} h closed", "MB", closed.stat().st_size / 1e6, None, raw_bytes / 1e6, 0.50, key="closed"),
        Row(f"{everything}, against rows", "CPU ms", raw_ms, rows_ms, raw_map_ms, 1 / 40, "plain", "whole"),
        Row(f"{everything}, SI with times", "CPU ms", si_ms, None, si_map_ms, 1.5, key="whole"),
        Row("10 s window of all channels", "CPU ms", *window_ms, 2.0, key="window"),
        Row(f"{shown}, closed", "CPU ms", closed_ms, rows_overview, map_ms, 0.5, key="overview"),
        Row(f"{shown}, recording", "CPU ms", growing_ms, rows_overview, map_ms, 1.0, key="overview"),
    ]
    writer.close()
    return table


def write_arrays(folder: Path, n_seconds: int) -> list[Path]:
    """One file of int16 per channel; pulses as int64 microseconds, so that a window can be found by bisection."""
    minutes = [workload.minute(number) for number in range(-(-n_seconds // 60))]
    arrays = {
        name: np.concatenate([counts[name] for counts, _ in minutes])[: n_seconds * rate]
        for name, (rate, *_) in SAMPLED.items()
    }
    arrays["tach_pulses"] = np.concatenate([pulses for _, pulses in minutes]) // 1000
    paths = [folder / f"{channel.name}.npy" for channel in CHANNELS]
    for path in paths:
        np.save(path, arrays[path.stem])
    return paths


def write_rows(folder: Path, n_seconds: int) -> Path:
    path = folder / "rows.sqlite"
    sink = RowPerSample(path)
    sink.connection.execute("PRAGMA synchronous = OFF")
    for index in range(n_seconds):
        sink.append(workload.second(index))
    sink.close()
    return path


def main(arguments: list[str]) -> int:
    hours = float(arguments[arguments.index("--hours") + 1]) if "--hours" in arguments else 8.0
    with TemporaryDirectory(dir=".") as name:
        table = measure_writing(Path(name), quick=False) + reading(Path(name), hours)
    return show("storage", table, json_path_of(arguments))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
