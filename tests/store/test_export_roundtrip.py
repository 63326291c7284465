"""Every form that can be imported brings back what was exported: counts, values, times, entries and findings."""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import StoreError
from logger.event import Event, Gap, Trace
from logger.store.blocks import Series
from logger.store.capture_out import write_folder
from logger.store.compaction import BlockWriter, minutes_of
from logger.store.description import RecordingMeta
from logger.store.exports.contents import COPIES
from logger.store.exports.incoming import take_in
from logger.store.exports.write import write
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter
from logger.store.schema import partial_of, put_in_place
from logger.store.store import Store
from tests.store import recordings
from tests.store.events import assert_same_event, seconds, small_event
from tests.store.test_roundtrip import DAY_NS, TEXTS, events, times
from tests.web.example import findings

FORMS = ("sqlite", "parquet", "bundle")


def send(car: Store, laptop: Store, event_id: str, form: str, place: Path) -> str:
    """Export in one form and import that elsewhere; returns the id there."""
    write(car, event_id, form, place)
    (arrived,) = take_in(laptop, place)
    return arrived


def assert_same_recordings(car: Store, sent: str, laptop: Store, arrived: str) -> None:
    """Stored numbers, descriptions, gaps and health alike, bit by bit."""
    for one, other in zip(car.recordings(sent), laptop.recordings(arrived), strict=True):
        assert (one.name, one.uuid, one.duration_ns, one.started_utc) == (
            other.name,
            other.uuid,
            other.duration_ns,
            other.started_utc,
        )
        with car.reader(sent, one.name) as a, laptop.reader(arrived, other.name) as b:
            assert recordings.all_same(a.raws(a.channels), b.raws(b.channels))
            assert (a.meta, a.gaps(), a.health()) == (b.meta, b.gaps(), b.health())


@pytest.mark.parametrize("form", FORMS)
@given(event=events())
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_was_stored_comes_back_to_the_last_bit(form: str, event: Event):
    with TemporaryDirectory() as name, Store(Path(name) / "car") as car, Store(Path(name) / "laptop") as laptop:
        write_folder(event, Path(name) / "captured")
        sent = car.import_folder(Path(name) / "captured")
        arrived = send(car, laptop, sent, form, Path(name) / "out")
        assert_same_event(laptop.event(arrived), car.event(sent))
        assert_same_recordings(car, sent, laptop, arrived)


@st.composite
def recorded(draw: st.DrawFn) -> tuple[list[Series], list[Gap], list[dict[str, object]]]:
    """Counts of the whole range of the chips at any instants, gaps and health, as a recorder may leave them."""
    counts = st.integers(-32768, 32767)
    series = []
    for number, channel in enumerate(recordings.CHANNELS):
        time_ns = draw(times()) if draw(st.booleans()) else np.empty(0, np.int64)
        n = time_ns.size * channel.n_columns
        raw = np.array(draw(st.lists(counts, min_size=n, max_size=n)), np.int16)
        raw = raw.reshape(-1, 3) if channel.n_columns == 3 else raw
        series.append(Series(number, time_ns, None if channel.is_pulses else raw))
    moments = st.integers(0, DAY_NS)
    gap = st.builds(Gap, st.sampled_from(["all", "fuel_pressure"]), moments, moments, TEXTS)
    health = st.fixed_dictionaries({"second": st.integers(0, 86_400), "free_mb": st.floats(0, 1e6), "text": TEXTS})
    return series, draw(st.lists(gap, max_size=3)), draw(st.lists(health, max_size=2))


@pytest.mark.parametrize("form", FORMS)
@given(recorded())
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_a_recorder_left_comes_back_to_the_last_bit(form: str, left):
    series, gaps, health = left
    with TemporaryDirectory() as name, Store(Path(name) / "car") as car, Store(Path(name) / "laptop") as laptop:
        path = car.data_dir / "recordings" / "one.sqlite"
        with BlockWriter(path, recordings.meta(boot_id="b1", started_monotonic_ns=17)) as writer:
            for one in series:
                for minute, part in minutes_of(one):
                    writer.add(minute, part)
            writer.finish(
                "closed", max([0, *(int(one.time_ns[-1]) for one in series if one.time_ns.size)]), gaps, health
            )
        put_in_place(partial_of(path), path)
        sent = car.find("latest")
        arrived = send(car, laptop, sent, form, Path(name) / "out")
        assert_same_recordings(car, sent, laptop, arrived)


@pytest.fixture
def car(tmp_path: Path):
    with Store(tmp_path / "car") as store:
        yield store


@pytest.fixture
def laptop(tmp_path: Path):
    with Store(tmp_path / "laptop") as store:
        yield store


def record(store: Store, **more: object) -> str:
    """A recording of three seconds as the recorder leaves it."""
    recordings.write(store.data_dir / "recordings" / "one.sqlite", 3, **more)
    return store.events()[0].event_id


