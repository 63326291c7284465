"""The page under load while the car is recorded: twenty readers on an event of eight hours, and no sample lost.

    python -m tests.bench.readers [--hours 8] [--seconds 60] [--readers 20]

Three processes, as on a Pi: the recorder on the emulated bus in real time, with the scheduling that its unit has
(round robin; `chrt`, where that is allowed), the page at low priority, and the readers, who ask for windows of 2 s to
8 h all over the day without a pause. Exits with 1 where a pulse or a sample of the recording is missing, a gap was
noted, or a request was not answered.
"""

import http.client
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.event import NS_PER_S
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store
from tests.bench.measure import in_memory
from tests.bench.page_speed import CHANNELS, fill
from tests.bench.soak import missing
from tests.recorder.rig_process import CHANNELS as SAMPLED
from tests.recorder.rig_process import DURATION_S, PULSES_HZ

SPANS_S = (2.0, 10.0, 60.0, 1800.0, 0.0)
"""Of windows; 0: the whole day."""
SETTLE_S = 3.0
GIVE_UP_S = 60.0


def scheduling() -> list[str]:
    """What goes before the recorder's command."""
    command = ["chrt", "-r", "10"]
    if shutil.which("chrt") and subprocess.run([*command, "true"], capture_output=True).returncode == 0:
        return command
    return []


@contextmanager
def child(command: Sequence[str], number: int = signal.SIGTERM) -> Iterator[subprocess.Popen[bytes]]:
    """A process that is asked to end, and waited for."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.send_signal(number)
        process.wait(GIVE_UP_S)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


def until_answered(port: int) -> None:
    end = time.monotonic() + GIVE_UP_S
    while time.monotonic() < end:
        try:
            socket.create_connection(("127.0.0.1", port)).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    raise TimeoutError("the page does not answer")


class Readers:
    """So many people who look at window after window until told to stop."""

    def __init__(self, n: int, port: int, base: str, seconds: float) -> None:
        self.answered: list[float] = []
        self.refused = 0
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=self._read, args=(k, port, base, seconds)) for k in range(n)]
        for thread in self._threads:
            thread.start()

    def _read(self, number: int, port: int, base: str, seconds: float) -> None:
        dice = random.Random(number)
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=GIVE_UP_S)
        while not self._stop.is_set():
            span = dice.choice(SPANS_S) or seconds
            at = dice.uniform(0.0, seconds - span)
            begun = time.perf_counter()
            connection.request(
                "GET", f"{base}/window?from_s={at:.3f}&to_s={at + span:.3f}&points=2000&channels={CHANNELS}"
            )
            answer = connection.getresponse()
            answer.read()
            self.refused += answer.status != 200
            self.answered.append(time.perf_counter() - begun)
        connection.close()

    def stop(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()


def lost(path: Path) -> tuple[int, int, int]:
    """(samples of the ADC channels, pulses, gaps) that are missing in a recording of the steady car."""
    with RecordingReader(path) as reader:
        pulses = reader.pulses("tach_pulses")
        unheard = missing(pulses, round(NS_PER_S / PULSES_HZ))
        samples = sum(missing(reader.raw(name).time_ns) for name in SAMPLED)
        return samples, unheard, len(reader.gaps())


def load(
    data_dir: Path, run_dir: Path, hours: float, seconds: float, n: int
) -> tuple[Readers, Path, dict[str, object]]:
    """Record so long while they read; the readers, the recording and the recorder's last word."""
    with Store(data_dir) as store:
        event_id = fill(store, hours)
    before = set((data_dir / "recordings").glob("*.sqlite"))
    port = free_port()
    page = [
        "nice",
        sys.executable,
        "-m",
        "logger.cli",
        "serve",
        "--open",
        "--data-dir",
        str(data_dir),
        "--port",
        str(port),
    ]
    recorder = [*scheduling(), sys.executable, "-m", "tests.recorder.rig_process", str(data_dir), str(run_dir)]
    with child(page):
        until_answered(port)
        with child(recorder):
            time.sleep(SETTLE_S)
            readers = Readers(n, port, f"/api/events/{event_id}/recordings/r01", hours * 3600.0)
            time.sleep(min(seconds, DURATION_S - 2 * SETTLE_S))
            readers.stop()
    (path,) = set((data_dir / "recordings").glob("*.sqlite")) - before
    return readers, path, json.loads((run_dir / "live.json").read_text())


def main(arguments: list[str]) -> int:
    def option(name: str, default: float) -> float:
        return float(arguments[arguments.index(name) + 1]) if name in arguments else default

    with TemporaryDirectory(dir=".") as name, in_memory() as run_dir:
        n = round(option("--readers", 20))
        readers, path, live = load(Path(name), Path(run_dir), option("--hours", 8.0), option("--seconds", 60.0), n)
        samples, pulses, gaps = lost(path)
        took_ms = np.percentile(readers.answered, [50, 95, 100]) * 1e3
        health = live["health"]
        assert isinstance(health, dict)
    print(
        f"{n} readers, {len(readers.answered)} windows answered, {readers.refused} refused; "
        f"median {took_ms[0]:.0f}, 95 % {took_ms[1]:.0f}, longest {took_ms[2]:.0f} ms"
    )
    print(
        f"recorded {health['seconds']} s, {health['samples']} samples, {health['pulses']} pulses: "
        f"{samples} samples and {pulses} pulses lost, {gaps} gaps, {health['late_polls']} late polls, "
        f"longest commit {health['commit']['peak_commit_ms']:.0f} ms; load {os.getloadavg()[0]:.1f}"
    )
    return 1 if samples or pulses or gaps or readers.refused else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
