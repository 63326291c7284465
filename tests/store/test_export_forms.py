"""MDF files, the reference page, and the readme inside an SQLite file."""

import sqlite3
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logger.errors import StoreError
from logger.event import Repair
from logger.store.capture_out import write_folder
from logger.store.exports import reference, samples
from logger.store.exports.findings_rows import repair_state
from logger.store.exports.write import write
from logger.store.store import Store
from tests.store import recordings
from tests.store.events import small_event, small_recording


@pytest.fixture
def dated(tmp_path: Path):
    """A store with one small event whose clock was known."""
    write_folder(small_event(), tmp_path / "captured")
    with Store(tmp_path / "car") as store:
        yield store, store.import_folder(tmp_path / "captured")


def test_the_reference_page_is_up_to_date():
    assert reference.PATH.read_text(encoding="utf-8") == reference.text(), (
        "run: python -m logger.store.exports.reference"
    )


def test_an_mdf_file_holds_values_counts_and_units(tmp_path: Path):
    asammdf = pytest.importorskip("asammdf")
    with Store(tmp_path / "car") as store:
        recordings.write(store.data_dir / "recordings" / "one.sqlite", 3)
        event_id = store.find("latest")
        write(store, event_id, "mdf", tmp_path / "mdf")
        with store.reader(event_id, "r01") as reader:
            pressure, counts = reader.read("fuel_pressure"), reader.raw("fuel_pressure")
            pulses = reader.pulses("tach_pulses")
            acceleration = reader.read("acceleration")
    with asammdf.MDF(tmp_path / "mdf" / "001.mf4") as mdf:
        got = mdf.get("fuel_pressure")
        assert got.unit == "kPa"
        assert got.samples.tobytes() == pressure.value.tobytes()
        assert got.timestamps.tobytes() == (pressure.time_ns / 1e9).tobytes()
        assert mdf.get("fuel_pressure_counts").samples.tobytes() == np.asarray(counts.raw).tobytes()
        assert mdf.get("tach_pulses").timestamps.tobytes() == (pulses / 1e9).tobytes()
        assert mdf.get("acceleration_z").samples.tolist() == acceleration.value[:, 2].tolist()


def test_an_mdf_file_is_filled_window_by_window_without_losing_a_sample(tmp_path: Path, monkeypatch):
    asammdf = pytest.importorskip("asammdf")
    monkeypatch.setattr(samples, "WINDOW_NS", 700_000_000)
    with Store(tmp_path / "car") as store:
        recordings.write(store.data_dir / "recordings" / "one.sqlite", 5)
        event_id = store.find("latest")
        write(store, event_id, "mdf", tmp_path / "mdf")
        with store.reader(event_id, "r01") as reader:
            both = reader.both(reader.channels)
    with asammdf.MDF(tmp_path / "mdf" / "001.mf4") as mdf:
        for name in ("battery_voltage", "acceleration_x", "tach_pulses"):
            series, value = both[name.removesuffix("_x")]
            assert mdf.get(name).timestamps.tobytes() == (series.time_ns / 1e9).tobytes()
            if value is not None:
                assert mdf.get(name).samples.tobytes() == value.reshape(value.shape[0], -1)[:, 0].tobytes()
        assert (
            mdf.get("acceleration_z_counts").samples.tolist() == np.asarray(both["acceleration"][0].raw)[:, 2].tolist()
        )


def test_without_its_library_mdf_is_refused_with_the_way_to_install_it(dated, tmp_path: Path, monkeypatch):
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(StoreError, match=r"MDF needs a library; install it with: pip install 'stumblelog\[mdf\]'"):
        write(*dated, "mdf", tmp_path / "mdf")
    assert not (tmp_path / "mdf").exists()


def test_an_mdf_file_begins_at_the_recordings_wall_clock(dated, tmp_path: Path):
    asammdf = pytest.importorskip("asammdf")
    write(*dated, "mdf", tmp_path / "mdf")
    assert sorted(path.name for path in (tmp_path / "mdf").iterdir()) == ["001.mf4", "002.mf4"]
    with asammdf.MDF(tmp_path / "mdf" / "002.mf4") as mdf:
        assert mdf.header.start_time.astimezone(UTC) == datetime(2026, 5, 9, 8, 17, 8, 700_000, UTC)


