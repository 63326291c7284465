"""Sensors that lie, and cars that really fail, on a made-up engine that runs from 2 s to 58 s of a minute."""

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from logger.analysis.channels import sensor_faults
from logger.analysis.channels.scene import merge, running_spans, spans_of
from logger.event import NS_PER_S, Engine, FloatArray, Gap, IntArray, Recording, Trace

ENGINE = Engine(cylinders=4, idle_rpm=850)
LEVELS = {  # channel: rate Hz, level, noise, least step
    "battery_voltage": (100, 13.9, 0.02, 0.001),
    "ignition_feed_voltage": (100, 13.4, 0.02, 0.001),
    "sensor_supply_voltage": (100, 4.99, 0.004, 0.001),
    "fuel_pressure": (100, 220.0, 3.0, 0.1),
    "coolant_temperature": (5, 82.0, 0.15, 0.1),
    "throttle_position": (50, 30.0, 0.3, 0.1),
    "air_fuel_ratio": (50, 13.4, 0.08, 0.01),
}


def trace(name: str, rate_hz: float | None = None) -> Trace:
    usual_hz, level, noise, step = LEVELS[name]
    rate_hz = rate_hz or usual_hz
    time_ns = (np.arange(int(60 * rate_hz)) * NS_PER_S / rate_hz).astype(np.int64)
    rng = np.random.default_rng(sorted(LEVELS).index(name))
    return Trace(time_ns, np.round((level + noise * rng.standard_normal(time_ns.size)) / step) * step)


def firing(silent: tuple[float, float] | None = None) -> IntArray:
    """100 pulses a second, 3000 rpm of four cylinders, from 2 s to 58 s, but for a silence."""
    at_s = np.arange(2.0, 58.0, 0.01)
    if silent:
        at_s = at_s[(at_s < silent[0]) | (at_s > silent[1])]
    return (at_s * NS_PER_S).astype(np.int64)


def car(rate_hz: float | None = None, silent: tuple[float, float] | None = None, **traces: Trace) -> Recording:
    every = {name: trace(name, rate_hz) for name in LEVELS} | traces
    return Recording("r01", 60 * NS_PER_S, every, {"tach_pulses": firing(silent)})


def between(old: Trace, from_s: float, to_s: float, change: Callable[[FloatArray], object]) -> Trace:
    value = old.value.copy()
    inside = (old.time_ns >= from_s * NS_PER_S) & (old.time_ns < to_s * NS_PER_S)
    value[inside] = change(value[inside])
    return replace(old, value=value)


def said(recording: Recording) -> list[tuple[str, str]]:
    return [(fault.channel, fault.kind) for fault in sensor_faults.find(recording, ENGINE)]


@pytest.mark.parametrize("rate_hz", [10, 20, 50, 100, 200])
def test_a_healthy_car_has_no_sensor_fault_at_any_rate(rate_hz: float) -> None:
    assert said(car(rate_hz)) == []


@pytest.mark.parametrize("name", sorted(LEVELS))
def test_empty_fields_while_the_engine_runs_are_an_open_sensor(name: str) -> None:
    broken = between(trace(name), 20, 30, lambda value: np.nan)
    assert said(car(**{name: broken})) == [(name, "open")]


@pytest.mark.parametrize(
    ("name", "level", "kind"),
    [
        ("fuel_pressure", -86.25, "open"),  # -12.5 % of 690 kPa: 0 V on the signal wire
        ("fuel_pressure", 776.25, "short"),  # 112.5 % of 690 kPa: 5 V on it
        ("coolant_temperature", -40.0, "open"),
        ("coolant_temperature", 160.0, "short"),
        ("throttle_position", -12.5, "open"),
        ("throttle_position", 112.5, "short"),
        ("battery_voltage", 0.0, "open"),
        ("ignition_feed_voltage", 0.0, "open"),
        ("sensor_supply_voltage", 3.6, "open"),
        ("air_fuel_ratio", 0.0, "open"),
    ],
)
def test_a_reading_off_the_scale_while_the_engine_runs_on_is_a_fault(name: str, level: float, kind: str) -> None:
    broken = between(trace(name), 20, 30, lambda value: level)
    assert said(car(**{name: broken})) == [(name, kind)]


