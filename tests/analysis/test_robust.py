"""What cars do and no fault is: each drive here is healthy unless a test breaks it, and stays quiet."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.findings import Findings
from logger.analysis.prepared import completed
from logger.event import NS_PER_S, Event, FloatArray, Recording, Trace
from tests.analysis.array_car import END_S, NATURAL, Drive, injection_rail, nanoseconds


def assert_quiet(found: Findings) -> None:
    assert [(s.onset_s, s.cause, s.effect) for s in found.stumbles] == []
    assert found.main_cause is None
    assert found.sensor_faults == []
    assert found.failed_starts == []


def test_the_healthy_drive_is_quiet() -> None:
    assert_quiet(Drive().findings())


def test_a_coil_feed_that_opens_for_a_fifth_of_a_second_is_found_in_that_drive() -> None:
    found = Drive(silent=[(21.0, 21.2)]).findings()
    assert [s.cause for s in found.stumbles] == ["ignition_primary"]
    assert found.stumbles[0].onset_s == pytest.approx(21.0, abs=0.02)


LIMITED_S = (16.4, 17.9)


def limited() -> Drive:
    """Held against the limiter at 6500 rpm for a second and a half, the speed bouncing nine times a second."""
    drive = Drive()
    held = (drive.time > LIMITED_S[0]) & (drive.time < LIMITED_S[1])
    bouncing = 6480 + 60 * np.sin(2 * np.pi * 9 * drive.time)
    drive.rpm = np.convolve(np.where(held, bouncing, drive.rpm), np.ones(40) / 40, "same")
    drive.throttle = np.where(held, 100.0, drive.throttle)
    return drive


def test_a_limiter_that_cuts_the_fuel_is_no_stumble() -> None:
    assert_quiet(limited().findings())


def test_a_limiter_that_cuts_the_spark_is_neither_stumble_nor_tach_fault() -> None:
    drive = limited()
    whole = drive.recording()
    at_s = whole.pulses["tach_pulses"] / NS_PER_S
    for start in np.arange(LIMITED_S[0] + 0.05, LIMITED_S[1] - 0.05, 1 / 9):
        at_s = at_s[(at_s < start) | (at_s >= start + 0.03)]
    cut = replace(whole, pulses={"tach_pulses": nanoseconds(at_s)})
    assert_quiet(analyse(Event("limiter", drive.engine, (cut,))))


@pytest.mark.parametrize("channel", ["battery_voltage", "ignition_feed_voltage", "fuel_pressure"])
@pytest.mark.parametrize("rate_hz", [100, 25])
def test_single_samples_that_a_spark_falsified_are_no_stumbles(channel: str, rate_hz: int) -> None:
    whole = Drive().recording()
    trace = whole.traces[channel]
    step = 100 // rate_hz
    time_ns, value = trace.time_ns[::step], trace.value[::step].copy()
    value[np.searchsorted(time_ns, np.array([20.0, 24.5, 45.0, 51.3]) * NS_PER_S)] *= 0.35
    noisy = replace(whole, traces={**whole.traces, channel: Trace(time_ns, value)})
    assert analyse(Event("noise", NATURAL, (noisy,))).stumbles == []


@pytest.mark.parametrize("cylinders", [4, 6])
def test_a_wasted_spark_tach_of_one_coil_is_quiet(cylinders: int) -> None:
    engine = replace(NATURAL, cylinders=cylinders, tach_pulses_per_revolution=1.0)
    assert_quiet(Drive(engine=engine).findings())


def test_a_wasted_spark_tach_still_shows_a_lost_feed() -> None:
    engine = replace(NATURAL, tach_pulses_per_revolution=1.0)
    found = Drive(engine=engine, silent=[(21.0, 21.3)]).findings()
    assert [s.cause for s in found.stumbles] == ["ignition_primary"]


@pytest.mark.parametrize(("told", "true"), [(2.0, 1.0), (1.0, 2.0)])
def test_pulses_per_revolution_that_do_not_fit_idle_and_redline_are_said(told: float, true: float) -> None:
    engine = replace(NATURAL, tach_pulses_per_revolution=told)
    found = Drive(engine=engine, pulses_per_revolution=true).findings()
    assert found.stumbles == []
    assert any("pulses per revolution" in sentence for sentence in found.not_judged)


@pytest.mark.parametrize(("kpa", "fuel_system"), [(20.0, "carburettor"), (40.0, "carburettor"), (70.0, None)])
def test_a_rail_tells_a_float_bowl_from_an_injector_before_the_throttle(kpa: float, fuel_system: str | None) -> None:
    engine = replace(NATURAL, fuel_system=None)
    rail = Trace(np.arange(0, NS_PER_S, NS_PER_S // 100), np.full(100, kpa))
    assert completed(engine, [Recording("r01", NS_PER_S, {"fuel_pressure": rail})]).fuel_system == fuel_system
    assert completed(engine, [Recording("r01", NS_PER_S)]).fuel_system is None


def test_a_carburettor_at_thirty_kilopascals_is_quiet() -> None:
    def rail(drive: Drive, time: FloatArray, key: FloatArray) -> FloatArray:
        ticking = 3.0 * np.sin(2 * np.pi * 11 * time)
        return 30 * np.clip((time - 0.8) / 2, 0, 1) + ticking + np.random.default_rng(1).standard_normal(time.size)

    assert_quiet(Drive(engine=replace(NATURAL, fuel_system="carburettor"), rail=rail).findings())


def test_a_turbocharged_engine_whose_rail_follows_the_boost_is_quiet() -> None:
    def rail(drive: Drive, time: FloatArray, key: FloatArray) -> FloatArray:
        rpm = np.interp(time, drive.time, drive.rpm)
        boost = np.clip(drive.load(time) - 0.6, 0, 1) * np.clip((rpm - 2500) / 1500, 0, 1) * 2.5
        lagged = np.convolve(boost, np.ones(50) / 50)[: boost.size]
        return injection_rail(drive, time, key) + 120 * lagged

    assert_quiet(Drive(rail=rail).findings())


def shaken(*, askew_deg: float = 0.0, knocks_s: tuple[float, ...] = ()) -> Trace:
    random = np.random.default_rng(14)
    time = np.arange(0.0, END_S, 0.0025)
    value = random.normal((0, 0, 1), 0.15, (time.size, 3))
    for at in knocks_s:
        after = np.clip(time - at, 0, None)
        ring = 9 * np.exp(-after / 0.02) * np.cos(2 * np.pi * 60 * after) * (time >= at)
        value += ring[:, None] * np.array([1.0, 0.3, 0.6])
    a = np.radians(askew_deg)
    turn = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    return Trace(nanoseconds(time), np.clip(value @ turn.T, -16, 16))


def test_backfires_on_the_overrun_knock_the_accelerometer_and_are_no_stumble() -> None:
    knocks = (22.7, 23.1, 23.4, 26.6, 46.8, 47.2)
    assert_quiet(Drive(changes={"acceleration": shaken(knocks_s=knocks)}).findings())


def test_an_accelerometer_mounted_askew_changes_nothing() -> None:
    assert_quiet(Drive(changes={"acceleration": shaken(askew_deg=35)}).findings())


# ISO 16750-2, starting profile, 12 V, levels I and III (III from memory): least V, V while cranking, recovery in s.
@pytest.mark.parametrize(("least", "plateau", "recovery_s"), [(8.0, 9.5, 0.04), (3.0, 5.0, 0.1)])
def test_the_starting_profile_of_the_supply_standard_is_no_stumble(
    least: float, plateau: float, recovery_s: float
) -> None:
    drive = Drive()
    whole = drive.recording()
    time = whole.traces["battery_voltage"].time_ns / NS_PER_S
    bends = np.array([2.0, 2.005, 2.020, 2.070, 3.36, 3.36 + recovery_s])
    profile_v = np.interp(time, bends, [12.5, least, least, plateau, plateau, 12.5])
    profile_v += np.sin(2 * np.pi * 2 * time) * ((time > 2.07) & (time < 3.36))
    inside = (time > 1.99) & (time < 3.36 + recovery_s)
    traces = dict(whole.traces)
    for name, drop in (("battery_voltage", 0.0), ("ignition_feed_voltage", 0.4)):
        value = traces[name].value.copy()
        value[inside] = profile_v[inside] - drop
        traces[name] = replace(traces[name], value=value)
    supply = traces["sensor_supply_voltage"].value.copy()
    supply[inside] = np.minimum(4.99, profile_v[inside] - 0.8)
    traces["sensor_supply_voltage"] = replace(traces["sensor_supply_voltage"], value=supply)
    assert_quiet(analyse(Event("cranking", drive.engine, (replace(whole, traces=traces),))))


@pytest.mark.parametrize(("cylinders", "strokes"), [(1, 4), (2, 4), (3, 4), (5, 4), (6, 4), (8, 4), (2, 2), (3, 2)])
def test_healthy_engines_of_every_number_of_cylinders_are_quiet(cylinders: int, strokes: int) -> None:
    assert_quiet(Drive(engine=replace(NATURAL, cylinders=cylinders, strokes=strokes)).findings())


def test_without_any_sampled_channel_the_healthy_drive_is_quiet() -> None:
    bare = replace(Drive().recording(), traces={})
    assert_quiet(analyse(Event("bare", NATURAL, (bare,))))


def test_a_driver_who_stalls_it_in_gear_at_the_line_is_no_stumble() -> None:
    drive = Drive()
    bends = (11.0, 11.6, 12.0, 12.35, 12.9, 12.95, 13.5, 13.65, 13.9)
    stall = np.interp(drive.time, bends, (900, 1500, 1500, 0, 0, 210, 210, 1200, 900))
    inside = (drive.time > 11.0) & (drive.time < 13.9)
    drive.rpm = np.where(inside, stall, drive.rpm)
    drive.throttle = np.where(inside & (drive.time < 12.3), 15.0, drive.throttle)
    shaken = drive.recording().traces["acceleration"]
    dragged = (shaken.time_ns > 12.0 * NS_PER_S) & (shaken.time_ns < 12.35 * NS_PER_S)
    jerk = np.column_stack((np.where(dragged, 0.4, 0.0), np.zeros((dragged.size, 2))))
    drive.changes["acceleration"] = replace(shaken, value=shaken.value + jerk)
    found = drive.findings()
    assert found.stumbles == []
    assert found.main_cause is None
