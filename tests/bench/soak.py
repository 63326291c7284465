"""Hours on the emulated bus: no sample and no pulse lost, even sampling, level memory.

    python -m tests.bench.soak [--hours 4] [--real-minutes 0] [--noise]

Virtual time passes as fast as the recorder can take it; with `--real-minutes` the same is done in real time instead,
under `chrt -r 10`, as the unit schedules the recorder. With `--noise` (a minute of real time, unless said otherwise)
the tach wire carries 20,000 edges a second, but for the first and last ten seconds.

Exits with 1 where something is missing, sampling is uneven (99 % of the intervals within 2 ms of their period, 99 % of
the samples started within 2 ms of when they were due) or memory has grown; with noise, where the pulses before and
after it did not come through, where it left no gap, or where it took more than a tenth of a core. In real time a loop
on each core that only sleeps, at the same priority, tells by what the machine itself was late.
"""

import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.clock import Clock, SystemClock
from logger.event import NS_PER_S, IntArray
from logger.recorder.daemon import calm_interpreter
from logger.recorder.recorder import Recorder
from logger.sensors.batch import PartHealth
from logger.sensors.hardware import Hardware
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.rig import Rig
from tests.bench.measure import in_memory
from tests.bench.recorder import RUN_DIR, rss_mb, settings_in
from tests.recorder.rig_process import CHANNELS, PULSES_HZ, steady_drive

PERIOD_NS = 10_000_000
MOST_LATE_NS = 2_000_000
MOST_AT_THE_ENDS_NS = 3 * PERIOD_NS
"""Opening the chips takes the first of it; the last sample lies up to a period before the end."""

MOST_GROWTH_MB = 3.0
MOST_CPU_IN_NOISE = 0.1
LEAD_S = 1.0
"""Pulses begin once the inputs are armed."""

NOISE_HZ = 20_000
QUIET_S = 10.0
"""Before and after the noise."""
BEFORE_NS = 5 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Run:
    """What was recorded, when on the clock, and what it took. drive_ns: when the car began. memory: MB at each tenth.
    cpu: seconds per second, just before the noise and during it."""

    path: Path
    from_ns: int
    to_ns: int
    drive_ns: int
    parts: tuple[PartHealth, ...]
    memory: list[float]
    cpu: tuple[float, float] = (0.0, 0.0)


BARE_LOOP = """
import os, sys, time
os.sched_setaffinity(0, [int(sys.argv[2])])
due, late, most = time.monotonic_ns(), 0, 0
print(flush=True)
while due < int(sys.argv[1]):
    due += 3_333_333
    time.sleep(max(0, due - time.monotonic_ns()) / 1e9)
    by = time.monotonic_ns() - due
    most, late = max(most, by), late + (by > 30_000_000)
    if by > 3_333_333:
        due += by
print(most / 1e6, late)
"""