def test_a_battery_that_falls_a_sample_before_the_coils_feed_does_not_lie() -> None:
    """At 50 Hz the feed, behind its own filter, is three volts behind on the slope, and with the battery after it."""
    battery, feed = trace("battery_voltage", 50), trace("ignition_feed_voltage", 50)
    for at in range(20, 40, 2):
        battery = between(battery, at - 0.01, at + 0.01, lambda value: 5.5)
        battery = between(battery, at + 0.01, at + 0.19, lambda value: 2.8)
        feed = between(between(feed, at - 0.01, at + 0.01, lambda value: 8.5), at + 0.01, at + 0.19, lambda value: 2.4)
    tach = firing()
    tach = tach[~((tach > 20e9) & (tach < 40e9) & (tach % (2 * NS_PER_S) < 0.19e9) & (tach % (2 * NS_PER_S) > 0.03e9))]
    sagging = replace(car(battery_voltage=battery, ignition_feed_voltage=feed), pulses={"tach_pulses": tach})
    assert said(sagging) == []


def test_a_rail_that_boost_lifts_far_and_evenly_is_no_short() -> None:
    """Half as much again as usual and more, with little ripple; but it takes its time to get there, as boost does."""
    time_s = trace("fuel_pressure").time_ns / NS_PER_S
    lift = np.interp(time_s, [20.0, 20.4, 23.0, 23.4], [0.0, 1.0, 1.0, 0.0])
    quiet = between(trace("fuel_pressure"), 20.4, 23, lambda value: np.full_like(value, value.mean()))
    boosted = Trace(quiet.time_ns, quiet.value + 220.0 * lift + 0.05 * np.sin(40.0 * time_s))
    assert said(car(fuel_pressure=boosted)) == []


@pytest.mark.parametrize("name", sorted(set(LEVELS) - {"sensor_supply_voltage"}))
def test_a_lively_signal_that_freezes_is_stuck(name: str) -> None:
    broken = between(trace(name), 20, 35, lambda value: value[0])
    assert said(car(**{name: broken})) == [(name, "stuck")]


def test_the_bounds_of_a_fault_are_good_to_a_sample() -> None:
    broken = between(trace("fuel_pressure"), 20, 30, lambda value: -86.0)
    (fault,) = sensor_faults.find(car(fuel_pressure=broken), ENGINE)
    assert (fault.recording, fault.from_s, fault.to_s) == ("r01", 20.0, 30.0)


def test_a_contact_that_comes_and_goes_is_one_intermittent_fault() -> None:
    broken = trace("fuel_pressure")
    for start in np.arange(20.0, 26.0, 0.4):
        broken = between(broken, start, start + 0.1, lambda value: -86.0)
    assert said(car(fuel_pressure=broken)) == [("fuel_pressure", "intermittent")]


def test_a_sensor_that_fails_before_the_engine_starts_is_still_found() -> None:
    broken = between(trace("coolant_temperature"), 0, 60, lambda value: -40.0)
    assert said(car(coolant_temperature=broken)) == [("coolant_temperature", "open")]


def test_a_flickering_thermistor_that_is_open_in_its_first_sample_is_still_called_open() -> None:
    broken = trace("coolant_temperature")
    for start in np.arange(0.0, 60.0, 2.0):
        broken = between(broken, start, start + 0.6, lambda value: -40.0)
    (fault,) = sensor_faults.find(car(coolant_temperature=broken), ENGINE)
    assert fault.kind == "intermittent"


def test_one_axis_of_the_accelerometer_frozen_is_enough() -> None:
    time_ns = (np.arange(60 * 200) * NS_PER_S / 200).astype(np.int64)
    value = np.round(np.random.default_rng(7).standard_normal((time_ns.size, 3)), 2)
    assert said(car(acceleration=Trace(time_ns, value))) == []
    value[4000:6000, 1] = 0.37
    assert said(car(acceleration=Trace(time_ns, value))) == [("acceleration", "stuck")]


