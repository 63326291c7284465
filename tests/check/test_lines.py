"""Each sensor fault is seen by the line that is its own, and a healthy start is never stopped."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from logger.check import CheckLine, Observation, Reference, lines, recorder_lines, worst
from logger.check.line import between, shown
from logger.sensors.batch import PartHealth
from logger.settings import DisplaySettings
from tests.check.starts import Start, a_start, idling, look, standing

HEALTHY_STARTS = 200


@pytest.fixture(scope="module")
def start() -> Start:
    return a_start(5, "six_injected", coolant_degc=40.0)


@pytest.fixture(scope="module")
def reference(start: Start) -> Reference:
    """The same car's last start: 300 kPa in its rail, the box level."""
    standing_values = {name: standing(start).now(name) for name in start.settings.channels}
    idle_values = {name: idling(start).now(name) for name in start.settings.channels}
    return Reference("r01 of Larch Hollow", standing_values, idle_values, standing(start).gravity, 300.0, 45.0)


def line(found: list[CheckLine], subject: str, label: str = "") -> CheckLine:
    """The line of that subject with the gravest verdict."""
    mine = [item for item in found if item.subject == subject and label in item.label]
    return max(mine, key=lambda item: ["ok", "look", "stop"].index(item.verdict))


def constant(volts: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda pin_v: np.full_like(pin_v, volts)


def pitched(degrees: float) -> np.ndarray:
    angle = np.radians(degrees)
    return np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])


def test_no_healthy_start_is_stopped_standing_or_idling() -> None:
    stopped = []
    for seed in range(HEALTHY_STARTS):
        start = a_start(seed)
        for observation in (standing(start), idling(start)):
            found = lines(observation, start.settings)
            stopped += [(seed, item) for item in found if item.verdict == "stop"]
    assert stopped == []


def test_a_healthy_car_has_nothing_to_look_at(start: Start, reference: Reference) -> None:
    for observation in (standing(start), idling(start)):
        for known in (None, reference):
            assert [item for item in lines(observation, start.settings, known) if item.verdict != "ok"] == []


def test_the_lines_know_whether_the_engine_runs(start: Start) -> None:
    assert line(lines(standing(start), start.settings), "tach_pulses").value == "silent"
    assert line(lines(idling(start), start.settings), "tach_pulses").value.endswith("rpm")


# Volts at the ADC's pin: what a torn or a chafed wire leaves there. The clamp ends at 3.6 V.
WIRES = [
    ("battery_voltage", 0.0, "stop"),
    ("ignition_feed_voltage", 0.0, "stop"),
    ("sensor_supply_voltage", 0.0, "stop"),
    ("sensor_supply_voltage", 2.1, "stop"),  # 4.2 V: one of its sensors is short
    ("sensor_supply_voltage", 2.32, "look"),  # 4.64 V
    ("fuel_pressure", 0.0, "stop"),
    ("fuel_pressure", 2.5, "stop"),  # the whole supply
    ("coolant_temperature", 2.47, "stop"),  # the open divider's share of it
    ("coolant_temperature", 0.0, "stop"),
    ("throttle_position", 0.0, "look"),
    ("throttle_position", 2.5, "look"),
    ("air_fuel_ratio", 0.0, "look"),
]


@pytest.mark.parametrize("observe", [standing, idling])
@pytest.mark.parametrize(("channel", "volts", "verdict"), WIRES)
def test_a_broken_wire_is_seen(
    start: Start, channel: str, volts: float, verdict: str, observe: Callable[..., Observation]
) -> None:
    found = lines(observe(start, pin_v={channel: constant(volts)}), start.settings)
    assert line(found, channel).verdict == verdict
    assert line(found, channel).todo


@pytest.mark.parametrize("channel", ["fuel_pressure", "coolant_temperature"])
def test_the_open_and_the_shorted_wire_are_told_apart(start: Start, channel: str) -> None:
    low = line(lines(standing(start, pin_v={channel: constant(0.0)}), start.settings), channel).todo
    high = line(lines(standing(start, pin_v={channel: constant(2.5)}), start.settings), channel).todo
    assert low != high
    assert "open" in {"fuel_pressure": low, "coolant_temperature": high}[channel]


