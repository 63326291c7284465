"""Where a check gets what it judges: the sensors themselves, or the recorder that has them."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.check import CheckLine, last_healthy_start, lines, watch, worst
from logger.cli import main
from logger.event import NS_PER_S
from logger.store.store import Store
from logger.virtualcar.clock import VirtualClock
from tests.check.bench import Bench, part_of, record, torn
from tests.check.starts import IDLE_FROM_S, Start, a_start


@pytest.fixture(scope="module")
def start() -> Start:
    return a_start(5, "six_injected", coolant_degc=40.0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "data") as opened:
        yield opened


@pytest.fixture(autouse=True)
def one_boot(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.recorder.place.boot_id", lambda: "this boot")
    monkeypatch.setattr("logger.check.watch.boot_id", lambda: "this boot")


def wiring_in(start: Start, folder: Path) -> object:
    return replace(
        start.settings, recorder=replace(start.settings.recorder, data_dir=str(folder), run_dir=str(folder / "run"))
    )


def by_subject(found: list[CheckLine]) -> dict[str, str]:
    return {line.subject: line.verdict for line in found if line.verdict != "ok"}


@pytest.mark.parametrize("part", ["standing", "idling"])
def test_the_sensors_of_a_healthy_car_have_nothing_to_look_at(start: Start, store: Store, part: str) -> None:
    from_s = start.key_s if part == "standing" else start.crank_s + IDLE_FROM_S
    bench = Bench(part_of(start, from_s, from_s + 4.0), wiring_in(start, store.data_dir))
    begun_ns = bench.clock.monotonic_ns()
    seen = watch.observe(bench.wiring, store, bench.clock, bench.open_hardware)
    assert seen is not None
    assert by_subject(lines(seen.observation, seen.settings)) == {}
    assert seen.observation.is_running(bench.wiring.engine) == (part == "idling")
    assert bench.clock.monotonic_ns() - begun_ns < 5 * NS_PER_S
    assert bench.opened == 1


@pytest.mark.parametrize(
    ("channel", "verdict"),
    [("fuel_pressure", "stop"), ("coolant_temperature", "stop"), ("battery_voltage", "stop"),
     ("throttle_position", "look"), ("sensor_supply_voltage", "stop")],
)  # fmt: skip
def test_a_wire_torn_off_the_rig_is_seen(start: Start, store: Store, channel: str, verdict: str) -> None:
    drive = torn(part_of(start, start.key_s, start.key_s + 3.6), channel)
    bench = Bench(drive, wiring_in(start, store.data_dir))
    seen = watch.observe(bench.wiring, store, bench.clock, bench.open_hardware)
    assert by_subject(lines(seen.observation, seen.settings))[channel] == verdict


def test_a_chip_that_is_unplugged_is_named_with_its_channels(start: Start, store: Store) -> None:
    bench = Bench(part_of(start, start.key_s, start.key_s + 3.6), wiring_in(start, store.data_dir))
    bench.rig.adcs[0x48].connected = False
    seen = watch.observe(bench.wiring, store, bench.clock, bench.open_hardware)
    found = by_subject(lines(seen.observation, seen.settings))
    assert {"adc 0x48", "battery_voltage", "fuel_pressure"} <= found.keys()
    assert "coolant_temperature" not in found


def test_without_recorder_and_sensors_there_is_only_that_to_say(start: Start, store: Store) -> None:
    wiring = wiring_in(start, store.data_dir)
    (only,) = watch.check_now(wiring, store, VirtualClock(), sensors=False)
    assert (only.subject, only.value) == ("recorder", "not running")


def test_a_running_recorder_is_asked_and_the_bus_left_alone(start: Start, store: Store) -> None:
    found: list[list[CheckLine]] = []

    def check(clock: VirtualClock) -> None:
        def never(*_: object) -> watch.HardwareLike:
            raise AssertionError("the bus belongs to the recorder")

        assert watch.observe(wiring, store, clock, never) is not None
        found.append(watch.check_now(wiring, store, clock, sensors=False))

    wiring = wiring_in(start, store.data_dir)
    idling_s = start.crank_s + IDLE_FROM_S + 3.0
    record(start, store.data_dir, at={start.crank_s - 0.3: check, idling_s: check})
    for lines_then, running in zip(found, (False, True), strict=True):
        assert by_subject(lines_then) == {}
        assert next(line for line in lines_then if line.subject == "recorder").value == "recording"
        assert any(line.label == "Pulses" for line in lines_then) == running


def test_a_recorder_that_cannot_store_is_watched_live_and_is_a_stop(
    start: Start, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    found: list[CheckLine] = []
    monkeypatch.setattr("logger.recorder.space.free_mb", lambda folder: 0.5)
    wiring = wiring_in(start, store.data_dir)
    record(
        start, store.data_dir,
        at={start.key_s + 0.8: lambda clock: found.extend(watch.check_now(wiring, store, clock, sensors=False))},
    )  # fmt: skip
    verdicts = by_subject(found)
    assert verdicts["recorder"] == "stop"
    assert "MB free" in next(line.todo for line in found if line.subject == "recorder")
    values = {line.subject: line.value for line in found}
    assert values["battery_voltage"].startswith("12.")


def test_what_a_recorder_left_behind_is_not_taken_for_its_word(start: Start, store: Store) -> None:
    wiring = record(start, store.data_dir)
    run_dir = store.data_dir / "run"
    written_ns = json.loads((run_dir / "live.json").read_text())["written_ns"]
    assert watch.live_of(run_dir, VirtualClock(written_ns + NS_PER_S)) is not None
    assert watch.live_of(run_dir, VirtualClock(written_ns + 10 * NS_PER_S)) is None
    assert watch.live_of(run_dir, VirtualClock(5)) is None  # of another boot
    assert watch.observe(wiring, store, VirtualClock(written_ns + 10 * NS_PER_S), None) is None


# The last healthy start


def test_the_last_healthy_start_is_what_the_recording_read(start: Start, store: Store) -> None:
    wiring = record(start, store.data_dir)
    reference = last_healthy_start(store, wiring)
    assert reference is not None
    drive = start.drive
    just_before = np.array([start.crank_s - 0.2])
    assert reference.standing["battery_voltage"] == pytest.approx(
        drive.signals["battery_voltage"].at(just_before)[0], abs=0.05
    )
    assert reference.peak_kpa == pytest.approx(
        drive.signals["fuel_pressure"].value[: round(start.crank_s * 1000)].max(), rel=0.05
    )
    assert reference.gravity == pytest.approx([0.0, 0.0, 1.0], abs=0.1)
    assert reference.idle["fuel_pressure"] > 100.0
    assert reference.last_coolant == pytest.approx(drive.signals["coolant_temperature"].value[-1], abs=1.0)


def test_a_start_with_a_dead_sensor_is_no_measure_and_an_older_one_is_taken(start: Start, store: Store) -> None:
    wiring = record(start, store.data_dir)
    record(replace(start, drive=torn(start.drive, "fuel_pressure")), store.data_dir, minutes_later=10)
    reference = last_healthy_start(store, wiring)
    assert reference is not None
    assert reference.peak_kpa > 100.0


def test_the_recording_being_made_and_another_car_are_no_measure(start: Start, store: Store) -> None:
    wiring = record(start, store.data_dir)
    (event,) = store.events()
    (entry,) = store.recordings(event.event_id)
    assert last_healthy_start(store, wiring, without=entry.file) is None
    eight = replace(wiring, engine=replace(wiring.engine, cylinders=8))
    assert last_healthy_start(store, eight) is None


def test_a_recording_without_a_start_is_no_measure(start: Start, store: Store) -> None:
    parked = replace(start, drive=part_of(start, 0.0, start.crank_s - 0.2))
    assert last_healthy_start(store, record(parked, store.data_dir)) is None


def test_a_pressure_of_half_the_last_start_is_looked_at(start: Start, store: Store) -> None:
    wiring = record(start, store.data_dir)
    drive = part_of(start, start.crank_s + IDLE_FROM_S, start.crank_s + IDLE_FROM_S + 4.0)
    pressure = drive.signals["fuel_pressure"]
    weak = {**drive.signals, "fuel_pressure": replace(pressure, value=0.5 * pressure.value)}
    bench = Bench(replace(drive, signals=weak), wiring, start_ns=900 * NS_PER_S)
    seen = watch.observe(wiring, store, bench.clock, bench.open_hardware)
    found = lines(seen.observation, seen.settings, last_healthy_start(store, wiring))
    assert by_subject(found) == {"fuel_pressure": "look"}


# The command


@pytest.fixture
def on_the_rig(start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Run the command on a bench: its standard output and exit code."""

    def run(bench: Bench, *options: str) -> int:
        monkeypatch.setattr("logger.clock.SystemClock", lambda: bench.clock)
        monkeypatch.setattr("logger.sensors.hardware.open_hardware", bench.open_hardware)
        monkeypatch.setattr("logger.commands.check.settings_of", lambda args: bench.wiring)
        return main(["check", "--data-dir", str(tmp_path / "data"), *options])

    return run