@pytest.mark.parametrize("form", FORMS)
def test_counts_gaps_and_settings_of_a_real_recording_come_back(form, car, laptop, tmp_path):
    sent = record(car)
    arrived = send(car, laptop, sent, form, tmp_path / "out")
    assert_same_recordings(car, sent, laptop, arrived)
    assert arrived == sent
    assert laptop.recordings(arrived)[0].state == "closed"


@pytest.mark.parametrize("form", FORMS)
def test_a_calibration_in_force_comes_along_inside_the_recording(form, car, laptop, tmp_path):
    sent = record(car)
    car.calibrate("battery_voltage", {"unit": "V", "convert": "divider", "ratio": 12.0}, "measured at the fuse box")
    arrived = send(car, laptop, sent, form, tmp_path / "out")
    with car.reader(sent, "r01") as a, laptop.reader(arrived, "r01") as b:
        np.testing.assert_array_equal(a.read("battery_voltage").value, b.read("battery_voltage").value)
        assert b.meta.settings["channels"]["battery_voltage"]["ratio"] == 12.0
        assert b.meta.settings["channels"]["fuel_pressure"] == a.meta.settings["channels"]["fuel_pressure"]
    assert laptop.calibrations() == []


@pytest.mark.parametrize("form", FORMS)
def test_what_people_entered_and_what_was_found_comes_along(form, car, laptop, tmp_path):
    write_folder(small_event(), tmp_path / "captured")
    sent = car.import_folder(tmp_path / "captured")
    car.add_note(sent, "smelled of petrol", "r02", 1_500_000_000)
    car.add_note(sent, "rain from noon")
    car.correct_run(sent, "r01", "practice", 0, 2_000_000_000)
    car.enter_circumstances(sent, {"road": "damp", "air_pressure_kpa": 97.4})
    car.remove("notes", car.add_note(sent, "taken back"))
    found = replace(findings(), repairs=[]).as_json()
    car.save_findings(sent, found, car.input_fingerprint(sent))
    arrived = send(car, laptop, sent, form, tmp_path / "out")

    def entered(store: Store, event_id: str):
        return [
            [replace(entry, id=0) for entry in entries]
            for entries in (store.repairs(event_id), store.notes(event_id), store.run_corrections(event_id))
        ] + [store.circumstances(event_id)]

    assert entered(laptop, arrived) == entered(car, sent)
    assert laptop.findings(arrived) == found
    assert laptop.has_fresh_findings(arrived)


@pytest.mark.parametrize("form", FORMS)
def test_findings_of_another_version_are_kept_but_count_as_stale(form, car, laptop, tmp_path):
    sent = record(car)
    car.save_findings(sent, findings().as_json(), "anything")
    with car.logbook.transaction() as database:
        database.table("findings").update(sent, {"analysis_version": "0.0.7"})
    arrived = send(car, laptop, sent, form, tmp_path / "out")
    assert laptop.findings(arrived) == findings().as_json()
    assert not laptop.has_fresh_findings(arrived)


@pytest.mark.parametrize("form", FORMS)
def test_the_same_recordings_are_not_taken_in_twice_in_whatever_form(form, car, laptop, tmp_path):
    sent = record(car)
    send(car, laptop, sent, "bundle", tmp_path / "first")
    with pytest.raises(StoreError, match=rf"in the store already, as event {sent}; nothing was changed"):
        send(car, laptop, sent, form, tmp_path / "second")
    with pytest.raises(StoreError, match=r"in the store already"):
        take_in(car, tmp_path / "second")
    assert len(laptop.events()) == 1


@pytest.mark.parametrize("form", FORMS)
def test_a_later_export_of_the_same_event_completes_what_is_here(form, car, laptop, tmp_path):
    writer = recordings.write(car.data_dir / "recordings" / "one.sqlite", 3, close=False)
    sent = car.events()[0].event_id
    car.add_note(sent, "rain from noon")
    assert send(car, laptop, sent, form, tmp_path / "while recording") == sent
    with pytest.raises(StoreError, match="in the store already"):
        take_in(laptop, tmp_path / "while recording")
    writer.append(recordings.second(3))
    writer.close()
    recordings.write(car.data_dir / "recordings" / "two.sqlite", 2, uuid="1f")
    car.events()
    car.remove("notes", car.notes(sent)[0].id)
    assert send(car, laptop, sent, form, tmp_path / "afterwards") == sent
    assert [entry.event_id for entry in laptop.events()] == [sent]
    assert laptop.notes(sent) == []
    for one, other in zip(car.recordings(sent), laptop.recordings(sent), strict=True):
        assert (one.name, one.uuid, one.duration_ns) == (other.name, other.uuid, other.duration_ns)
        with car.reader(sent, one.name) as a, laptop.reader(sent, other.name) as b:
            assert recordings.all_same(a.raws(a.channels), b.raws(b.channels))
    with pytest.raises(StoreError, match="in the store already"):
        take_in(laptop, tmp_path / "afterwards")


