"""How fast a capture folder of about 60 MB is read, written, imported and exported.

    python -m tests.bench.import_speed

Prints MB of CSV per second (median of three) and exits with 1 where reading is slower than 40 MB/s.
"""

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.event import NS_PER_S, Engine, Event, Recording, Trace
from logger.store.capture import read_folder
from logger.store.capture_out import write_folder
from logger.store.exports.write import write
from logger.store.store import Store

LEAST_READING_MB_PER_S = 40.0
N_RECORDINGS = 4
MINUTES = 15
REPEATS = 3
SAMPLED = {  # usual rate, usual value, noise, decimals
    "battery_voltage": (100, 13.9, 0.05, 3),
    "ignition_feed_voltage": (100, 13.7, 0.05, 3),
    "sensor_supply_voltage": (100, 5.0, 0.002, 3),
    "fuel_pressure": (100, 300.0, 2.0, 1),
    "throttle_position": (100, 50.0, 20.0, 1),
    "air_fuel_ratio": (50, 13.0, 0.3, 2),
    "coolant_temperature": (5, 88.0, 0.2, 1),
}


def hour_of_driving() -> Event:
    """Four recordings of a quarter of an hour with every usual channel at its usual rate."""
    random = np.random.default_rng(1)
    recordings = []
    for number in range(N_RECORDINGS):
        duration_s = MINUTES * 60
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


def median_s(work: Callable[[int], object]) -> float:
    """Median duration of the repeats; `work` gets the number of the repeat."""
    durations = []
    for repeat in range(REPEATS):
        begun = time.perf_counter()
        work(repeat)
        durations.append(time.perf_counter() - begun)
    return statistics.median(durations)


def main() -> int:
    event = hour_of_driving()
    with TemporaryDirectory() as name:
        base = Path(name)
        figures = {"write": median_s(lambda n: write_folder(event, base / f"csv{n}"))}
        folder = base / "csv0"
        size_mb = sum(path.stat().st_size for path in folder.rglob("*.csv")) / 1e6
        figures["read"] = median_s(lambda n: read_folder(folder))

        def take_in(repeat: int) -> None:
            with Store(base / f"data{repeat}") as store:
                store.import_folder(folder)

        def give_out(repeat: int) -> None:
            with Store(base / "data0") as store:
                write(store, store.find("latest"), "csv", base / f"out{repeat}")

        figures["import"] = median_s(take_in)
        figures["export"] = median_s(give_out)
        stored_mb = sum(path.stat().st_size for path in (base / "data0").rglob("*.sqlite")) / 1e6
    print(f"{size_mb:.0f} MB of CSV, {stored_mb:.1f} MB stored")
    for what, seconds in figures.items():
        print(f"{what:<7} {seconds:6.2f} s  {size_mb / seconds:6.0f} MB/s")
    return 0 if size_mb / figures["read"] >= LEAST_READING_MB_PER_S else 1


if __name__ == "__main__":
    sys.exit(main())
