"""The worker analyses what has become stale, leaves a running engine alone, and gets over what it cannot do."""

import shutil
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logger.analysis.findings import Findings
from logger.errors import AnalysisError, StoreError
from logger.event import NS_PER_S, Repair
from logger.store.blocks import Series
from logger.store.capture_out import write_folder
from logger.store.description import RecordingMeta, stored_channel
from logger.store.door import open_event
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.store import Store
from logger.work import STANDING_STILL_S, RunWatch, Worker, analyse_event
from tests.days import always, day
from tests.seasons import CLEAN, FAILED, FEED, Day, put_in
from tests.store.events import small_event

NOTHING = Findings([], [], [], [], None, [], None, None)
IDLE_HZ, PULLING_HZ = 30, 200  # at three pulses per revolution: 600 and 4000 rpm
SETTINGS = {"engine": {"cylinders": 6, "idle_rpm": 800.0}, "event": {"name": "Larch Hollow"}}


class Bench:
    """A worker whose analysis only notes which event it was asked for."""

    def __init__(self, data_dir: Path) -> None:
        self.store = Store(data_dir)
        self.analysed: list[str] = []
        self.said: list[str] = []
        self.now_s = 0.0
        self.normal: dict = {}
        self.worker = Worker(self.store, analyse=self._analyse, say=self.said.append, monotonic=lambda: self.now_s)

    def _analyse(self, store: Store, event_id: str) -> Findings:
        self.analysed.append(event_id)
        fingerprint = store.input_fingerprint(event_id)
        store.event(event_id)
        store.save_findings(event_id, {**NOTHING.as_json(), "normal": self.normal}, fingerprint)
        return NOTHING

    def rounds(self, n: int = 1) -> list[str]:
        """Which events were analysed in these rounds."""
        before = len(self.analysed)
        for _ in range(n):
            self.worker.round()
        return self.analysed[before:]


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path / "data")
    yield made
    made.store.close()


@pytest.fixture
def writer(bench):
    meta = RecordingMeta("uuid", (stored_channel("tach_pulses"),), boot_id="boot", settings=SETTINGS)
    with RecordingWriter(bench.store.data_dir / "recordings" / "a.sqlite", meta) as made:
        yield made


def turn(writer: RecordingWriter, pulses_per_s: int) -> None:
    """Record one more second of an engine turning at that rate."""
    index = writer.n_seconds
    time_ns = index * NS_PER_S + np.arange(pulses_per_s, dtype=np.int64) * NS_PER_S // max(pulses_per_s, 1)
    writer.append(Second(index, [Series(0, time_ns)]))


def imported(bench: Bench) -> str:
    folder = bench.store.data_dir.parent / "day"
    write_folder(small_event(), folder)
    return bench.store.import_folder(folder)


def test_analysing_one_event_renews_the_verdicts_of_the_others(tmp_path):
    with Store(tmp_path / "data") as store:
        done = (Repair(FEED, after_recording="r03"),)
        may = put_in(store, tmp_path / "may", Day("May", [FAILED] * 3, datetime(2026, 5, 9, tzinfo=UTC), done))
        put_in(store, tmp_path / "june", Day("June", [CLEAN] * 7, datetime(2026, 6, 9, tzinfo=UTC)))
        july = put_in(store, tmp_path / "july", Day("July", [CLEAN], datetime(2026, 7, 9, tzinfo=UTC)))
        analyse_event(store, july)
        assert [one["verdict"] for one in (store.findings(may) or {})["repairs"]] == ["fixed"]


def test_a_new_event_is_analysed_once(bench):
    event_id = imported(bench)
    assert bench.rounds(3) == [event_id]


