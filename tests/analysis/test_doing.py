"""What the engine was doing at each firing: gear changes, clutch, even speed, and who stopped it."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from logger.analysis.crank import doing, pulses, states, stops
from logger.analysis.crank.states import State, View
from logger.event import NS_PER_S, Engine, Recording, Trace
from tests.analysis.array_car import NATURAL, RUN, START, STEP_S, Drive, nanoseconds
from tests.analysis.invented import stumble
from tests.analysis.small_car import FOUR, drawn, seen, turned

DRIVE = Drive()
RECORDING = DRIVE.recording()
CHANGES_S = (14.0 + 2.45, 14.0 + 5.05, 38.0 + 2.45, 38.0 + 5.05)  # as array_car.RUN has them
ENGINES = [
    replace(NATURAL, cylinders=1, strokes=2),
    replace(NATURAL, cylinders=2),
    replace(NATURAL, cylinders=3),
    NATURAL,
    replace(NATURAL, cylinders=6),
    replace(NATURAL, cylinders=8),
]


def view_of(recording: Recording, engine: Engine = NATURAL) -> View:
    firings = pulses.clean(recording.pulses["tach_pulses"], engine)
    scale = states.load_scale([(recording.traces, firings)], engine)
    return states.view(recording, engine, firings, recording.traces, scale, np.empty((0, 2), np.int64))


def state_of(view: View, at_s: float) -> State:
    said = doing.of(view, stops.stops(view))
    return State(int(said[np.searchsorted(view.firings.time_ns, int(at_s * NS_PER_S))]))


def only(recording: Recording, *channels: str) -> Recording:
    return replace(recording, traces={name: trace for name, trace in recording.traces.items() if name in channels})


@pytest.mark.parametrize("engine", ENGINES, ids=lambda engine: f"{engine.cylinders}")
@pytest.mark.parametrize("channel", ["throttle_position", "fuel_pressure", "battery_voltage"])
def test_a_gear_change_is_told_for_every_number_of_cylinders_with_load_and_without(
    engine: Engine, channel: str
) -> None:
    view = view_of(only(Drive(engine=engine).recording(), channel), engine)
    assert (view.load_channel is None) == (channel == "battery_voltage")
    said = doing.of(view, stops.stops(view))
    time_s = view.firings.time_ns / NS_PER_S
    for at_s in CHANGES_S:
        inside = (time_s > at_s) & (time_s < at_s + 0.3)
        assert (said[inside] == State.GEAR_CHANGE).mean() > 0.6, at_s
    beside = np.all([np.abs(time_s - at_s) > 0.8 for at_s in CHANGES_S], axis=0)
    assert not (said[beside] == State.GEAR_CHANGE).any()


@pytest.mark.parametrize("channel", ["throttle_position", "fuel_pressure"])
def test_the_other_states_follow_the_drive(channel: str) -> None:
    view = view_of(only(RECORDING, channel))
    wanted = {2.5: State.CRANKING, 4.0: State.STARTING, 9.0: State.IDLE, 15.5: State.PULLING, 23.0: State.OVERRUN}
    assert {at: state_of(view, at) for at in wanted} == wanted


def held(*throttle: tuple[float, float]) -> View:
    """Twenty seconds of which the middle goes by at 3,000 rev/min in gear."""
    tach = turned((0.0, 900), (3.0, 900), (5.0, 3000), (12.0, 3000), (14.0, 900), (20.0, 900))
    return seen(tach, 20.0, {"throttle_position": drawn(20.0, *throttle)} if throttle else {})


def test_an_even_speed_at_part_load_is_steady_and_at_full_load_it_pulls() -> None:
    part = held((0.0, 0), (3.0, 0), (3.1, 40), (12.0, 40), (12.1, 0), (20.0, 0))
    full = held((0.0, 0), (3.0, 0), (3.1, 100), (12.0, 100), (12.1, 0), (20.0, 0))
    assert state_of(part, 8.0) == State.STEADY
    assert state_of(part, 4.0) == State.PULLING
    assert state_of(full, 8.0) == State.PULLING
    assert state_of(held(), 8.0) == State.STEADY


def test_a_load_channel_that_reads_shut_while_the_crank_gains_is_not_believed() -> None:
    stuck = held((0.0, 0), (20.0, 0))
    assert state_of(stuck, 4.0) == State.PULLING
    assert state_of(stuck, 13.0) == State.OVERRUN


def with_shake(recording: Recording, moving: list[tuple[float, float]]) -> Recording:
    """The same with a box that feels the road while the car moves."""
    time = np.arange(0.0, recording.duration_ns / NS_PER_S, 0.0025)
    road = np.zeros(time.size)
    for start, stop in moving:
        road[(time >= start) & (time < stop)] = 0.15
    felt = np.random.default_rng(5).standard_normal((time.size, 3)) * (0.02 + road)[:, None] + (0.05, 0.0, 1.0)
    felt[:, 0] += np.where(road > 0, 0.2, 0.0)
    return replace(recording, traces={**recording.traces, "acceleration": Trace(nanoseconds(time), felt)})


def test_revs_of_a_standing_car_are_the_clutchs_and_those_of_a_moving_one_are_not() -> None:
    view = held((0.0, 0), (3.0, 0), (3.1, 30), (12.0, 30), (12.1, 0), (20.0, 0))
    standing, moving = (
        replace(view, traces=with_shake(Recording("r01", 20 * NS_PER_S, view.traces), spans).traces)
        for spans in ([], [(3.0, 14.0)])
    )
    assert state_of(standing, 8.0) == State.CLUTCH_IN
    assert state_of(moving, 8.0) == State.STEADY


def test_without_acceleration_a_crank_that_shoots_up_from_idle_is_free() -> None:
    blip = turned((0.0, 900), (5.0, 900), (5.3, 2400), (6.6, 900), (12.0, 900))
    view = seen(blip, 12.0, {"throttle_position": drawn(12.0, (0, 0), (5.0, 0), (5.05, 40), (5.3, 40), (5.35, 0))})
    assert state_of(view, 5.25) == State.CLUTCH_IN
    assert state_of(view, 9.0) == State.IDLE


@pytest.mark.parametrize("channel", ["throttle_position", "none"])
@pytest.mark.parametrize(("after_rpm", "changes"), [(4100, False), (3100, True)])
def test_wheels_that_spin_and_grip_again_are_no_gear_change(channel: str, after_rpm: int, changes: bool) -> None:
    tach = turned((0, 900), (3, 900), (6, 4000), (6.15, 5200), (6.35, after_rpm), (9, 1.2 * after_rpm))
    foot = drawn(9.0, (0, 0), (3, 0), (3.1, 100), (6.1, 100), (6.15, 30), (6.35, 30), (6.4, 100), (9, 100))
    view = seen(tach, 9.0, {channel: foot})
    assert bool((doing.of(view, []) == State.GEAR_CHANGE).any()) == changes


def test_lost_pulses_are_no_gear_change() -> None:
    silent = replace(RECORDING, pulses={"tach_pulses": nanoseconds(Drive(silent=[(28.0, 28.4)]).pulses())})
    view = view_of(only(silent, "throttle_position"))
    said = doing.of(view, stops.stops(view))
    near = np.abs(view.firings.time_ns / NS_PER_S - 28.2) < 0.8
    assert not (said[near] == State.GEAR_CHANGE).any()


def test_a_crank_that_runs_down_after_the_key_was_turned_is_switched_off() -> None:
    time = np.arange(0.0, 40.0, STEP_S)
    at, rpm, _ = np.array([*START, (20.0, 900, 2), (20.8, 0, 2), (40.0, 0, 2)]).T
    turns = np.cumsum(np.interp(time, at, rpm) / 60.0) * STEP_S * 2.0
    edges = nanoseconds(np.interp(np.arange(1.0, np.floor(turns[-1])), turns, time))
    key = Trace(nanoseconds(np.array([0.0, 1.0, 20.0])), np.array([0.0, 1.0, 0.0]))
    view = view_of(Recording("r01", 40 * NS_PER_S, {"key_sense": key}, {"tach_pulses": edges}), FOUR)
    assert state_of(view, 20.3) == State.SWITCHED_OFF
    assert state_of(view, 19.9) == State.IDLE


def test_a_stall_of_the_drivers_takes_the_last_pulses_before_the_stop() -> None:
    tach = turned((0.0, 900), (10.0, 900), (10.25, 300))
    throttle = drawn(14.0, (0, 0), (9.9, 0), (10.05, 20), (10.3, 0), (14.0, 0))
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    view = seen(tach, 14.0, {"throttle_position": throttle, "key_sense": key})
    halts = stops.stops(view)
    assert [halt.why for halt in halts] == ["driver_stall"]
    said = doing.of(view, halts)
    assert said[-1] == said[-2] == State.STALLED
    assert state_of(view, 9.5) == State.IDLE


def test_each_stumble_says_what_the_engine_was_doing() -> None:
    view = view_of(only(RECORDING, "throttle_position"))
    found = [replace(stumble("r01", at), engine_onset_s=at) for at in (9.0, 15.5, 16.6, 23.0)]
    assert [one.doing for one in doing.told(found, view, [])] == ["idle", "pulling", "gear_change", "overrun"]


def test_a_recording_without_a_turning_engine_has_no_states() -> None:
    view = view_of(Recording("r01", NS_PER_S, {}, {"tach_pulses": np.empty(0, np.int64)}))
    assert doing.of(view, []).size == 0
    assert doing.told([stumble("r01", 0.5)], view, [])[0].doing == ""


def test_the_profile_that_these_tests_count_on() -> None:
    lifts = [second for (second, _, foot), (_, _, lifted) in pairwise(RUN) if foot - lifted > 90]
    assert lifts[:2] == [2.4, 5.0]
