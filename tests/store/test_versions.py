"""Files of older versions go on being read; those of newer ones are refused with words, or read as far as they go."""

import json
from pathlib import Path
from typing import Any

import pytest

from logger import settings
from logger.errors import SettingsError, StoreError
from logger.settings import Settings
from logger.store import schema
from logger.store.compaction import compact
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage
from tests.store.recordings import all_same, everything, write

FIRST_SETTINGS = """
[engine]
cylinders = 6
tach_pulses_per_revolution = 3.0

[channels.battery_voltage]
chip = 0x48
input = 0
unit = "V"
convert = "divider"
ratio = 11.0

[channels.sensor_supply_voltage]
chip = 0x48
input = 3
unit = "V"
convert = "divider"
ratio = 2.0

[channels.fuel_pressure]
chip = 0x48
input = 2
unit = "psi"
convert = "ratiometric"
full_scale = 100.0
ratio = 2.0

[tach]
pin = 17

[recorder]
data_dir = "/srv/car"
reserve_mb = 2.0
"""
"""What the first version understood; every section and key made since is missing."""

ADDED_SINCE = {"description": ("calibrations",), "recorder": ("when_full",)}


def rewrite_description(path: Path, change: Any) -> None:
    """Change what a recording says of itself, in all places where it says it."""
    connection = schema.connect(path, write=True)
    try:
        document = schema.read_meta(connection, path, schema.DESCRIPTION)
        change(document)
        schema.write_meta(connection, schema.DESCRIPTION, document)
        crc, summary, data, notes = connection.execute(
            "SELECT crc, summary, data, notes FROM seconds WHERE second = 0"
        ).fetchone()
        notes = json.dumps({**json.loads(notes), schema.DESCRIPTION: document}).encode()
        crc = schema.crc_of(0, summary, data, notes)
        connection.execute("UPDATE seconds SET crc = ?, notes = ? WHERE second = 0", (crc, notes))
    finally:
        connection.close()


def of_the_first_version(document: dict[str, Any]) -> None:
    for name in ADDED_SINCE["description"]:
        del document[name]
    for name in ADDED_SINCE["recorder"]:
        del document["settings"]["recorder"][name]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.sqlite"


def test_a_settings_file_of_the_first_version_still_loads_and_what_is_new_has_its_default(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(FIRST_SETTINGS)
    old = settings.load(file)
    assert old.recorder.data_dir == "/srv/car"
    assert old.recorder.reserve_mb == 2.0
    assert old.recorder.when_full == "stop"
    assert old.recorder.power_off_after_min == 10.0
    assert set(old.channels) == {"battery_voltage", "sensor_supply_voltage", "fuel_pressure"}
    assert Settings.from_dict(old.to_dict()) == old


def test_a_recording_of_the_first_version_is_read_compacted_and_salvaged_like_one_of_today(path: Path) -> None:
    write(path, 5)
    today = everything(path)
    with RecordingReader(path) as reader:
        volts = reader.read("fuel_pressure").value
    rewrite_description(path, of_the_first_version)
    with RecordingReader(path) as reader:
        assert reader.meta.calibrations == {}
        assert reader.settings == settings.default()
        assert reader.read("fuel_pressure").value.tolist() == volts.tolist()
    assert salvage(path).state == "whole"
    compact(path)
    assert all_same(everything(path), today)


def test_a_description_to_which_a_later_version_has_added_is_read_for_the_rest(path: Path) -> None:
    write(path, 2)

    def add(document: dict[str, Any]) -> None:
        document["tyres"] = "mud"
        document["channels"][0]["colour"] = "red"

    rewrite_description(path, add)
    with RecordingReader(path) as reader:
        assert reader.meta.power_up == 7
        assert reader.raw("battery_voltage").time_ns.size == 200


def test_a_setting_that_is_not_known_here_is_refused_by_its_name(path: Path) -> None:
    write(path, 2)
    rewrite_description(path, lambda document: document["settings"]["recorder"].update(moon_phase=3))
    with RecordingReader(path) as reader:
        assert reader.raw("battery_voltage").time_ns.size == 200
        with pytest.raises(SettingsError, match=r"a\.sqlite.*moon_phase"):
            reader.read("battery_voltage")


@pytest.mark.parametrize("state", ["open", "closed", "compacted"])
def test_a_newer_format_is_refused_in_every_state_by_reader_compaction_and_salvage(path: Path, state: str) -> None:
    writer = write(path, 3, close=False)
    if state != "open":
        writer.close()
    if state == "compacted":
        compact(path)
    connection = schema.connect(path, write=True)
    connection.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    connection.close()
    before = path.read_bytes()
    for use in (RecordingReader, compact, salvage):
        with pytest.raises(StoreError, match=r"a recording of format 2; .* install a newer stumblelog"):
            use(path)
    assert path.read_bytes() == before
    if state == "open":
        writer.close()
