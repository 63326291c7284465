"""The recorder takes the logbook's calibrations for its live values, and never waits for the logbook."""

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.event import NS_PER_S
from logger.recorder.calibrations import CalibrationWatch, read_calibrations
from logger.recorder.recorder import Recorder
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store
from tests.recorder.standin import START_NS, JumpingClock, StandInHardware

DOUBLED = {"unit": "V", "convert": "divider", "ratio": 11.4}


@pytest.fixture
def data_dir(wiring: Settings) -> Path:
    return Path(wiring.recorder.data_dir)


def battery_v(live: dict[str, Any]) -> float:
    return float(live["values"]["battery_voltage"]["value"])


def run(wiring: Settings, clock: JumpingClock, seconds: float, **at: Any) -> tuple[Recorder, list[dict[str, Any]]]:
    """Record so long; live.json as it was before each poll. `at`: what to do before poll number so-and-so."""
    seen: list[dict[str, Any]] = []
    live = Path(wiring.recorder.run_dir) / "live.json"

    def before(number: int) -> None:
        seen.append(json.loads(live.read_bytes()) if live.exists() else {})
        at.get(f"poll_{number}", lambda: None)()

    recorder = Recorder(wiring, StandInHardware(clock, before), clock, inline=True, say=lambda text: None)
    recorder.run(START_NS + round(seconds * NS_PER_S))
    return recorder, seen


@pytest.mark.usefixtures("watched")
def test_a_calibration_entered_while_recording_changes_the_live_values_within_a_second(
    wiring: Settings, clock: JumpingClock, data_dir: Path
) -> None:
    with Store(data_dir) as store:
        _, seen = run(wiring, clock, 4.0, poll_20=lambda: store.calibrate("battery_voltage", DOUBLED))
    # The first tick takes 10 ms, each other one 100.
    counts = np.array([(START_NS // 10_000_000 + 1 + 10 * (k - 1) - 1) % 1000 for k in range(41)])
    before = wiring.channels["battery_voltage"].calibration.to_si(counts)
    assert battery_v(seen[20]) == pytest.approx(before[20], rel=1e-4)
    ratio = 11.4 / wiring.channels["battery_voltage"].ratio
    assert battery_v(seen[32]) == pytest.approx(before[32] * ratio, rel=1e-4)


def test_one_entered_before_is_in_force_from_the_start_and_goes_into_the_recording(
    wiring: Settings, clock: JumpingClock, data_dir: Path
) -> None:
    with Store(data_dir) as store:
        store.calibrate("battery_voltage", {**DOUBLED, "ratio": 3.0})
        store.calibrate("battery_voltage", DOUBLED)
    recorder, _ = run(wiring, clock, 2.0)
    assert recorder.place is not None
    with RecordingReader(recorder.place.path) as reader:
        # The file stands alone: read without any logbook it gives the calibrated volts.
        assert reader.meta.calibrations == {"battery_voltage": DOUBLED}
        assert reader.settings.channels["battery_voltage"].ratio == 11.4
        assert Settings.from_dict(reader.meta.settings) == wiring


def test_one_that_is_taken_back_no_longer_counts_for_recordings_that_carry_it(
    wiring: Settings, clock: JumpingClock, data_dir: Path
) -> None:
    with Store(data_dir) as store:
        entry = store.calibrate("battery_voltage", DOUBLED)
        run(wiring, clock, 2.0)
        [event] = store.events()
        with store.reader(event.event_id, "r01") as reader:
            assert reader.settings.channels["battery_voltage"].ratio == 11.4
        store.remove("calibrations", entry)
        with store.reader(event.event_id, "r01") as reader:
            assert reader.settings.channels["battery_voltage"] == wiring.channels["battery_voltage"]


def test_a_logbook_that_is_locked_is_not_waited_for_and_read_later(wiring: Settings, data_dir: Path) -> None:
    with Store(data_dir) as store:
        store.calibrate("battery_voltage", DOUBLED)
    watch = CalibrationWatch(wiring, data_dir)
    locker = sqlite3.connect(data_dir / "logbook.sqlite", isolation_level=None)
    # Without a log, and with an exclusive lock, nobody else can even read.
    locker.execute("PRAGMA journal_mode = DELETE").fetchall()
    locker.execute("BEGIN EXCLUSIVE")
    assert read_calibrations(data_dir / "logbook.sqlite") is None
    watch.look()
    assert watch.in_force[0] == wiring
    locker.execute("ROLLBACK")
    locker.close()
    watch.look()
    assert watch.in_force[0].channels["battery_voltage"].ratio == 11.4


@pytest.mark.parametrize("content", [b"", b"no database at all" * 100])
def test_a_damaged_logbook_leaves_the_settings_in_force(wiring: Settings, data_dir: Path, content: bytes) -> None:
    data_dir.mkdir()
    (data_dir / "logbook.sqlite").write_bytes(content)
    watch = CalibrationWatch(wiring, data_dir)
    watch.look()
    assert watch.in_force[0] == wiring


def test_a_conversion_that_makes_no_sense_for_this_wiring_is_left_out(wiring: Settings, data_dir: Path) -> None:
    with Store(data_dir) as store:
        store.logbook.insert("calibrations", {"channel": "battery_voltage", "conversion": "{}", "why": ""})
    watch = CalibrationWatch(wiring, data_dir)
    watch.look()
    assert watch.in_force == (wiring, {})


def test_an_unchanged_logbook_is_not_opened_again(
    wiring: Settings, data_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = []
    monkeypatch.setattr("logger.recorder.calibrations.read_calibrations", lambda path: opened.append(path) or {"a": {}})
    watch = CalibrationWatch(wiring, data_dir)
    for _ in range(3):
        watch.look()
    assert len(opened) == 1
