"""What the engine was doing, and how hard it was working."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank import pulses, states
from logger.analysis.crank.states import State
from logger.event import Engine, FuelSystem, Recording, Trace
from tests.analysis.array_car import NATURAL, Drive, injection_rail

DRIVE = Drive()
RECORDING = DRIVE.recording()


def view_of(recording: Recording, engine: Engine = NATURAL) -> states.View:
    firings = pulses.clean(recording.pulses["tach_pulses"], engine)
    scale = states.load_scale([(recording.traces, firings)], engine)
    return states.view(recording, engine, firings, recording.traces, scale, np.empty((0, 2), np.int64))


def state_at(view: states.View, at_s: float) -> State:
    return State(int(view.state[np.searchsorted(view.firings.time_ns, int(at_s * 1e9))]))


def only(*channels: str) -> Recording:
    traces = {name: trace for name, trace in RECORDING.traces.items() if name in channels}
    return Recording("r01", RECORDING.duration_ns, traces, RECORDING.pulses)


@pytest.mark.parametrize("channel", ["throttle_position", "fuel_pressure"])
def test_states_follow_the_drive_with_a_throttle_and_with_a_rail_that_shows_load(channel: str) -> None:
    view = view_of(only(channel))
    assert view.load_channel == channel
    wanted = {2.5: State.CRANKING, 4.0: State.STARTING, 9.0: State.IDLE, 15.5: State.PULLING, 23.0: State.OVERRUN}
    assert {at: state_at(view, at) for at in wanted} == wanted


def test_without_either_the_cranks_own_acceleration_has_to_do() -> None:
    view = view_of(only("battery_voltage"))
    assert view.load_channel is None
    assert state_at(view, 15.5) == State.PULLING
    assert state_at(view, 23.0) == State.OVERRUN


def test_a_rail_held_at_one_pressure_is_not_taken_for_load() -> None:
    still = Drive(rail=lambda drive, time, key: 300 + 2 * np.random.default_rng(1).standard_normal(time.size))
    trace = still.recording().traces["fuel_pressure"]
    view = view_of(Recording("r01", RECORDING.duration_ns, {"fuel_pressure": trace}, RECORDING.pulses))
    assert view.load_channel is None


def test_a_pumps_ripple_is_not_taken_for_load() -> None:
    ripple = Drive(rail=lambda drive, time, key: 30 + 4 * np.sin(60 * time))
    trace = ripple.recording().traces["fuel_pressure"]
    view = view_of(Recording("r01", RECORDING.duration_ns, {"fuel_pressure": trace}, RECORDING.pulses))
    assert view.load_channel is None


def test_load_is_unknown_across_a_hole_in_its_channel() -> None:
    throttle = RECORDING.traces["throttle_position"]
    kept = (throttle.time_ns < 20_000_000_000) | (throttle.time_ns > 21_000_000_000)
    holed = {"throttle_position": Trace(throttle.time_ns[kept], throttle.value[kept])}
    view = view_of(Recording("r01", RECORDING.duration_ns, holed, RECORDING.pulses))
    inside = (view.firings.time_ns > 20_100_000_000) & (view.firings.time_ns < 20_900_000_000)
    assert np.isnan(view.load[inside]).all()


def test_a_recording_that_begins_with_the_engine_running_is_judged_from_its_first_pulse() -> None:
    late = RECORDING.pulses["tach_pulses"]
    late = late[late > 30_000_000_000] - 30_000_000_000
    view = view_of(Recording("r01", 38_000_000_000, {}, {"tach_pulses": late}))
    assert view.running[0]


def test_the_running_spans_leave_cranking_out() -> None:
    ((from_s, to_s),) = view_of(RECORDING).running_spans()
    assert 3.2 < from_s < 3.7
    assert to_s == pytest.approx(66.0, abs=0.1)


def test_the_drives_own_rail_is_what_the_tests_above_mean() -> None:
    level = injection_rail(DRIVE, np.array([9.0, 15.5]), np.ones(2))
    assert level[0] < 240 < level[1]


def test_idling_is_named_where_nothing_shows_load_either() -> None:
    view = view_of(only("battery_voltage"))
    assert {at: state_at(view, at) for at in (9.0, 36.0, 62.0)} == dict.fromkeys((9.0, 36.0, 62.0), State.IDLE)


@pytest.mark.parametrize(
    ("fuel_system", "times"),
    [("port_injection", 1.0), ("carburettor", 1.0), ("mechanical_injection", 1.0), (None, 2.0)],
)
def test_only_a_port_injections_rail_is_taken_for_load(fuel_system: FuelSystem | None, times: float) -> None:
    """Where the owner did not say, twice the pressure, 600 kPa at full load, is more than any manifold's regulator."""
    rail = RECORDING.traces["fuel_pressure"]
    traces = {"fuel_pressure": Trace(rail.time_ns, times * rail.value)}
    engine = replace(NATURAL, fuel_system=fuel_system)
    view = view_of(Recording("r01", RECORDING.duration_ns, traces, RECORDING.pulses), engine)
    assert view.load_channel == ("fuel_pressure" if fuel_system == "port_injection" else None)
