"""The store: recordings find their event, a damaged one never takes it down, entries can be undone."""

import os
import shutil
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from logger import settings as settings_module
from logger.errors import CaptureError, SettingsError, StoreError
from logger.event import NS_PER_S
from logger.settings import Settings
from logger.store import imports
from logger.store.blocks import Series
from logger.store.capture_out import write_folder
from logger.store.description import RecordingMeta, stored_channel
from logger.store.exports.write import write
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.store import Store
from tests.store.events import assert_same_event, seconds, small_event

NINE = datetime(2026, 5, 9, 9, 0, tzinfo=UTC)
COUNTS = 16_000  # 2.0 V at the chip with a gain of 1, as 2.0 / 4.096 * 32768


def snapshot(name: str = "Larch Hollow", kind: str = "competition") -> dict:
    document = settings_module.default().to_dict()
    document["event"] = {"name": name, "kind": kind}
    return Settings.from_dict(document).to_dict()


def record(
    store: Store,
    file: str,
    *,
    started_utc: datetime | None = NINE,
    power_up: int = 1,
    name: str = "Larch Hollow",
    boot_id: str = "boot-1",
    monotonic_s: int = 0,
    close: bool = True,
    clock_is_set: bool = True,
) -> RecordingWriter:
    """Leave a recording of three seconds as the recorder does: battery counts and tach pulses each 0.1 s."""
    meta = RecordingMeta(
        uuid=f"uuid of {file}",
        channels=(stored_channel("battery_voltage", counts=True), stored_channel("tach_pulses")),
        boot_id=boot_id,
        power_up=power_up,
        started_monotonic_ns=monotonic_s * NS_PER_S,
        started_utc=started_utc.isoformat() if started_utc else None,
        clock_is_set=clock_is_set,
        settings=snapshot(name),
    )
    writer = RecordingWriter(store.data_dir / "recordings" / f"{file}.sqlite", meta)
    for index in range(3):
        time_ns = index * NS_PER_S + np.arange(10, dtype=np.int64) * 100_000_000
        counts = np.full(10, COUNTS, np.int16)
        writer.append(Second(index, [Series(0, time_ns, counts), Series(1, time_ns)]))
    if close:
        writer.close()
    return writer


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def folder(tmp_path) -> Path:
    write_folder(small_event(), tmp_path / "day")
    return tmp_path / "day"


def names(store: Store, event_id: str) -> list[str]:
    return [Path(recording.file).stem for recording in store.recordings(event_id)]


# Recordings of the recorder


def test_recordings_of_one_name_and_day_make_one_event(store):
    record(store, "a", power_up=1)
    record(store, "b", power_up=2, started_utc=NINE + timedelta(hours=3))
    (event,) = store.events()
    assert (event.event_id, event.name, event.n_recordings) == ("2026-05-09-larch-hollow", "Larch Hollow", 2)
    assert [recording.offset_ns for recording in store.event(event.event_id).recordings] == [0, 3 * 3600 * NS_PER_S]


def test_the_same_name_on_another_day_is_another_event(store):
    record(store, "a")
    record(store, "b", started_utc=NINE + timedelta(days=1))
    assert [event.event_id for event in store.events()] == ["2026-05-10-larch-hollow", "2026-05-09-larch-hollow"]


def test_a_day_that_runs_past_midnight_is_not_cut(store):
    record(store, "a", power_up=1, started_utc=NINE + timedelta(hours=14))
    record(store, "b", power_up=2, started_utc=NINE + timedelta(hours=16))
    assert [event.n_recordings for event in store.events()] == [2]


def test_another_name_on_the_same_day_is_another_event(store):
    record(store, "a", name="Practice")
    record(store, "b", name="Larch Hollow")
    assert {event.name for event in store.events()} == {"Practice", "Larch Hollow"}


def test_recordings_without_a_clock_are_ordered_by_power_up(store):
    never_set = datetime(1970, 1, 1, tzinfo=UTC)
    record(store, "b", power_up=8, started_utc=never_set)
    record(store, "a", power_up=9, started_utc=None)
    (event,) = store.events()
    assert names(store, event.event_id) == ["b", "a"]
    assert (event.event_id, event.started_utc) == ("larch-hollow", None)
    assert [recording.offset_ns for recording in store.event(event.event_id).recordings] == [None, None]


def test_a_clock_that_nobody_set_tells_days_apart_but_dates_nothing(store):
    record(store, "a", power_up=1, clock_is_set=False)
    record(store, "b", power_up=2, clock_is_set=False, started_utc=NINE + timedelta(days=7))
    assert [(event.event_id, event.started_utc) for event in store.events()] == [
        ("larch-hollow-2", None),
        ("larch-hollow", None),
    ]


