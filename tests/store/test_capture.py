"""Capture folders: read whole or refused with file, line or key and what to do; written to read back equal."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from logger.channels import CHANNELS
from logger.errors import CaptureError, StoreError
from logger.store.capture import read_channel, read_folder
from logger.store.capture_out import ChannelFile, decimals_of, exact_seconds, write_folder
from tests.store.events import assert_same_event, seconds, small_event


@pytest.fixture
def folder(tmp_path) -> Path:
    write_folder(small_event(), tmp_path / "day")
    return tmp_path / "day"


def refusal(folder: Path) -> str:
    """The sentence with which a folder is refused, which must be one line."""
    with pytest.raises(CaptureError) as caught:
        read_folder(folder)
    sentence = str(caught.value)
    assert "\n" not in sentence
    return sentence


def replace(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def test_a_folder_reads_back_as_it_was_written(folder):
    assert_same_event(read_folder(folder), small_event())


def test_an_absent_value_is_an_empty_field_and_no_zero(folder):
    assert (
        folder / "r01" / "battery_voltage.csv"
    ).read_text() == "time_s,value\n0.0,12.503\n0.5,\n1.0,13.9\n2.0,13.875\n"


def test_pulse_times_keep_their_microseconds(folder):
    assert (folder / "r01" / "tach_pulses.csv").read_text() == "time_s\n0.731204\n0.742517\n1.250000\n"


@pytest.mark.parametrize("time_ns", [[], [0], [0, 1], [-1, 999_999_999], [10**9, 86_400_123_456_789]])
def test_exact_seconds_lose_no_nanosecond(time_ns):
    exact = np.array(time_ns, dtype=np.int64)
    seconds = exact_seconds(exact, decimals_of(exact)).cast("string").to_pylist()
    assert [round(float(text) * 1e9) for text in seconds] == time_ns


def test_a_file_written_stretch_by_stretch_keeps_the_decimals_it_once_needed(tmp_path):
    with ChannelFile(tmp_path, "coolant_temperature") as file:
        for time_ns, value in ((500_000_000, 80.0), (1_250_000_000, np.nan), (2_000_000_000, 81.5)):
            file.append(np.array([time_ns]), np.array([value]))
        file.append(np.empty(0, np.int64), np.empty(0))
    expected = "time_s,value\n0.5,80\n1.25,\n2.00,81.5\n"
    assert (tmp_path / "coolant_temperature.csv").read_text() == expected


def test_carriage_returns_a_byte_order_mark_and_columns_in_another_order_are_read(folder):
    path = folder / "r01" / "battery_voltage.csv"
    path.write_bytes("\ufeffvalue,time_s\r\n12.5,0.0\r\n,0.5\r\n".encode())
    time_ns, value = read_channel(path, CHANNELS["battery_voltage"])
    np.testing.assert_array_equal(time_ns, seconds(0.0, 0.5))
    np.testing.assert_array_equal(value, [12.5, np.nan])


def test_a_file_of_one_header_line_is_an_empty_channel(folder):
    (folder / "r01" / "fuel_pressure.csv").write_text("time_s,value\n")
    assert read_folder(folder).recordings[0].traces["fuel_pressure"].value.shape == (0,)


def test_a_missing_column_is_named_with_the_header_that_is_wanted(folder):
    replace(folder / "r01" / "battery_voltage.csv", "time_s,value", "time_s,volts")
    assert refusal(folder).endswith(
        "r01/battery_voltage.csv: line 1: column value is missing; the header must be time_s,value"
    )


def test_text_in_numbers_is_named_with_its_line(folder):
    replace(folder / "r01" / "battery_voltage.csv", "13.9", "flat")
    assert refusal(folder).endswith("battery_voltage.csv: line 4: value is 'flat'; expected a number or an empty field")


def test_a_quote_that_never_ends_is_named_with_its_line(folder):
    replace(folder / "r01" / "battery_voltage.csv", "13.9", '"13.9')
    assert "battery_voltage.csv: line 4: value is '\"13.9'; expected a number" in refusal(folder)


def test_numbers_in_quotes_are_numbers(folder):
    replace(folder / "r01" / "battery_voltage.csv", "13.9", '"13.9"')
    assert read_folder(folder).recordings[0].traces["battery_voltage"].value[2] == 13.9


def test_time_running_backwards_is_named_with_its_line(folder):
    replace(folder / "r01" / "tach_pulses.csv", "0.742517", "0.642517")
    assert "tach_pulses.csv: line 3: time runs backwards, 0.642517 s after 0.731204 s; sort the rows" in refusal(folder)


def test_an_empty_file_is_named_with_the_header_it_lacks(folder):
    (folder / "r02" / "key_sense.csv").write_bytes(b"")
    assert "r02/key_sense.csv: the file is empty; it needs at least the header line time_s,value" in refusal(folder)


def test_empty_lines_are_passed_over_and_counted(folder):
    path = folder / "r01" / "battery_voltage.csv"
    path.write_text("time_s,value\n\n0,1\n\n1,2\n\n0.5,3\n")
    assert "battery_voltage.csv: line 7: time runs backwards" in refusal(folder)
    path.write_text("time_s,value\r\n0,1\r\n\r\n1,inf\r\n")
    assert "battery_voltage.csv: line 4: a value is infinite" in refusal(folder)


def test_a_column_that_is_there_twice_is_refused_rather_than_chosen(folder):
    (folder / "r01" / "battery_voltage.csv").write_text("time_s,value,value\n0,1,2\n")
    assert "battery_voltage.csv: line 1: column value is there twice; leave one of the two out" in refusal(folder)


def test_a_row_cut_short_is_named_with_its_line(folder):
    replace(folder / "r01" / "acceleration.csv", "0.0025,,0.125,0.875", "0.0025,0.1")
    assert "acceleration.csv: line 3: 2 fields where the header has 4" in refusal(folder)


def test_a_row_without_a_time_is_named_with_its_line(folder):
    replace(folder / "r01" / "battery_voltage.csv", "1.0,13.9", ",13.9")
    assert "battery_voltage.csv: line 4: time_s is empty; every row needs its time" in refusal(folder)


def test_an_infinite_value_is_named_with_its_line(folder):
    replace(folder / "r01" / "battery_voltage.csv", "13.9", "inf")
    assert "battery_voltage.csv: line 4: a value is infinite; leave the field empty instead" in refusal(folder)


def test_an_unknown_channel_is_named_with_those_that_are_known(folder):
    (folder / "r01" / "oil_pressure.csv").write_text("time_s,value\n")
    assert "oil_pressure.csv: unknown channel 'oil_pressure'; known are battery_voltage, " in refusal(folder)


@pytest.mark.parametrize(
    "content", [b"\x00\x01\x93\xff" * 64, b"time_s,value\n\x93\xff\x00,1\n", b"\xff\xfet\x00i\x00"]
)
def test_binary_garbage_is_named_by_its_file(folder, content):
    (folder / "r01" / "battery_voltage.csv").write_bytes(content)
    assert "r01/battery_voltage.csv: line " in refusal(folder)


def test_a_recording_without_tach_pulses_is_refused(folder):
    (folder / "r02" / "tach_pulses.csv").unlink()
    assert "r02: no tach_pulses.csv in it; it is the one file that every recording needs" in refusal(folder)


def test_a_folder_without_capture_toml_is_refused(folder):
    (folder / "capture.toml").unlink()
    assert refusal(folder) == f"{folder}: no capture.toml in it; give the folder that holds capture.toml"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("[event]", "[event", "capture.toml: not valid TOML: "),
        ('"capture-folder"', '"other"', "format is 'other'; expected \"capture-folder\""),
        ("version = 1", "version = 2", "version is 2; this program reads version 1"),
        ('kind = "competition"', 'kind = "race"', "event.kind is 'race'; allowed are competition, bench, road"),
        ("cylinders = 4", "", "engine.cylinders is missing or not whole; write how many the engine has"),
        ("cylinders = 4", "cylinders = 99", "engine.cylinders is 99; expected a number from 1 to 16"),
        ("strokes = 4", "strokes = 3", "engine.strokes is 3; allowed are 2 and 4"),
        ("idle_rpm = 900.0", 'idle_rpm = "900"', "engine.idle_rpm is '900'; expected a number from 100 to 5000"),
        ('"coil_negative"', '"coil"', "engine.tach_source is 'coil'; allowed are coil_negative, ignition_module"),
        ("2026-05-09T08:02:11Z", '"noon"', "event.started_utc is 'noon'; write it as 2026-05-09T08:02:11Z"),
        ('folder = "r02"', 'folder = "r03"', "recordings.folder 'r03' does not exist in "),
        ('folder = "r02"', 'folder = "../day/r02"', "recordings.folder '../day/r02' must be a plain folder name"),
        ('folder = "r02"', 'folder = "r01"', '[[recordings]] names folder "r01" twice; each may appear once'),
        ('after_recording = "r01"', 'after_recording = "r09"', "repairs.after_recording is 'r09'; the recordings are"),
        ('after_recording = "r01"', "", "a repair needs offset_s or after_recording, to say when it was done"),
        ('suspect = "ignition_primary"', 'suspect = "gremlins"', "repairs.suspect is 'gremlins'; allowed are supply_"),
        ("offset_s = 897.7", "offset_s = true", "recordings.offset_s is True; expected a number"),
    ],
)  # fmt: skip
def test_a_wrong_key_in_capture_toml_is_named(folder, old, new, sentence):
    replace(folder / "capture.toml", old, new)
    said = refusal(folder)
    assert said.startswith(str(folder / "capture.toml"))
    assert sentence in said


def test_a_folder_that_exists_is_not_overwritten(folder):
    before = (folder / "capture.toml").read_bytes()
    with pytest.raises(StoreError, match="already exists; choose another folder or say --overwrite"):
        write_folder(small_event(), folder)
    assert (folder / "capture.toml").read_bytes() == before


def test_overwriting_on_request_replaces_a_capture_folder_whole(folder):
    shutil.rmtree(folder / "r01")
    write_folder(small_event(), folder, overwrite=True)
    assert_same_event(read_folder(folder), small_event())
    assert [path.name for path in folder.parent.iterdir()] == ["day"]


def test_overwriting_never_removes_a_folder_of_other_things(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "car.jpg").touch()
    with pytest.raises(StoreError, match="only a capture folder is overwritten"):
        write_folder(small_event(), tmp_path / "photos", overwrite=True)
    assert (tmp_path / "photos" / "car.jpg").exists()


@pytest.mark.parametrize("own", ["car.jpg", "r01/notes.txt", "car=car/event=one/values.parquet"])
def test_overwriting_never_removes_what_somebody_put_into_a_capture_folder(folder, own):
    (folder / own).parent.mkdir(parents=True, exist_ok=True)
    (folder / own).touch()
    with pytest.raises(StoreError, match="only a capture folder is overwritten"):
        write_folder(small_event(), folder, overwrite=True)
    assert (folder / own).exists()


def test_an_export_that_fails_half_way_leaves_nothing(tmp_path):
    def stop(fraction: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_folder(small_event(), tmp_path / "day", progress=stop)
    assert list(tmp_path.iterdir()) == []
