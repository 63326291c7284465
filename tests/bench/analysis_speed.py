"""How long the analysis of a long event takes, how that grows, and how much memory its process needs.

    python -m tests.bench.analysis_speed [--hours 8]

Two kinds of day: one recorded by the recorder with the default wiring, accelerometer samples and all, with a stumble a
minute (tests/bench/day.py); and five channels at 100 Hz, coolant at 5 Hz, levels at 20 Hz and 150 pulses a second of
noise and slow waves in one file. CPU times of the analysis itself, the arrays being there, in all its threads, and the
same by the clock; and CPU times of a process that does nothing but `stumblelog analyse`, reading included, with the
peak of its memory. limit: one pass of NumPy over the arrays (lowest, highest, steps). plain: the obvious loop, sample
by sample, that compares each with its neighbour and its limit, over a part and scaled.
"""

import argparse
import statistics
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.analysis import analyse
from logger.event import NS_PER_S, Engine, Event, Recording, Trace
from logger.store.compaction import meta_of, write_recording
from logger.store.store import Store
from tests.bench import day
from tests.bench.measure import REPEATS, Row, cpu_s, exponent, in_own_process, show, wall_s

MOST_S = 3.0
MOST_MB = 300.0
MOST_EXPONENT = 1.05
PLAIN_SAMPLES = 200_000
RECORDED_HOURS, STEADY_HOURS = (1 / 6, 1.0, 8.0), (1 / 6, 1.0, 8.0, 24.0)
QUICK_HOURS = (0.05, 0.1)
ANALYSE = """
import sys, time
from pathlib import Path
import scipy.stats, logger.analysis
from logger.store.store import Store
from logger.work import analyse_event
from tests.bench.measure import peak_mb
with Store(Path(sys.argv[1])) as store:
    event_id = store.find("latest")
    begun = time.process_time()
    analyse_event(store, event_id)
print(peak_mb(), time.process_time() - begun)
"""


def long_event(hours: float, seed: int = 1) -> Event:
    """One recording of that many hours, made of noise and slow waves, with 200 gaps of eight pulses in eight hours."""
    random = np.random.default_rng(seed)
    seconds = hours * 3600.0

    def channel(rate_hz: float, level: float, swing: float, noise: float) -> Trace:
        time_s = np.arange(0.0, seconds, 1.0 / rate_hz)
        value = level + swing * np.sin(time_s / 7.0) + random.normal(0.0, noise, time_s.size)
        return Trace(np.rint(time_s * NS_PER_S).astype(np.int64), np.round(value, 3))

    coarse = np.arange(0.0, seconds, 0.05)
    count = np.concatenate(([0.0], np.cumsum((150.0 + 60.0 * np.sin(coarse[:-1] / 5.0)) * 0.05)))
    pulses = np.interp(np.arange(1.0, count[-1]), count, coarse)
    pulses = np.sort(pulses + random.normal(0.0, 5e-5, pulses.size))
    lost = random.integers(1000, pulses.size - 1000, max(1, round(25 * hours)))
    pulses = np.delete(pulses, (lost[:, None] + np.arange(8)).ravel())
    traces = {
        "battery_voltage": channel(100, 13.9, 0.05, 0.02),
        "ignition_feed_voltage": channel(100, 13.5, 0.05, 0.02),
        "fuel_pressure": channel(100, 250.0, 30.0, 2.0),
        "sensor_supply_voltage": channel(100, 5.0, 0.0, 0.004),
        "throttle_position": channel(100, 50.0, 49.0, 0.3),
        "coolant_temperature": channel(5, 85.0, 3.0, 0.1),
        "vibration_rms": channel(20, 0.3, 0.05, 0.02),
        "vibration_peak": channel(20, 0.6, 0.1, 0.05),
    }
    edges = np.rint(pulses * 1e6).astype(np.int64) * 1000
    recording = Recording("r01", int(seconds * NS_PER_S), traces, {"tach_pulses": edges})
    return Event("long", Engine(4, fuel_system="port_injection", idle_rpm=900, redline_rpm=7000), (recording,))


def store_long_event(data_dir: Path, hours: float) -> None:
    """The same as a recording of a store."""
    event = long_event(hours)
    (recording,) = event.recordings
    engine = {"cylinders": 4, "fuel_system": "port_injection", "idle_rpm": 900.0, "redline_rpm": 7000.0}
    meta = meta_of(recording, "0f", power_up=1, origin="virtual", settings={"engine": engine})
    (data_dir / "recordings").mkdir(parents=True)
    write_recording(data_dir / "recordings" / "long.sqlite", meta, recording)