def test_an_earlier_event_that_comes_later_makes_the_later_one_due_again(bench):
    place = bench.store.data_dir.parent
    june = put_in(bench.store, place / "june", Day("June", [CLEAN], datetime(2026, 6, 9, tzinfo=UTC)))
    assert bench.rounds(2) == []
    bench.normal = {"levels": {}, "changed": ["fuel_pressure"], "rail": None}
    with Store(bench.store.data_dir) as other:
        may = put_in(other, place / "may", Day("May", [CLEAN], datetime(2026, 5, 9, tzinfo=UTC)))
        other.add_repair(may, "new pump")
    assert bench.rounds(4) == [may, june]


def test_what_the_earlier_events_taught_is_used(tmp_path):
    """The analysis itself is tested in tests/analysis/test_normal.py; here the way through the logbook."""
    healthy, tired = (day("four_carburettor", seed, faults, runs=2) for seed, faults in
                      ((1, []), (11, [always("pump_tired", 0.7)])))  # fmt: skip
    with Store(tmp_path / "data") as store:
        for name, event in (("may", healthy), ("june", replace(tired, started_utc=datetime(2026, 6, 9, tzinfo=UTC)))):
            write_folder(event, tmp_path / name)
            event_id = store.import_folder(tmp_path / name)
            findings = analyse_event(store, event_id)
        assert [one.channel for one in findings.off_normal] == ["fuel_pressure"]
        assert store.has_fresh_findings(event_id)
        assert (store.findings(event_id) or {})["off_normal"][0]["cause"] == "fuel_delivery"
    with open_event(tmp_path / "data", event_id) as opened:
        assert [one.channel for one in opened.analyse().off_normal] == ["fuel_pressure"]


def test_an_entry_made_by_another_process_makes_the_event_due(bench):
    event_id = imported(bench)
    bench.rounds()
    with Store(bench.store.data_dir) as other:
        other.add_repair(event_id, "changed the coil")
    assert bench.rounds(2) == [event_id]


def test_a_run_in_an_open_recording_is_analysed_when_it_is_over(bench, writer):
    turn(writer, IDLE_HZ)
    assert len(bench.rounds()) == 1  # what was there already
    turn(writer, PULLING_HZ)
    turn(writer, PULLING_HZ)
    assert bench.rounds() == []
    turn(writer, IDLE_HZ)
    assert len(bench.rounds()) == 1
    turn(writer, IDLE_HZ)
    assert bench.rounds() == []


def test_the_next_run_is_analysed_too(bench, writer):
    for _ in range(2):
        turn(writer, PULLING_HZ)
        assert bench.rounds() == []
        turn(writer, 0)
        assert len(bench.rounds()) == 1


def leave_open(bench: Bench) -> Path:
    """A recording as a power cut leaves it: never closed, its last seconds still in the WAL."""
    meta = RecordingMeta("uuid", (stored_channel("tach_pulses"),), boot_id="boot", settings=SETTINGS)
    elsewhere = bench.store.data_dir / "other.sqlite"
    path = bench.store.data_dir / "recordings" / "a.sqlite"
    with RecordingWriter(elsewhere, meta) as writer:
        for _ in range(3):
            turn(writer, PULLING_HZ)
        for suffix in ("", "-wal"):
            shutil.copy(f"{elsewhere}{suffix}", f"{path}{suffix}")
    return path


def test_a_recording_cut_off_in_full_flight_is_closed_and_analysed_when_it_no_longer_grows(bench):
    path = leave_open(bench)
    assert bench.rounds() == []
    bench.now_s += STANDING_STILL_S
    assert len(bench.rounds(2)) == 1
    assert bench.said[0] == "a.sqlite: its power was cut; all that had been stored is there"
    with RecordingReader(path) as reader:
        assert (reader.how_closed, reader.pulses("tach_pulses").size) == ("recovered", 3 * PULLING_HZ)
    assert not bench.store.events()[0].recording_now


def test_a_recording_that_waits_for_its_card_is_left_to_its_recorder(bench, writer):
    turn(writer, PULLING_HZ)
    bench.rounds()
    bench.now_s += STANDING_STILL_S
    bench.rounds()
    assert not any("a.sqlite" in text for text in bench.said)
    turn(writer, PULLING_HZ)
    assert bench.store.events()[0].recording_now


