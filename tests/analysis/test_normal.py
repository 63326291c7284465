"""What earlier events of a car taught, and what is off all day against them."""

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.channels import normal
from logger.analysis.channels.bands import PressureBand
from logger.analysis.channels.normal import CELLS, RULES, off_normal, touches
from logger.analysis.findings import Findings
from logger.event import Event, Repair
from tests.analysis.invented import ENGINE, run
from tests.days import CHANNELS, always, day

CELL = "full fast warm"
TODAY = Event("today", ENGINE, (run("r01", offset_s=0.0), run("r02", offset_s=1800.0)))
PUMP = Repair("new pump", suspect="fuel_delivery", after_recording="r01")


def part(value: float, channel: str = "fuel_pressure", cell: str = CELL, seconds: float = 30.0) -> normal.Samples:
    """A recording with one level, a hundredth to either side."""
    n = int(seconds * 5)
    return {channel: (np.full(n, CELLS.index(cell)), value * np.linspace(0.99, 1.01, n))}


def taught(value: float, channel: str = "fuel_pressure", cell: str = CELL, **more: Any) -> dict[str, Any]:
    levels = {channel: {cell: [30.0, 0.99 * value, value, 1.01 * value]}}
    return {"levels": levels, "changed": [], "rail": None} | more


def off(value: float, *earlier: dict[str, Any], channel: str = "fuel_pressure", event: Event = TODAY) -> list[str]:
    parts = [part(value, channel) for _ in event.recordings]
    return [one.channel for one in off_normal(event, parts, earlier)]


def test_a_level_that_is_off_all_day_is_found_against_an_earlier_day_and_told() -> None:
    (found,) = off_normal(TODAY, [part(250.0), part(250.0)], [taught(300.0)])
    assert (found.channel, found.cause, found.n_events, found.usual) == ("fuel_pressure", "fuel_delivery", 1, 300.0)
    assert found.now == pytest.approx(250.0, rel=0.01)
    assert found.sentence.startswith("Fuel pressure was at 250 kPa at full load, high speed, warm")


@pytest.mark.parametrize(("value", "n"), [(280.0, 0), (270.0, 1), (330.0, 0)])
def test_only_what_healthy_days_do_not_differ_by_counts_and_only_on_the_bad_side(value: float, n: int) -> None:
    assert len(off(value, taught(300.0))) == n


def test_a_voltage_above_what_a_sound_alternator_holds_is_not_off() -> None:
    assert off(13.4, taught(14.6, "battery_voltage"), channel="battery_voltage") == []
    assert off(13.0, taught(14.6, "battery_voltage"), channel="battery_voltage") == ["battery_voltage"]


def test_an_earlier_day_beyond_the_limit_makes_no_rule() -> None:
    assert off(11.9, taught(12.6, "battery_voltage"), channel="battery_voltage") == []


def test_a_ground_drop_is_bad_where_it_is_high() -> None:
    assert off(0.9, taught(0.1, "engine_ground_drop"), channel="engine_ground_drop") == ["engine_ground_drop"]
    assert off(0.1, taught(0.9, "engine_ground_drop"), channel="engine_ground_drop") == []
    two = [taught(drop, "engine_ground_drop") for drop in (0.1, 0.25)]
    assert off(0.5, *two, channel="engine_ground_drop") == ["engine_ground_drop"]


def test_one_ill_or_odd_day_among_the_earlier_ones_does_not_make_the_rule() -> None:
    assert off(250.0, taught(300.0), taught(250.0)) == ["fuel_pressure"]
    assert off(300.0, taught(300.0), taught(300.0), taught(400.0)) == []
    assert off(300.0, taught(200.0)) == []


def test_like_is_compared_with_like() -> None:
    assert off(250.0, taught(300.0, cell="full slow warm")) == []
    slow = [part(12.8, "battery_voltage", "full slow warm")] * 2
    assert off_normal(TODAY, slow, [taught(14.2, "battery_voltage", "full slow warm")]) == []


def test_a_few_seconds_make_no_level() -> None:
    assert off_normal(TODAY, [part(250.0, seconds=2.0)], [taught(300.0)]) == []


def test_what_hangs_on_a_low_battery_is_not_told_again() -> None:
    low = {**part(12.0, "battery_voltage"), **part(11.6, "ignition_feed_voltage")}
    then = taught(14.2, "battery_voltage")
    then["levels"] |= taught(13.8, "ignition_feed_voltage")["levels"]
    assert [one.channel for one in off_normal(TODAY, [low], [then])] == ["battery_voltage"]
    fed = {**part(14.2, "battery_voltage"), **part(11.6, "ignition_feed_voltage")}
    assert [one.channel for one in off_normal(TODAY, [fed], [then])] == ["ignition_feed_voltage"]


@pytest.mark.parametrize(
    ("repair", "accused"),
    [
        (Repair("regulator set to 2.5 bar", offset_ns=-1), False),
        (Repair("new pump", offset_ns=-1), False),
        (Repair("it", offset_ns=-1, suspect="fuel_delivery"), False),
        (Repair("something", offset_ns=-1), False),
        (Repair("new coil", offset_ns=-1), True),
        (PUMP, True),
        (Repair("new pump"), False),
    ],
)
def test_a_pressure_changed_on_purpose_is_not_accused(repair: Repair, accused: bool) -> None:
    event = replace(TODAY, repairs=(repair,), started_utc=None)
    assert bool(off(250.0, taught(300.0), event=event)) == accused