def test_a_clock_set_afterwards_dates_the_recordings_of_that_boot(store):
    record(store, "a", power_up=1, started_utc=None, monotonic_s=100)
    record(store, "b", power_up=2, started_utc=None, monotonic_s=700)
    (event,) = store.events()
    fix = store.set_clock("boot-1", 1000 * NS_PER_S, NINE, "a browser on the page", 0.5)
    assert store.outline(event.event_id).started_utc == NINE - timedelta(seconds=900)
    assert [recording.offset_ns for recording in store.outline(event.event_id).recordings] == [0, 600 * NS_PER_S]
    store.remove("clock_fixes", fix)
    assert store.outline(event.event_id).started_utc is None


def test_a_recording_still_being_written_can_be_read(store):
    writer = record(store, "a", close=False)
    (event,) = store.events()
    assert event.recording_now
    assert store.event(event.event_id).recordings[0].duration_ns == 3 * NS_PER_S
    writer.append(Second(3, [Series(1, seconds(3.5))]))
    assert store.event(event.event_id).recordings[0].duration_ns == 4 * NS_PER_S
    writer.close()
    assert not store.events()[0].recording_now


def test_events_without_a_name_are_called_after_their_day(store):
    record(store, "a", name="")
    assert store.events()[0].name == "Event of 2026-05-09"


def test_a_copied_recording_is_not_counted_twice(store):
    record(store, "a")
    shutil.copy(store.data_dir / "recordings" / "a.sqlite", store.data_dir / "recordings" / "b.sqlite")
    (event,) = store.events()
    assert [recording.name for recording in store.event(event.event_id).recordings] == ["r01"]
    assert "a copy of recordings/a.sqlite" in store.recordings(event.event_id)[1].reason


@pytest.mark.parametrize(
    ("content", "reason"), [(b"", r"the file is empty \(0 bytes\)"), (b"\x93\x00" * 4096, "not an SQLite file")]
)
def test_a_damaged_recording_is_named_and_its_event_stands(store, content, reason):
    record(store, "a")
    (store.data_dir / "recordings" / "b.sqlite").write_bytes(content)
    (event,) = store.events()
    assert (event.n_recordings, event.n_damaged) == (2, 1)
    assert [recording.name for recording in store.event(event.event_id).recordings] == ["r01"]
    damaged = store.recordings(event.event_id)[1]
    assert (damaged.state, damaged.readable) == ("damaged", False)
    with pytest.raises(StoreError, match=reason):
        store.reader(event.event_id, damaged.name)


def test_a_recording_that_cannot_be_read_is_named_in_the_event_of_its_neighbour(store):
    record(store, "2026-05-09")
    record(store, "2026-06-20", started_utc=NINE + timedelta(days=42))
    store.scan()
    (store.data_dir / "recordings" / "2026-05-10.sqlite").touch()
    store.scan()
    assert names(store, "2026-05-09-larch-hollow") == ["2026-05-09", "2026-05-10"]


def test_a_recording_damaged_in_the_middle_is_found_out_on_reading(store):
    record(store, "a")
    record(store, "b", power_up=2)
    (event,) = store.events()
    with sqlite3.connect(store.data_dir / "recordings" / "a.sqlite") as connection:
        connection.execute("UPDATE seconds SET data = zeroblob(100) WHERE second = 1")
    connection.close()
    assert [recording.name for recording in store.event(event.event_id).recordings] == ["r02"]
    assert store.recordings(event.event_id)[0].state == "damaged"
    assert "a.sqlite" in store.recordings(event.event_id)[0].reason


def test_a_damaged_recording_is_read_again_once_its_file_has_changed(store):
    record(store, "a")
    path = store.data_dir / "recordings" / "a.sqlite"
    whole = path.read_bytes()
    path.write_bytes(whole[:1500])
    record(store, "b", power_up=2)
    assert store.events()[0].n_damaged == 1
    path.write_bytes(whole)
    (event,) = store.events()
    assert (event.n_recordings, event.n_damaged) == (2, 0)
    assert len(store.event(event.event_id).recordings) == 2


def test_a_deleted_recording_is_missed_and_welcome_back(store):
    record(store, "a")
    (event,) = store.events()
    path = store.data_dir / "recordings" / "a.sqlite"
    path.rename(path.with_suffix(".elsewhere"))
    assert store.events()[0].n_damaged == 1
    assert store.recordings(event.event_id)[0].reason == "the file is gone; copy it back to have it again"
    path.with_suffix(".elsewhere").rename(path)
    assert store.events()[0].n_damaged == 0


