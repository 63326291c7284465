"""A recorder in a process of its own writes on while each form is exported, and no sample is lost on either side."""

import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import logger.store
from logger.event import NS_PER_S
from logger.store.blocks import Series
from logger.store.exports.forms import FORMS
from logger.store.exports.write import write
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store
from tests.store import recordings

RECORDER = """
import sys, threading
from pathlib import Path
from tests.store import recordings

stop = threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
with recordings.write(Path(sys.argv[1]), 0, close=False) as writer:
    while not stop.wait(0.004):  # 250 times as fast as a real one
        writer.append(recordings.second(writer.n_seconds))
        print(writer.n_seconds, flush=True)
"""


class Recorder:
    """The process, and how many seconds it says it has committed."""

    def __init__(self, path: Path) -> None:
        command = [sys.executable, "-c", RECORDER, str(path)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.n_seconds = 0
        self._more = threading.Condition()
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with self._more:
                self.n_seconds = int(line)
                self._more.notify_all()

    def wait_for(self, n_seconds: int) -> None:
        with self._more:
            assert self._more.wait_for(lambda: self.n_seconds >= n_seconds, timeout=60.0)

    def stop(self) -> int:
        """Let it close its recording; returns its exit code."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._listener.join()  # it alone reads what the process says, to the end
        self._process.stdout.close()
        return self._process.wait()


@pytest.fixture
def recorder(tmp_path: Path) -> Iterator[Recorder]:
    path = tmp_path / "car" / "recordings" / "one.sqlite"
    path.parent.mkdir(parents=True)
    recorder = Recorder(path)
    recorder.wait_for(5)
    yield recorder
    recorder.stop()


def expected(n_seconds: int) -> dict[str, Series]:
    """Every sample of the first seconds, by the name of its channel."""
    parts = [recordings.second(index).series for index in range(n_seconds)]
    return {
        channel.name: Series(
            number,
            np.concatenate([part[number].time_ns for part in parts]),
            None if channel.is_pulses else np.concatenate([part[number].raw for part in parts]),
        )
        for number, channel in enumerate(recordings.CHANNELS)
    }


@pytest.mark.parametrize("form", FORMS)
def test_nothing_is_lost_while_an_event_is_exported(form: str, recorder: Recorder, tmp_path: Path):
    if form == "mdf":
        pytest.importorskip("asammdf")
    with Store(tmp_path / "car") as store:
        event_id = store.find("latest")
        before = recorder.n_seconds
        recorder.wait_for(before + 1)
        shares: list[float] = []

        def record_on(share: float) -> None:
            shares.append(share)
            recorder.wait_for(recorder.n_seconds + 10)

        write(store, event_id, form, tmp_path / "out", progress=record_on)  # type: ignore[arg-type]
        after = recorder.n_seconds
    assert recorder.stop() == 0
    assert after >= before + 10 * len(shares) > before
    with RecordingReader(tmp_path / "car" / "recordings" / "one.sqlite") as reader:
        assert reader.how_closed == "closed"
        assert reader.n_seconds == recorder.n_seconds
        whole = expected(reader.n_seconds)
        assert recordings.all_same(reader.raws(reader.channels), whole)
        values = {name: reader.read(name).value for name in ("battery_voltage", "fuel_pressure", "acceleration")}
    times = _times_in_mdf(tmp_path / "out") if form == "mdf" else _check(form, tmp_path / "out", whole, values)
    assert times.size % 150 == 0
    assert before <= times.size // 150 <= after
    assert times.tobytes() == (whole["tach_pulses"].time_ns[: times.size] / NS_PER_S).tobytes()


def _check(form: str, path: Path, whole: dict[str, Series], values: dict[str, np.ndarray]) -> np.ndarray:
    """Compare all that came with what was recorded; returns the times of the pulses in seconds."""
    with logger.store.open_event(path) as event:
        for name, value in values.items():
            trace = event.trace("r01", name)
            assert trace.time_ns.tobytes() == whole[name].time_ns[: trace.time_ns.size].tobytes()
            assert trace.value.tobytes() == value[: trace.time_ns.size].tobytes()
            if form != "csv":
                counts = event.counts("r01", name).value
                assert np.array_equal(counts, whole[name].raw[: len(counts)])
        pulses = event.pulses("r01", "tach_pulses")
        assert 2 * pulses.size == 3 * event.trace("r01", "battery_voltage").time_ns.size
        return pulses / NS_PER_S


def _times_in_mdf(folder: Path) -> np.ndarray:
    import asammdf

    with asammdf.MDF(folder / "001.mf4") as mdf:
        pressure, pulses = mdf.get("fuel_pressure"), mdf.get("tach_pulses")
        assert pressure.samples.size * 3 == pulses.timestamps.size * 2
        return np.asarray(pulses.timestamps)
