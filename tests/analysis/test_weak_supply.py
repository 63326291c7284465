"""Whether more firings were lost than a coil misses with the supply that it had."""

from dataclasses import replace

import pytest

from logger.analysis.failure import weak_supply
from logger.analysis.failure.causes import judge
from logger.analysis.failure.episodes import Episode
from logger.analysis.failure.order import order
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Engine
from tests.analysis.small_car import FOUR, drawn, seen, turned

LONG_S, BEGIN_NS = 20.0, 10 * NS_PER_S


def lean(lost: float, lasts_s: float = 0.15, at_ns: int = BEGIN_NS) -> Sign:
    return Sign("lean", "air_fuel_ratio", at_ns, at_ns + round(lasts_s * NS_PER_S), lost, lost)


def episode(volts: float, *signs: Sign, rpm: float = 4000.0, throttle: float = 100.0, engine: Engine = FOUR) -> Episode:
    """Signs at a steady speed; of four cylinders, 133 firings a second at 4,000 rev/min: 20 in 0.15 s."""
    traces = {
        "battery_voltage": drawn(LONG_S, (0, volts), (LONG_S, volts)),
        "fuel_pressure": drawn(LONG_S, (0, 300.0), (LONG_S, 300.0)),
        "throttle_position": drawn(LONG_S, (0, throttle), (LONG_S, throttle)),
    }
    return Episode(seen(turned((0.0, rpm), (LONG_S, rpm), engine=engine), LONG_S, traces, engine), signs)


def named(one: Episode) -> str:
    return judge(one, order(one)).cause


@pytest.mark.parametrize(
    ("volts", "lost", "cause"),
    [
        (9.5, 20.0, "ignition_secondary"),  # each of 20, of which the coil should miss one in 44
        (9.5, 1.5, "supply_voltage"),  # less than three times its share
        (7.3, 20.0, "supply_voltage"),  # where it should miss half of them anyway
        (10.6, 15.0, "ignition_secondary"),
    ],
)
def test_a_cut_is_the_batterys_only_where_it_is_low_enough_for_one(volts: float, lost: float, cause: str) -> None:
    assert named(episode(volts, lean(lost))) == cause


@pytest.mark.parametrize(("throttle", "cause"), [(100.0, "supply_voltage"), (5.0, "ignition_secondary")])
def test_behind_a_throttle_that_is_shut_a_coil_still_lights_with_eight_volts(throttle: float, cause: str) -> None:
    assert named(episode(8.0, lean(12.0), throttle=throttle)) == cause


@pytest.mark.parametrize(("cylinders", "cause"), [(4, "supply_voltage"), (8, "ignition_secondary")])
def test_a_few_misses_on_nine_volts_are_the_batterys_only_where_the_coil_has_no_more_time_than_at_the_redline(
    cylinders: int, cause: str
) -> None:
    """Eight cylinders of 6,500 rev/min leave it 2.6 ms at 4,000: there 9.5 V carry as much as 14 V would."""
    engine = replace(FOUR, cylinders=cylinders, tach_pulses_per_revolution=cylinders / 2.0)
    sudden = Sign("weak_torque", "tach_pulses", BEGIN_NS, BEGIN_NS + 100_000_000, 8.0, 20.0)
    assert named(episode(9.5, sudden, engine=engine)) == cause


def test_a_spark_that_strayed_was_made_whatever_the_battery_was_down_to() -> None:
    stray = Sign("stray_edges", "tach_pulses", BEGIN_NS, BEGIN_NS + 100_000_000, 4.0, 2.0)
    assert named(episode(7.5, stray)) == "ignition_secondary"


def test_below_seven_volts_the_electronics_fail_whatever_the_coil_does() -> None:
    assert weak_supply.beyond(episode(6.9, lean(20.0), throttle=0.0), 6.9) == 0.0
    assert weak_supply.beyond(episode(7.1, lean(20.0), throttle=0.0), 7.1) == weak_supply.MOST_UNLIKE


def test_sparks_missed_in_two_places_count_with_those_seen_between() -> None:
    """Five of eight twice, a second apart: 10 of 140."""
    unlit = [Sign("no_spark", "spark_pulses", at, at + 60_000_000, 5.0, 15.0) for at in (BEGIN_NS, BEGIN_NS + NS_PER_S)]
    assert weak_supply.beyond(episode(9.3, *unlit), 9.3) == 0.0
    assert weak_supply.beyond(episode(9.3, unlit[0]), 9.3) > 4.0


def test_where_the_rail_is_short_as_well_a_lean_exhaust_counts_no_misses() -> None:
    low = Sign("low_pressure", "fuel_pressure", BEGIN_NS, BEGIN_NS + NS_PER_S, 0.0, 0.5)
    assert weak_supply.beyond(episode(9.5, lean(20.0)), 9.5) > 7.0
    assert weak_supply.beyond(episode(9.5, lean(20.0), low), 9.5) == 0.0


def test_a_long_stretch_tells_no_more_than_fifty_firings() -> None:
    """A share of 0.6, where three times what is expected is 0.36: of 333 that would be 40."""
    assert weak_supply.beyond(episode(8.3, lean(200.0, 2.5)), 8.3) == pytest.approx(6.0, abs=0.6)


@pytest.mark.parametrize(("strength", "counts"), [(9.0, True), (40.0, False)])
def test_how_sudden_a_loss_of_torque_was_does_not_say_that_each_firing_was_lost(strength: float, counts: bool) -> None:
    sudden = Sign("weak_torque", "tach_pulses", BEGIN_NS, BEGIN_NS + NS_PER_S * 3 // 20, 20.0, strength)
    assert (weak_supply.beyond(episode(9.5, sudden), 9.5) > 7.0) == counts


def test_a_coil_that_is_charged_too_little_to_mark_the_tach_wire_may_have_died_of_its_battery() -> None:
    died = Sign("died", "tach_pulses", BEGIN_NS, 15 * NS_PER_S, 5.0, 5.0)
    assert named(episode(8.8, died, throttle=0.0)) == "supply_voltage"
    ran_down = Sign("died", "tach_pulses", BEGIN_NS, 15 * NS_PER_S, 5.0, 5.0, note="ran_down")
    assert named(episode(8.8, ran_down, throttle=0.0)) == "ignition_secondary"
