"""The wiring on emulated chips and pins: what is plugged in wrong is named in words."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from gpiozero import InputDevice

from logger import settings
from logger.check.line import CheckLine
from logger.cli import main
from logger.doctor import wiring, wiring_lines
from logger.doctor.host import Host
from logger.sensors.batch import PartHealth
from logger.settings import Settings
from logger.virtualcar.chips import Ads1115, Adxl345
from logger.virtualcar.drive import Drive, Signal
from tests.check.bench import Bench, record, torn
from tests.check.starts import Start

SECONDS = 4.0
HOST = Host(Path("/nonexistent"), lambda command: None)


def a_drive() -> Drive:
    values = {
        "battery_voltage": 12.5, "ignition_feed_voltage": 12.4, "fuel_pressure": 300.0, "sensor_supply_voltage": 5.0,
        "coolant_temperature": 60.0, "throttle_position": 2.0, "air_fuel_ratio": 14.0,
    }  # fmt: skip
    signals = {name: Signal(10.0, np.full(round(SECONDS * 10) + 1, value)) for name, value in values.items()}
    return Drive("r01", SECONDS, 0.0, signals, {})


@pytest.fixture
def here(tmp_path: Path) -> Settings:
    default = settings.default()
    folders = replace(default.recorder, run_dir=str(tmp_path / "run"), data_dir=str(tmp_path))
    return replace(default, recorder=folders)


def examine(bench: Bench) -> dict[str, CheckLine]:
    lines = wiring_lines(bench.wiring, bench.clock, HOST, lambda wired: bench.rig.bus, bench.open_hardware)
    return {line.subject: line for line in lines if line.verdict != "ok"}


def test_a_car_that_is_wired_right_has_nothing_to_say(here: Settings) -> None:
    assert examine(Bench(a_drive(), here)) == {}


def test_a_missing_chip_is_named_once(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    bench.rig.adcs[0x49].connected = False
    found = examine(bench)
    assert found.keys() == {"0x49"}
    assert (found["0x49"].value, found["0x49"].verdict) == ("nothing answers", "stop")


def test_a_chip_at_another_address_is_found_there(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    bench.rig.adcs[0x49].connected = False
    bench.rig.bus.attach(0x4A, Ads1115(bench.clock, lambda number, time_ns: 1.0))
    found = examine(bench)
    assert "One like it answers at 0x4a" in found["0x49"].todo
    assert found["0x4a"].verdict == "look"


def test_an_accelerometer_where_an_adc_should_be_is_called_by_its_name(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    bench.rig.bus.attach(0x49, Adxl345(bench.clock, lambda times: np.zeros((times.size, 3), dtype=np.int64)))
    found = examine(bench)
    assert "At 0x49 there is an accelerometer (ADXL345)" in found["0x49"].todo


def test_a_chip_of_another_kind_is_no_adc(here: Settings) -> None:
    class Clockwork:
        connected = True

        def write(self, data: bytes) -> None: ...

        def read(self, length: int) -> bytes:
            return bytes([0x12] * length)

    bench = Bench(a_drive(), here)
    bench.rig.bus.attach(0x48, Clockwork())
    assert examine(bench)["0x48"].value == "another chip"


def test_a_twelve_bit_chip_on_the_board_is_told_and_used(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    coarse = Ads1115(bench.clock, bench.rig.adcs[0x48]._volts, bits=12)
    bench.rig.bus.attach(0x48, coarse)
    found = examine(bench)
    assert found.keys() == {"adc 0x48"}
    assert "steps of 2 mV" in found["adc 0x48"].todo


def test_a_bus_that_is_held_down_is_a_stop(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    bench.rig.bus.hung = True
    found = examine(bench)
    assert (found["bus"].value, found["bus"].verdict) == ("Connection timed out", "stop")


def test_a_bus_that_is_disturbed_is_counted(here: Settings) -> None:
    disturbed = PartHealth("adc 0x48", "I2C address 0x48", "ok", samples=1000, errors=30)
    (line,) = wiring.parts((disturbed,))
    assert (line.value, line.verdict) == ("30 errors in 1000", "look")


def test_an_input_at_its_rail_is_an_open_divider(here: Settings) -> None:
    drive = a_drive()
    at_rail = replace(drive, signals={**drive.signals, "battery_voltage": Signal(10.0, np.full(41, 40.0))})
    assert "lower resistor is open" in examine(Bench(at_rail, here))["battery_voltage"].todo


def test_a_wire_that_is_off_is_found_by_its_volts(here: Settings) -> None:
    for channel in ("fuel_pressure", "coolant_temperature", "battery_voltage"):
        drive = torn(a_drive(), channel)
        assert examine(Bench(drive, here))[channel].verdict == "look", channel


def test_a_pin_that_somebody_has_is_named(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    with InputDevice(17, pull_up=True, pin_factory=bench.rig.pins):
        found = examine(bench)
    assert found["tach_pulses"].verdict == "stop"
    assert "choose another" in found["tach_pulses"].todo


def test_a_tach_input_that_refuses_edges_is_noisy(here: Settings) -> None:
    ringing = PartHealth("tach_pulses", "GPIO 17", "ok", samples=200, errors=150)
    (line,) = wiring.parts((ringing,))
    assert line.verdict == "look"
    assert "rings" in line.todo


def test_pins_used_twice_are_refused_by_the_settings_themselves(tmp_path: Path, capsys) -> None:
    (tmp_path / "car.toml").write_text("[engine]\ncylinders = 4\n[mark_button]\npin = 27\n")
    assert main(["doctor", "--settings", str(tmp_path / "car.toml")]) == 2
    assert "mark_button.pin is 27, which key_sense.pin has already" in capsys.readouterr().err


# The bus's time


def test_the_measured_overhead_is_that_of_the_bus(here: Settings) -> None:
    bench = Bench(a_drive(), here)
    took = wiring.measured_transfer_s(bench.rig.bus, 0x48, bench.clock, 400_000)
    assert took == pytest.approx(40e-6, abs=1e-9)  # what the emulated bus spends on each


def test_a_bus_at_100_khz_is_too_slow_for_the_default_wiring(here: Settings, tmp_path: Path) -> None:
    node = tmp_path / "proc/device-tree"
    (node / "aliases").mkdir(parents=True)
    (node / "aliases/i2c1").write_bytes(b"/soc/i2c@7e804000\0")
    (node / "soc/i2c@7e804000").mkdir(parents=True)
    for hertz, verdict in ((100_000, "look"), (400_000, "ok")):
        (node / "soc/i2c@7e804000/clock-frequency").write_bytes(hertz.to_bytes(4, "big"))
        line = wiring.budget(here, Host(tmp_path, lambda command: None))
        assert line.verdict == verdict
    assert (
        "i2c_arm_baudrate=400000"
        in wiring.budget(replace(here, accelerometer=replace(here.accelerometer, rate_hz=800.0)), _slow(tmp_path)).todo
    )


def _slow(root: Path) -> Host:
    (root / "proc/device-tree/soc/i2c@7e804000/clock-frequency").write_bytes((100_000).to_bytes(4, "big"))
    return Host(root, lambda command: None)


# A recorder that runs


def test_a_running_recorder_is_asked_and_the_bus_left_alone(here: Settings, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("logger.recorder.place.boot_id", lambda: "this boot")
    monkeypatch.setattr("logger.check.watch.boot_id", lambda: "this boot")
    found: list[CheckLine] = []

    def never(*_: object) -> None:
        raise AssertionError("the bus belongs to the recorder")

    def ask(clock: object) -> None:
        found.extend(wiring_lines(here, clock, HOST, never, never))

    record(Start(torn(a_drive(), "fuel_pressure"), settings.default(), 0.0, SECONDS, 1), tmp_path, at={2.05: ask})
    assert found[0].subject == "recorder"
    assert found[0].value.startswith("recording, pid ")
    by_subject = {line.subject: line.verdict for line in found}
    assert by_subject["fuel_pressure"] == "look"
    assert by_subject["adc 0x48"] == "ok"


# The command


def test_on_any_machine_the_command_says_what_it_can_do(tmp_path: Path, monkeypatch, capsys) -> None:
    from logger.errors import SensorError

    def refuse(*_: object) -> None:
        raise SensorError("this machine's pins cannot be opened")

    monkeypatch.setattr("logger.sensors.hardware.open_hardware", refuse)
    monkeypatch.setattr("logger.doctor.host.Host.model", "")
    assert main(["doctor", "--run-dir", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("This machine\n")
    assert "hardware/safety.md" in said
    assert main(["doctor", "--run-dir", str(tmp_path), "--json"]) == 0
    assert {"subject", "verdict", "todo"} < json.loads(capsys.readouterr().out)[0].keys()


def test_a_finding_that_stops_recording_is_exit_code_1(here: Settings, tmp_path: Path, monkeypatch, capsys) -> None:
    bench = Bench(a_drive(), here)
    bench.rig.adcs[0x48].connected = False
    monkeypatch.setattr("logger.clock.SystemClock", lambda: bench.clock)
    monkeypatch.setattr("logger.sensors.hardware.open_hardware", bench.open_hardware)
    monkeypatch.setattr("logger.commands.doctor._open_bus", lambda wired: bench.rig.bus)
    monkeypatch.setattr("logger.commands.doctor.settings_of", lambda args: here)
    assert main(["doctor"]) == 1
    assert "nothing answers" in capsys.readouterr().out
