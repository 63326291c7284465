"""A card that fills: said early, never emptied in silence, and no second lost that there was room for."""

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from logger.event import NS_PER_S
from logger.recorder import space
from logger.recorder.place import prepare
from logger.recorder.recorder import Recorder
from logger.recorder.space import Space, closed_by_age
from logger.settings import Settings
from logger.store.description import RecordingMeta
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from tests.recorder.standin import START_NS, UTC, JumpingClock, StandInHardware


def shelf(data_dir: Path, n: int) -> list[Path]:
    """So many closed recordings, whose names tell nothing of their age."""
    paths = []
    for number in range(n):
        place = prepare(data_dir, UTC, clock_is_set=False)
        path = place.path.with_name(f"{chr(ord('z') - number)}.sqlite")
        RecordingWriter(path, RecordingMeta(place.uuid, (), power_up=place.power_up)).close()
        paths.append(path)
    return paths


def full_until(paths: list[Path], n_gone: int) -> Callable[[Path], float]:
    """A card that has room again once so many of the files are gone."""
    return lambda folder: 50.0 if sum(not path.exists() for path in paths) >= n_gone else 0.5


def rules(wiring: Settings, when_full: str) -> Settings:
    return replace(wiring, recorder=replace(wiring.recorder, when_full=when_full))


