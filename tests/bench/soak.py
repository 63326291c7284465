"""Hours on the emulated bus: no sample and no pulse lost, even sampling, level memory.

    python -m tests.bench.soak [--hours 4] [--real-minutes 0]

Virtual time passes as fast as the recorder can take it; with `--real-minutes` the same is done in real time instead.
Exits with 1 where something is missing, sampling is uneven (99 % of the intervals within 2 ms) or memory has grown.
"""

import os
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.clock import Clock, SystemClock
from logger.event import NS_PER_S
from logger.recorder.daemon import calm_interpreter
from logger.recorder.recorder import Recorder
from logger.sensors.hardware import Hardware
from logger.store.recording import RecordingReader
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.rig import Rig
from tests.bench.measure import in_memory
from tests.bench.recorder import RUN_DIR, rss_mb, settings_in
from tests.recorder.rig_process import CHANNELS, PULSES_HZ, steady_drive

MOST_JITTER_NS = 2_000_000
MOST_GROWTH_MB = 3.0
LEAD_S = 1.0
"""Pulses begin once the inputs are armed."""


def record(folder: Path, seconds: float, clock: Clock) -> tuple[Path, list[float]]:
    """Record so long; the recording, and resident memory at each tenth of the way."""
    settings = settings_in(folder)
    rig = Rig(steady_drive(seconds), settings, clock, lead_s=LEAD_S)
    hardware = Hardware(settings, rig.bus, rig.pins, clock)
    is_virtual = isinstance(clock, VirtualClock)
    recorder = Recorder(settings, hardware, clock, inline=is_virtual, durable=not is_virtual)
    memory: list[float] = []
    show = recorder._live.write
    tenth_ns = (rig.end_ns - rig.start_ns) // 10

    def watch(*arguments: object) -> None:
        if clock.monotonic_ns() - rig.start_ns > (len(memory) + 1) * tenth_ns:
            memory.append(rss_mb())
        show(*arguments)  # type: ignore[arg-type]

    recorder._live.write = watch  # type: ignore[method-assign]
    calm_interpreter()
    rig.play()
    recorder.run(rig.end_ns + NS_PER_S)
    rig.close()
    return recorder.place.path, memory


def judge(path: Path, seconds: float, memory: list[float]) -> list[str]:
    """What is wrong, as sentences; prints the figures."""
    wrong = []
    with RecordingReader(path) as reader:
        n_pulses = reader.pulses("tach_pulses").size
        expected = round(seconds * PULSES_HZ)
        print(f"{n_pulses} of {expected} pulses, {len(reader.gaps())} gaps")
        if n_pulses != expected or reader.gaps():
            wrong.append("pulses were lost or a gap was recorded")
        for name in CHANNELS:
            intervals = np.diff(reader.raw(name).time_ns)
            jitter = float(np.percentile(np.abs(intervals - 10_000_000), 99))
            missing = int((np.rint(intervals / 1e7) - 1).sum())
            print(f"{name}: {intervals.size + 1} samples, {missing} missing, p99 jitter {jitter / 1e6:.2f} ms")
            if missing or jitter > MOST_JITTER_NS:
                wrong.append(f"{name}: samples are missing or uneven")
        vibration = np.diff(reader.raw("acceleration").time_ns)
        print(f"acceleration: {vibration.size + 1} samples, longest interval {vibration.max() / 1e6:.2f} ms")
        if vibration.max() > 4_000_000:
            wrong.append("acceleration: samples are missing")
    print("resident memory, MB: " + " ".join(f"{mb:.1f}" for mb in memory))
    if memory[-1] - memory[0] > MOST_GROWTH_MB:
        wrong.append("memory has grown")
    return wrong


def main(arguments: list[str]) -> int:
    hours = float(arguments[arguments.index("--hours") + 1]) if "--hours" in arguments else 4.0
    minutes = float(arguments[arguments.index("--real-minutes") + 1]) if "--real-minutes" in arguments else 0.0
    seconds = minutes * 60.0 if minutes else hours * 3600.0
    with TemporaryDirectory(dir=".") as name, in_memory() as run_dir:
        os.environ[RUN_DIR] = run_dir
        path, memory = record(Path(name), seconds, SystemClock() if minutes else VirtualClock())
        wrong = judge(path, seconds, memory)
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
