"""live.json: always whole, in SI units, and honest about what is old or missing."""

import json
from pathlib import Path

import numpy as np
import pytest

from logger.event import NS_PER_S
from logger.recorder.live import LiveFile, read_live
from logger.recorder.recorder import Recorder
from logger.sensors.batch import Batch
from logger.settings import Settings
from tests.recorder.standin import START_NS, JumpingClock, StandInHardware


def batch(**more: object) -> Batch:
    return Batch(**{"samples": {}, "pulses": {}, "states": {}, "levels": None, "gaps": (), "health": (), **more})  # type: ignore[arg-type]


@pytest.mark.usefixtures("watched")
def test_while_somebody_looks_it_is_replaced_ten_times_a_second_with_everything_its_description_names(
    wiring: Settings, clock: JumpingClock
) -> None:
    seen: list[dict[str, object]] = []
    run_dir = Path(wiring.recorder.run_dir)
    hardware = StandInHardware(clock, lambda number: seen.append(read_live(run_dir) or {}))
    Recorder(wiring, hardware, clock, inline=True, say=lambda text: None).run(START_NS + 2 * NS_PER_S)
    stamps = [document["written_ns"] for document in seen[1:]]
    assert np.diff(stamps).tolist() == [100_000_000] * (len(stamps) - 1)  # type: ignore[arg-type]
    assert len(stamps) == 20
    last = seen[-1]
    assert set(last) == {
        "format", "version", "written_utc", "written_ns", "pid", "boot_id", "state", "why", "recording", "calibrations",
        "clock_is_set", "free_mb", "lamp", "values", "pulses", "engine_rpm", "levels", "sensors", "health", "warnings",
    }  # fmt: skip
    assert last["state"] == "recording"
    assert last["recording"]["seconds"] == 2.9  # type: ignore[index]
    assert last["recording"]["file"].startswith("recordings/")  # type: ignore[index]


def test_pressure_is_given_in_kpa_against_the_measured_supply(wiring: Settings, clock: JumpingClock) -> None:
    file = LiveFile(Path(wiring.recorder.run_dir), wiring, clock)
    pressure, supply = (wiring.channels[name].calibration for name in ("fuel_pressure", "sensor_supply_voltage"))
    now = np.array([clock.monotonic_ns()])
    counts = {
        "sensor_supply_voltage": supply.to_counts(np.array([4.8])),
        "fuel_pressure": pressure.to_counts(np.array([300.0]), np.array([4.8])),
    }
    file.latest.add(batch(samples={name: (now, value) for name, value in counts.items()}))
    value = file.latest.values(clock.monotonic_ns())["fuel_pressure"]
    assert value["value"] == pytest.approx(300.0, abs=0.2)
    assert (value["unit"], value["age_s"]) == ("kPa", 0.0)


def test_an_old_value_tells_its_age_and_one_without_meaning_is_null(wiring: Settings, clock: JumpingClock) -> None:
    file = LiveFile(Path(wiring.recorder.run_dir), wiring, clock)
    file.latest.add(batch(samples={"coolant_temperature": (np.array([START_NS]), np.array([0], np.int16))}))
    clock.now_ns += 3 * NS_PER_S
    file.write(None, {})
    document = json.loads(file.path.read_text())
    assert document["values"]["coolant_temperature"] == {"value": None, "unit": "degC", "age_s": 3.0}


def test_engine_speed_comes_from_the_pulses_and_falls_to_zero_when_they_stop(
    wiring: Settings, clock: JumpingClock
) -> None:
    file = LiveFile(Path(wiring.recorder.run_dir), wiring, clock)
    pulses = START_NS + np.arange(100, dtype=np.int64) * 10_000_000
    clock.now_ns = int(pulses[-1])
    file.latest.add(batch(pulses={"tach_pulses": pulses}))
    per_revolution = wiring.engine.pulses_per_revolution
    assert file.latest.engine_rpm(clock.now_ns) == pytest.approx(100.0 * 60.0 / per_revolution, abs=0.1)
    assert file.latest.engine_rpm(clock.now_ns + 2 * NS_PER_S) == 0.0
    assert file.latest.pulses(clock.now_ns)["tach_pulses"] == {"rate_hz": 100.0, "total": 100}


def test_a_run_directory_that_vanishes_does_not_stop_anything(wiring: Settings, clock: JumpingClock) -> None:
    file = LiveFile(Path(wiring.recorder.run_dir), wiring, clock)
    file.path.parent.rmdir()
    file.write(None, {})
    assert file.failures == 1


def test_without_a_recorder_there_are_no_live_values(tmp_path: Path) -> None:
    assert read_live(tmp_path) is None
