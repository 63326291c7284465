"""The recorder as a whole: CPU beside a bare loop that makes the same reads, start-up, memory.

    python -m tests.bench.recorder [--minutes 60] [--json FILE]

The car runs steadily on the emulated bus, in real time: three channels at 100 Hz, the accelerometer's FIFO at 400 Hz,
200 tach pulses a second; nobody looks at the live values, but in the last row. The bare loop (limit) makes the same
transactions through the same I2C devices, sleeps between them as it must, and appends what it got to lists. The time
spent inside the emulated bus is measured in each of the two and taken off; moving the pins, which wakes a thread for
each pulse as gpiozero's reader does on a Pi, is left in both. In virtual time nobody sleeps and the bare loop costs
almost nothing; that figure is the second row.

Start-up is the time from starting the process until the first row can be read from the file, beside
`python -c "import numpy"` plus one synced commit. Both with their modules compiled, as an installation leaves them; the
time that the process spends on making its emulated car is taken off.
"""

import os
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from adafruit_bus_device.i2c_device import I2CDevice

from logger.clock import Clock, SystemClock
from logger.recorder.daemon import calm_interpreter
from logger.recorder.recorder import Recorder
from logger.recorder.viewers import say_in_use
from logger.sensors.hardware import Hardware
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.rig import TACH_WIDTH_NS, Rig
from tests.bench import workload
from tests.bench.measure import REPEATS, Row, json_path_of, show
from tests.recorder.rig_process import PULSES_HZ, RIG_READY, steady_drive, wiring

CPU_S = 20
"""Long enough for making the file and opening the chips not to count for much."""

GIVE_UP_S = 30.0
RUN_DIR = "STUMBLELOG_BENCH_RUN_DIR"


class BusTime:
    """CPU time inside the emulated bus: its methods wrapped, the wrapping's own cost taken off."""

    METHODS = ("writeto", "readfrom_into", "writeto_then_readfrom")

    def __init__(self, bus: object) -> None:
        self.total_ns = 0
        self.calls = 0
        for name in self.METHODS:
            setattr(bus, name, self._timed(getattr(bus, name)))

    def _timed(self, method: Callable[..., None]) -> Callable[..., None]:
        def timed(*arguments: object, **options: object) -> None:
            begun = time.thread_time_ns()
            method(*arguments, **options)
            self.total_ns += time.thread_time_ns() - begun
            self.calls += 1

        return timed

    def seconds(self) -> float:
        """Spent inside the bus."""
        return (self.total_ns - self.calls * self._one_ns()) / 1e9

    def wrapping_s(self) -> float:
        """Spent on looking at the clock, inside and outside of what `seconds` saw."""
        return 2.0 * self.calls * self._one_ns() / 1e9

    @staticmethod
    def _one_ns() -> float:
        costs = []
        for _ in range(1000):
            begun = time.thread_time_ns()
            costs.append(time.thread_time_ns() - begun)
        return statistics.median(costs)


def settings_in(folder: Path) -> Settings:
    # Live values go to memory, as they do on a Pi.
    run_dir = os.environ.get(RUN_DIR, str(folder / "run"))
    return wiring(str(folder / "data"), run_dir)


def rig_of(settings: Settings, seconds: float, clock: Clock | None = None) -> Rig:
    return Rig(steady_drive(seconds), settings, clock or VirtualClock())


def run_recorder(rig: Rig, settings: Settings) -> None:
    hardware = Hardware(settings, rig.bus, rig.pins, rig.clock)
    is_virtual = isinstance(rig.clock, VirtualClock)
    recorder = Recorder(settings, hardware, rig.clock, inline=is_virtual, say=lambda text: None)
    rig.play()
    recorder.run(rig.end_ns)


def run_watched(rig: Rig, settings: Settings) -> None:
    """With somebody at the page, which says so once a second."""
    run_dir, done = Path(settings.recorder.run_dir), threading.Event()

    def look() -> None:
        while not done.wait(1.0):
            say_in_use(run_dir)

    viewer = threading.Thread(target=look, name="viewer")
    viewer.start()
    run_recorder(rig, settings)
    done.set()
    viewer.join()