def test_before_a_repair_in_the_day_it_is_compared_with_the_days_before_and_after_it_teaches_anew() -> None:
    event = replace(TODAY, repairs=(PUMP,))
    parts = [part(250.0), part(300.0)]
    assert [one.now for one in off_normal(event, parts, [taught(300.0)])] == [pytest.approx(250.0)]
    doc = normal.learned(event, parts, None)
    assert doc["levels"]["fuel_pressure"][CELL][2] == pytest.approx(300.0)
    assert "fuel_pressure" in doc["changed"]
    assert "battery_voltage" not in doc["changed"]


def test_what_was_changed_between_ends_what_the_days_before_it_say() -> None:
    changed = taught(250.0, changed=["fuel_pressure"])
    assert off(250.0, taught(300.0), taught(300.0), changed) == []
    assert off(250.0, changed, taught(300.0)) == ["fuel_pressure"]


def test_words_of_a_repair_say_what_it_touches() -> None:
    assert touches(Repair("new HT leads")) == frozenset()
    assert touches(Repair("tightened the alternator belt")) >= {"battery_voltage"}
    assert "fuel_pressure" not in touches(Repair("tightened the alternator belt"))
    assert touches(Repair("replaced the pressure sensor")) == RULES.keys()
    assert touches(Repair("renewed it", suspect="ignition_secondary")) == frozenset()


def test_a_rail_that_is_off_is_judged_by_the_earlier_floor_and_a_sound_one_by_its_own() -> None:
    today, earlier = PressureBand(150.0, 200.0, 130.0, 2.0), [taught(300.0, rail=[220.0, 300.0, 205.0, 2.0])]
    found = off_normal(TODAY, [part(200.0)], earlier)
    assert normal.rail(earlier, today, found) == PressureBand(220.0, 300.0, 205.0, 2.0)
    assert normal.rail(earlier, today, []) == today
    assert normal.rail(earlier, None, found) is None


# Whole days of a virtual car.


@cache
def judged(fault: str | None, depth: float, seed: int, car: str = "four_carburettor") -> Findings:
    return analyse(whole(fault, depth, seed, car))


@cache
def whole(fault: str | None, depth: float, seed: int, car: str = "four_carburettor") -> Event:
    return day(car, seed, [always(fault, depth)] if fault else [], runs=2)


FAULTS = [("charging", 1.0, "battery_voltage"), ("pump_tired", 0.7, "fuel_pressure")]


@pytest.mark.parametrize(("fault", "depth", "channel"), FAULTS)
def test_a_fault_all_day_looks_normal_alone_and_is_found_with_a_healthy_day_before(
    fault: str, depth: float, channel: str
) -> None:
    alone = judged(fault, depth, 11)
    assert alone.main_cause is None
    assert alone.off_normal == []
    with_earlier = analyse(whole(fault, depth, 11), earlier=[judged(None, 0.0, 1).normal])
    assert [one.channel for one in with_earlier.off_normal] == [channel]
    assert with_earlier.next_tests
    assert not alone.next_tests


@pytest.mark.parametrize("car", ["four_carburettor", "six_injected"])
def test_a_healthy_day_after_a_healthy_day_is_quiet_and_judged_as_alone(car: str) -> None:
    alone = judged(None, 0.0, 12, car)
    after = analyse(whole(None, 0.0, 12, car), earlier=[judged(None, 0.0, 1, car).normal])
    assert after.off_normal == []
    assert after == alone


@pytest.mark.parametrize(("fault", "depth", "channel"), FAULTS)
def test_a_healthy_day_after_a_faulty_one_is_quiet(fault: str, depth: float, channel: str) -> None:
    earlier = [judged(None, 0.0, 1).normal, judged(fault, depth, 11).normal]
    for known in (earlier, earlier[1:]):
        assert analyse(whole(None, 0.0, 12), earlier=known).off_normal == []


def test_a_low_pressure_after_a_regulator_was_set_anew_is_not_accused() -> None:
    lower = replace(whole("pump_tired", 0.7, 11), repairs=(Repair("regulator changed", offset_ns=-1),))
    assert analyse(lower, earlier=[judged(None, 0.0, 1).normal]).off_normal == []


def test_what_a_day_taught_is_small_and_plain() -> None:
    doc = judged(None, 0.0, 1).normal
    assert set(doc["levels"]) == {"battery_voltage", "ignition_feed_voltage", "fuel_pressure"}
    assert all(set(cells) <= set(CELLS) for cells in doc["levels"].values())
    assert len(str(doc)) < 3000


def test_a_channel_that_was_not_recorded_teaches_nothing() -> None:
    bare = analyse(day("four_carburettor", 1, channels=[c for c in CHANNELS if c != "fuel_pressure"], runs=2))
    assert "fuel_pressure" not in bare.normal["levels"]
    assert analyse(whole("pump_tired", 0.7, 11), earlier=[bare.normal]).off_normal == []