def test_a_flat_battery_is_a_stop_and_a_low_one_to_be_charged(start: Start) -> None:
    for car_v, verdict in ((10.5, "stop"), (11.7, "look"), (12.6, "ok"), (14.0, "look"), (17.0, "stop")):
        feeds = {name: constant(car_v / 11.0) for name in ("battery_voltage", "ignition_feed_voltage")}
        found = lines(standing(start, pin_v=feeds), start.settings)
        assert line(found, "battery_voltage").verdict == verdict, car_v


def test_the_charge_is_judged_raised_more_sharply_than_at_idle(start: Start) -> None:
    feeds = {name: constant(12.4 / 11.0) for name in ("battery_voltage", "ignition_feed_voltage")}
    assert line(lines(idling(start, pin_v=feeds), start.settings), "battery_voltage").verdict == "ok"
    slow_idle = replace(start.settings, engine=replace(start.settings.engine, idle_rpm=400.0))
    assert line(lines(idling(start, pin_v=feeds), slow_idle), "battery_voltage").verdict == "look"


def test_an_alternator_that_boils_the_battery_is_a_stop(start: Start) -> None:
    found = lines(idling(start, pin_v={"battery_voltage": constant(16.2 / 11.0)}), start.settings)
    assert line(found, "battery_voltage").verdict == "stop"


def test_a_ballast_resistor_stops_nothing(start: Start) -> None:
    found = lines(standing(start, pin_v={"ignition_feed_voltage": constant(6.8 / 11.0)}), start.settings)
    assert line(found, "ignition_feed_voltage").verdict == "look"
    assert "ballast" in line(found, "ignition_feed_voltage").todo


def test_a_key_that_is_off_is_said_and_stops_nothing(start: Start) -> None:
    before = look(start, 0.0, start.key_s - 0.05)
    found = lines(before, start.settings)
    assert line(found, "key_sense").verdict == "look"
    assert worst(found) == "look"


def test_a_coil_left_fed_is_said(start: Start) -> None:
    seen = standing(start)
    long_ago = replace(seen, end_ns=seen.end_ns + 200_000_000_000)
    traces = {
        name: replace(trace, time_ns=trace.time_ns + 200_000_000_000) if name != "key_sense" else trace
        for name, trace in seen.traces.items()
    }
    found = lines(replace(long_ago, traces=traces), start.settings)
    assert "overheats" in line(found, "key_sense").todo


# Fuel pressure with the engine standing: whatever it holds, no stop.


def pressed(start: Start, kpa: Callable[[np.ndarray], np.ndarray]) -> Observation:
    """The standing car with another course of pressure after the key was turned."""
    seen = look(start, start.key_s - 0.5, start.crank_s - 0.05)
    later = 5_000_000_000  # five more seconds of waiting with the key on
    time_ns = np.arange(seen.traces["fuel_pressure"].time_ns[0], seen.end_ns + later, 10_000_000)
    since_s = time_ns / 1e9 - start.key_s
    trace = replace(seen.traces["fuel_pressure"], time_ns=time_ns, value=kpa(since_s))
    pin_v = {name: volts for name, volts in seen.pin_v.items() if name != "fuel_pressure"}
    return replace(seen, traces={**seen.traces, "fuel_pressure": trace}, end_ns=seen.end_ns + later, pin_v=pin_v)


