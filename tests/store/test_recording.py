"""Recordings are written second by second and read back in windows, as counts and as SI values."""

import os
import sqlite3
import subprocess
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger import settings
from logger.errors import StoreError
from logger.event import NS_PER_S, Gap
from logger.store import schema
from logger.store.blocks import Series
from logger.store.compaction import compact
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.schema import RecordingNewerError
from tests.store.recordings import BATTERY, TACH, all_same, everything, meta, second, write


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.sqlite"


def test_every_second_is_readable_as_soon_as_it_is_appended(path: Path) -> None:
    writer = write(path, 0, close=False)
    with RecordingReader(path) as reader:
        for index in range(3):
            writer.append(second(index))
            assert reader.n_seconds == index + 1
            assert reader.raw("battery_voltage").raw.tolist() == list(range(100 * index + 100))
    writer.close()


def test_a_window_is_the_same_part_of_the_whole(path: Path) -> None:
    write(path, 10)
    whole = everything(path)["tach_pulses"].time_ns
    with RecordingReader(path) as reader:
        got = reader.pulses("tach_pulses", 2_500_000_000, 7_100_000_001)
    assert got.tolist() == whole[(whole >= 2_500_000_000) & (whole < 7_100_000_001)].tolist()


def test_a_window_outside_the_recording_is_empty(path: Path) -> None:
    write(path, 3)
    with RecordingReader(path) as reader:
        assert reader.read("battery_voltage", 100 * NS_PER_S, 200 * NS_PER_S).value.size == 0
        assert reader.read("acceleration", -5 * NS_PER_S, 0).value.shape == (0, 3)


def test_counts_become_si_values_with_the_calibration_in_the_file(path: Path) -> None:
    write(path, 1)
    wiring = settings.default()
    with RecordingReader(path) as reader:
        battery = reader.read("battery_voltage")
        acceleration = reader.read("acceleration")
    assert battery.value.tolist() == wiring.channels["battery_voltage"].calibration.to_si(np.arange(100)).tolist()
    assert acceleration.value[0].tolist() == [0.0, 2 / 256, 1.0]


def test_another_calibration_corrects_an_old_recording(path: Path) -> None:
    write(path, 1)
    wiring = settings.default()
    doubled = replace(wiring.channels["battery_voltage"], ratio=2 * wiring.channels["battery_voltage"].ratio)
    other = replace(wiring, channels={**wiring.channels, "battery_voltage": doubled})
    with RecordingReader(path) as reader, RecordingReader(path, other) as corrected:
        before, after = (r.read("battery_voltage").value for r in (reader, corrected))
    assert np.allclose(after, 2 * before)


def test_pressure_is_read_against_the_supply_that_was_measured(path: Path) -> None:
    write(path, 2)
    wiring = settings.default()
    supply_v = wiring.channels["sensor_supply_voltage"].calibration.to_si(20_000)
    expected = wiring.channels["fuel_pressure"].calibration.to_si(12_000, supply_v)
    with RecordingReader(path) as reader:
        assert np.allclose(reader.read("fuel_pressure").value, expected)
        # What a window gives does not depend on where it ends.
        assert np.allclose(reader.read("fuel_pressure", 1_000_000_000, 1_010_000_000).value, expected)


def test_samples_that_arrive_late_are_found_in_the_window_they_belong_to(path: Path) -> None:
    with RecordingWriter(path, meta()) as writer:
        writer.append(Second(0))
        writer.append(Second(5, (Series(TACH, np.array([700_000_000, 5_200_000_000], dtype=np.int64)),)))
    with RecordingReader(path) as reader:
        assert reader.pulses("tach_pulses", 0, NS_PER_S).tolist() == [700_000_000]
        assert reader.n_seconds == 6