class Noise:
    """Edges on the tach wire in real time, handed over each millisecond as the kernel's queue would be."""

    def __init__(self, rig: Rig, settings: Settings, from_ns: int, to_ns: int) -> None:
        self.cpu = (0.0, 0.0)
        self.edges = 0
        self._rig = rig
        self._pin = rig.pins.pin(settings.pulse_inputs["tach_pulses"].pin)
        self._from_ns = from_ns
        self._to_ns = to_ns
        self._thread = threading.Thread(target=self._play, name="noise", daemon=True)
        self._thread.start()

    def _play(self) -> None:
        clock, step_ns = self._rig.clock, NS_PER_S // NOISE_HZ
        clock.sleep_until_ns(self._from_ns - BEFORE_NS)
        begun = time.process_time()
        clock.sleep_until_ns(self._from_ns)
        before, begun = (time.process_time() - begun) * NS_PER_S / BEFORE_NS, time.process_time()
        edge_ns = self._from_ns
        while edge_ns < self._to_ns:
            clock.sleep_until_ns(edge_ns + NS_PER_S // 1000)
            now_ns = clock.monotonic_ns()
            # While the input is disarmed nobody hears them, and making them would only cost the measurement.
            while self._pin.when_changed is not None and edge_ns < now_ns:
                self._pin.pulse(edge_ns, step_ns // 2, 0)
                self.edges += 1
                edge_ns += step_ns
            edge_ns = max(edge_ns, now_ns)
        self.cpu = (before, (time.process_time() - begun) * NS_PER_S / (self._to_ns - self._from_ns))

    def end(self) -> None:
        self._thread.join()


def record(folder: Path, seconds: float, clock: Clock, noise: bool = False) -> Run:
    """Record so long."""
    settings = settings_in(folder)
    drive = steady_drive(seconds)
    if noise:
        pulses = drive.pulses["tach_pulses"]
        drive = replace(drive, pulses={"tach_pulses": pulses[(pulses < QUIET_S) | (pulses > seconds - QUIET_S)]})
    rig = Rig(drive, settings, clock, lead_s=LEAD_S)
    hardware = Hardware(settings, rig.bus, rig.pins, clock)
    is_virtual = isinstance(clock, VirtualClock)
    recorder = Recorder(settings, hardware, clock, inline=is_virtual, durable=not is_virtual)
    memory: list[float] = []
    show = recorder._publish
    tenth_ns = (rig.end_ns - rig.start_ns) // 10

    def watch(*arguments: object) -> None:
        if clock.monotonic_ns() - rig.start_ns > (len(memory) + 1) * tenth_ns:
            memory.append(rss_mb())
        show(*arguments)  # type: ignore[arg-type]

    recorder._publish = watch  # type: ignore[method-assign]
    calm_interpreter()
    rig.play()
    quiet_ns = round(QUIET_S * NS_PER_S)
    wire = Noise(rig, settings, rig.start_ns + quiet_ns, rig.end_ns - quiet_ns) if noise else None
    beside = [] if is_virtual else bare_loops(rig.end_ns)
    from_ns = clock.monotonic_ns()
    recorder.run(rig.end_ns + NS_PER_S)
    to_ns = clock.monotonic_ns()
    rig.close()
    for core, loop in enumerate(beside):
        most_ms, often = loop.communicate()[0].split()
        print(f"core {core}: a bare loop was late by at most {float(most_ms):.1f} ms, {often} times by over 30")
    if wire is not None:
        wire.end()
        print(f"{wire.edges} edges of the noise got as far as the input")
    return Run(
        recorder.place.path, from_ns, to_ns, rig.start_ns, hardware.health(), memory, wire.cpu if wire else (0.0, 0.0)
    )


def bare_loops(until_ns: int) -> list[subprocess.Popen[str]]:
    """One for each core, at our priority: what they are late by, the machine is to blame for."""
    loops = [
        subprocess.Popen([sys.executable, "-c", BARE_LOOP, str(until_ns), str(core)], stdout=subprocess.PIPE, text=True)
        for core in sorted(os.sched_getaffinity(0))
    ]
    for loop in loops:
        assert loop.stdout is not None
        loop.stdout.readline()  # it has started
    return loops


def missing(time_ns: IntArray, period_ns: int = PERIOD_NS) -> int:
    """How many samples fewer there are than fit between the first and the last. Not from rounded intervals: a late
    sample makes one long and the next ones short."""
    return round((int(time_ns[-1]) - int(time_ns[0])) / period_ns) + 1 - time_ns.size


def lateness_ns(time_ns: IntArray) -> IntArray:
    """How long after its place on the grid each sample was started; the grid is that of the promptest. None is
    missing."""
    late: IntArray = time_ns - PERIOD_NS * np.arange(time_ns.size)
    return late - late.min()


def judge(run: Run, seconds: float, noise: bool) -> list[str]:
    """What is wrong, as sentences; prints the figures."""
    wrong = []
    with RecordingReader(run.path) as reader:
        zero_ns = reader.meta.started_monotonic_ns
        wrong += judge_noise(reader, run, seconds) if noise else judge_pulses(reader, seconds)
        for name in CHANNELS:
            time_ns = reader.raw(name).time_ns
            lost, intervals = missing(time_ns), np.diff(time_ns)
            at_the_ends = max(int(time_ns[0]) + zero_ns - run.from_ns, run.to_ns - int(time_ns[-1]) - zero_ns)
            jitter = np.percentile(np.abs(intervals - PERIOD_NS), 99)
            late = np.percentile(lateness_ns(time_ns), [99, 99.9, 100])
            print(
                f"{name}: {time_ns.size} samples, {lost} missing; p99 jitter {jitter / 1e6:.2f} ms; late by p99 "
                f"{late[0] / 1e6:.2f}, p99.9 {late[1] / 1e6:.2f}, most {late[2] / 1e6:.2f} ms; "
                f"longest interval {intervals.max() / 1e6:.2f} ms"
            )
            if lost or at_the_ends > MOST_AT_THE_ENDS_NS:
                wrong.append(f"{name}: samples are missing")
            if max(jitter, late[0]) > MOST_LATE_NS:
                wrong.append(f"{name}: samples are uneven")
        vibration = np.diff(reader.raw("acceleration").time_ns)
        print(f"acceleration: {vibration.size + 1} samples, longest interval {vibration.max() / 1e6:.2f} ms")
        if vibration.max() > 4_000_000:
            wrong.append("acceleration: samples are missing")
    counted = {part.part: part.missed for part in run.parts if part.missed}
    print(f"missed by the parts' own count: {counted or 'none'}")
    print("resident memory, MB: " + " ".join(f"{mb:.1f}" for mb in run.memory))
    if counted:
        wrong.append("the parts counted samples that they missed")
    if run.memory[-1] - run.memory[0] > MOST_GROWTH_MB:
        wrong.append("memory has grown")
    return wrong


def judge_pulses(reader: RecordingReader, seconds: float) -> list[str]:
    n_pulses, n_gaps = reader.pulses("tach_pulses").size, len(reader.gaps())
    expected = round(seconds * PULSES_HZ)
    print(f"{n_pulses} of {expected} pulses, {n_gaps} gaps")
    return ["pulses were lost or a gap was recorded"] if n_pulses != expected or n_gaps else []


def judge_noise(reader: RecordingReader, run: Run, seconds: float) -> list[str]:
    quiet_ns = round(QUIET_S * NS_PER_S)
    start_ns = run.drive_ns - reader.meta.started_monotonic_ns
    end_ns = start_ns + round(seconds * NS_PER_S)
    before = reader.pulses("tach_pulses", 0, start_ns + quiet_ns - PERIOD_NS).size
    after = reader.pulses("tach_pulses", end_ns - quiet_ns + NS_PER_S, end_ns).size
    gaps = reader.gaps()
    gone_s = sum(gap.to_ns - gap.from_ns for gap in gaps) / NS_PER_S
    named = {gap.channel for gap in gaps}
    print(
        f"{before} pulses before the noise and {after} from a second after it; {len(gaps)} gaps of {sorted(named)}, "
        f"{gone_s:.1f} of {seconds - 2 * QUIET_S:.0f} s; CPU, the emulated car included, "
        f"{run.cpu[0] * 1e3:.0f} ms/s before the noise, {run.cpu[1] * 1e3:.0f} ms/s during it"
    )
    wrong = []
    if before < (QUIET_S - 0.02) * PULSES_HZ - 2 or after < (QUIET_S - 1.0) * PULSES_HZ - 2:
        wrong.append("pulses before or after the noise were lost: the input was not armed again")
    if named != {"tach_pulses"} or gone_s < 0.8 * (seconds - 2 * QUIET_S):
        wrong.append("the noise left no gap")
    if run.cpu[1] > MOST_CPU_IN_NOISE:
        wrong.append("the noise took too much of the processor")
    return wrong


def main(arguments: list[str]) -> int:
    noise = "--noise" in arguments
    hours = float(arguments[arguments.index("--hours") + 1]) if "--hours" in arguments else 4.0
    minutes = 1.0 if noise else 0.0
    if "--real-minutes" in arguments:
        minutes = float(arguments[arguments.index("--real-minutes") + 1])
    seconds = minutes * 60.0 if minutes else hours * 3600.0
    with TemporaryDirectory(dir=".") as name, in_memory() as run_dir:
        os.environ[RUN_DIR] = run_dir
        run = record(Path(name), seconds, SystemClock() if minutes else VirtualClock(), noise)
        wrong = judge(run, seconds, noise)
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