def run_bare(rig: Rig, settings: Settings) -> None:
    """What a script without a thought for anything would do."""
    clock, out = rig.clock, []
    adc, accelerometer = I2CDevice(rig.bus, 0x48), I2CDevice(rig.bus, settings.accelerometer.address)
    commands = [bytes([1, 0xC1 | channel.input << 4 | 0x02, 0xE3]) for channel in settings.channels.values()]
    buffer, six = bytearray(2), bytearray(6)
    pin = rig.pins.pin(settings.pulse_inputs["tach_pulses"].pin)
    pin.pull, pin.edges = "up", "falling"
    ticks: list[float] = []

    def changed(stamp: float, state: int) -> None:
        ticks.append(stamp)

    pin.when_changed = changed
    with accelerometer as device:
        for register, value in ((0x31, 0x0B), (0x2C, 0x0C), (0x38, 0x90), (0x2D, 0x08)):
            device.write(bytes([register, value]))
    rig.play()
    slot = clock.monotonic_ns()
    fifo = slot
    k = 0
    while slot < rig.end_ns:
        clock.sleep_until_ns(slot)
        with adc as device:
            device.write_then_readinto(b"\x00", buffer)
            device.write(commands[k % 3])
        out.append((clock.monotonic_ns(), int.from_bytes(buffer, "big", signed=True)))
        k += 1
        slot += 3_333_333
        if fifo <= slot:
            with accelerometer as device:
                device.write_then_readinto(b"\x39", six, in_end=1)
                for _ in range(six[0] & 0x3F):
                    device.write_then_readinto(b"\x32", six)
                    out.append((clock.monotonic_ns(), bytes(six)))  # type: ignore[arg-type]
            fifo += 20_000_000


def cpu_without_bus(
    run: Callable[[Rig, Settings], None], folder: Path, clock: type[Clock], repeats: int = REPEATS
) -> tuple[float, float]:
    """(CPU seconds per recorded second without the bus, of the bus alone), medians."""
    own, bus = [], []
    for repeat in range(repeats):
        settings = settings_in(folder / f"{run.__name__}-{clock.__name__}-{repeat}")
        rig = rig_of(settings, CPU_S, clock())
        watch = BusTime(rig.bus)
        begun = time.process_time()
        run(rig, settings)
        spent = time.process_time() - begun
        rig.close()
        bus.append(watch.seconds() / CPU_S)
        own.append((spent - watch.wrapping_s()) / CPU_S - bus[-1])
    return statistics.median(own), statistics.median(bus)


def compiled(folder: Path) -> dict[str, str]:
    """An environment in which modules are compiled once, outside of the sources."""
    without = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**without, "PYTHONPYCACHEPREFIX": str(folder / "compiled")}


def start_up_s(folder: Path, number: int) -> float:
    """From starting the process until the first row with samples can be read."""
    place = folder / f"start{number}"
    begun = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.recorder.rig_process", str(place / "data"), str(place / "run")],
        stderr=subprocess.PIPE,
        env=compiled(folder),
    )
    try:
        while time.perf_counter() - begun < GIVE_UP_S:
            for path in (place / "data" / "recordings").glob("*.sqlite"):
                with RecordingReader(path) as reader:
                    if reader.n_seconds and reader.raw("battery_voltage").time_ns.size:
                        return time.perf_counter() - begun - emulator_s(child)
            time.sleep(0.002)
    finally:
        child.kill()
        child.communicate()
    raise TimeoutError("the recorder stored nothing in half a minute")


def emulator_s(child: subprocess.Popen[bytes]) -> float:
    """What the process says its emulated car took to make."""
    assert child.stderr is not None
    for line in child.stderr:
        if line.startswith(RIG_READY.encode()):
            return float(line.split()[-1])
    raise ValueError("the recorder process said nothing of its rig")


def numpy_and_commit_s(folder: Path, number: int) -> float:
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import numpy"], check=True, env=compiled(folder))
    imported = time.perf_counter() - begun
    writer = RecordingWriter(folder / f"first{number}.sqlite", workload.meta())
    begun = time.perf_counter()
    writer.append(Second(0, workload.second(0).series))
    first = time.perf_counter() - begun
    writer.close()
    return imported + first


def memory_mb(folder: Path, minutes: Sequence[float]) -> list[float]:
    """Resident memory after so many virtual minutes each, without what there was before the recorder was loaded."""
    program = (
        "import sys\n"
        "from pathlib import Path\n"
        "from tests.bench.recorder import *\n"
        "settings = settings_in(Path(sys.argv[1]))\n"
        "marks = [float(word) * 60.0 for word in sys.argv[2:]]\n"
        "before = rss_mb()\n"
        "rig = silent_rig(settings, marks[-1])\n"
        "found = [rss_mb() - before]\n"
        "for mark in marks:\n"
        "    at_ns = min(rig.start_ns + round(mark * 1e9), rig.end_ns - 10**9)\n"
        "    rig.clock.call_at(at_ns, lambda: found.append(rss_mb()))\n"
        "run_recorder(rig, settings)\n"
        "print(*found)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(folder / "memory"), *map(str, minutes)],
        capture_output=True,
        text=True,
        check=True,
    )
    rig, *found = (float(word) for word in done.stdout.split())
    return [mb - rig for mb in found]