def test_a_growing_recording_writes_nothing_to_the_logbook(store):
    writer = record(store, "a", close=False)
    event_id = store.events()[0].event_id
    with Store(store.data_dir) as other:
        revision = other.logbook.revision()
        writer.append(Second(3, [Series(1, seconds(3.5))]))
        store.scan()
        assert store.recordings(event_id)[0].duration_ns == 4 * NS_PER_S
        assert other.logbook.revision() == revision
    writer.close()


def test_looking_again_changes_nothing(store):
    record(store, "a")
    assert store.scan() == {"2026-05-09-larch-hollow"}
    before = store.recordings("2026-05-09-larch-hollow")
    assert store.scan() == frozenset()
    assert store.recordings("2026-05-09-larch-hollow") == before


# Capture folders


def test_an_imported_folder_is_an_event(store, folder):
    event_id = store.import_folder(folder)
    assert event_id == "2026-05-09-larch-hollow-hill-climb-round-2"
    assert_same_event(store.event(event_id), small_event())
    with store.reader(event_id, "r02") as reader:
        np.testing.assert_array_equal(reader.pulses("driver_marks"), seconds(1.5))


def test_the_same_folder_is_recognised_wherever_it_lies(store, folder, tmp_path):
    store.import_folder(folder)
    shutil.copytree(folder, tmp_path / "copy")
    with pytest.raises(StoreError, match=r"copy: imported already, as event 2026-05-09-larch-hollow-hill"):
        store.import_folder(tmp_path / "copy")
    assert len(store.events()) == 1


def test_another_folder_of_the_same_name_gets_an_id_of_its_own(store, folder, tmp_path):
    store.import_folder(folder)
    write_folder(replace(small_event(), recordings=small_event().recordings[:1]), tmp_path / "other")
    assert store.import_folder(tmp_path / "other") == "2026-05-09-larch-hollow-hill-climb-round-2-2"


