"""Bands of voltages and of rail pressure."""

import numpy as np
import pytest

from logger.analysis.channels import bands
from logger.analysis.crank.states import State
from logger.event import FloatArray, Trace
from tests.analysis.small_car import drawn, seen, turned


def trace(value: FloatArray, rate_hz: float = 100.0) -> Trace:
    return Trace(np.rint(np.arange(value.size) / rate_hz * 1e9).astype(np.int64), value)


def noisy(level: FloatArray, spread: float, seed: int = 5) -> FloatArray:
    return level + spread * np.random.default_rng(seed).standard_normal(level.size)


def test_the_noise_is_read_beside_drift_and_dips() -> None:
    level = 13.9 - 0.0005 * np.arange(5000.0)
    level[2000:2100] -= 6.0
    assert bands.noise(noisy(level, 0.02)) == pytest.approx(0.02, rel=0.1)


def test_a_dip_has_its_bounds_and_depth() -> None:
    level = np.full(3000, 13.9)
    level[1500:1510] = 7.0
    (dip,) = bands.voltage_dips("battery_voltage", trace(noisy(level, 0.02)))
    assert (dip.last_good_ns, dip.from_ns, dip.to_ns) == (14_990_000_000, 15_000_000_000, 15_090_000_000)
    assert dip.depth == pytest.approx(6.9, abs=0.1)


def test_a_battery_that_fades_over_minutes_does_not_dip() -> None:
    assert bands.voltage_dips("battery_voltage", trace(noisy(np.linspace(13.9, 10.0, 12_000), 0.02))) == []


def test_a_voltage_that_is_absent_or_constant_does_not_dip() -> None:
    assert bands.voltage_dips("battery_voltage", trace(np.empty(0))) == []
    assert bands.voltage_dips("battery_voltage", trace(np.full(1000, 12.0))) == []


NONE = np.empty(0)


def test_the_floor_lies_under_what_manifold_vacuum_gives() -> None:
    closed = noisy(np.full(2000, 200.0), 2.0)
    band = bands.pressure_band(closed, np.concatenate((closed, noisy(np.full(2000, 260.0), 2.0))), 2.0, NONE)
    assert band is not None
    assert 160 < band.floor < 190
    assert band.full == pytest.approx(262, abs=4)


def test_a_starved_half_of_the_event_does_not_lower_the_floor() -> None:
    closed = noisy(np.full(1000, 200.0), 2.0)
    starved = noisy(np.full(1500, 90.0), 2.0)
    band = bands.pressure_band(np.concatenate((closed, starved[:300])), np.concatenate((closed, starved)), 2.0, NONE)
    assert band is not None
    assert band.floor > 150


@pytest.mark.parametrize(("idle", "closed_kpa"), [(250.0, 230.0), (205.0, 200.0)])
def test_a_rail_that_is_short_for_most_of_the_driving_is_told_by_its_idle(idle: float, closed_kpa: float) -> None:
    """At idle the manifold draws at most 20 kPa less than behind a throttle that is shut at speed."""
    driving = noisy(np.full(2000, 200.0), 2.0)
    band = bands.pressure_band(driving, np.concatenate((driving, driving + 100.0)), 2.0, noisy(np.full(500, idle), 2.0))
    assert band is not None
    assert band.closed == pytest.approx(closed_kpa, abs=1.0)


def test_an_engine_idles_by_its_speed_whatever_load_its_rail_shows() -> None:
    """10 s at 900 rev/min with 250 kPa, 50 s of driving with 200: the state hangs on a load read from that rail."""
    tach = turned((0.0, 900), (10.0, 900), (10.5, 4000), (60.0, 4000))
    rail = drawn(60.0, (0, 250), (10.0, 250), (10.5, 200), (60, 200))
    view = seen(tach, 60.0, {"fuel_pressure": rail})
    view.state[:] = State.PULLING
    view.state[view.firings.time_ns > 10.5e9] = State.OVERRUN
    band = bands.taught_pressure([view])
    assert band is not None
    assert band.closed == pytest.approx(230.0, abs=1.0)


def test_a_falling_rail_is_dated_where_it_left_the_level_before() -> None:
    # Level 250 kPa, at 1.00 s a fall of 2 kPa a millisecond: 7 % are gone after 8.75 ms.
    time = np.arange(300) / 100
    level = np.where(time < 1.0, 250.0, np.maximum(250.0 - 2000.0 * (time - 1.0), 70.0))
    band = bands.PressureBand(200.0, 250.0, 175.0, 1.0)
    left, before = bands.fall(trace(level), 1_040_000_000, band)
    assert left / 1e9 == pytest.approx(1.00875, abs=0.002)
    assert before == pytest.approx(250.0)


def test_the_mixture_no_longer_lights_below_forty_five_percent_of_the_level() -> None:
    time = np.arange(300) / 100
    level = np.where(time < 1.0, 250.0, np.maximum(250.0 - 2000.0 * (time - 1.0), 70.0))
    # 112.5 kPa is reached 68.75 ms after the fall began; the next sample is at 1.07 s.
    since = 1_070_000_000
    assert bands.misfires_at(trace(level), 1_000_000_000, 2_000_000_000, 250.0) == (since, 2_000_000_000)
    filling = np.where(time < 1.5, level, np.minimum(70.0 + 100.0 * (time - 1.5), 250.0))  # above it again from 1.925 s
    assert bands.misfires_at(trace(filling), 1_000_000_000, 2_500_000_000, 250.0) == (since, 1_920_000_000)
    assert bands.misfires_at(trace(np.full(300, 200.0)), 0, 2_000_000_000, 250.0) == (None, None)


@pytest.mark.parametrize(
    ("recorded", "at_10_s"),
    [
        ({"battery_voltage": 9.0, "ignition_feed_voltage": 13.4}, 9.0),
        ({"ignition_feed_voltage": 13.4}, 13.9),  # a sound feed lies half a volt below the battery
        ({"ignition_feed_voltage": 8.0}, None),  # a ballast resistor, or a battery that was flat all day
        ({}, None),
    ],
)
def test_a_coil_feed_stands_in_for_the_battery_where_it_ever_showed_a_sound_one(
    recorded: dict[str, float], at_10_s: float | None
) -> None:
    traces = {name: drawn(20.0, (0, level), (20, level)) for name, level in recorded.items()}
    supply = bands.supply(seen(turned((0.0, 3000), (20.0, 3000)), 20.0, traces))
    assert (None if supply is None else supply.value[1000]) == at_10_s


def test_a_coil_feed_that_sags_after_a_sound_morning_still_stands_in() -> None:
    feed = drawn(20.0, (0, 13.4), (5, 13.4), (6, 7.5), (20, 7.5))
    supply = bands.supply(seen(turned((0.0, 3000), (20.0, 3000)), 20.0, {"ignition_feed_voltage": feed}))
    assert supply is not None
    assert supply.value.min() == 8.0
