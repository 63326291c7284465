"""The recorder as a real process on the emulated bus: started, stopped, killed at any instant."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.event import NS_PER_S
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage

GIVE_UP_S = 30.0


class Process:
    """One recorder process and what it says."""

    def __init__(self, folder: Path, interpreter: Sequence[str] = (sys.executable,)) -> None:
        self.folder = folder
        self.popen = subprocess.Popen(
            [*interpreter, "-m", "tests.recorder.rig_process", str(folder / "data"), str(folder / "run")],
            stderr=subprocess.PIPE,
            text=True,
        )

    def live(self) -> dict[str, Any]:
        try:
            return dict(json.loads((self.folder / "run" / "live.json").read_bytes()))
        except FileNotFoundError:
            return {}

    def committed(self) -> int:
        return int((self.live().get("recording") or {}).get("committed_s", 0))

    def until(self, true: Callable[[], bool]) -> None:
        """Waits for what the process does in real time; gives up after half a minute."""
        end = time.monotonic() + GIVE_UP_S
        while not true():
            assert time.monotonic() < end, "the recorder did not get there"
            assert self.popen.poll() is None, self.popen.communicate()[1]
            time.sleep(0.01)

    def kill(self) -> int:
        """kill -9; returns the monotonic time at which it was sent."""
        now_ns = time.monotonic_ns()
        self.popen.kill()
        self.popen.communicate()
        return now_ns

    def recording(self) -> Path:
        [path] = (self.folder / "data" / "recordings").glob("*.sqlite")
        return path


@pytest.fixture
def process(tmp_path: Path) -> Iterator[Process]:
    process = Process(tmp_path)
    yield process
    if process.popen.poll() is None:
        process.kill()


def last_sample_ns(path: Path) -> int:
    """On the clock that both processes share."""
    with RecordingReader(path) as reader:
        return int(reader.raw("battery_voltage").time_ns[-1]) + reader.meta.started_monotonic_ns


@pytest.mark.parametrize("number", range(3))
def test_kill_9_at_any_instant_costs_at_most_the_current_second(process: Process, number: int) -> None:
    process.until(lambda: process.committed() >= 2)
    delay = random.Random(number).random()
    time.sleep(delay)
    killed_ns = process.kill()
    live = process.live()
    path = process.recording()
    assert salvage(path).state == "recovered"
    # How long a busy machine kept the process from its ticks and commits is in what it last said; what it was kept
    # from after that it could not store.
    slow_ms = live["health"]["commit"]["peak_commit_ms"] + live["health"]["peak_late_ms"]
    assert live["written_ns"] - last_sample_ns(path) <= NS_PER_S + round(slow_ms * 1e6) + 200_000_000
    assert 0 <= killed_ns - live["written_ns"] < GIVE_UP_S * NS_PER_S
    with RecordingReader(path) as reader:
        assert reader.quick_check() == "ok"
        pulses = reader.pulses("tach_pulses")
        # None is missing in between: the rig's pulses are 5 ms apart to the nanosecond.
        assert set(np.diff(pulses).tolist()) == {5_000_000}


def test_sigterm_stores_what_has_come_and_closes_the_file(process: Process) -> None:
    process.until(lambda: process.committed() >= 2)
    sent_ns = time.monotonic_ns()
    process.popen.send_signal(signal.SIGTERM)
    said = process.popen.communicate(timeout=GIVE_UP_S)[1]
    assert process.popen.returncode == 0
    assert "closed after" in said
    path = process.recording()
    assert os.listdir(path.parent) == [path.name]
    assert last_sample_ns(path) >= sent_ns - 100_000_000
    assert process.live()["why"] == "the recorder was stopped"
    with RecordingReader(path) as reader:
        assert reader.how_closed == "closed"


def test_a_restart_in_the_same_boot_begins_another_file(process: Process) -> None:
    process.until(lambda: process.committed() >= 1)
    process.kill()
    again = Process(process.folder)
    try:
        again.until(lambda: (again.live().get("recording") or {}).get("power_up") == 2 and again.committed() >= 1)
    finally:
        again.kill()
    assert len(list((process.folder / "data" / "recordings").glob("*.sqlite"))) == 2


def test_the_recorder_never_loads_the_heavy_libraries() -> None:
    program = (
        "import sys; import logger.recorder.daemon, logger.sensors.hardware\n"
        "print([name for name in ('scipy', 'pandas', 'pyarrow', 'fastapi', 'sqlite_utils', 'logger.analysis', 'web')"
        " if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