def test_the_readme_of_an_sqlite_file_explains_every_column_of_it(dated, tmp_path: Path):
    write(*dated, "sqlite", tmp_path / "event.sqlite")
    connection = sqlite3.connect(tmp_path / "event.sqlite")
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    columns = {
        (table, row[1]) for table in tables for row in connection.execute(f"PRAGMA table_xinfo({table})").fetchall()
    }
    explained = {
        (row[0], row[1])
        for row in connection.execute("SELECT table_name, column_name FROM readme WHERE meaning != ''")
        if row[1] is not None
    }
    connection.close()
    assert columns == explained
    assert {"battery_voltage", "acceleration", "tach_pulses", "stumbles", "repairs", "conditions"} <= set(tables)


def test_a_program_that_knows_only_sql_finds_values_with_their_times(dated, tmp_path: Path):
    write(*dated, "sqlite", tmp_path / "event.sqlite")
    connection = sqlite3.connect(tmp_path / "event.sqlite")
    rows = connection.execute("SELECT * FROM battery_voltage WHERE recording = 'r01' ORDER BY time_ns").fetchall()
    connection.close()
    assert rows[:2] == [
        ("r01", 0, 0.0, None, 12.503, 1778313731000000000, "2026-05-09T08:02:11.000Z"),
        ("r01", 500_000_000, 0.5, None, None, 1778313731500000000, "2026-05-09T08:02:11.500Z"),
    ]


def test_an_sqlite_file_tells_the_wall_clock_of_each_recording_apart_whatever_it_is_called(tmp_path: Path):
    names = ("O'Neill's", "%", "r01", "no clock")
    offsets_s = (0.0, 1.5, 3600.0, None)
    parts = [
        replace(small_recording(name, offset_s), traces={}) for name, offset_s in zip(names, offsets_s, strict=True)
    ]
    write_folder(replace(small_event(), recordings=tuple(parts), repairs=()), tmp_path / "captured")
    with Store(tmp_path / "car") as store:
        write(store, store.import_folder(tmp_path / "captured"), "sqlite", tmp_path / "event.sqlite")
    connection = sqlite3.connect(tmp_path / "event.sqlite")
    rows = connection.execute("SELECT recording, time_utc FROM driver_marks").fetchall()
    connection.close()
    assert rows == [
        ("O'Neill's", "2026-05-09T08:02:12.500Z"),
        ("%", "2026-05-09T08:02:14.000Z"),
        ("r01", "2026-05-09T09:02:12.500Z"),
        ("no clock", None),
    ]


@pytest.mark.parametrize("n", [1, 49, 50, 51, 100, 149])
def test_every_row_reaches_an_sqlite_file_however_many_there_are(tmp_path: Path, n: int):
    recording = replace(small_recording("r01"), traces={}, pulses={"tach_pulses": np.arange(n) * 1_000_000})
    write_folder(replace(small_event(), recordings=(recording,), repairs=()), tmp_path / "captured")
    with Store(tmp_path / "car") as store:
        write(store, store.import_folder(tmp_path / "captured"), "sqlite", tmp_path / "event.sqlite")
    connection = sqlite3.connect(tmp_path / "event.sqlite")
    rows = connection.execute("SELECT time_ns FROM tach_pulses ORDER BY rowid").fetchall()
    connection.close()
    assert rows == [(k * 1_000_000,) for k in range(n)]


@pytest.mark.parametrize(
    ("recording", "at_s", "expected"),
    [
        ("r01", 0.0, (0, "before any repair")),
        ("r02", 0.9, (1, "renewed the coil feed wire")),  # done after r01
        ("r02", 1.1, (2, "new fuel filter")),  # done one second into r02, which began at 897.7 s
        ("lost", 0.0, (None, None)),
    ],
)
def test_the_repair_state_of_a_moment_is_the_newest_repair_before_it(recording, at_s, expected):
    event = small_event()
    event = replace(event, repairs=(*event.repairs, Repair("new fuel filter", offset_ns=898_700_000_000)))
    assert tuple(repair_state(event, recording, at_s).values()) == expected
