"""Bench: how fast, and in how much memory, a day of 8 hours is exported.

    python -m tests.bench.export [FORM ...]

Each form is written by a process of its own, whose peak memory is its alone. Parquet is then read back with DuckDB and
compared, bit by bit, with what our own reader gives. SQLite is held against a plain executemany of the same rows.
Exits with 1 where anything differs or a limit is passed: 10 s and 500 MB for Parquet, 300 MB for the other forms.
"""

import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID

import numpy as np

from logger import settings
from logger.event import NS_PER_S
from logger.store.blocks import Series
from logger.store.compaction import BlockWriter, minutes_of
from logger.store.description import RecordingMeta, stored_channel
from logger.store.schema import partial_of, put_in_place

HOURS = 8
MOST_SECONDS = 10.0
MOST_MB = {"parquet": 500.0}
MOST_MB_ELSE = 300.0
FORMS = ("parquet", "sqlite", "bundle", "csv", "mdf")
SAMPLED = {  # usual rate, middle and noise in counts
    "battery_voltage": (100, 10_000, 30),
    "ignition_feed_voltage": (100, 9_900, 30),
    "fuel_pressure": (100, 12_000, 120),
    "sensor_supply_voltage": (100, 20_000, 8),
    "throttle_position": (100, 9_000, 3000),
    "air_fuel_ratio": (50, 12_000, 400),
    "coolant_temperature": (5, 8_000, 15),
}


def make_day(data_dir: Path) -> None:
    """One compacted recording of 8 hours with every channel of the default wiring at its usual rate, as counts."""
    random = np.random.default_rng(1)
    names = [*SAMPLED, "acceleration"]
    channels = (*(stored_channel(name, counts=True) for name in names), stored_channel("tach_pulses"))
    document = settings.default().to_dict()
    meta = RecordingMeta(
        str(UUID(int=1)), channels, power_up=1, started_utc="2026-05-09T08:00:00+00:00", clock_is_set=True,
        settings=document,
    )  # fmt: skip
    path = data_dir / "recordings" / "day.sqlite"
    path.parent.mkdir(parents=True)
    with BlockWriter(path, meta) as writer:
        for number, channel in enumerate(channels):
            for minute, series in minutes_of(_series(number, channel.name, random)):
                writer.add(minute, series)
        writer.finish("closed", HOURS * 3600 * NS_PER_S, (), ())
    put_in_place(partial_of(path), path)