@pytest.mark.parametrize("form", FORMS)
def test_what_was_recorded_here_is_never_replaced_by_what_comes_under_its_name(form, car, laptop, tmp_path):
    sent = record(car)
    (path,) = (car.data_dir / "recordings").glob("*.sqlite")
    recordings.write(laptop.data_dir / "recordings" / "one.sqlite", 4)  # the same uuid, and longer
    write(laptop, laptop.find("latest"), form, tmp_path / "out")
    before = path.read_bytes()
    with pytest.raises(StoreError, match=rf"was recorded here, as event {sent}, and what was recorded here"):
        take_in(car, tmp_path / "out")
    assert path.read_bytes() == before
    assert len(car.events()) == 1


def test_a_longer_recording_that_does_not_begin_like_the_one_here_is_refused(car, laptop, tmp_path):
    arrived = send(car, laptop, record(car), "bundle", tmp_path / "out")
    with Store(tmp_path / "stranger") as stranger:
        writer = RecordingWriter(stranger.data_dir / "recordings" / "one.sqlite", recordings.meta())
        with writer:
            for index in range(4):
                writer.append(replace(recordings.second(index + 1), index=index))
        write(stranger, stranger.find("latest"), "bundle", tmp_path / "other")
    (path,) = (laptop.data_dir / "recordings").rglob("*.sqlite")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="r01 does not begin like the one here; nothing was changed"):
        take_in(laptop, tmp_path / "other")
    assert path.read_bytes() == before
    assert [entry.duration_ns for entry in laptop.recordings(arrived)] == [
        entry.duration_ns for entry in car.recordings(car.find("latest"))
    ]
    assert [one.name for one in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("form", FORMS)
def test_an_export_while_recording_holds_every_second_committed_and_disturbs_nothing(form, car, laptop, tmp_path):
    writer = recordings.write(car.data_dir / "recordings" / "one.sqlite", 3, close=False)
    sent = car.events()[0].event_id
    shares = []

    def record_on(share: float) -> None:
        shares.append(share)
        writer.append(recordings.second(writer.n_seconds))

    write(car, sent, form, tmp_path / "out", progress=record_on)
    writer.close()
    (arrived,) = take_in(laptop, tmp_path / "out")
    with laptop.reader(arrived, "r01") as copy, RecordingReader(writer.path) as whole:
        for name in copy.channels:
            got, expected = copy.raw(name), whole.raw(name, None, 3_000_000_000)
            assert recordings.same(got, expected), name
        assert whole.n_seconds == 3 + len(shares)
        assert np.array_equal(whole.raw("tach_pulses").time_ns[::150], np.arange(whole.n_seconds) * 1_000_000_000)
    assert laptop.recordings(arrived)[0].state == "closed"


def test_the_copy_of_a_growing_recording_lies_beside_the_store_and_goes_with_the_export(car, tmp_path):
    record(car, close=False)
    stale = car.data_dir / COPIES / "of last week"
    stale.mkdir(parents=True)
    os.utime(stale, (0, 0))
    seen: list[str] = []

    def look(share: float) -> None:
        seen.extend(path.name for path in (car.data_dir / COPIES).rglob("*.sqlite"))

    write(car, car.find("latest"), "csv", tmp_path / "out", progress=look)
    assert seen == ["001.sqlite"]
    assert not (car.data_dir / COPIES).exists()


@pytest.mark.parametrize("form", FORMS)
def test_a_minus_zero_and_an_absent_value_stay_what_they_are(form, car, laptop, tmp_path):
    value = np.array([-0.0, np.nan, 0.0, 5e-324])
    event = small_event()
    trace = Trace(seconds(0.0, 0.5, 1.0, 2.0), value)
    event = replace(event, recordings=(replace(event.recordings[0], traces={"fuel_pressure": trace}),), repairs=())
    write_folder(event, tmp_path / "captured")
    sent = car.import_folder(tmp_path / "captured")
    arrived = send(car, laptop, sent, form, tmp_path / "out")
    got = laptop.event(arrived).recordings[0].traces["fuel_pressure"].value
    assert got.tobytes() == value.tobytes()


def test_utc_is_the_recordings_begin_plus_its_time(car, tmp_path):
    write_folder(small_event(), tmp_path / "captured")
    sent = car.import_folder(tmp_path / "captured")
    write(car, sent, "sqlite", tmp_path / "event.sqlite")
    import sqlite3

    connection = sqlite3.connect(tmp_path / "event.sqlite")
    rows = connection.execute("SELECT time_s, time_utc, unix_ns FROM driver_marks ORDER BY rowid").fetchall()
    connection.close()
    begun = datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC)
    expected = [begun + timedelta(seconds=1.5), begun + timedelta(seconds=897.7 + 1.5)]
    assert [row[0] for row in rows] == [1.5, 1.5]
    assert [row[1] for row in rows] == ["2026-05-09T08:02:12.500Z", "2026-05-09T08:17:10.200Z"]
    assert [row[2] for row in rows] == [round(moment.timestamp() * 1000) * 1_000_000 for moment in expected]