def recorded_event(folder: Path, hours: float) -> Event:
    """A recorded day of one file for each run, as arrays."""
    with TemporaryDirectory(dir=folder) as name, Store(Path(name)) as store:
        day.write_runs(Path(name), day.record_runs(), hours)
        return store.event(store.find("latest"))


def one_pass(event: Event) -> float:
    """What reading every number once costs at least."""
    total = 0.0
    for recording in event.recordings:
        for trace in recording.traces.values():
            total += float(trace.value.min()) + float(trace.value.max()) + float(np.diff(trace.time_ns).max())
        for pulses in recording.pulses.values():
            total += float(np.diff(pulses).max(initial=0))
    return total


def plain_loop_s(event: Event, repeats: int) -> float:
    """CPU seconds of a loop over all samples, from a part of them."""
    trace = event.recordings[0].traces["battery_voltage"]
    times, values = trace.time_ns.tolist()[:PLAIN_SAMPLES], trace.value.tolist()[:PLAIN_SAMPLES]

    def loop() -> list[int]:
        found, last = [], values[0]
        for at, value in zip(times, values, strict=True):
            if value < 9.0 or abs(value - last) > 2.0:
                found.append(at)
            last = value
        return found

    samples = sum(
        sum(trace.value.size for trace in recording.traces.values()) + sum(p.size for p in recording.pulses.values())
        for recording in event.recordings
    )
    return cpu_s(loop, repeats) * samples / len(values)


def measure_speed(folder: Path, quick: bool) -> list[Row]:
    """CPU of the analysis at the longest of each kind of day, and the power with which it grows."""
    repeats = 1 if quick else REPEATS
    rows = []
    for kind, make, all_hours in (
        ("recorded day", lambda hours: recorded_event(folder, hours), RECORDED_HOURS),
        ("five channels and levels", long_event, STEADY_HOURS),
    ):
        taken = []
        all_hours = QUICK_HOURS if quick else all_hours
        for hours in all_hours:
            event = make(hours)
            taken.append(cpu_s(lambda event=event: analyse(event), repeats))  # type: ignore[misc]
            if hours == 8.0 or (quick and hours == all_hours[-1]):
                plain, limit = plain_loop_s(event, repeats), cpu_s(lambda event=event: one_pass(event), repeats)  # type: ignore[misc]
                what = f"analysis of {hours:g} h, {kind}"
                rows.append(Row(what, "CPU s", taken[-1], plain, limit, MOST_S, "figure", "analysis"))
                waited = wall_s(lambda event=event: analyse(event), repeats)  # type: ignore[misc]
                rows.append(Row("the same by the clock", "s", waited, None, None, MOST_S, "figure", "analysis"))
            del event
        spans = f"{all_hours[0] * 60:.0f} min to {all_hours[-1]:g} h"
        what = f"  exponent of its growth from {spans}"
        power = exponent(all_hours, taken)
        rows.append(Row(what, "", power, None, 1.0, MOST_EXPONENT, "figure", "analysis"))
    return rows


def measure_files(folder: Path, quick: bool) -> list[Row]:
    """CPU and peak of a process that analyses a stored event, beside the peak of one that only has imported what that
    takes; and the peak again of three times as long a day."""
    hours, longer = (0.1, 0.3) if quick else (8.0, 24.0)
    day.write_runs(folder / "runs", day.record_runs(), hours)
    store_long_event(folder / "long", hours)
    store_long_event(folder / "longer", longer)
    (idle,) = in_own_process(
        "import scipy.stats, logger.work, logger.analysis, tests.bench.measure as m; print(m.peak_mb())"
    )
    rows = []
    for kind, name, lasts in (
        ("recorded day", "runs", hours),
        ("five channels and levels, one file", "long", hours),
        ("the same", "longer", longer),
    ):
        measured = [in_own_process(ANALYSE, folder / name) for _ in range(1 if quick else REPEATS)]
        peak, taken = (statistics.median(one[k] for one in measured) for k in range(2))
        most_mb, most_s = (MOST_MB, MOST_S) if lasts == hours else (None, None)
        what = f"analysing {lasts:g} h from its files, {kind}"
        rows.append(Row(what, "CPU s", taken, None, None, most_s, "figure", "analysis"))
        rows.append(Row(f"peak memory of {what}", "MB", peak, None, idle, most_mb, "figure", "memory"))
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description="Time the analysis of long events.")
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    with TemporaryDirectory(dir=".") as name:
        rows = measure_speed(Path(name), options.quick) + measure_files(Path(name), options.quick)
    return show("analysis", rows, None)


if __name__ == "__main__":
    raise SystemExit(main())