def test_a_box_in_the_air_weighs_nothing_but_the_engine_shakes_it() -> None:
    """Three jumps of 0.35 s, in which an engine at 80 turns a second shakes it by a tenth of a g."""
    time_ns = (np.arange(60 * 200) * NS_PER_S / 200).astype(np.int64)
    value = np.random.default_rng(7).normal((0, 0, 1), 0.3, (time_ns.size, 3))
    shaken = 0.1 * np.sin(2.0 * np.pi * 80.0 * time_ns / NS_PER_S)
    for at in (3000, 5000, 7000):
        value[at : at + 70] = np.outer(shaken[at : at + 70], (0.5, 0.5, 1.0))
    assert said(car(acceleration=Trace(time_ns, value))) == []


def test_an_accelerometer_that_feels_neither_gravity_nor_shaking_is_dead() -> None:
    time_ns = (np.arange(60 * 200) * NS_PER_S / 200).astype(np.int64)
    value = np.random.default_rng(7).normal((0, 0, 1), 0.3, (time_ns.size, 3))
    assert said(car(acceleration=Trace(time_ns, value))) == []
    value[4000:6000] = np.random.default_rng(8).normal(0, 0.004, (2000, 3))
    assert said(car(acceleration=Trace(time_ns, value))) == [("acceleration", "open")]


def test_a_lambda_probe_that_says_lean_while_the_engine_pulls_is_lying() -> None:
    lean = between(trace("air_fuel_ratio"), 20, 30, lambda value: 22.4)
    slow = np.arange(2.0, 20.0, 0.035)
    pull = 20.0 + np.cumsum(1 / np.linspace(1 / 0.035, 1 / 0.006, 900))
    at_s = np.concatenate([slow, pull, np.arange(pull[-1] + 0.006, 58.0, 0.01)])
    pulling = replace(car(air_fuel_ratio=lean), pulses={"tach_pulses": (at_s * NS_PER_S).astype(np.int64)})
    assert said(pulling) == [("air_fuel_ratio", "short")]


def test_a_lambda_probe_that_jumps_there_and_back_between_samples_is_lying() -> None:
    broken = between(trace("air_fuel_ratio"), 20, 24, lambda value: value - 3.5)
    assert said(car(air_fuel_ratio=broken)) == [("air_fuel_ratio", "open")]


def test_a_frozen_coil_feed_does_not_turn_a_real_collapse_into_a_fault_of_the_battery_tap() -> None:
    battery = between(trace("battery_voltage"), 40, 40.4, lambda value: value - 10.4)
    feed = between(trace("ignition_feed_voltage"), 20, 55, lambda value: value[0])
    recording = car(silent=(40.0, 40.4), battery_voltage=battery, ignition_feed_voltage=feed)
    assert said(recording) == [("ignition_feed_voltage", "stuck")]


@pytest.mark.parametrize(("seconds", "expected"), [(3.0, []), (15.0, [("pump_feed_voltage", "open")])])
def test_a_pump_without_volts_is_a_lie_only_once_no_engine_would_still_run(
    seconds: float, expected: list[tuple[str, str]]
) -> None:
    pump = between(trace("ignition_feed_voltage"), 20, 20 + seconds, lambda value: 0.0)
    assert said(car(pump_feed_voltage=pump)) == expected


def test_a_coil_feed_that_opens_with_the_pulses_is_the_car_not_the_tap() -> None:
    dead = between(trace("ignition_feed_voltage"), 20, 20.3, lambda value: 0.0)
    assert said(car(silent=(20.0, 20.3), ignition_feed_voltage=dead)) == []


def test_a_supply_that_collapses_for_real_blames_no_sensor() -> None:
    battery = between(trace("battery_voltage"), 20, 20.3, lambda value: 3.5)
    feed = between(trace("ignition_feed_voltage"), 20, 20.3, lambda value: 3.1)
    supply = between(trace("sensor_supply_voltage"), 20, 20.35, lambda value: 1.9)
    pressure = between(trace("fuel_pressure"), 20, 20.35, lambda value: -38.0)
    recording = car(
        silent=(20.0, 20.3),
        battery_voltage=battery,
        ignition_feed_voltage=feed,
        sensor_supply_voltage=supply,
        fuel_pressure=pressure,
    )
    assert said(recording) == []