def test_what_is_whole_of_a_damaged_recording_is_saved_and_analysed(bench, writer):
    for _ in range(5):
        turn(writer, PULLING_HZ)
    writer.close()
    path = bench.store.data_dir / "recordings" / "a.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE seconds SET data = zeroblob(100) WHERE second = 2")
    connection.close()
    (event_id,) = bench.rounds()
    assert bench.store.event(event_id).recordings == ()
    assert bench.rounds(3)[-1:] == [event_id]
    assert bench.rounds() == []
    (recording,) = bench.store.event(event_id).recordings
    assert recording.pulses["tach_pulses"].size == 4 * PULLING_HZ
    assert [(gap.from_ns, gap.to_ns) for gap in recording.gaps] == [(2 * NS_PER_S, 3 * NS_PER_S)]


def test_a_file_beyond_saving_is_tried_once(bench, writer):
    turn(writer, IDLE_HZ)
    writer.close()
    (bench.store.data_dir / "recordings" / "b.sqlite").write_bytes(b"")
    bench.rounds(4)
    assert [text for text in bench.said if "b.sqlite" in text] == bench.said[:1]


def test_a_closed_recording_is_analysed_and_compacted(bench, writer):
    turn(writer, PULLING_HZ)
    assert bench.rounds() == []
    writer.close()
    assert len(bench.rounds()) == 1
    with RecordingReader(bench.store.data_dir / "recordings" / "a.sqlite") as reader:
        assert reader.is_compacted
        assert reader.pulses("tach_pulses").size == PULLING_HZ
    assert bench.rounds() == []


def test_an_event_that_cannot_be_analysed_is_said_once_and_tried_again_after_a_change(bench, monkeypatch):
    event_id = imported(bench)

    def refuse(store: Store, event_id: str) -> Findings:
        bench.analysed.append(event_id)
        raise AnalysisError("no pulses per revolution")

    monkeypatch.setattr(bench.worker, "_analyse", refuse)
    assert len(bench.rounds(3)) == 1
    assert bench.said == [f"{event_id}: no pulses per revolution"]
    with Store(bench.store.data_dir) as other:
        other.add_repair(event_id, "changed the coil")
    assert len(bench.rounds(2)) == 1


def test_a_recording_that_cannot_be_compacted_now_is_tried_again(bench, writer, monkeypatch):
    turn(writer, IDLE_HZ)
    writer.close()
    tried = []

    def busy(path: Path) -> None:
        tried.append(path.name)
        raise StoreError("being read just now")

    monkeypatch.setattr(bench.worker, "_compact", busy)
    bench.rounds()
    with Store(bench.store.data_dir) as other:
        other.add_note(other.events()[0].event_id, "dry")
    bench.rounds()
    assert tried == ["a.sqlite", "a.sqlite"]
    assert len(bench.analysed) == 1


def test_an_error_of_the_store_is_said_once_and_the_worker_goes_on(bench, monkeypatch):
    rounds = []

    class Stop:
        def is_set(self) -> bool:
            return len(rounds) == 3

        def wait(self, timeout: float) -> None:
            rounds.append(timeout)

    def locked() -> None:
        raise StoreError("the logbook is locked")

    monkeypatch.setattr(bench.worker, "round", locked)
    bench.worker.run(Stop())
    assert bench.said == ["the logbook is locked"]


@pytest.mark.parametrize(
    ("seconds", "over"),
    [
        ([(500, True)], [True]),
        ([(500, True), (500, True)], [True, False]),
        ([(3000, True), (3000, True), (500, True)], [False, False, True]),
        ([(3000, True), (3000, False), (3000, False)], [False, True, False]),
        ([(0, True), (3000, True), (0, True), (0, True)], [True, False, True, False]),
    ],
)
def test_a_run_is_over_once(seconds, over):
    watch = RunWatch(busy_rpm=1200.0)
    assert [watch.is_over(rpm, growing) for rpm, growing in seconds] == over