@pytest.mark.parametrize(
    ("course", "kpa", "verdict"),
    [
        ("primes and holds", lambda t: np.clip(300.0 * t, 0.0, 300.0), "ok"),
        ("held hot since the last run", lambda t: np.full_like(t, 240.0), "ok"),
        ("the pump waits for the starter", lambda t: np.zeros_like(t), "look"),
        ("primes and falls at once", lambda t: np.where(t < 2.0, 300.0, 300.0 * np.exp(-(t - 2.0))), "look"),
        ("far too high", lambda t: np.full_like(t, 600.0), "look"),
        ("below nothing", lambda t: np.full_like(t, -40.0), "look"),
    ],
)
def test_pressure_before_the_start_is_judged_against_the_last_one(
    start: Start, reference: Reference, course: str, kpa: Callable[[np.ndarray], np.ndarray], verdict: str
) -> None:
    found = lines(pressed(start, kpa), start.settings, reference)
    assert line(found, "fuel_pressure").verdict == verdict, course


def test_a_pump_that_waits_for_the_starter_is_fine_where_it_always_did(start: Start, reference: Reference) -> None:
    waits = replace(reference, peak_kpa=2.0)
    found = lines(pressed(start, np.zeros_like), start.settings, waits)
    assert line(found, "fuel_pressure").verdict == "ok"


def test_no_pressure_at_idle_is_the_transducers_lie(start: Start, reference: Reference) -> None:
    nothing = {"fuel_pressure": constant(0.25)}  # 10 % of 5 V, halved
    assert line(lines(idling(start, pin_v=nothing), start.settings, reference), "fuel_pressure").verdict == "stop"
    half = {"fuel_pressure": lambda volts: 0.25 + 0.5 * (volts - 0.25)}
    assert line(lines(idling(start, pin_v=half), start.settings, reference), "fuel_pressure").verdict == "look"


# Coolant


def test_coolant_far_above_the_end_of_the_last_recording_is_odd(start: Start, reference: Reference) -> None:
    colder = replace(reference, last_coolant=5.0)
    assert line(lines(standing(start), start.settings, colder), "coolant_temperature").verdict == "ok"
    hot = a_start(5, "six_injected", coolant_degc=90.0)
    assert line(lines(standing(hot), hot.settings, colder), "coolant_temperature").verdict == "look"


def test_a_boiling_engine_is_a_stop(start: Start) -> None:
    hot = a_start(5, "six_injected", coolant_degc=138.0)
    assert "radiator closed" in line(lines(standing(hot), hot.settings), "coolant_temperature").todo
    assert line(lines(standing(hot), hot.settings), "coolant_temperature").verdict == "stop"


# The box


@pytest.mark.parametrize(("degrees", "verdict"), [(8.0, "ok"), (22.0, "look"), (70.0, "stop")])
def test_a_box_that_has_come_loose_shows_in_gravity(
    start: Start, reference: Reference, degrees: float, verdict: str
) -> None:
    found = lines(standing(start, turn=pitched(degrees)), start.settings, reference)
    assert line(found, "acceleration").verdict == verdict


def test_without_an_earlier_start_only_a_hanging_box_is_a_stop(start: Start) -> None:
    for degrees, verdict in ((20.0, "ok"), (45.0, "look"), (90.0, "stop")):
        found = lines(standing(start, turn=pitched(degrees)), start.settings)
        assert line(found, "acceleration").verdict == verdict, degrees


def test_an_accelerometer_that_feels_nothing_is_looked_at(start: Start) -> None:
    found = lines(standing(start, turn=np.zeros((3, 3))), start.settings)
    assert line(found, "acceleration").verdict == "look"


@pytest.mark.parametrize(
    ("part", "state", "verdict"),
    [
        ("adc 0x48", "missing", "stop"),
        ("accelerometer", "missing", "stop"),
        ("tach_pulses", "noisy", "stop"),
        ("lamp", "missing", "look"),
        ("adc 0x49", "starting", "stop"),
        ("tach_pulses", "starting", "ok"),
    ],
)
def test_a_part_that_does_not_answer_has_a_line(start: Start, part: str, state: str, verdict: str) -> None:
    health = (PartHealth("key_sense", "GPIO 27", "ok"), PartHealth(part, "somewhere", state, "look at it"))  # type: ignore[arg-type]
    found = lines(replace(standing(start), parts=health), start.settings)
    assert worst([item for item in found if item.subject in (part, "parts") and item.label != "Tach"]) == verdict


