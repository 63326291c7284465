"""A drive through the real recorder: what lies in the file is what the car did."""

from pathlib import Path

import numpy as np
import pytest

from logger.event import Engine
from logger.store.recording_reader import RecordingReader
from logger.virtualcar.demo import record_drive
from logger.virtualcar.drive import DemoEvent
from tests.virtualcar.test_rig import a_drive

S = 1_000_000_000


@pytest.fixture(name="reader")
def recorded(tmp_path: Path) -> RecordingReader:
    drive = a_drive()
    event = DemoEvent("Two Ponds hill-climb", Engine(6, tach_pulses_per_revolution=3.0), (drive,))
    told: list[float] = []
    record_drive(event, drive, tmp_path, told.append)
    assert told == sorted(told)
    assert told[-1] >= 3.0
    (path,) = (tmp_path / "recordings").glob("*.sqlite")
    return RecordingReader(path)


def test_pulses_in_the_file_are_the_cars_to_the_microsecond(reader: RecordingReader) -> None:
    expected = a_drive().pulses["tach_pulses"]
    got = reader.pulses("tach_pulses")
    assert got.size == expected.size
    offset = got[0] - round(expected[0] * S)
    assert np.abs(got - offset - np.rint(expected * S)).max() <= 1000


def test_fuel_pressure_in_the_file_is_the_cars_although_its_supply_sags(reader: RecordingReader) -> None:
    drive = a_drive()
    offset_ns = reader.pulses("tach_pulses")[0] - round(drive.pulses["tach_pulses"][0] * S)
    trace = reader.read("fuel_pressure")
    expected = drive.signals["fuel_pressure"].at((trace.time_ns - offset_ns) / S)
    assert np.abs(trace.value - expected).max() < 1.5


def test_nothing_is_missing_from_the_file(reader: RecordingReader) -> None:
    assert reader.gaps() == ()
    assert reader.read("battery_voltage").time_ns.size >= 398


def test_the_file_says_that_its_car_does_not_exist(reader: RecordingReader) -> None:
    assert reader.meta.origin == "virtual"
