"""Rail pressure that falls: which fall starves an engine, and how long a float bowl lasts."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.channels import bands
from logger.analysis.channels.bands import PressureBand
from logger.analysis.signs import rail
from logger.analysis.signs.sign import Sign
from logger.event import Engine
from tests.analysis.small_car import FOUR, drawn, seen, turned

INJECTED = PressureBand(floor=180.0, closed=200.0, full=300.0, noise=1.0)
BOWL = PressureBand(floor=20.0, closed=30.0, full=30.0, noise=0.3)


def found(
    band: PressureBand, *, rpm: float, throttle: float, gone: tuple[float, float], engine: Engine = FOUR
) -> list[Sign]:
    """A steady speed and throttle for half a minute, the rail at its closed-throttle level and at nothing in `gone`."""
    begin, end = gone
    level = ((0, band.closed), (begin, band.closed), (begin + 0.05, 0.0), (end, 0.0), (end + 0.05, band.closed))
    traces = {
        "throttle_position": drawn(30.0, (0, throttle), (30, throttle)),
        "fuel_pressure": drawn(30.0, *level, rate_hz=200.0),
    }
    return rail.signs(seen(turned((0.0, rpm), (30.0, rpm), engine=engine), 30.0, traces, engine), band)


def test_a_rail_that_is_empty_behind_a_shut_throttle_only_starves_nobody() -> None:
    (sign,) = found(INJECTED, rpm=3000, throttle=1.0, gone=(10.0, 11.0))
    assert sign.strength == 0.0


def test_a_rail_that_was_empty_before_the_engine_started_starves_it_once_it_has_run_for_a_while() -> None:
    level = ((0, 0.0), (20.0, 0.0), (20.05, 200.0))
    traces = {
        "throttle_position": drawn(30.0, (0, 60.0), (30, 60.0)),
        "fuel_pressure": drawn(30.0, *level, rate_hz=200.0),
    }
    started = turned((0.0, 0.0), (4.0, 0.0), (4.1, 900.0), (6.0, 900.0), (8.0, 3000.0), (30.0, 3000.0))
    (sign,) = rail.signs(seen(started, 30.0, traces), INJECTED)
    assert 5.0 < sign.from_ns / 1e9 < 7.0
    assert sign.strength > 1.0
    filled = dict(traces, fuel_pressure=drawn(30.0, (0, 0.0), (6.2, 0.0), (6.25, 200.0), rate_hz=200.0))
    assert rail.signs(seen(started, 30.0, filled), INJECTED) == []


@pytest.mark.parametrize(("rpm", "throttle"), [(3000, 4.0), (900, 1.0)])
def test_a_trailing_throttle_and_an_idle_burn_fuel_and_starve(rpm: float, throttle: float) -> None:
    """All 200 kPa of a closed throttle's level are gone, of 300 at full load: 0.67 where 0.27 is too much."""
    (sign,) = found(INJECTED, rpm=rpm, throttle=throttle, gone=(10.0, 11.0))
    assert sign.strength == pytest.approx(200 / 300 / 0.27, rel=0.01)


@pytest.mark.parametrize(("rpm_at_the_end", "starves"), [(3000.0, True), (3600.0, True), (1800.0, False)])
def test_without_a_throttle_a_crank_that_slowed_before_the_rail_fell_and_on_through_it_was_on_the_overrun(
    rpm_at_the_end: float, starves: bool
) -> None:
    level = ((0, 200.0), (10.0, 200.0), (10.05, 0.0), (11.0, 0.0), (11.05, 200.0))
    tach = turned((0.0, 3000.0), (9.0, 3000.0), (12.0, rpm_at_the_end), (30.0, rpm_at_the_end))
    (sign,) = rail.signs(seen(tach, 30.0, {"fuel_pressure": drawn(30.0, *level, rate_hz=200.0)}), INJECTED)
    assert (sign.strength > 1.0) is starves
    # One that only slows once the rail is low has lost its push.
    tach = turned((0.0, 3000.0), (10.0, 3000.0), (11.0, 2000.0), (30.0, 2000.0))
    (sign,) = rail.signs(seen(tach, 30.0, {"fuel_pressure": drawn(30.0, *level, rate_hz=200.0)}), INJECTED)
    assert sign.strength > 1.0


@pytest.mark.parametrize("rate_hz", [20.0, 100.0, 500.0])
def test_a_fall_is_dated_from_the_level_right_before_it_however_often_it_was_sampled(rate_hz: float) -> None:
    """The throttle closed, and the rail with it, a quarter of a second before the pump failed: no part of the fall."""
    level = ((0, 300), (9.3, 300), (9.75, 230), (10.0, 230), (10.2, 50), (11.0, 50), (11.2, 230))
    trace = drawn(30.0, *level, rate_hz=rate_hz)
    crossed = int(trace.time_ns[np.flatnonzero(trace.value < INJECTED.floor)[0]])
    left_ns, before = bands.fall(trace, crossed, INJECTED)
    assert before == pytest.approx(230.0, abs=1.0)
    assert left_ns / 1e9 == pytest.approx(10.0 + 0.2 * 0.07 * 230.0 / 180.0, abs=0.002)


CARBURETTOR = replace(FOUR, fuel_system="carburettor")


def test_a_float_bowl_lasts_six_seconds_of_hard_pulling_and_longer_the_less_the_engine_burns() -> None:
    """Three quarters of 6,500 rev/min at full load is 1; idle 0.15 of the torque at 900 of 4,875 rev/min."""
    (pulling,) = found(BOWL, rpm=4875, throttle=100.0, gone=(10.0, 19.0), engine=CARBURETTOR)
    (idling,) = found(BOWL, rpm=900, throttle=0.0, gone=(10.0, 19.0), engine=CARBURETTOR)
    assert pulling.strength == pytest.approx(9.0 / 6.0, rel=0.02)
    assert idling.strength == pytest.approx(0.15 * 900 / 4875 * 9.0 / 6.0, rel=0.05)


def test_a_float_bowl_feeds_the_engine_until_a_second_before_it_is_dry() -> None:
    (pulling,) = found(BOWL, rpm=4875, throttle=100.0, gone=(10.0, 19.0), engine=CARBURETTOR)
    (idling,) = found(BOWL, rpm=900, throttle=0.0, gone=(10.0, 19.0), engine=CARBURETTOR)
    assert pulling.engine_ns is not None
    assert pulling.engine_ns / 1e9 == pytest.approx(15.0, abs=0.1)
    assert idling.engine_ns is None