def test_the_command_says_ready_for_a_healthy_car(start, store, on_the_rig, capsys) -> None:
    bench = Bench(part_of(start, start.key_s, start.key_s + 3.6), wiring_in(start, store.data_dir))
    assert on_the_rig(bench) == 0
    said = capsys.readouterr().out
    assert said.startswith("Safety first (hardware/safety.md")
    assert "Look at the lines marked so." in said  # no recorder runs
    assert "ok    Battery" in said
    assert "start it, let it idle and check again" in said


def test_the_command_stops_with_exit_code_1_and_says_what_to_do(start, store, on_the_rig, capsys) -> None:
    drive = torn(part_of(start, start.key_s, start.key_s + 3.6), "fuel_pressure")
    bench = Bench(drive, wiring_in(start, store.data_dir))
    assert on_the_rig(bench) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "At chip 0x48 A2 the signal is near 0 V: wire open, or short to ground." in said
    assert "Stop: not ready." in said


def test_the_command_gives_json(start, store, on_the_rig, capsys) -> None:
    bench = Bench(part_of(start, start.key_s, start.key_s + 3.6), wiring_in(start, store.data_dir))
    assert on_the_rig(bench, "--json") == 0
    rows = json.loads(capsys.readouterr().out)
    assert {"subject", "label", "value", "expected", "verdict", "todo"} == rows[0].keys()
    assert worst(CheckLine(**row) for row in rows) == "look"


def test_on_a_machine_without_pins_the_command_says_so_in_one_line(tmp_path, monkeypatch, capsys) -> None:
    from logger.errors import SensorError

    def refuse(*_: object) -> None:
        raise SensorError("this machine's pins cannot be opened")

    monkeypatch.setattr("logger.sensors.hardware.open_hardware", refuse)
    assert main(["check", "--data-dir", str(tmp_path / "data"), "--run-dir", str(tmp_path)]) == 2
    assert capsys.readouterr().err == "stumblelog check: this machine's pins cannot be opened\n"