def everything_in(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_a_bad_folder_touches_nothing_that_is_stored(store, folder, tmp_path):
    store.import_folder(folder)
    shutil.copytree(folder, tmp_path / "bad")
    (tmp_path / "bad" / "r02" / "battery_voltage.csv").write_text("time_s,value\n0.0,flat\n")
    before = everything_in(store.data_dir)
    with pytest.raises(CaptureError, match="line 2: value is 'flat'"):
        store.import_folder(tmp_path / "bad")
    assert everything_in(store.data_dir) == before


def test_an_import_that_fails_half_way_leaves_nothing(store, folder, monkeypatch):
    written = []

    def full(path: Path, meta: RecordingMeta, recording: object) -> None:
        if written:
            raise OSError(28, "No space left on device")
        written.append(path)
        path.write_bytes(b"half")

    monkeypatch.setattr(imports, "write_recording", full)
    with pytest.raises(StoreError, match=r"cannot take .*day in: No space left on device"):
        store.import_folder(folder)
    assert written
    assert list((store.data_dir / "recordings").iterdir()) == []
    assert store.events() == []


def test_an_import_has_its_place_for_good_before_the_logbook_says_so(store, folder, monkeypatch):
    seen = []

    def look(place: Path) -> None:
        with Store(store.data_dir) as other:
            seen.append((sorted(path.name for path in place.iterdir()), other.logbook.rows("SELECT id FROM events")))

    monkeypatch.setattr(imports, "sync_directory", look)
    event_id = store.import_folder(folder)
    assert seen == [([event_id], [])]


def test_an_import_whose_entry_fails_takes_its_files_back(store, folder, monkeypatch):
    def refuse(*_: object) -> None:
        raise StoreError("the logbook refuses")

    monkeypatch.setattr(imports, "enter_recordings", refuse)
    with pytest.raises(StoreError, match="the logbook refuses"):
        store.import_folder(folder)
    assert list((store.data_dir / "recordings").iterdir()) == []
    monkeypatch.undo()
    assert_same_event(store.event(store.import_folder(folder)), small_event())


def test_recordings_left_by_a_lost_logbook_are_not_written_over(store, folder):
    left = store.data_dir / "recordings" / "2026-05-09-larch-hollow-hill-climb-round-2"
    left.mkdir()
    (left / "001.sqlite").write_bytes(b"of another time")
    event_id = store.import_folder(folder)
    assert_same_event(store.event(event_id), small_event())
    assert (left / "001.sqlite").read_bytes() == b"of another time"


def test_what_a_power_cut_left_of_an_import_goes_after_a_day_and_not_before(store, folder):
    drafts = [store.data_dir / "recordings" / name for name in (".import-old", ".import-running")]
    for draft in drafts:
        draft.mkdir()
    os.utime(drafts[0], (0, 0))
    store.import_folder(folder)
    assert [draft.exists() for draft in drafts] == [False, True]


def test_a_draft_that_goes_while_it_is_looked_at_stops_no_import_and_no_export(store, folder, tmp_path):
    # A link to nowhere is seen in its folder and is not there any more when it is asked for its age.
    (store.data_dir / ".copies").mkdir()
    for path in (
        store.data_dir / "recordings" / ".import-done",
        store.data_dir / ".copies" / "done",
        tmp_path / ".out.zip.done.stumblelog-draft",
    ):
        path.symlink_to("nowhere")
    event_id = store.import_folder(folder)
    write(store, event_id, "bundle", tmp_path / "out.zip")
    record(store, "a")
    writer = record(store, "b", power_up=2, close=False)
    write(store, store.find("2026-05-09-larch-hollow"), "csv", tmp_path / "out")
    writer.close()
    assert (tmp_path / "out.zip").is_file()
    assert (tmp_path / "out" / "r02" / "tach_pulses.csv").is_file()


def test_an_event_whose_name_has_no_letters_still_gets_an_id(store, tmp_path):
    write_folder(replace(small_event(), name="№ 7!", started_utc=None), tmp_path / "seven")
    write_folder(replace(small_event(), name="!!!", started_utc=None), tmp_path / "none")
    assert [store.import_folder(tmp_path / name) for name in ("seven", "none")] == ["no-7", "event"]


# What people enter


@pytest.fixture
def event_id(store, folder) -> str:
    return store.import_folder(folder)


def test_a_repair_without_a_time_was_made_after_the_last_recording(store, event_id):
    store.add_repair(event_id, "changed the coil", suspect="ignition_primary")
    repair = store.event(event_id).repairs[-1]
    assert (repair.what, repair.after_recording, repair.suspect) == ("changed the coil", "r02", "ignition_primary")


def test_a_removed_repair_is_gone_until_it_is_restored(store, event_id):
    entry = store.add_repair(event_id, "changed the coil")
    store.remove("repairs", entry)
    assert len(store.repairs(event_id)) == 1
    store.restore("repairs", entry)
    assert [repair.what for repair in store.repairs(event_id)] == ["renewed the coil feed wire", "changed the coil"]


@pytest.mark.parametrize(
    ("entry", "sentence"),
    [
        ({"what": " "}, "say what was repaired"),
        ({"what": "x", "suspect": "gremlins"}, "suspect is 'gremlins'; allowed are supply_voltage"),
        ({"what": "x", "after_recording": "r09"}, "no recording 'r09' in .*; the recordings are r01, r02"),
    ],
)
def test_a_repair_that_makes_no_sense_is_refused(store, event_id, entry, sentence):
    with pytest.raises(StoreError, match=sentence):
        store.add_repair(event_id, **entry)


def test_a_note_belongs_to_a_moment(store, event_id):
    store.add_note(event_id, "popped through the exhaust", "r01", 41 * NS_PER_S)
    (note,) = store.notes(event_id)
    assert (note.text, note.recording, note.at_ns) == ("popped through the exhaust", "r01", 41 * NS_PER_S)


def test_renaming_an_event_keeps_its_id(store, event_id):
    store.rename_event(event_id, "Round two", "road")
    assert [(event.event_id, event.name, event.kind) for event in store.events()] == [(event_id, "Round two", "road")]


def test_renaming_an_event_that_is_gone_is_refused(store):
    with pytest.raises(StoreError, match="no event 'gone' to rename"):
        store.rename_event("gone", "Round two")


def test_a_corrected_run_is_kept(store, event_id):
    store.correct_run(event_id, "r01", "practice", 0, 2 * NS_PER_S)
    (correction,) = store.run_corrections(event_id)
    assert (correction.recording, correction.action, correction.to_ns) == ("r01", "practice", 2 * NS_PER_S)


def battery_volts(store: Store) -> float:
    return float(store.event(store.events()[0].event_id).recordings[0].traces["battery_voltage"].value[0])


def test_a_calibration_corrects_old_recordings_until_it_is_taken_back(store):
    record(store, "a")
    as_recorded = battery_volts(store)
    entry = store.calibrate("battery_voltage", {"unit": "V", "convert": "divider", "ratio": 7.0}, "against a meter")
    assert battery_volts(store) == pytest.approx(COUNTS * 4.096 / 32768 * 7.0)
    store.remove("calibrations", entry)
    assert battery_volts(store) == as_recorded


def test_the_newest_calibration_is_in_force_and_the_older_ones_are_kept(store):
    for ratio in (6.0, 7.0):
        store.calibrate("battery_voltage", {"unit": "V", "convert": "divider", "ratio": ratio})
    assert store.calibrations_in_force()["battery_voltage"]["ratio"] == 7.0
    assert [entry.conversion["ratio"] for entry in store.calibrations("battery_voltage")] == [6.0, 7.0]


@pytest.mark.parametrize(
    ("channel", "conversion", "sentence"),
    [
        ("oil_pressure", {"unit": "kPa", "convert": "divider"}, "oil_pressure"),
        (
            "fuel_pressure",
            {"unit": "V", "convert": "divider"},
            "unit is 'V'; allowed for fuel_pressure are kPa",
        ),
        ("fuel_pressure", {"unit": "kPa", "convert": "ratiometric"}, "full_scale is missing"),
        ("fuel_pressure", {"unit": "kPa", "convert": "divider", "gain": 2.0}, "gain is wiring"),
    ],
)
def test_a_calibration_that_makes_no_conversion_is_refused(store, channel, conversion, sentence):
    with pytest.raises(SettingsError, match=sentence):
        store.calibrate(channel, conversion)
    assert store.calibrations() == []


# Findings


FINDINGS = {"stumbles": [], "main_cause": None}


def test_findings_are_kept_with_what_they_were_made_from(store, event_id):
    assert store.findings(event_id) is None
    store.save_findings(event_id, FINDINGS, store.input_fingerprint(event_id))
    assert store.findings(event_id) == FINDINGS
    assert store.stored_findings(event_id).fresh


@pytest.mark.parametrize(
    "change",
    [
        lambda store, event_id: store.add_repair(event_id, "changed the coil"),
        lambda store, event_id: store.remove("repairs", store.repairs(event_id)[0].id),
        lambda store, event_id: store.correct_run(event_id, "r01", "practice", 0),
        lambda store, event_id: store.calibrate("battery_voltage", {"unit": "V", "convert": "divider", "ratio": 5.0}),
        lambda store, event_id: (store.data_dir / store.recordings(event_id)[0].file).unlink(),
    ],
)
def test_findings_are_stale_once_something_they_depend_on_has_changed(store, event_id, change):
    store.save_findings(event_id, FINDINGS, store.input_fingerprint(event_id))
    change(store, event_id)
    store.scan()
    assert not store.has_fresh_findings(event_id)
    assert store.findings(event_id) == FINDINGS


def test_a_new_name_or_a_note_leaves_findings_fresh(store, event_id):
    store.save_findings(event_id, FINDINGS, store.input_fingerprint(event_id))
    store.rename_event(event_id, "Round two")
    store.add_note(event_id, "dry")
    assert store.has_fresh_findings(event_id)


# Finding an event by what a person types


def test_an_event_is_found_by_id_name_beginning_or_being_the_latest(store, folder):
    event_id = store.import_folder(folder)
    for text in (event_id, 'larch hollow HILL climb, "round 2"', "2026-05-09-larch", "latest"):
        assert store.find(text) == event_id


def test_an_unknown_event_is_answered_with_those_there_are(store, event_id):
    with pytest.raises(StoreError, match=f"no event 'paris' in .*; the events are: {event_id}"):
        store.find("paris")


def test_of_many_events_the_newest_are_named(store):
    for number in range(1, 12):
        record(store, str(number), started_utc=NINE + timedelta(days=number))
    with pytest.raises(StoreError, match=r"the events are: 2026-05-18-[^ ]+,.* 2026-05-11-[^ ,]+ and 3 older$"):
        store.find("paris")


def test_an_ambiguous_beginning_is_answered_with_the_candidates(store):
    record(store, "a")
    record(store, "b", started_utc=NINE + timedelta(days=1))
    with pytest.raises(StoreError, match="could be 2026-05-10-larch-hollow, 2026-05-09-larch-hollow; give"):
        store.find("2026-05")


def test_a_data_directory_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match=r"file/data: cannot be used as data directory \(Not a directory\); choose"):
        Store(tmp_path / "file" / "data")


@pytest.mark.parametrize("name", ["round #3", "100% dry", "a%20b", "which?", "Übung"])
def test_a_data_directory_may_be_called_anything(tmp_path, name):
    with Store(tmp_path / name) as store:
        record(store, "a")
    with Store(tmp_path / name) as store:
        (event,) = store.events()
        assert store.event(event.event_id).recordings[0].pulses["tach_pulses"].size == 30
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_where_there_is_no_event_yet_it_says_how_one_comes(store):
    with pytest.raises(StoreError, match="no event is here yet; record one, or take one in with import"):
        store.find("latest")
