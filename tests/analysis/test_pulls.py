"""Full-load pulls found, laid over each other, and compared cold, warm and hot."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.findings import Stumble
from logger.analysis.pull.pull import Pull, Vehicle, Warmth
from logger.analysis.pull.pulls import find
from logger.analysis.pull.pulls_compared import compare
from logger.errors import AnalysisError
from logger.event import NS_PER_S, Event, Recording, Trace
from tests.analysis.invented import coolant, event, running, seconds, stumble

IDLE, TOP = 2000.0, 6000.0


def sweep(
    name: str,
    strength: float = 1.0,
    degc: float = 85.0,
    *,
    throttle: bool = True,
    wide: float = 95.0,
    intake_degc: float | None = None,
    dip_at_s: float | None = None,
) -> Recording:
    """10 s of steady 2,000 rev/min, a pull at 800 rev/min a second times `strength` to 6,000, closed throttle after.

    dip_at_s: the crank loses speed for 0.2 s there and goes on rising.
    """
    fine = np.arange(0.0, 40.0, 0.001)
    rate = np.where(fine >= 10.0, 800.0 * strength, 0.0)
    if dip_at_s is not None:
        rate[(fine >= dip_at_s) & (fine < dip_at_s + 0.2)] = -800.0
    speed = IDLE + np.cumsum(rate) * 0.001
    done = int(np.argmax(speed >= TOP))
    speed[done:] = np.maximum(TOP - 1500.0 * (fine[done:] - fine[done]), IDLE)
    turns = np.cumsum(speed / 60.0) * 0.001
    pulses = np.interp(np.arange(0.0, turns[-1], 0.5), turns, fine)
    traces = {"coolant_temperature": coolant(40.0, degc, degc)}
    if throttle:
        opening = np.where((fine >= 10.0) & (fine < fine[done]), wide, 8.0)[::10]
        traces["throttle_position"] = Trace(seconds(fine[::10]), opening)
    if intake_degc is not None:
        traces["intake_temperature"] = coolant(40.0, intake_degc, intake_degc)
    return Recording(name, 40 * NS_PER_S, traces, {"tach_pulses": seconds(pulses)})


def pulls_of(*recordings: Recording, stumbles: list[Stumble] | None = None) -> list[Pull]:
    of: Event = event(recordings)
    return find(of, running(of), stumbles or [])


def test_a_pull_is_found_from_opening_to_closing_the_throttle() -> None:
    (pull,) = pulls_of(sweep("r01"))
    assert pull.from_s == pytest.approx(10.0, abs=0.4)
    assert pull.to_s == pytest.approx(15.0, abs=0.4)
    assert pull.speed_rpm[0] <= 2625
    assert pull.speed_rpm[-1] >= 5625


def test_the_gain_is_the_slope_of_the_crank() -> None:
    """800 rev/min a second are 83.8 rad/s²."""
    (pull,) = pulls_of(sweep("r01"))
    inner = slice(2, -2)
    np.testing.assert_allclose(pull.gain[inner], 800 * 2 * np.pi / 60, rtol=0.01)


def test_without_a_throttle_sensor_a_long_rise_is_a_pull_too() -> None:
    assert len(pulls_of(sweep("r01", throttle=False))) == 1


def test_part_throttle_in_an_event_with_full_throttle_is_no_pull() -> None:
    found = pulls_of(sweep("r01"), sweep("r02", wide=50.0))
    assert [pull.recording for pull in found] == ["r01"]


def test_a_launch_from_idle_is_no_pull() -> None:
    one = sweep("r01")
    of = event([one])
    slow = type(of.engine)(4, tach_pulses_per_revolution=2.0, idle_rpm=2000.0)
    assert find(Event(of.name, slow, of.recordings), running(of)) == []


def test_torque_and_power_are_absolute_where_the_drums_inertia_is_given() -> None:
    """2 kg m² felt at the crank times 83.8 rad/s² are 167.6 N m; at 5,125 rev/min that is 89.9 kW."""
    (pull,) = pulls_of(sweep("r01"))
    drum = Vehicle(drum_inertia_kg_m2=200.0, drum_turns_per_turn=0.1)
    at = int(np.argmin(np.abs(pull.speed_rpm - 5125.0)))
    assert pull.torque_nm(drum)[at] == pytest.approx(167.6, rel=0.01)
    assert pull.power_kw(drum)[at] == pytest.approx(167.6 * 5125 * 2 * np.pi / 60 / 1000, rel=0.01)
    assert pull.power_kw(drum, loss=0.13)[at] == pytest.approx(pull.power_kw(drum)[at] / 0.87)


def test_a_cars_mass_and_way_per_turn_make_the_same_inertia() -> None:
    assert Vehicle(mass_kg=1000.0, metres_per_turn=2 * np.pi * 0.05).inertia_kg_m2 == pytest.approx(2.5)
    with pytest.raises(AnalysisError, match="give mass_kg with metres_per_turn"):
        _ = Vehicle(mass_kg=1000.0).inertia_kg_m2


def test_torque_is_relative_to_the_best_pull() -> None:
    found = pulls_of(sweep("r01"), sweep("r02", 0.9))
    laid = compare(found)
    assert laid.best == {0: 0}
    assert np.nanmedian(laid.relative[1]) == pytest.approx(0.9, abs=0.01)
    assert np.nanmax(laid.power[0]) == np.nanmax(laid.torque[0]) == pytest.approx(1.0)


def test_hot_pulls_that_are_weaker_say_by_how_much_and_how_sure() -> None:
    strengths = [(1.00, 82.0), (1.01, 84.0), (0.99, 86.0), (0.91, 96.0), (0.90, 97.0), (0.92, 98.0)]
    found = pulls_of(*(sweep(f"r{k}", strength, degc) for k, (strength, degc) in enumerate(strengths)))
    assert [pull.warmth for pull in found] == ["warm"] * 3 + ["hot"] * 3
    (difference,) = compare(found).differences
    assert difference.share == pytest.approx(-0.09, abs=0.01)
    assert difference.low is not None
    assert difference.high is not None
    assert difference.low < -0.09 < difference.high < -0.05
    assert difference.sentence.startswith("Gear 1 (by likeness): hot pulls were 9 % weaker than warm ones (")


def test_pulls_that_differ_by_as_much_anyway_say_so() -> None:
    strengths = [(1.00, 82.0), (0.93, 84.0), (0.95, 96.0), (1.01, 97.0)]
    found = pulls_of(*(sweep(f"r{k}", strength, degc) for k, (strength, degc) in enumerate(strengths)))
    assert "within what pulls differ by anyway" in compare(found).differences[0].sentence


def test_one_pull_each_gives_no_interval() -> None:
    (difference,) = compare(pulls_of(sweep("r01", 1.0, 82.0), sweep("r02", 0.9, 96.0))).differences
    assert (difference.low, difference.high) == (None, None)
    assert "make at least two of each" in difference.sentence


def test_intake_air_measured_at_the_pull_takes_the_place_of_the_entered_weather() -> None:
    """SAE J1349 at 99 kPa and 60 °C: 1.18 · √(333 / 298) - 0.18 = 1.067."""
    (pull,) = pulls_of(sweep("r01", intake_degc=60.0))
    assert pull.air_factor == pytest.approx(1.067, abs=0.001)


def test_a_break_up_within_a_pull_is_pointed_at_and_does_not_part_it() -> None:
    found = pulls_of(sweep("r01", dip_at_s=12.5), stumbles=[stumble("r01", 12.5, 0.25)])
    assert len(found) == 1
    assert found[0].break_ups_s == (12.5,)
    assert found[0].break_ups_rpm == (pytest.approx(3800.0, abs=30.0),)  # a quarter of a second before: 2.25 s at 800
    assert compare(found).sentences == ["r01: its one pull broke up, at 12.50 s."]


def test_a_stumble_from_which_the_pull_recovers_is_no_break_up_of_it() -> None:
    (pull,) = pulls_of(sweep("r01"), stumbles=[stumble("r01", 9.8, 0.5)])
    assert pull.break_ups_s == ()


def test_the_best_pull_is_a_long_one_and_no_single_weak_bin_decides_it() -> None:
    long, weaker, short = pulls_of(sweep("r01"), sweep("r02", 0.95), sweep("r03", 1.02))
    short = replace(short, speed_rpm=short.speed_rpm[:3], gain=short.gain[:3], gain_error=short.gain_error[:3], gear=0)
    dented = replace(long, gain=np.where(np.arange(long.gain.size) == 4, 0.1, long.gain))
    assert compare([weaker, short, dented]).best == {0: 2}


def test_other_gears_are_not_laid_over_each_other() -> None:
    found = pulls_of(sweep("r01"), sweep("r02", 0.6), sweep("r03", 0.59))
    assert [pull.gear for pull in found] == [1, 0, 0]
    assert compare(found).best == {0: 1, 1: 0}


def test_a_sentence_names_the_gear_it_holds_in() -> None:
    """Warm is a tenth weaker than cold in one gear, a tenth stronger in the other: both can be true."""
    own = pulls_of(sweep("r01"))[0]

    def pull(gear: int, warmth: Warmth, share: float) -> Pull:
        return replace(own, gear=gear, warmth=warmth, gain=share * own.gain)

    told = compare([pull(0, "cold", 1.0), pull(0, "warm", 0.9), pull(1, "cold", 1.0), pull(1, "warm", 1.1)]).sentences
    assert told[0].startswith("Gear 1 (by likeness): one warm pull was 10 % weaker than one cold one")
    assert told[1].startswith("Gear 2 (by likeness): one warm pull was 10 % stronger than one cold one")


def test_no_pulls_no_comparison() -> None:
    assert pulls_of(Recording("r01", NS_PER_S)) == []
    assert compare([]).sentences == []