def silent_rig(settings: Settings, seconds: float) -> Rig:
    """The steady car, its pulses made as they come: those of a day would fill gigabytes beforehand."""
    drive = steady_drive(1.0)
    rig = Rig(replace(drive, duration_s=seconds, pulses={}), settings, VirtualClock())
    pin, period_ns = rig.pins.pin(settings.pulse_inputs["tach_pulses"].pin), round(1e9 / PULSES_HZ)

    def pulse(at_ns: int) -> None:
        pin.pulse(at_ns, TACH_WIDTH_NS, 0)
        if at_ns + period_ns < rig.end_ns:
            rig.clock.call_at(at_ns + period_ns, lambda: pulse(at_ns + period_ns))

    rig.clock.call_at(rig.start_ns, lambda: pulse(rig.start_ns))
    return rig


def rss_mb() -> float:
    """Resident memory of this process now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def measure_cpu(folder: Path, quick: bool) -> list[Row]:
    """CPU beside a bare loop, in real and in virtual time."""
    repeats = 1 if quick else REPEATS
    calm_interpreter()  # as `stumblelog record` does; for both
    memory = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with TemporaryDirectory(dir=memory) as run_dir:
        os.environ[RUN_DIR] = run_dir
        ours, ours_bus = cpu_without_bus(run_recorder, folder, SystemClock, repeats)
        bare, bare_bus = cpu_without_bus(run_bare, folder, SystemClock, repeats)
        watched, _ = cpu_without_bus(run_watched, folder, SystemClock, repeats)
        virtual, _ = cpu_without_bus(run_recorder, folder, VirtualClock, repeats)
        bare_virtual, _ = cpu_without_bus(run_bare, folder, VirtualClock, repeats)
        del os.environ[RUN_DIR]
    bus = "  of the emulated bus, which was taken off"
    return [
        Row("CPU of the whole recorder, emulator off", "ms/s", ours * 1e3, None, bare * 1e3, 1.5, key="recorder"),
        Row("  in virtual time, where nobody sleeps", "ms/s", virtual * 1e3, None, bare_virtual * 1e3, key="recorder"),
        Row(bus, "ms/s", ours_bus * 1e3, None, bare_bus * 1e3, key="recorder"),
        Row("  while somebody looks at the live values", "ms/s", watched * 1e3, None, bare * 1e3, key="recorder"),
    ]


def measure_start(folder: Path, quick: bool) -> list[Row]:
    """Process start to first stored sample."""
    repeats = range(2 if quick else REPEATS + 1)  # the first of each compiles
    start = statistics.median([start_up_s(folder, k) for k in repeats][1:])
    imported = statistics.median([numpy_and_commit_s(folder, k) for k in repeats][1:])
    return [Row("process start to first stored sample", "s", start, None, imported, 2.0, key="start")]


def measure_memory(folder: Path, quick: bool, minutes: float | None = None) -> list[Row]:
    """Resident memory, level over time; `minutes` of virtual time. In the first half hour SQLite's page cache fills."""
    minutes = minutes or (0.5 if quick else 60.0)
    marks = sorted({min(60.0, minutes / 2), minutes / 2, minutes})
    found = memory_mb(folder, marks)
    rows = [
        Row(f"recorder's resident memory after {mark:g} min", "MB", mb, target=60.0, against="figure", key="memory")
        for mark, mb in zip(marks, found, strict=True)
    ]
    growth = Row("  its growth from the first to the last", "MB", found[-1] - found[0], key="memory")
    return [*rows, replace(growth, target=3.0, against="figure")]


def main(arguments: list[str]) -> int:
    minutes = float(arguments[arguments.index("--minutes") + 1]) if "--minutes" in arguments else None
    with TemporaryDirectory(dir=".") as name:
        folder = Path(name)
        table = measure_cpu(folder, False) + measure_start(folder, False) + measure_memory(folder, False, minutes)
    return show("recorder", table, json_path_of(arguments))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