def test_nothing_is_ever_deleted_unless_the_settings_say_so(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = shelf(Path(wiring.recorder.data_dir), 3)
    monkeypatch.setattr(space, "free_mb", full_until(paths, 1))
    assert wiring.recorder.when_full == "stop"
    Recorder(wiring, StandInHardware(clock), clock, inline=True, say=lambda text: None).run(START_NS + NS_PER_S)
    assert all(path.exists() for path in paths)


def test_where_they_do_the_oldest_go_first_and_each_is_named(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = shelf(Path(wiring.recorder.data_dir), 4)
    monkeypatch.setattr(space, "free_mb", full_until(paths, 2))
    said: list[str] = []
    hardware = StandInHardware(clock)
    recorder = Recorder(rules(wiring, "delete_oldest"), hardware, clock, inline=True, say=said.append)
    recorder.run(START_NS + 3 * NS_PER_S)
    assert [path.exists() for path in paths] == [False, False, True, True]
    assert [text for text in said if "deleted to make room" in text] == [
        f"{path}: deleted to make room, as recorder.when_full asks" for path in paths[:2]
    ]
    assert hardware.shown[0] == "sensor_missing"  # the slow blink sends people to the page
    assert recorder.health.commit.committed == 4


def test_the_page_goes_on_naming_what_was_deleted(wiring: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = shelf(Path(wiring.recorder.data_dir), 2)
    monkeypatch.setattr(space, "free_mb", full_until(paths, 1))
    room = Space(rules(wiring, "delete_oldest").recorder, lambda text: None)
    for _ in range(3):
        room.look()
    assert room.warnings == ["deleted to make room: z.sqlite"]
    assert not room.is_full


def test_neither_the_current_nor_an_open_nor_a_damaged_recording_is_given_up(
    wiring: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    data_dir = Path(wiring.recorder.data_dir)
    current, closed = shelf(data_dir, 2)
    damaged = closed.with_name("damaged.sqlite")
    damaged.write_bytes(b"nobody knows what this was" * 100)
    writer = RecordingWriter(closed.with_name("open.sqlite"), RecordingMeta("1f", ()))
    assert closed_by_age(data_dir / "recordings") == [current, closed]
    monkeypatch.setattr(space, "free_mb", lambda folder: 0.5)
    Space(rules(wiring, "delete_oldest").recorder, lambda text: None).look(current)
    assert sorted(path.name for path in closed.parent.glob("*.sqlite")) == ["damaged.sqlite", "open.sqlite", "z.sqlite"]
    writer.close()


def test_a_card_that_cannot_be_asked_is_said_once_and_recording_goes_on(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(folder: Path) -> float:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(space, "free_mb", refuse)
    said: list[str] = []
    recorder = Recorder(wiring, StandInHardware(clock), clock, inline=True, say=said.append)
    assert recorder.run(START_NS + 5 * NS_PER_S).commit.committed == 6
    assert sum("Input/output error" in text for text in said) == 1


def test_once_a_full_card_has_room_again_another_recording_begins_by_itself(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def left(folder: Path) -> float:
        seconds = (clock.now_ns - START_NS) / NS_PER_S
        # Full from 5 s on. What closing the file freed at 8 s is not worth another one; at 12 s somebody deleted.
        return 900.0 if seconds < 5.0 or seconds > 12.0 else 0.9 if seconds < 8.0 else 5.0

    monkeypatch.setattr(space, "free_mb", left)
    said: list[str] = []
    hardware = StandInHardware(clock)
    recorder = Recorder(wiring, hardware, clock, inline=True, say=said.append)
    health = recorder.run(START_NS + 20 * NS_PER_S)
    first, second = (RecordingReader(path) for path in sorted((recorder.data_dir / "recordings").glob("*.sqlite")))
    with first, second:
        assert (first.how_closed, second.how_closed) == ("closed", "closed")
        assert second.meta.power_up == first.meta.power_up + 1
        assert second.meta.boot_id == first.meta.boot_id
        apart = second.meta.started_monotonic_ns - first.meta.started_monotonic_ns
        assert apart % NS_PER_S == 0
        utc = [datetime.fromisoformat(reader.meta.started_utc) for reader in (first, second)]
        assert (utc[1] - utc[0]).total_seconds() == apart / NS_PER_S
        times = second.raw("battery_voltage").time_ns + second.meta.started_monotonic_ns
        assert (np.diff(times) == 10_000_000).all()
        assert (times[0] - START_NS) / NS_PER_S == pytest.approx(12.01, abs=0.011)
        assert (times[-1] - START_NS) / NS_PER_S == pytest.approx(20.0, abs=0.011)
        # The key was switched on long before this file began.
        assert second.read("key_sense").value.tolist() == [1.0] * second.n_seconds
        assert health.seconds == second.n_seconds
    assert hardware.shown == ["recording", "not_recording", "recording", "not_recording"]
    assert [text.split(":")[0] for text in said if ": closed" not in text] == [
        "recording stopped", "there is room again",
    ]  # fmt: skip


def test_it_does_so_too_where_another_thread_commits(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left, found_full, opened = [900.0], threading.Event(), threading.Event()
    look = Space.look

    def looked(room: Space, current: Path | None = None) -> bool:
        enough = look(room, current)
        if not enough:
            found_full.set()
        if enough and found_full.is_set() and current is not None:
            opened.set()
        return enough

    def poll(number: int) -> None:
        if number == 5:
            left[0] = 0.9
        if number == 7:
            found_full.wait()
        if number == 12:
            left[0] = 900.0
        if number == 15:
            opened.wait()

    monkeypatch.setattr(Space, "look", looked)
    monkeypatch.setattr(space, "free_mb", lambda folder: left[0])
    recorder = Recorder(wiring, StandInHardware(clock, poll), clock, say=lambda text: None)
    health = recorder.run(START_NS + 20 * NS_PER_S)
    paths = sorted((recorder.data_dir / "recordings").glob("*.sqlite"))
    assert len(paths) == 2
    with RecordingReader(paths[1]) as reader:
        assert reader.how_closed == "closed"
        times = reader.raw("battery_voltage").time_ns + reader.meta.started_monotonic_ns
    # Asked at the end of each second; the one after 12.01 s is the first that is recorded again.
    assert ((times[0] - START_NS) / NS_PER_S, times.size) == (
        pytest.approx(12.01, abs=0.011),
        pytest.approx(799, abs=1),
    )
    assert (health.commit.dropped, health.commit.problem) == (0, "")


def test_a_power_up_onto_a_full_card_waits_for_room_too(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(space, "free_mb", lambda folder: 0.5 if clock.now_ns - START_NS < 3 * NS_PER_S else 900.0)
    recorder = Recorder(wiring, StandInHardware(clock), clock, inline=True, say=lambda text: None)
    recorder.run(START_NS + 6 * NS_PER_S)
    assert recorder.place is not None
    with RecordingReader(recorder.place.path) as reader:
        assert reader.meta.power_up == 1
        assert reader.raw("battery_voltage").time_ns.size == pytest.approx(300, abs=2)


def test_a_disk_that_is_really_full_for_a_while_costs_no_second(
    wiring: Settings, clock: JumpingClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own "database or disk is full", by a limit on the file's pages that is lifted again."""
    monkeypatch.setattr("logger.recorder.commit.RETRY_S", 0.001)
    full = threading.Event()
    append = RecordingWriter.append

    def limited(writer: RecordingWriter, second: Second) -> None:
        connection = writer._connection
        assert connection is not None
        if second.index == 4 and not full.is_set():
            connection.execute("PRAGMA max_page_count = 1").fetchall()
        try:
            append(writer, second)
        except OSError:
            full.set()
            connection.execute("PRAGMA max_page_count = 1000000").fetchall()
            raise

    monkeypatch.setattr(RecordingWriter, "append", limited)
    hardware = StandInHardware(clock, lambda number: full.wait() and None if number == 6 else None)
    recorder = Recorder(wiring, hardware, clock, say=lambda text: None)
    health = recorder.run(START_NS + 8 * NS_PER_S)
    assert health.commit.failures == 1
    assert health.commit.dropped == 0
    assert recorder.place is not None
    with RecordingReader(recorder.place.path) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 800
        assert reader.how_closed == "closed"