def test_time_that_runs_backwards_is_refused_and_nothing_of_the_second_is_stored(path: Path) -> None:
    with RecordingWriter(path, meta()) as writer:
        writer.append(second(0))
        with pytest.raises(ValueError, match="battery_voltage: time runs backwards in second 1"):
            writer.append(Second(1, (Series(BATTERY, np.array([5], dtype=np.int64), np.array([1], np.int16)),)))
        writer.append(second(1))
    assert everything(path)["battery_voltage"].time_ns.size == 200


def test_a_second_that_could_not_be_stored_can_be_appended_again(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = write(path, 299, close=False)

    def refuse(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    # The 300th second also writes the overview row: both, or neither.
    with monkeypatch.context() as patch:
        patch.setattr(schema, "write_meta", refuse)
        late = Second(299, (Series(TACH, np.array([297_500_000_000, 299_000_000_000], dtype=np.int64)),))
        writer._last_ns.clear()
        with pytest.raises(StoreError, match="disk I/O error"):
            writer.append(late)
    with RecordingReader(path) as reader:
        assert reader.n_seconds == 299
    writer.append(late)
    writer.close()
    with RecordingReader(path) as reader:
        assert reader.n_seconds == 300
        assert reader.summaries("battery_voltage")[0].size == 300


def test_a_full_disk_is_said_with_what_to_do_about_it(path: Path) -> None:
    writer = write(path, 3, close=False)
    assert writer._connection is not None
    writer._connection.execute("PRAGMA max_page_count = 1").fetchall()

    def fill() -> None:
        for index in range(3, 9):
            writer.append(second(index))

    with pytest.raises(StoreError, match=r"a\.sqlite: .*full; free some space on its disk and try again"):
        fill()
    writer._connection.execute("PRAGMA max_page_count = 1000000").fetchall()
    writer.close()


def test_gaps_that_touch_come_back_as_one(path: Path) -> None:
    with RecordingWriter(path, meta()) as writer:
        for index in range(3):
            gap = Gap("fuel_pressure", index * NS_PER_S, (index + 1) * NS_PER_S, "wire off")
            writer.append(Second(index, gaps=(gap,)))
    with RecordingReader(path) as reader:
        assert reader.gaps() == (Gap("fuel_pressure", 0, 3 * NS_PER_S, "wire off"),)


def test_an_overview_keeps_a_dip_of_one_sample(path: Path) -> None:
    dip = np.full(100, 1000, np.int16)
    dip[37] = 400
    with RecordingWriter(path, meta()) as writer:
        for index in range(700):
            grid = index * NS_PER_S + np.arange(100, dtype=np.int64) * 10_000_000
            values = dip if index == 433 else np.full(100, 1000, np.int16)
            writer.append(Second(index, (Series(BATTERY, grid, values),)))
        volts = settings.default().channels["battery_voltage"].calibration.to_si(np.array([400.0, 1000.0]))
        with RecordingReader(path) as reader:
            start, low, high = reader.overview("battery_voltage", n_columns=70)
    assert start.tolist()[:2] == [0, 10_000_000_000]
    assert np.flatnonzero(low < volts[1] - 1e-9).tolist() == [43]
    assert low[43] == pytest.approx(volts[0])
    assert np.allclose(high, volts[1])


def test_an_overview_of_pulses_shows_a_missing_one_as_the_lower_rate(path: Path) -> None:
    with RecordingWriter(path, meta()) as writer:
        for index in range(20):
            pulses = index * NS_PER_S + np.arange(100, dtype=np.int64) * 10_000_000
            writer.append(Second(index, (Series(TACH, np.delete(pulses, 50) if index == 12 else pulses),)))
    with RecordingReader(path) as reader:
        coarse = reader.overview("tach_pulses", 0, 20 * NS_PER_S, 10)
        fine = reader.overview("tach_pulses", 12 * NS_PER_S, 13 * NS_PER_S, 4)
    assert coarse[1].tolist() == [100.0] * 6 + [50.0] + [100.0] * 3
    assert coarse[2].tolist() == [100.0] * 10
    assert fine[1].tolist() == [100.0, 100.0, 50.0, 100.0]


def test_columns_without_a_sample_are_nan(path: Path) -> None:
    with RecordingWriter(path, meta()) as writer:
        writer.append(second(0))
        writer.append(second(9))
    with RecordingReader(path) as reader:
        for n_columns in (5, 50):
            low = reader.overview("battery_voltage", 0, 10 * NS_PER_S, n_columns)[1]
            share = n_columns // 5
            assert np.isnan(low[share:-share]).all()
            assert np.isfinite(low[[0, -1]]).all()


def test_an_overview_is_the_same_from_seconds_and_from_their_roll_up(path: Path) -> None:
    write(path, 320)
    with RecordingReader(path) as reader:
        rolled = reader.summaries("tach_pulses")[1]
        with schema.connect(path, write=True) as connection:
            connection.execute("DELETE FROM rollups")
        with RecordingReader(path) as again:
            assert np.array_equal(rolled, again.summaries("tach_pulses")[1])


def test_a_closed_recording_is_one_file_that_a_read_only_folder_can_hold(path: Path) -> None:
    write(path, 2)
    assert os.listdir(path.parent) == [path.name]
    path.chmod(0o444)
    with RecordingReader(path) as reader:
        assert reader.how_closed == "closed"
        assert reader.duration_ns == 1_995_000_000


def test_a_recording_goes_on_being_readable_by_another_process_while_it_is_written(path: Path) -> None:
    writer = write(path, 5, close=False)
    program = (
        "import sys; from pathlib import Path; from logger.store.recording_reader import RecordingReader\n"
        "reader = RecordingReader(Path(sys.argv[1]))\n"
        "print(reader.n_seconds, flush=True); sys.stdin.readline(); print(reader.raw('battery_voltage').time_ns.size)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline() == "5\n"
        writer.append(second(5))
        child.stdin.write("\n")
        child.stdin.flush()
        assert child.stdout.read() == "600\n"
    writer.close()


def test_a_recording_that_is_closed_while_its_seconds_are_counted_is_not_damaged(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = write(path, 3, close=False)
    with RecordingReader(path) as reader:
        source, really = reader._source, reader._source._query

        def query(sql: str, arguments: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
            found = really(sql, arguments)
            if "max(second)" in sql and writer.n_seconds == 3:
                writer.append(second(3))
                writer.close()
            return found

        monkeypatch.setattr(source, "_query", query)
        assert reader.n_seconds == 3
        assert reader.n_seconds == 4


def test_a_reader_beside_the_writer_in_one_process_does_not_take_its_locks_away(path: Path) -> None:
    """The kernel drops all of a process's locks on a file when it closes any descriptor of it."""
    writer = write(path, 3, close=False)
    with RecordingReader(path) as reader:
        assert reader.n_seconds == 3
    program = (
        "import sys; from pathlib import Path; from logger.store.recording_writer import fold; fold(Path(sys.argv[1]))"
    )
    result = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True)
    assert "RecordingBusyError" in result.stderr
    writer.append(second(3))
    writer.close()
    assert everything(path)["battery_voltage"].time_ns.size == 400


def test_fifty_readers_leave_no_file_open(path: Path) -> None:
    write(path, 1)
    for _ in range(50):
        with RecordingReader(path) as reader:
            reader.read("battery_voltage")
    # Only this file's descriptors count: other threads of the test run open and close their own as they like.
    assert [name for name in open_files() if name.startswith(str(path))] == []


def open_files() -> list[str]:
    """What this process has open."""
    names = []
    for descriptor in os.listdir("/proc/self/fd"):
        with suppress(FileNotFoundError):  # the listing's own
            names.append(os.readlink(f"/proc/self/fd/{descriptor}"))
    return names


def test_an_empty_file_is_named_as_such(path: Path) -> None:
    path.touch()
    with pytest.raises(StoreError, match=r"a\.sqlite: the file is empty \(0 bytes\), not a recording"):
        RecordingReader(path)


def test_somebody_elses_database_is_not_taken_for_a_recording(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE seconds (second INTEGER PRIMARY KEY)")
    connection.close()
    with pytest.raises(StoreError, match="not a recording of stumblelog"):
        RecordingReader(path)


def test_a_file_that_is_no_database_is_refused(path: Path) -> None:
    path.write_text("time_s,value\n" * 1000)
    with pytest.raises(StoreError, match="not an SQLite file"):
        RecordingReader(path)


def test_a_newer_format_is_refused_with_what_to_do(path: Path) -> None:
    write(path, 1)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 2")
    connection.close()
    with pytest.raises(RecordingNewerError, match="a recording of format 2; this program reads up to 1, install a"):
        RecordingReader(path)


def test_a_recording_is_never_written_over(path: Path) -> None:
    write(path, 1)
    before = everything(path)
    with pytest.raises(StoreError, match="exists already"):
        RecordingWriter(path, meta())
    assert all_same(everything(path), before)


def test_a_file_whose_making_failed_at_its_end_can_be_made_again(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(folder: Path) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(schema, "sync_directory", refuse)
        with pytest.raises(StoreError, match="Input/output error"):
            RecordingWriter(path, meta())
    assert os.listdir(path.parent) == []
    write(path, 2)
    assert everything(path)["battery_voltage"].time_ns.size == 200


def test_an_unknown_channel_is_answered_with_those_there_are(path: Path) -> None:
    write(path, 1)
    with RecordingReader(path) as reader, pytest.raises(StoreError, match="no channel 'oil_pressure'; it has battery"):
        reader.read("oil_pressure")


def test_values_and_pulses_are_not_mistaken_for_each_other(path: Path) -> None:
    write(path, 1)
    with RecordingReader(path) as reader:
        with pytest.raises(ValueError, match=r"read it with pulses\(\)"):
            reader.read("tach_pulses")
        with pytest.raises(ValueError, match=r"read it with read\(\)"):
            reader.pulses("battery_voltage")


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("DELETE FROM seconds WHERE second = 4", "the row of second 4 is missing"),
        ("DELETE FROM seconds WHERE second = 9", "9 seconds where 10 were stored"),
        ("UPDATE seconds SET data = zeroblob(length(data)) WHERE second = 3", "second 3 fails its check sum"),
        ("UPDATE seconds SET second = 11 WHERE second = 9", "the row of second 9 is missing"),
        ("UPDATE meta SET value = '{}' WHERE key = 'recording'", "its entry 'recording' fails its check sum"),
        ("DELETE FROM meta WHERE key = 'lateness'", "its entry 'lateness' is missing"),
    ],
)
def test_a_row_that_is_missing_or_changed_is_noticed(path: Path, sql: str, message: str) -> None:
    write(path, 10)
    connection = schema.connect(path, write=True)
    connection.execute(sql)
    connection.close()
    with pytest.raises(StoreError, match=f"damaged: {message}"), RecordingReader(path) as reader:
        reader.recording()


@pytest.mark.parametrize("is_compacted", [False, True])
def test_the_overview_of_a_long_window_keeps_the_same_extremes_as_the_samples(path: Path, is_compacted: bool) -> None:
    write(path, 640)
    if is_compacted:
        compact(path)
    with RecordingReader(path) as reader:
        trace = reader.read("battery_voltage")
        _, low, high = reader.overview("battery_voltage", 0, 640 * NS_PER_S, 32)
        rate = reader.overview("tach_pulses", 0, 640 * NS_PER_S, 32)
    columns = trace.value.reshape(32, 2000)
    assert low.tolist() == columns.min(axis=1).tolist()
    assert high.tolist() == columns.max(axis=1).tolist()
    # The last pulse of a second and the first of the next are 6.7 ms apart, all others 6.666 ms.
    assert np.allclose(rate[1], 1e9 / 6_666_000, rtol=2e-2)
    assert np.allclose(rate[2], 1e9 / 6_666_000, rtol=1e-4)
