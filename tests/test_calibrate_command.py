"""`stumblelog calibrate` on the virtual car: guided, versioned, taken back, and followed by old recordings."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger import settings
from logger.cli import main
from logger.settings import Settings
from logger.store.store import Store
from logger.virtualcar.drive import Drive, Signal
from tests.check.bench import Bench, record
from tests.check.starts import Start

STEP_S = 12.0


def steps(*values: float) -> Signal:
    """A quantity that stays at each value for twelve seconds."""
    return Signal(100.0, np.repeat(np.array(values), round(STEP_S * 100)))


def a_drive(channel: str, *values: float) -> Drive:
    signals = {"sensor_supply_voltage": steps(*[5.0] * len(values)), channel: steps(*values)}
    return Drive("r01", STEP_S * len(values), 0.0, signals, {})


@pytest.fixture
def data_dir(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def calibrate(data_dir: Path, monkeypatch: pytest.MonkeyPatch):
    """Run the command on a car whose sensor truly follows `truth`, while the settings are the default."""

    def run(drive: Drive | None, *argv: str, truth: Settings | None = None) -> int:
        wiring = replace(
            settings.default(), recorder=replace(settings.default().recorder, run_dir=str(data_dir / "run"))
        )
        if drive is not None:
            bench = Bench(drive, truth or wiring)
            monkeypatch.setattr("logger.clock.SystemClock", lambda: bench.clock)
            monkeypatch.setattr("logger.sensors.hardware.open_hardware", bench.open_hardware)
        monkeypatch.setattr("logger.commands.calibrate.settings_of", lambda args: wiring)
        return main(["calibrate", *argv, "--data-dir", str(data_dir)])

    return run


def with_channel(name: str, **changes: object) -> Settings:
    wiring = settings.default()
    return replace(wiring, channels={**wiring.channels, name: replace(wiring.channels[name], **changes)})


def test_two_points_make_a_transducer_read_what_the_gauge_says(calibrate, data_dir, capsys) -> None:
    off = with_channel("fuel_pressure", zero_fraction=0.112, span_fraction=0.81)
    psi = 6.894757
    drive = a_drive("fuel_pressure", 0.0, 50.0 * psi)
    assert calibrate(drive, "fuel_pressure", "--point", "0", "--point", "50", truth=off) == 0
    said = capsys.readouterr().out
    assert said.startswith("Safety first (hardware/safety.md")
    assert "No point was left over" in said
    assert "zero_fraction = 0.112" in said
    with Store(data_dir) as store:
        conversion = store.calibrations_in_force()["fuel_pressure"]
        (entry,) = store.calibrations("fuel_pressure")
    assert conversion["zero_fraction"] == pytest.approx(0.112, abs=2e-4)
    assert conversion["span_fraction"] == pytest.approx(0.81, abs=5e-4)
    assert entry.why.startswith("points 0, 50 psi, ± ")


def test_three_points_make_a_coolant_sensor(calibrate, data_dir) -> None:
    other = with_channel("coolant_temperature", points=None, coefficients=(1.129148e-3, 2.34125e-4, 8.76741e-8))
    drive = a_drive("coolant_temperature", 2.0, 55.0, 99.0)
    points = ["--point", "2", "--point", "55", "--point", "99"]
    assert calibrate(drive, "coolant_temperature", *points, truth=other) == 0
    with Store(data_dir) as store:
        after = store.calibrated(settings.default()).channels["coolant_temperature"].calibration.curve
    before = other.channels["coolant_temperature"].calibration.curve
    for degc in (10.0, 40.0, 80.0, 95.0):
        volts = before.to_volts(np.array(degc), np.array(5.0))
        assert after.to_si(volts, np.array(5.0)) == pytest.approx(degc, abs=0.4)


def test_old_recordings_follow_and_go_back_with_undo(calibrate, data_dir, capsys) -> None:
    signals = {
        "battery_voltage": steps(12.5), "sensor_supply_voltage": steps(5.0), "ignition_feed_voltage": steps(12.4),
        "fuel_pressure": steps(300.0), "coolant_temperature": steps(60.0), "throttle_position": steps(1.0),
        "air_fuel_ratio": steps(14.0),
    }  # fmt: skip
    record(Start(Drive("r01", STEP_S, 0.0, signals, {}), settings.default(), 0.0, STEP_S, 1), data_dir)

    def reads_v() -> float:
        with Store(data_dir) as store:
            (event,) = store.events()
            (entry,) = store.recordings(event.event_id)
            with store.reader(event.event_id, entry.name) as reader:
                return float(np.median(reader.read("battery_voltage").value))

    assert reads_v() == pytest.approx(12.5, abs=0.01)
    assert calibrate(a_drive("battery_voltage", 12.5), "battery_voltage", "--point", "12.8") == 0
    assert reads_v() == pytest.approx(12.8, abs=0.01)
    assert calibrate(a_drive("battery_voltage", 12.5), "battery_voltage", "--point", "12.2") == 0
    assert reads_v() == pytest.approx(12.2, abs=0.01)
    assert calibrate(None, "battery_voltage", "--undo") == 0
    assert reads_v() == pytest.approx(12.8, abs=0.01)
    assert calibrate(None, "battery_voltage", "--undo") == 0
    assert "In force now: the settings' own numbers." in capsys.readouterr().out
    assert reads_v() == pytest.approx(12.5, abs=0.01)
    assert calibrate(None, "battery_voltage", "--list") == 0
    assert capsys.readouterr().out.count("taken back") == 2


def test_a_curve_by_name_is_taken_for_old_recordings_too(calibrate, data_dir) -> None:
    assert calibrate(None, "coolant_temperature", "--curve", "ntc_10k") == 0
    with Store(data_dir) as store:
        wiring = store.calibrated(settings.default()).channels["coolant_temperature"]
    assert wiring.coefficients == (1.129148e-3, 2.34125e-4, 8.76741e-8)
    assert (wiring.points, wiring.pull_up_ohm) == (None, 2490.0)


def refused(capsys, code: int) -> str:
    said = capsys.readouterr().err
    assert code == 2
    assert said.count("\n") == 1
    return said.removeprefix("stumblelog calibrate: ").strip()


def test_a_second_point_that_never_comes_is_refused_and_nothing_stored(calibrate, data_dir, capsys) -> None:
    drive = a_drive("fuel_pressure", 0.0, 0.0)
    points = ["--point", "0", "--point", "50", "--wait", "6"]
    assert "has not moved from the point before within 6 s" in refused(
        capsys, calibrate(drive, "fuel_pressure", *points)
    )
    with Store(data_dir) as store:
        assert store.calibrations() == []


def test_a_reading_that_drifts_is_waited_for(calibrate, data_dir, capsys) -> None:
    rising = Signal(100.0, np.concatenate([np.linspace(20.0, 90.0, 1500), np.full(900, 90.0)]))
    falling = Signal(100.0, np.concatenate([rising.value, np.full(1200, 20.0)]))
    signals = {"coolant_temperature": falling, "sensor_supply_voltage": steps(5.0, 5.0, 5.0)}
    drive = Drive("r01", 36.0, 0.0, signals, {})
    assert calibrate(drive, "coolant_temperature", "--point", "90", "--point", "20") == 0
    with Store(data_dir) as store:
        after = store.calibrated(settings.default()).channels["coolant_temperature"].calibration.curve
    law = settings.default().channels["coolant_temperature"].calibration.curve
    volts = law.to_volts(np.array(90.0), np.array(5.0))
    assert after.to_si(volts, np.array(5.0)) == pytest.approx(90.0, abs=0.3)


def test_a_reading_that_never_settles_is_refused(calibrate, capsys) -> None:
    rising = Signal(100.0, np.linspace(0.0, 600.0, 3000))
    drive = Drive("r01", 30.0, 0.0, {"fuel_pressure": rising, "sensor_supply_voltage": steps(5.0, 5.0, 5.0)}, {})
    code = calibrate(drive, "fuel_pressure", "--point", "20", "--wait", "10")
    assert "does not settle within 10 s" in refused(capsys, code)


def test_an_unwired_sensor_is_refused(calibrate, capsys) -> None:
    drive = a_drive("fuel_pressure", np.nan)
    assert "an end of its range" in refused(capsys, calibrate(drive, "fuel_pressure", "--point", "0"))


def test_a_channel_that_is_not_there_is_named_with_those_that_are(calibrate, capsys) -> None:
    said = refused(capsys, calibrate(None, "oil_pressure", "--point", "0"))
    assert said.startswith("oil_pressure: channels to calibrate are battery_voltage, ")
    assert "accelerometer.mounting" in refused(capsys, calibrate(None, "acceleration", "--point", "0"))


def test_there_is_nothing_to_undo_at_first(calibrate, capsys) -> None:
    assert "nothing to take back" in refused(capsys, calibrate(None, "fuel_pressure", "--undo"))


# Asked point by point


def test_asked_points_are_taken_one_by_one_and_agreed_to(calibrate, data_dir, capsys, monkeypatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("twelve\n12.8\n\ny\n"))
    assert calibrate(a_drive("battery_voltage", 12.5), "battery_voltage") == 0
    said = capsys.readouterr().out
    assert "Not taken: 'twelve' is no number" in said
    assert "ratio 11 becomes 11.26" in said
    with Store(data_dir) as store:
        assert store.calibrations_in_force()["battery_voltage"]["ratio"] == pytest.approx(11.264, abs=0.005)


def test_without_a_yes_nothing_changes(calibrate, data_dir, capsys, monkeypatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("12.8\n\n"))
    assert calibrate(a_drive("battery_voltage", 12.5), "battery_voltage") == 0
    assert capsys.readouterr().out.endswith("Nothing changed.\n")
    with Store(data_dir) as store:
        assert store.calibrations() == []


def test_a_point_that_makes_no_sense_is_asked_again(calibrate, capsys, monkeypatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("900\n12.8\n\nn\n"))
    assert calibrate(a_drive("battery_voltage", 12.5), "battery_voltage") == 0
    assert (
        "Not taken: battery_voltage: 900 V cannot be: on a car it is -20 to 32 V; look at the number"
        in capsys.readouterr().out
    )


def test_the_recorders_live_values_serve_where_it_runs(data_dir, monkeypatch, capsys) -> None:
    """The bus stays the recorder's: the points come from live.json, while the recorder goes on."""
    monkeypatch.setattr("logger.recorder.place.boot_id", lambda: "this boot")
    monkeypatch.setattr("logger.check.watch.boot_id", lambda: "this boot")
    signals = {"battery_voltage": steps(12.5), "sensor_supply_voltage": steps(5.0)}
    wiring = replace(settings.default(), recorder=replace(settings.default().recorder, run_dir=str(data_dir / "run")))
    monkeypatch.setattr("logger.commands.calibrate.settings_of", lambda args: wiring)
    codes = []

    def ask(clock: object) -> None:
        monkeypatch.setattr("logger.clock.SystemClock", lambda: clock)
        monkeypatch.setattr("logger.sensors.hardware.open_hardware", None)
        codes.append(main(["calibrate", "battery_voltage", "--point", "12.8", "--data-dir", str(data_dir)]))

    start = Start(Drive("r01", STEP_S, 0.0, signals, {}), settings.default(), 0.0, STEP_S, 1)
    record(start, data_dir, at={5.05: ask})
    assert codes == [0]
    with Store(data_dir) as store:
        assert store.calibrations_in_force()["battery_voltage"]["ratio"] == pytest.approx(11.264, abs=0.005)