def _series(number: int, name: str, random: np.random.Generator) -> Series:
    if name == "tach_pulses":
        return Series(number, np.cumsum(random.integers(5_000, 8_334, HOURS * 3600 * 150)) * 1000)
    rate, middle, noise = SAMPLED.get(name, (400, 0, 80))
    n = HOURS * 3600 * rate
    jitter = random.integers(-20, 20, n) * 1000  # samples are timed, not assumed to come on a grid
    time_ns = np.arange(n, dtype=np.int64) * (NS_PER_S // rate) + 1_000_000 + jitter
    shape = (n, 3) if name == "acceleration" else (n,)
    return Series(number, time_ns, (middle + random.normal(0, noise, shape)).astype(np.int16))


def export(form: str, data_dir: Path, to: Path) -> None:
    """Write one form; prints seconds, seconds of CPU and this process's peak memory in MB."""
    from logger.store.exports.write import write
    from logger.store.store import Store

    with Store(data_dir) as store:
        event_id = store.find("latest")
        begun, worked = time.perf_counter(), time.process_time()
        write(store, event_id, form, to)
        took, worked = time.perf_counter() - begun, time.process_time() - worked
    # Not getrusage: its peak is inherited from the process that started this one.
    peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    print(took, worked, int(peak.split()[1]) / 1024)


def read_back(data_dir: Path, to: Path) -> int:
    """Compare what DuckDB reads with what our own reader gives; returns how many samples were the same."""
    import duckdb

    from logger.store.store import Store

    n_same = 0
    with Store(data_dir) as store, store.reader(store.find("latest"), "r01") as reader:
        for channel in reader.meta.channels:
            series, value = reader.both([channel.name])[channel.name]
            columns = {"time_ns": series.time_ns}
            vector = channel.kind == "vector"
            if value is not None and series.raw is not None:
                names = (["x_g", "y_g", "z_g"], ["raw_x", "raw_y", "raw_z"]) if vector else (["value"], ["raw"])
                for some, array in zip(names, (value, series.raw), strict=True):
                    columns |= dict(zip(some, array.reshape(len(array), -1).T, strict=True))
            files = f"{to}/*/*/*/channel={channel.name}/*.parquet"
            for name, expected in columns.items():
                (got,) = duckdb.sql(f"SELECT {name} FROM read_parquet('{files}')").fetchnumpy().values()
                if np.ma.filled(got, np.nan if expected.dtype.kind == "f" else 0).tobytes() != expected.tobytes():
                    raise SystemExit(f"{channel.name}.{name}: DuckDB reads other numbers")
            n_same += series.time_ns.size
    return n_same


def plain_rows(data_dir: Path, to: Path) -> float:
    """Seconds of CPU for a plain executemany of the rows of the SQLite form: recording, time, counts, values."""
    from logger.store.exports.contents import opened
    from logger.store.exports.samples import pieces
    from logger.store.store import Store

    took = 0.0
    with Store(data_dir) as store, opened(store, store.find("latest")) as contents:
        connection = sqlite3.connect(to, isolation_level=None)
        connection.execute("PRAGMA journal_mode = OFF").fetchall()
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        for _, given, _ in pieces(contents):
            for piece in given:
                arrays = [piece.series.time_ns]
                for array in (piece.counts, piece.value):
                    arrays += [] if array is None else list(array.reshape(len(array), -1).T)
                rows = list(zip(["r01"] * arrays[0].size, *(array.tolist() for array in arrays), strict=True))
                names = ", ".join(f"c{k}" for k in range(len(arrays) + 1))
                connection.execute(f"CREATE TABLE IF NOT EXISTS {piece.channel.name} ({names})")
                marks = ", ".join("?" * (len(arrays) + 1))
                begun = time.process_time()
                connection.executemany(f"INSERT INTO {piece.channel.name} VALUES ({marks})", rows)
                took += time.process_time() - begun
        connection.execute("COMMIT")
        connection.close()
    return took


def main(forms: list[str]) -> int:
    with TemporaryDirectory() as name:
        base = Path(name)
        make_day(base / "data")
        failed = False
        for form in forms:
            to = base / f"out-{form}"
            command = [sys.executable, "-m", "tests.bench.export", "--one", form, str(base / "data"), str(to)]
            said = subprocess.check_output(command, text=True).splitlines()[-1]  # the library for MDF prints, too
            seconds, cpu, mb = (float(word) for word in said.split())
            paths = to.rglob("*") if to.is_dir() else [to]
            size_mb = sum(path.stat().st_size for path in paths if path.is_file()) / 1e6
            print(
                f"{form:<8} {seconds:6.1f} s  {cpu:6.1f} s of CPU  {mb:5.0f} MB of memory  {size_mb:6.0f} MB on disk",
                flush=True,
            )
            failed |= mb > MOST_MB.get(form, MOST_MB_ELSE) or (form == "parquet" and seconds > MOST_SECONDS)
            if form == "parquet":
                print(f"         DuckDB reads all {read_back(base / 'data', to)} samples as we do", flush=True)
            if form == "sqlite":
                floor = plain_rows(base / "data", base / "plain.sqlite")
                print(f"         {floor:.1f} s of CPU for a plain executemany of the same rows", flush=True)
            shutil.rmtree(to) if to.is_dir() else to.unlink()
    return int(failed)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        export(sys.argv[2], Path(sys.argv[3]), Path(sys.argv[4]))
    else:
        sys.exit(main(sys.argv[1:] or list(FORMS)))