@pytest.mark.parametrize("moment", ["2026-05-09T08:02:11", "2026-05-09 10:02:11+02:00", "2026-05-09T08:02:11Z"])
def test_a_moment_is_utc_however_a_program_wrote_it_into_the_file(car, laptop, tmp_path, moment):
    import sqlite3

    write_folder(small_event(), tmp_path / "captured")
    write(car, car.import_folder(tmp_path / "captured"), "sqlite", tmp_path / "event.sqlite")
    with sqlite3.connect(tmp_path / "event.sqlite") as connection:
        connection.execute("UPDATE event SET started_utc = ?", [moment])
        connection.execute("UPDATE recordings SET started_utc = ? WHERE recording = 'r01'", [moment])
    connection.close()
    (arrived,) = take_in(laptop, tmp_path / "event.sqlite")
    began = datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC)
    assert laptop.outline(arrived).started_utc == laptop.recordings(arrived)[0].started_utc == began
    write(laptop, arrived, "csv", tmp_path / "out")


def test_a_description_that_is_not_one_is_refused(car, laptop, tmp_path):
    import sqlite3

    sent = record(car)
    write(car, sent, "sqlite", tmp_path / "event.sqlite")
    for sql in (
        "UPDATE recordings SET description = '{}'",
        "UPDATE recordings SET description = json_set(description, '$.channels[0].kind', 'pulses')",
        "UPDATE recordings SET recording = '../../outside'",
        "UPDATE event SET cylinders = 99",
        "UPDATE event SET kind = 'picnic'",
        "UPDATE event SET findings = '[1]'",
        "UPDATE event SET started_utc = '0001-01-01T00:00:00+14:00'",
        "INSERT INTO circumstances VALUES ('road', '\"icy\"', '', '2026-05-09T08:00:00+00:00')",
        "UPDATE recordings SET duration_ns = NULL",
        "UPDATE recordings SET health = 'null'",
        "UPDATE recordings SET health = 'well'",
        "UPDATE channels SET n_samples = NULL",
        "UPDATE gaps SET from_ns = NULL",
        "INSERT INTO run_corrections VALUES ('r01', NULL, 0, 5, '2026-05-09T08:00:00+00:00')",
        "INSERT INTO notes VALUES ('dry', NULL, NULL, NULL, NULL)",
        "UPDATE battery_voltage SET time_ns = -time_ns",
        "UPDATE battery_voltage SET raw = 'x' WHERE rowid = 7",
        "UPDATE battery_voltage SET raw = 70000 WHERE rowid = 7",
        "DELETE FROM battery_voltage WHERE rowid = 7",
        "DROP TABLE battery_voltage",
        "ALTER TABLE battery_voltage RENAME TO away; CREATE VIEW battery_voltage AS SELECT * FROM away",
        "DROP TABLE notes",
        "PRAGMA user_version = 99",
        "PRAGMA application_id = 7",
    ):
        spoilt = tmp_path / "spoilt.sqlite"
        spoilt.write_bytes((tmp_path / "event.sqlite").read_bytes())
        connection = sqlite3.connect(spoilt)
        connection.executescript(sql)
        connection.close()
        with pytest.raises(StoreError, match=r"spoilt\.sqlite"):
            take_in(laptop, spoilt)
        assert laptop.events() == [], sql
        assert list((laptop.data_dir / "recordings").iterdir()) == [], sql


@pytest.mark.parametrize("about", [b"[]", b"null", b"7", b'{"format": "stumblelog-event", "version": "1"}', b"\xff"])
def test_a_parquet_file_that_says_nonsense_of_itself_is_refused(car, laptop, tmp_path, about):
    place = write(car, record(car), "parquet", tmp_path / "season")
    path = place / "table=notes" / "part.parquet"
    pq.write_table(pq.read_table(path).replace_schema_metadata({b"stumblelog": about}), path)
    with pytest.raises(StoreError, match=r"part\.parquet: "):
        take_in(laptop, tmp_path / "season")


def test_a_recording_says_of_itself_the_same_after_the_journey(car, laptop, tmp_path):
    meta = recordings.meta(boot_id="b0", started_monotonic_ns=17, started_utc="2026-05-09T08:00:00+00:00")
    assert RecordingMeta.from_json(meta.to_json()) == meta