def test_sensors_that_move_with_a_sagging_five_volts_are_charged_to_the_five_volts() -> None:
    supply = between(trace("sensor_supply_voltage"), 20, 25, lambda value: 2.0)
    pressure = between(trace("fuel_pressure"), 20, 25, lambda value: -60.0)
    throttle = between(trace("throttle_position"), 20, 25, lambda value: -12.0)
    recording = car(sensor_supply_voltage=supply, fuel_pressure=pressure, throttle_position=throttle)
    assert said(recording) == [("sensor_supply_voltage", "open")]


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ((), []),
        (("ignition_feed_voltage",), [("sensor_supply_voltage", "open")]),
        (("battery_voltage",), [("sensor_supply_voltage", "open")]),
    ],
)
def test_a_sagging_five_volts_is_blamed_only_where_a_voltage_that_stayed_up_was_seen(
    seen: tuple[str, ...], expected: list[tuple[str, str]]
) -> None:
    supply = between(trace("sensor_supply_voltage"), 20, 25, lambda value: value - 1.0)
    traces = {name: trace(name) for name in seen} | {"sensor_supply_voltage": supply}
    assert said(replace(car(), traces=traces)) == expected


@pytest.mark.parametrize("fall_s", [0.15, 0.5, 2.0])
def test_a_rail_that_empties_through_the_injectors_is_no_sensor_fault(fall_s: float) -> None:
    old = trace("fuel_pressure")
    left = np.clip(1 - (old.time_ns / NS_PER_S - 20) / fall_s, 0, 1)
    pressure = replace(old, value=np.where(old.time_ns < 22 * NS_PER_S, old.value * left, old.value))
    assert said(car(fuel_pressure=pressure)) == []


def test_a_carburettor_fed_at_thirty_kilopascals_may_lose_all_of_it_between_two_samples() -> None:
    old = trace("fuel_pressure")
    pressure = between(replace(old, value=30 + 0.2 * (old.value - 220)), 20, 30, lambda value: value - 30)
    assert said(car(fuel_pressure=pressure)) == []


def test_a_rail_that_loses_all_pressure_between_two_samples_is_a_sensor_fault() -> None:
    broken = between(trace("fuel_pressure"), 20, 25, lambda value: value - 220.0)
    assert said(car(fuel_pressure=broken)) == [("fuel_pressure", "open")]


def test_coolant_cannot_jump_but_may_warm_quickly() -> None:
    old = trace("coolant_temperature")
    warming = replace(old, value=old.value - 60 + 1.0 * old.time_ns / NS_PER_S)
    assert said(car(coolant_temperature=warming)) == []
    jumped = between(old, 20, 30, lambda value: value + 25)
    assert said(car(coolant_temperature=jumped)) == [("coolant_temperature", "short")]


def test_a_coarse_signal_may_rest_on_one_code() -> None:
    steady = np.round(trace("battery_voltage").value, 1)
    assert said(car(battery_voltage=replace(trace("battery_voltage"), value=steady))) == []


def test_a_throttle_held_on_its_stop_and_a_lambda_probe_at_the_end_of_its_scale_are_not_stuck() -> None:
    closed = between(trace("throttle_position"), 20, 30, lambda value: 0.0)
    old = trace("air_fuel_ratio")
    since_s = np.clip(old.time_ns / NS_PER_S - 20, 0, None)
    there = np.where(since_s < 4, 1 - np.exp(-since_s / 0.1), np.exp(-(since_s - 4) / 0.1))
    overrun = replace(old, value=np.minimum(old.value + 10 * there, 21.0))
    assert said(car(throttle_position=closed, air_fuel_ratio=overrun)) == []


def test_a_cold_lambda_probe_gives_nothing_and_that_is_no_fault() -> None:
    cold = between(trace("air_fuel_ratio"), 0, 30, lambda value: np.nan)
    assert said(car(air_fuel_ratio=cold)) == []


def test_nothing_is_judged_while_the_engine_stands() -> None:
    asleep = between(trace("fuel_pressure"), 0, 1.9, lambda value: -86.0)
    asleep = between(asleep, 58, 60, lambda value: -86.0)
    assert said(car(fuel_pressure=asleep)) == []
    assert sensor_faults.find(Recording("r01", 0), ENGINE) == []


