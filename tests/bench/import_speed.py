"""How fast a capture folder of about 60 MB is imported, read and written.

    python -m tests.bench.import_speed

MB of CSV a second by the clock, the folder out of the page cache before each. plain: the standard library's CSV reader
and a loop. limit: PyArrow's parser alone, nothing checked, nothing stored.
"""

import csv
import math
import statistics
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyarrow.csv as pa_csv

from logger.event import NS_PER_S, Engine, Event, Recording, Trace
from logger.store.capture import read_folder
from logger.store.capture_out import write_folder
from logger.store.store import Store
from tests.bench.measure import REPEATS, Row, evict, show, wall_s

LEAST_MB_PER_S = 40.0
N_RECORDINGS = 4
MINUTES = 15
SAMPLED = {  # usual rate, usual value, noise, decimals
    "battery_voltage": (100, 13.9, 0.05, 3),
    "ignition_feed_voltage": (100, 13.7, 0.05, 3),
    "sensor_supply_voltage": (100, 5.0, 0.002, 3),
    "fuel_pressure": (100, 300.0, 2.0, 1),
    "throttle_position": (100, 50.0, 20.0, 1),
    "air_fuel_ratio": (50, 13.0, 0.3, 2),
    "coolant_temperature": (5, 88.0, 0.2, 1),
}


def hour_of_driving(minutes: int = MINUTES) -> Event:
    """Four recordings of a quarter of an hour with every usual channel at its usual rate."""
    random = np.random.default_rng(1)
    recordings = []
    for number in range(N_RECORDINGS):
        duration_s = minutes * 60
        traces = {}
        for name, (rate_hz, value, noise, decimals) in SAMPLED.items():
            time_ns = np.arange(duration_s * rate_hz, dtype=np.int64) * (NS_PER_S // rate_hz)
            traces[name] = Trace(time_ns, np.round(random.normal(value, noise, time_ns.size), decimals))
        time_ns = np.arange(duration_s * 400, dtype=np.int64) * (NS_PER_S // 400)
        traces["acceleration"] = Trace(time_ns, np.round(random.normal(0, 0.3, (time_ns.size, 3)), 2))
        pulses = np.cumsum(random.integers(5_000, 9_000, duration_s * 150)) * 1000
        last = max(int(pulses[-1]), *(int(trace.time_ns[-1]) for trace in traces.values()))
        recordings.append(Recording(f"r{number + 1:02d}", last, traces, {"tach_pulses": pulses}))
    return Event("Bench", Engine(6), tuple(recordings))


def plain_reading(folder: Path) -> object:
    """What the standard library's reader and a loop make of it."""
    columns: list[list[float]] = []
    for path in sorted(folder.rglob("*.csv")):
        with path.open(newline="") as file:
            rows = csv.reader(file)
            table: list[list[float]] = [[] for _ in next(rows)]
            for row in rows:
                for column, field in zip(table, row, strict=True):
                    column.append(float(field) if field else math.nan)
        columns += table
    return columns


def least_reading(folder: Path) -> object:
    """The parser alone, its columns thrown away."""
    return [pa_csv.read_csv(path).num_rows for path in sorted(folder.rglob("*.csv"))]


def measure(folder: Path, quick: bool) -> list[Row]:
    """MB of CSV a second, from the disk into the store and into arrays; and back."""
    repeats = 1 if quick else REPEATS
    event = hour_of_driving(1 if quick else MINUTES)
    csv_folder = folder / "csv"
    write_folder(event, csv_folder)
    size_mb = sum(path.stat().st_size for path in csv_folder.rglob("*.csv")) / 1e6

    def rate(work: Callable[[], object], times: int = repeats) -> float:
        def one() -> float:
            evict([csv_folder])
            return wall_s(work, 1)

        return size_mb / statistics.median(one() for _ in range(times))

    def take_in() -> None:
        with TemporaryDirectory(dir=folder) as name, Store(Path(name)) as store:
            store.import_folder(csv_folder)

    def give_out() -> None:
        with TemporaryDirectory(dir=folder) as name:
            write_folder(event, Path(name) / "out")

    plain = rate(lambda: plain_reading(csv_folder), 1)
    limit = rate(lambda: least_reading(csv_folder))
    what = f"import of a capture folder of {size_mb:.0f} MB"
    return [
        Row(what, "MB/s", rate(take_in), plain, limit, LEAST_MB_PER_S, "figure", "import", at_least=True),
        Row("  reading it into arrays", "MB/s", rate(lambda: read_folder(csv_folder)), plain, limit, key="import"),
        Row("  writing it from arrays", "MB/s", rate(give_out), key="import"),
    ]


if __name__ == "__main__":
    with TemporaryDirectory(dir=".") as name:
        sys.exit(show("import", measure(Path(name), "--quick" in sys.argv), None))