# Tach


def hum(pulses: np.ndarray) -> np.ndarray:
    return np.sort(np.concatenate([pulses, np.arange(0.0, 60.0, 0.01)]))


def test_hum_on_the_tach_wire_of_a_standing_car_is_a_stop(start: Start) -> None:
    found = lines(standing(start, tach=hum), start.settings)
    assert line(found, "tach_pulses").verdict == "stop"
    assert "Noise" in line(found, "tach_pulses").todo


def test_a_pulse_as_the_key_is_turned_is_none(start: Start) -> None:
    found = lines(standing(start, tach=lambda pulses: np.sort(np.append(pulses, start.crank_s - 0.5))), start.settings)
    assert line(found, "tach_pulses").verdict == "ok"


def test_a_dead_tach_wire_on_a_running_engine_is_a_stop(start: Start) -> None:
    charging = {name: constant(14.1 / 11.0) for name in ("battery_voltage", "ignition_feed_voltage")}
    found = lines(idling(start, tach=lambda pulses: pulses[:0], pin_v=charging), start.settings)
    assert line(found, "tach_pulses").verdict == "stop"


@pytest.mark.parametrize(
    ("name", "tach", "verdict", "says"),
    [
        ("one pulse in nine is lost", lambda p: np.delete(p, np.s_[::9]), "look", "missing"),
        ("one in five is doubled", lambda p: np.sort(np.append(p, p[::5] + 0.004)), "look", "Noise"),
        ("nearly each is doubled", lambda p: np.sort(np.append(p, p[p % 1 < 0.45] + 0.004)), "stop", "Noise"),
    ],
)
def test_irregular_pulses_are_counted(
    start: Start, name: str, tach: Callable[[np.ndarray], np.ndarray], verdict: str, says: str
) -> None:
    found = line(lines(idling(start, tach=tach), start.settings), "tach_pulses", "Pulses")
    assert found.verdict == verdict, name
    assert says in found.value + found.todo


def test_half_the_speed_hints_at_the_pulses_per_revolution(start: Start) -> None:
    doubled = replace(start.settings, engine=replace(start.settings.engine, tach_pulses_per_revolution=6.0))
    found = line(lines(idling(start), doubled), "tach_pulses")
    assert "tach_pulses_per_revolution" in found.todo


def test_noise_on_a_channel_is_named(start: Start) -> None:
    random = np.random.default_rng(1)
    noisy = {"sensor_supply_voltage": lambda volts: volts + random.normal(0.0, 0.03, volts.shape)}
    found = lines(idling(start, pin_v=noisy), start.settings)
    assert line(found, "sensor_supply_voltage", "noise").verdict == "look"


# The recorder and the words


def test_nothing_being_recorded_is_a_stop_with_the_recorders_own_reason() -> None:
    (only,) = recorder_lines({"state": "not_recording", "why": "only 0.4 MB free"})
    assert (only.verdict, only.todo) == ("stop", "Only 0.4 MB free.")
    assert worst(recorder_lines(None)) == "look"
    assert worst(recorder_lines({"state": "recording", "free_mb": 9000.0})) == "ok"
    assert worst(recorder_lines({"state": "recording", "free_mb": 300.0})) == "look"
    assert worst(recorder_lines({"state": "recording", "free_mb": 3.0})) == "stop"
    assert worst(recorder_lines({"state": "recording"})) == "look"  # the card does not say


def test_values_are_shown_in_the_owners_units() -> None:
    display = DisplaySettings(pressure="bar", temperature="degF")
    assert shown("fuel_pressure", 300.0, display) == "3.00 bar"
    assert shown("coolant_temperature", 100.0, display) == "212 °F"
    assert shown("battery_voltage", float("nan"), display) == "nothing"
    assert between("battery_voltage", 12.0, 13.4, display) == "12.00 to 13.40 V"