def test_what_loses_its_supply_with_the_key_is_no_fault() -> None:
    dying = between(trace("fuel_pressure"), 57.5, 60, lambda value: -86.0)
    assert said(car(fuel_pressure=dying)) == []


def test_where_the_engine_ran_can_be_told_to_it() -> None:
    broken = car(fuel_pressure=between(trace("fuel_pressure"), 20, 30, lambda value: -86.0))
    assert sensor_faults.find(broken, ENGINE, running=[(40.0, 50.0)]) == []
    assert len(sensor_faults.find(broken, ENGINE, running=[(4.0, 50.0)])) == 1


def test_masking_blanks_the_lie_and_the_samples_at_its_edges_alone() -> None:
    broken = between(trace("fuel_pressure"), 20, 30, lambda value: -86.0)
    left = sensor_faults.mask(broken, sensor_faults.find(car(fuel_pressure=broken), ENGINE))
    absent = np.flatnonzero(np.isnan(left.value))
    assert (absent[0], absent[-1], absent.size) == (1999, 3001, 1003)
    assert not np.isnan(broken.value).any()


def test_absent_rows_are_a_gap_of_all_channels_when_the_pulses_are_absent_too() -> None:
    def without(old: Trace) -> Trace:
        keep = (old.time_ns < 30 * NS_PER_S) | (old.time_ns > 31 * NS_PER_S)
        return Trace(old.time_ns[keep], old.value[keep])

    whole = car(silent=(30.0, 31.0))
    recording = replace(whole, traces={name: without(old) for name, old in whole.traces.items()})
    (gap,) = [gap for gap in sensor_faults.gaps(recording) if gap["channel"] == "all"]
    assert gap["from_s"] == pytest.approx(30.0, abs=0.2)
    assert gap["to_s"] == pytest.approx(31.0, abs=0.2)
    assert said(recording) == []


def test_a_gap_is_one_of_all_channels_though_one_is_too_slow_to_show_it() -> None:
    def without(old: Trace) -> Trace:
        keep = (old.time_ns < 30 * NS_PER_S) | (old.time_ns > 32 * NS_PER_S)
        return Trace(old.time_ns[keep], old.value[keep])

    whole = car(silent=(30.0, 32.0))
    once_a_second = np.arange(0, 29, dtype=np.int64) * NS_PER_S
    traces = {name: without(old) for name, old in whole.traces.items()}
    traces["under_bonnet_temperature"] = without(Trace(once_a_second * 2, np.linspace(20.0, 60.0, 29)))
    (gap,) = [gap for gap in sensor_faults.gaps(replace(whole, traces=traces)) if gap["channel"] == "all"]
    assert (gap["from_s"], gap["to_s"]) == (pytest.approx(30.0, abs=0.2), pytest.approx(32.0, abs=0.2))


def test_rows_absent_from_one_channel_are_its_own_gap_and_no_sensor_fault() -> None:
    old = trace("fuel_pressure")
    keep = (old.time_ns < 30 * NS_PER_S) | (old.time_ns >= 31 * NS_PER_S)
    recording = car(fuel_pressure=Trace(old.time_ns[keep], old.value[keep]))
    assert sensor_faults.gaps(recording) == [{"channel": "fuel_pressure", "from_s": 29.99, "to_s": 31.0}]
    assert said(recording) == []


def test_a_gap_that_the_recorder_noted_keeps_its_reason_and_is_not_listed_twice() -> None:
    old = trace("fuel_pressure")
    keep = (old.time_ns < 30 * NS_PER_S) | (old.time_ns >= 31 * NS_PER_S)
    noted = Gap("fuel_pressure", 30 * NS_PER_S, 31 * NS_PER_S, "chip did not answer")
    recording = replace(car(fuel_pressure=Trace(old.time_ns[keep], old.value[keep])), gaps=(noted,))
    assert [gap["why"] for gap in sensor_faults.gaps(recording)] == ["chip did not answer"]


