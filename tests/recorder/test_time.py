"""Time: the wall clock may jump as it likes, samples keep their order and their spacing, and boots stay apart."""

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from logger.event import NS_PER_S
from logger.recorder import place
from logger.recorder.recorder import Recorder
from logger.sensors.hardware import Hardware
from logger.settings import Settings
from logger.store.compaction import compact
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage
from logger.store.store import Store
from logger.virtualcar.clock import BOOTED_UTC, VirtualClock
from logger.virtualcar.rig import Rig
from tests.recorder.rig_process import PULSES_HZ, steady_drive
from tests.store.recordings import all_same, everything

JUMPS = {
    "years ahead": timedelta(days=3650),
    "years back": timedelta(days=-20000),
    "an NTP step": timedelta(milliseconds=-731),
    "an hour ahead, as daylight saving on a clock that keeps local time": timedelta(hours=1),
    "an hour back": timedelta(hours=-1),
}


@pytest.fixture
def no_clock(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A machine whose time service has not spoken yet; touching the path that is returned makes it speak."""
    spoken = tmp_path / "synchronized"
    monkeypatch.setattr(place, "CLOCK_IS_SET", spoken)
    monkeypatch.setattr(place, "RTC", tmp_path / "no-rtc")
    return spoken


def record(
    wiring: Settings, seconds: float = 4.0, jump: timedelta | None = None, clock: VirtualClock | None = None
) -> Path:
    clock = clock or VirtualClock()
    rig = Rig(steady_drive(seconds), wiring, clock, lead_s=1.0)
    if jump is not None:
        at_ns = rig.start_ns + 2 * NS_PER_S
        clock.call_at(at_ns, lambda: clock.set_utc(clock.utc_now() + jump))
    recorder = Recorder(wiring, Hardware(wiring, rig.bus, rig.pins, clock), clock, inline=True, say=lambda text: None)
    rig.play()
    recorder.run(rig.end_ns + NS_PER_S)
    rig.close()
    assert recorder.place is not None
    return recorder.place.path


@pytest.mark.parametrize("jump", JUMPS.values(), ids=JUMPS.keys())
def test_a_wall_clock_that_jumps_mid_run_moves_no_sample_and_no_pulse(
    wiring: Settings, tmp_path: Path, jump: timedelta
) -> None:
    still = replace(wiring, recorder=replace(wiring.recorder, data_dir=str(tmp_path / "still")))
    jumped, calm = record(wiring, jump=jump), record(still)
    assert all_same(everything(jumped), everything(calm))
    assert everything(jumped)["tach_pulses"].time_ns.size == 4 * PULSES_HZ


def test_recordings_across_a_change_of_daylight_saving_are_named_and_ordered_by_utc(
    wiring: Settings, monkeypatch: pytest.MonkeyPatch, no_clock: Path
) -> None:
    no_clock.touch()
    monkeypatch.setenv("TZ", "XST-1XDT,M3.5.0,M10.5.0/3")
    time.tzset()
    # 02:30 summer time, and an hour later 02:30 winter time.
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    paths = [record(wiring, 2.0, clock=VirtualClock(utc=first + timedelta(hours=hour))) for hour in (0, 1)]
    assert [path.name for path in paths] == ["20261025T003000Z.sqlite", "20261025T013000Z.sqlite"]
    with Store(Path(wiring.recorder.data_dir)) as store:
        [event] = store.events()
        began = [entry.started_utc for entry in store.recordings(event.event_id)]
    assert began[0] is not None
    assert began[1] is not None
    assert began[1] - began[0] == timedelta(hours=1)


@pytest.fixture(autouse=True)
def zone() -> Iterator[None]:
    yield
    time.tzset()


def test_a_clock_set_while_recording_dates_the_recording_from_its_start(
    wiring: Settings, no_clock: Path, tmp_path: Path
) -> None:
    clock = VirtualClock(utc=datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC))
    true_start = BOOTED_UTC + timedelta(seconds=11)

    def speak() -> None:
        clock.set_utc(true_start + timedelta(seconds=5))
        no_clock.touch()

    clock.call_at(clock.monotonic_ns() + 5 * NS_PER_S, speak)
    path = record(wiring, 8.0, clock=clock)
    assert path.name == "boot-000001.sqlite"
    for step in (lambda: None, lambda: compact(path)):
        step()
        with RecordingReader(path) as reader:
            assert reader.meta.clock_is_set
            assert reader.meta.started_utc is not None
            began = datetime.fromisoformat(reader.meta.started_utc)
        # The recording's zero is 0.99 s before its first sample.
        assert abs(began - (true_start - timedelta(seconds=0.99))) < timedelta(milliseconds=1)


def test_a_clock_that_nobody_sets_leaves_the_recording_undated_and_the_page_can_date_it_afterwards(
    wiring: Settings, no_clock: Path
) -> None:
    clock = VirtualClock(utc=datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC))
    path = record(wiring, 2.0, clock=clock)
    with RecordingReader(path) as reader:
        meta = reader.meta
    assert not meta.clock_is_set
    with Store(Path(wiring.recorder.data_dir)) as store:
        [event] = store.events()
        assert store.recordings(event.event_id)[0].started_utc is None
        at_ns = meta.started_monotonic_ns + 100 * NS_PER_S
        store.set_clock(meta.boot_id, at_ns, BOOTED_UTC, "a browser on the page", 0.5)
        assert store.recordings(event.event_id)[0].started_utc == BOOTED_UTC - timedelta(seconds=100)


def test_a_set_clock_survives_salvage(wiring: Settings, no_clock: Path) -> None:
    clock = VirtualClock()
    clock.call_at(clock.monotonic_ns() + 2 * NS_PER_S, no_clock.touch)
    path = record(wiring, 4.0, clock=clock)
    with RecordingReader(path) as reader:
        dated = reader.meta
    assert dated.clock_is_set
    data = bytearray(path.read_bytes())
    data[:100] = bytes(100)  # the file's own header
    path.write_bytes(data)
    assert salvage(path).state == "salvaged"
    with RecordingReader(path) as reader:
        assert reader.meta == dated


@pytest.mark.parametrize(
    ("rtc", "utc", "believed"),
    [
        ("1778313720", datetime(2026, 5, 9, 8, 2, 1, tzinfo=UTC), True),
        ("1778313720", datetime(2026, 5, 9, 9, 2, 0, tzinfo=UTC), False),
        ("42", datetime(1970, 1, 1, 0, 0, 42, tzinfo=UTC), False),
        ("", datetime(2026, 5, 9, 8, 2, 0, tzinfo=UTC), False),
        (None, datetime(2026, 5, 9, 8, 2, 0, tzinfo=UTC), False),
    ],
)
def test_a_clock_chip_is_believed_where_it_has_kept_time(
    no_clock: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, rtc: str | None, utc: datetime, believed: bool
) -> None:
    if rtc is not None:
        (tmp_path / "rtc").write_text(rtc)
        monkeypatch.setattr(place, "RTC", tmp_path / "rtc")
    assert place.is_clock_set(utc) is believed


def test_boots_whose_clocks_say_the_same_are_told_apart_and_kept_in_order(
    wiring: Settings, no_clock: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for boot in ("one", "two", "three"):
        monkeypatch.setattr("logger.recorder.place.boot_id", lambda boot=boot: boot)
        record(wiring, 2.0, clock=VirtualClock(utc=datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC)))
    with Store(Path(wiring.recorder.data_dir)) as store:
        [event] = store.events()
        files = [store.data_dir / entry.file for entry in store.recordings(event.event_id)]
    said = []
    for path in files:
        with RecordingReader(path) as reader:
            said.append((reader.meta.boot_id, reader.meta.power_up, path.name))
    assert said == [(boot, n, f"boot-00000{n}.sqlite") for n, boot in enumerate(("one", "two", "three"), 1)]
