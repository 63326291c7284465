"""The recorder's loop: everything that came is stored, whatever the card does, and it says how it is doing."""

import json
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.errors import StoreError
from logger.event import NS_PER_S, Gap
from logger.recorder import place as place_module
from logger.recorder import space
from logger.recorder.commit import CommitThread
from logger.recorder.place import Place
from logger.recorder.recorder import Recorder
from logger.sensors.batch import PartHealth
from logger.settings import Settings
from logger.store.blocks import Series
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from tests.recorder.standin import START_NS, JumpingClock, StandInHardware
from tests.store.recordings import all_same, everything

quiet = {"say": lambda text: None}


def path_of(recorder: Recorder) -> Path:
    assert recorder.place is not None
    return recorder.place.path


def read(recorder: Recorder) -> RecordingReader:
    return RecordingReader(path_of(recorder))


def live(wiring: Settings) -> dict[str, Any]:
    return dict(json.loads((Path(wiring.recorder.run_dir) / "live.json").read_text()))


def test_every_sample_and_pulse_is_stored_at_its_own_time(
    wiring: Settings, clock: JumpingClock, hardware: StandInHardware
) -> None:
    recorder = Recorder(wiring, hardware, clock, inline=True, **quiet)
    health = recorder.run(START_NS + 20 * NS_PER_S)
    with read(recorder) as reader:
        zero = reader.meta.started_monotonic_ns
        battery = reader.raw("battery_voltage")
        tach = reader.pulses("tach_pulses")
    grid = START_NS + np.arange(2000, dtype=np.int64) * 10_000_000
    assert (battery.time_ns + zero).tolist() == grid.tolist()
    assert battery.raw is not None
    assert battery.raw.tolist() == (grid // 10_000_000 % 1000).tolist()
    pulses = np.arange(-(-START_NS // 6_666_667), -(-(START_NS + 20 * NS_PER_S) // 6_666_667)) * 6_666_667
    assert np.abs(tach + zero - pulses).max() <= 500
    assert (health.samples, health.pulses, health.late_polls) == (2000, pulses.size, 0)


def test_the_first_row_is_stored_after_10_ms(wiring: Settings, clock: JumpingClock, hardware: StandInHardware) -> None:
    recorder = Recorder(wiring, hardware, clock, inline=True, **quiet)
    recorder.run(START_NS + NS_PER_S // 100)
    assert recorder.health.commit.committed >= 1
    with read(recorder) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 1


def test_two_runs_with_a_clock_that_jumps_store_the_same(wiring: Settings, tmp_path: Path) -> None:
    stored = []
    for run in ("one", "two"):
        clock = JumpingClock()
        place = replace(wiring.recorder, data_dir=str(tmp_path / run))
        recorder = Recorder(replace(wiring, recorder=place), StandInHardware(clock), clock, inline=True, **quiet)
        recorder.run(START_NS + 5 * NS_PER_S)
        stored.append(everything(path_of(recorder)))
    assert all_same(*stored)


def test_a_card_that_stalls_for_a_minute_costs_nothing(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    stalled, released = threading.Event(), threading.Event()
    append = RecordingWriter.append

    def stall(writer: RecordingWriter, second: Second) -> None:
        if second.index == 5:
            stalled.set()
            released.wait()
        append(writer, second)

    def release(number: int) -> None:
        if number == 6:
            # The card must have stopped before the minute begins, for virtual time does not wait for it.
            stalled.wait()
        if number == 66:
            peaks.append(recorder.health.commit.buffered)
            released.set()

    peaks: list[int] = []
    monkeypatch.setattr(RecordingWriter, "append", stall)
    recorder = Recorder(wiring, StandInHardware(clock, release), clock, **quiet)
    health = recorder.run(START_NS + 70 * NS_PER_S)
    assert peaks[0] >= 60
    assert health.commit.peak_buffered >= 60
    assert health.commit.dropped == 0
    with read(recorder) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 7000
        assert reader.gaps() == ()
        assert reader.how_closed == "closed"


def test_what_no_longer_fits_into_the_buffer_is_a_gap_that_says_why(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    released, drained = threading.Event(), threading.Event()
    append = RecordingWriter.append

    def stall(writer: RecordingWriter, second: Second) -> None:
        released.wait()
        append(writer, second)
        if second.index == 9:
            drained.set()

    def release(number: int) -> None:
        if number == 15:
            released.set()
            drained.wait()

    monkeypatch.setattr(RecordingWriter, "append", stall)
    short = replace(wiring, recorder=replace(wiring.recorder, buffer_s=10.0))
    recorder = Recorder(short, StandInHardware(clock, release), clock, **quiet)
    health = recorder.run(START_NS + 20 * NS_PER_S)
    assert health.commit.dropped == 5
    with read(recorder) as reader:
        [gap] = reader.gaps()
        assert (gap.channel, gap.from_ns, gap.to_ns) == ("all", 10 * NS_PER_S, 15 * NS_PER_S)
        assert "card did not take data" in gap.why
        times = reader.raw("battery_voltage").time_ns
    assert not ((times >= 10 * NS_PER_S) & (times < 15 * NS_PER_S)).any()


def test_that_the_clock_was_set_is_stored_although_its_second_was_lost_or_refused() -> None:
    clock, later = ({"utc": "2026-05-09T08:02:11+00:00", "monotonic_ns": number} for number in (7, 8))
    released, drained = threading.Event(), threading.Event()
    stored: list[Second] = []

    class Card:
        def append(self, second: Second) -> None:
            released.wait()
            if second.series:
                raise ValueError("it makes no sense")
            stored.append(second)
            if second.index == 1:
                drained.set()

        def close(self) -> None: ...

    commit = CommitThread(Card, max_buffered=2)
    for second in (Second(0), Second(1), Second(2, clock=clock)):
        commit.put(second)
    released.set()
    drained.wait()
    while commit.health.buffered:
        pass
    commit.put(Second(3))
    commit.put(Second(4, (Series(0, np.array([4 * NS_PER_S])),), clock=later))
    assert commit.close(10.0)
    assert [(second.index, second.clock) for second in stored] == [(0, None), (1, None), (3, clock), (4, later)]
    assert commit.health.dropped == 1


def test_a_commit_that_fails_is_tried_again(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    failures = [2]
    append = RecordingWriter.append
    stored = threading.Event()

    def refuse(writer: RecordingWriter, second: Second) -> None:
        if second.index == 3 and failures[0]:
            failures[0] -= 1
            raise StoreError("disk I/O error")
        append(writer, second)
        if second.index == 3:
            stored.set()

    monkeypatch.setattr("logger.recorder.commit.RETRY_S", 0.001)
    monkeypatch.setattr(RecordingWriter, "append", refuse)
    hardware = StandInHardware(clock, lambda number: stored.wait() and None if number == 5 else None)
    recorder = Recorder(wiring, hardware, clock, **quiet)
    health = recorder.run(START_NS + 6 * NS_PER_S)
    assert health.commit.failures == 2
    assert health.commit.problem == ""
    with read(recorder) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 600


def test_a_second_that_makes_no_sense_costs_itself_and_is_a_gap_that_says_why(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = RecordingWriter.append

    def refuse(writer: RecordingWriter, second: Second) -> None:
        if second.index == 3 and second.series:
            raise ValueError("key_sense: time runs backwards in second 3")
        append(writer, second)

    monkeypatch.setattr(RecordingWriter, "append", refuse)
    recorder = Recorder(wiring, StandInHardware(clock), clock, **quiet)
    health = recorder.run(START_NS + 6 * NS_PER_S)
    assert (health.commit.failures, health.commit.dropped, health.commit.problem) == (1, 0, "")
    with read(recorder) as reader:
        [gap] = reader.gaps()
        assert (gap.channel, gap.from_ns, gap.to_ns) == ("all", 3 * NS_PER_S, 4 * NS_PER_S)
        assert gap.why == "could not be stored: key_sense: time runs backwards in second 3"
        assert reader.raw("battery_voltage").time_ns.size == 500
        assert reader.how_closed == "closed"


def test_a_loop_that_was_stopped_for_seconds_goes_on_and_keeps_what_came_meanwhile(
    wiring: Settings, clock: JumpingClock
) -> None:
    def stall(number: int) -> None:
        if number == 3:
            clock.now_ns += 4_500_000_000

    recorder = Recorder(wiring, StandInHardware(clock, stall), clock, inline=True, **quiet)
    health = recorder.run(START_NS + 10 * NS_PER_S)
    assert health.late_polls == 1
    assert health.peak_late_ms > 3000
    with read(recorder) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 1000
        assert reader.pulses("tach_pulses", 4 * NS_PER_S, 5 * NS_PER_S).size == 150


def test_a_stop_stores_what_was_on_its_way_and_closes(wiring: Settings, clock: JumpingClock) -> None:
    hardware = StandInHardware(clock, lambda number: recorder.stop() if number == 3 else None)
    said: list[str] = []
    recorder = Recorder(wiring, hardware, clock, say=said.append)
    recorder.run()
    with read(recorder) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 301
        assert reader.how_closed == "closed"
    assert hardware.closed
    assert hardware.shown[-1] == "not_recording"
    assert "closed after" in said[-1]
    assert live(wiring)["state"] == "not_recording"


def test_gaps_and_the_parts_health_go_into_the_recording(wiring: Settings, clock: JumpingClock) -> None:
    def lose(number: int) -> None:
        if number == 3:
            hardware.health = (PartHealth("adc 0x48", "I2C address 0x48", "missing", "no answer"),)
            hardware.gaps = (Gap("battery_voltage", START_NS + NS_PER_S, START_NS + 2 * NS_PER_S, "no answer"),)

    hardware = StandInHardware(clock, lose)
    recorder = Recorder(wiring, hardware, clock, inline=True, **quiet)
    recorder.run(START_NS + 5 * NS_PER_S)
    with read(recorder) as reader:
        zero = reader.meta.started_monotonic_ns
        assert reader.gaps() == (
            Gap("battery_voltage", START_NS + NS_PER_S - zero, START_NS + 2 * NS_PER_S - zero, "no answer"),
        )
        states = [[part["state"] for part in note["parts"]] for note in reader.health()]
    assert states[0] == ["ok"]
    assert ["missing"] in states
    assert "sensor_missing" in hardware.shown


def test_the_last_megabytes_of_a_card_are_left_and_the_file_is_closed(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Asked twice before the file is made, and then before each commit.
    left = iter([900.0, 900.0, 900.0, 700.0])
    monkeypatch.setattr(space, "free_mb", lambda folder: next(left, 0.9))
    said: list[str] = []
    hardware = StandInHardware(clock)
    recorder = Recorder(wiring, hardware, clock, inline=True, say=said.append)
    recorder.run(START_NS + 10 * NS_PER_S)
    assert said[0].startswith("recording stopped: only 0.9 MB free in")
    assert hardware.shown == ["recording", "not_recording", "not_recording"]
    assert "0.9 MB free" in live(wiring)["why"]
    with read(recorder) as reader:
        assert reader.how_closed == "closed"
        assert reader.n_seconds == 3


def test_a_card_that_is_nearly_full_is_said_early(wiring: Settings, clock: JumpingClock) -> None:
    early = replace(wiring, recorder=replace(wiring.recorder, warn_mb=1e6))
    hardware = StandInHardware(clock, lambda number: warnings.extend(live(early)["warnings"]) if number == 2 else None)
    warnings: list[str] = []
    Recorder(early, hardware, clock, inline=True, **quiet).run(START_NS + 2 * NS_PER_S)
    assert any("MB left on the card" in text for text in warnings)
    assert hardware.shown[0] == "sensor_missing"


def test_a_data_directory_that_cannot_be_written_is_said_and_waited_for_and_costs_no_sample(
    wiring: Settings, clock: JumpingClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.recorder.commit.RETRY_S", 0.001)
    obstacle = tmp_path / "data"
    obstacle.write_text("a file where the folder should be")
    really_prepare = place_module.prepare
    refused, opened = threading.Event(), threading.Event()
    said: list[str] = []
    seen: list[dict[str, Any]] = []

    def say(text: str) -> None:
        said.append(text)

    def prepare(*arguments: Any, **options: Any) -> Place:
        try:
            place = really_prepare(*arguments, **options)
        except StoreError:
            refused.set()
            raise
        opened.set()
        return place

    def mend(number: int) -> None:
        if number == 3:
            refused.wait()
        if number == 4:
            seen.append(live(wiring))
            obstacle.unlink()
            opened.wait()

    monkeypatch.setattr(place_module, "prepare", prepare)
    hardware = StandInHardware(clock, mend)
    recorder = Recorder(wiring, hardware, clock, say=say)
    health = recorder.run(START_NS + 10 * NS_PER_S)
    assert seen[0]["state"] == "not_recording"
    assert "data: cannot be written" in seen[0]["why"]
    assert sum("not recording" in text and "recorder.data_dir" in text for text in said) == 1
    assert "not_recording" in hardware.shown[:-1]
    assert health.commit.dropped == 0
    assert recorder.place is not None
    assert everything(path_of(recorder))["battery_voltage"].time_ns.size == 1000


def test_a_data_directory_that_never_gets_writable_holds_up_no_stop(
    wiring: Settings, clock: JumpingClock, tmp_path: Path
) -> None:
    (tmp_path / "data").write_text("a file where the folder should be")
    recorder = Recorder(wiring, StandInHardware(clock), clock, **quiet)
    health = recorder.run(START_NS + 3 * NS_PER_S)
    assert health.commit.committed == 0
    assert "make it writable for the user that records" in health.commit.problem


def test_a_run_directory_that_cannot_be_made_is_said_at_once(
    wiring: Settings, clock: JumpingClock, hardware: StandInHardware, tmp_path: Path
) -> None:
    (tmp_path / "run").write_text("")
    with pytest.raises(StoreError, match=r"run: cannot be made: .*recorder\.run_dir"):
        Recorder(wiring, hardware, clock, **quiet)


def test_the_recording_tells_which_car_which_boot_and_which_power_up_it_is_of(
    wiring: Settings, clock: JumpingClock, hardware: StandInHardware
) -> None:
    recorder = Recorder(wiring, hardware, clock, inline=True, clock_is_set=True, **quiet)
    recorder.run(START_NS + NS_PER_S)
    with read(recorder) as reader:
        meta = reader.meta
    assert Settings.from_dict(meta.settings) == wiring
    assert meta.power_up == 1
    assert len(meta.uuid) == 36
    assert meta.clock_is_set
    assert meta.started_utc == "2026-05-09T08:02:10.010000+00:00"
    assert path_of(recorder).name == "20260509T080211Z.sqlite"