def test_running_is_told_from_cranking_by_speed() -> None:
    cranking = np.arange(0.0, 3.0, 60 / (200 * 2))  # 200 rpm, two pulses a revolution
    running = np.arange(3.0, 9.0, 60 / (850 * 2))
    recording = Recording("r01", 9 * NS_PER_S, {}, {"tach_pulses": (np.r_[cranking, running] * 1e9).astype(np.int64)})
    ((start, stop),) = running_spans(recording, ENGINE) / NS_PER_S
    assert start == pytest.approx(3.0, abs=0.16)
    assert stop == pytest.approx(9.0, abs=0.04)


@pytest.mark.parametrize(
    ("mask", "expected"),
    [
        ("", []),
        ("0", []),
        ("1", [[0, 1]]),
        ("110", [[0, 2]]),
        ("0101", [[1, 2], [3, 4]]),
        ("0110011", [[1, 3], [5, 7]]),
    ],
)
def test_spans_of_a_mask(mask: str, expected: list[list[int]]) -> None:
    assert spans_of(np.array([bit == "1" for bit in mask], bool)).tolist() == expected


def test_merging_joins_neighbours_no_further_apart_than_told() -> None:
    spans = np.array([[0, 2], [3, 4], [7, 9]])
    assert merge(spans, 1).tolist() == [[0, 4], [7, 9]]
    assert merge(spans, 3).tolist() == [[0, 9]]


@st.composite
def odd_traces(draw: st.DrawFn) -> dict[str, Trace]:
    """Few samples, one, none; repeated times; all values absent: whatever a damaged file may hold, times sorted."""
    made = {}
    for name in draw(
        st.lists(st.sampled_from([*LEVELS, "acceleration", "pump_feed_voltage", "key_sense"]), max_size=4)
    ):
        at_ms = sorted(draw(st.lists(st.integers(0, 9_000), max_size=30)))
        shape = (len(at_ms), 3) if name == "acceleration" else (len(at_ms),)
        value = draw(arrays(np.float64, shape, elements=st.sampled_from([np.nan, 0.0, 4.9, 13.9, 220.0, -86.0, 800.0])))
        made[name] = Trace(np.array(at_ms, np.int64) * 1_000_000, value)
    return made


@given(odd_traces(), st.lists(st.integers(0, 9_000), max_size=40))
def test_whatever_a_recording_holds_it_is_judged_without_a_failure(traces: dict[str, Trace], at_ms: list[int]) -> None:
    pulses = np.sort(np.array(at_ms, np.int64)) * 1_000_000
    clamped = {"spark_pulses": pulses[::3], "crank_pulses": pulses[:1]}
    tach = {"tach_pulses": pulses} if len(at_ms) % 2 else {}
    recording = Recording("r01", 9 * NS_PER_S, traces, tach | clamped)
    for running in (None, [(0.0, 9.0)]):
        for fault in sensor_faults.find(recording, ENGINE, running):
            assert fault.from_s <= fault.to_s
            if fault.channel in traces:
                sensor_faults.mask(traces[fault.channel], [fault])
    for gap in sensor_faults.gaps(recording):
        assert 0 <= gap["from_s"] < gap["to_s"] <= 9


def with_sparks(at_s: FloatArray, silent: tuple[float, float]) -> Recording:
    kept_s = at_s[(at_s < silent[0]) | (at_s > silent[1])]
    pulses = {"tach_pulses": at_s, "spark_pulses": kept_s}
    return replace(car(), pulses={name: (value * NS_PER_S).astype(np.int64) for name, value in pulses.items()})


def test_a_spark_clamp_silent_while_the_engine_holds_its_speed_has_slipped_off() -> None:
    at_s = np.arange(2.0, 58.0, 0.01)
    assert said(with_sparks(at_s, (20.0, 30.0))) == [("spark_pulses", "open")]
    assert said(with_sparks(at_s, (20.0, 20.5))) == []


def test_sparks_truly_missing_while_the_car_rolls_out_are_no_fault_of_the_clamp() -> None:
    falling = 20.0 + np.cumsum(np.linspace(0.01, 0.03, 300))  # 3000 to 1000 rpm in six seconds
    at_s = np.concatenate([np.arange(2.0, 20.0, 0.01), falling, np.arange(falling[-1] + 0.03, 58.0, 0.03)])
    assert said(with_sparks(at_s, (20.0, 26.0))) == []


def test_eight_hours_of_five_channels_are_judged_in_seven_tenths_of_a_second() -> None:
    n = 8 * 3600 * 100
    time_ns = np.arange(n, dtype=np.int64) * (NS_PER_S // 100)
    noise = np.random.default_rng(3).standard_normal(n)
    names = ("battery_voltage", "ignition_feed_voltage", "sensor_supply_voltage", "fuel_pressure", "throttle_position")
    traces = {name: Trace(time_ns, np.round(LEVELS[name][1] + LEVELS[name][2] * noise, 3)) for name in names}
    recording = Recording("r01", int(time_ns[-1]), traces, {"tach_pulses": np.arange(0, int(time_ns[-1]), 6_666_667)})
    taken_s = []
    for _ in range(3):
        started = time.process_time()
        assert sensor_faults.find(recording, ENGINE) == []
        taken_s.append(time.process_time() - started)
    assert min(taken_s) < 0.7


@pytest.mark.parametrize(("gains_per_s", "lies"), [(0.15, True), (0.03, False), (-0.15, False)])
def test_a_dead_feed_behind_which_a_crank_gains_speed_lies_and_is_believed_where_it_loses_speed(
    gains_per_s: float, lies: bool
) -> None:
    """With the tach wire on the crank pulses prove nothing; a car in gear turns a dead engine, but ever slower."""
    at_s = np.arange(2.0, 58.0, 0.001)
    speed = 50.0 * np.exp(gains_per_s * np.clip(at_s - 20.0, 0.0, 0.6))
    turns = 2.0 * np.cumsum(speed) * 0.001
    tach = np.interp(np.arange(1.0, turns[-1]), turns, at_s)
    dead = between(trace("ignition_feed_voltage"), 20, 20.6, lambda value: 0.0)
    pulses = {"tach_pulses": np.rint(tach * NS_PER_S).astype(np.int64)}
    recording = replace(car(ignition_feed_voltage=dead), pulses=pulses)
    found = sensor_faults.find(recording, replace(ENGINE, tach_source="crank"))
    assert [(fault.channel, fault.kind) for fault in found] == ([("ignition_feed_voltage", "open")] if lies else [])


def test_a_dead_feed_behind_which_a_crank_holds_its_speed_for_over_a_second_lies() -> None:
    crank = replace(ENGINE, tach_source="crank")
    for lasts_s, faults in ((0.9, []), (1.5, ["ignition_feed_voltage"])):
        dead = between(trace("ignition_feed_voltage"), 20, 20 + lasts_s, lambda value: 0.0)
        found = sensor_faults.find(car(ignition_feed_voltage=dead), crank)
        assert [fault.channel for fault in found] == faults


@pytest.mark.parametrize(("driven_s", "lies"), [(0.8, True), (0.4, False)])
def test_a_feed_that_comes_and_goes_lies_where_the_crank_gains_speed_for_long_behind_a_part_of_it(
    driven_s: float, lies: bool
) -> None:
    """A driver who brakes meanwhile slows the crank, whatever the feed; in half a second a drive shaft may swing."""
    at_s = np.arange(2.0, 58.0, 0.001)
    rate = np.where((at_s > 20.0) & (at_s < 21.0), -0.3, np.where((at_s > 21.5) & (at_s < 21.5 + driven_s), 0.12, 0.0))
    turns = 2.0 * np.cumsum(50.0 * np.exp(np.cumsum(rate) * 0.001)) * 0.001
    pulses = {"tach_pulses": np.rint(np.interp(np.arange(1.0, turns[-1]), turns, at_s) * NS_PER_S).astype(np.int64)}
    dead = trace("ignition_feed_voltage")
    for from_s, to_s in ((20.0, 21.0), (21.5, 21.5 + driven_s)):
        dead = between(dead, from_s, to_s, lambda value: 0.0)
    recording = replace(car(ignition_feed_voltage=dead), pulses=pulses)
    found = sensor_faults.find(recording, replace(ENGINE, tach_source="crank"))
    assert [fault.channel for fault in found] == (["ignition_feed_voltage"] if lies else [])
